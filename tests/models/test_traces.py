"""One pulse of every chip in time: envelopes, closed forms, and what must change nothing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal.windows import tukey

from arrayopt.base.status import Status
from arrayopt.models.array import bursts
from arrayopt.models.chips import Chips
from arrayopt.physics.intime.slow_flow import linear_figures
from arrayopt.physics.intime.waveform import Drive
from arrayopt.study.model import BurstLength
from tests.support.chain import as_drawn, duct, four_cells, one_cell, uniform_design

CARRIER = 1.05e5


def test_windows_are_those_of_a_general_library() -> None:
    """scipy's Tukey window, and its Hann window at a taper of 1."""
    for taper in (0.0, 0.3, 1.0):
        found = np.abs(Drive(CARRIER, 1e-4, taper=taper).analytic(1001))
        np.testing.assert_allclose(found, tukey(1001, taper), rtol=1e-12, atol=1e-12)


def test_frequency_laws() -> None:
    """The slope of the phase of (M13.2), and a tail of its own phase behind the end."""
    start, end, lasts, law = 9e4, 1.3e5, 2e-4, 2.0
    drive = Drive(1.1e5, lasts, end=end, law=law)
    t = np.linspace(0.0, lasts, 20001)
    slope = np.gradient(np.unwrap(np.angle(drive.at(t))), t) / (2.0 * np.pi)
    u = 2.0 * t / lasts - 1.0
    wanted = 0.5 * (start + end) + 0.5 * (end - start) * np.sign(u) * np.abs(u) ** law
    np.testing.assert_allclose(slope[1:-1], wanted[1:-1], rtol=1e-5)
    braked = Drive(1e5, 5e-5, tail_cycles=2.0, tail_amplitude=0.4, tail_phase=np.pi)
    assert braked.whole == pytest.approx(7e-5)
    np.testing.assert_allclose(braked.at(np.array([6e-5]))[0], -0.4, rtol=1e-9)
    assert not braked.at(np.array([-1e-6, 7.1e-5])).any()


def test_a_pulse_is_that_of_the_envelopes() -> None:
    """Analytic signal against windows of a cycle, four coupled cells past their onset."""
    study = four_cells()
    chips = Chips(uniform_design(study, drive=3.0), study, 3)
    length = BurstLength(2e-4)
    wave = Drive(CARRIER, length.value)
    found = chips.pulse(wave)
    other = chips.envelopes(np.array([0]), bursts(np.array([CARRIER]), length), ring_cycles=9)
    t = found.time(0)
    base = 2.0 * found.of(0).real * np.exp(-2j * np.pi * CARRIER * t)  # as the windows have it
    for k in (3, 10, other.burst_end, other.burst_end + 4):
        inside = np.linspace(-0.5, 0.5, 201) / CARRIER + other.time[0, k]
        for chip in range(3):
            mean = np.interp(inside, t, base[chip]).mean()
            assert abs(mean - other.pressure[0, chip, k]) < 5e-3 * np.abs(base[chip]).max()
    assert (found.status == 0).all()
    np.testing.assert_allclose(np.abs(found.drive[0, 0, t < 1.9e-4]), 1.0, rtol=1e-9)
    assert found.drive_end[0] == 2e-4
    assert not found.drive[0, 0, t > 2e-4].any()


def test_a_lone_cell_rings_down_as_its_losses_say() -> None:
    """Linear: after the drive the envelope falls as e^(-decay t), in closed form."""
    study = duct()
    chips = as_drawn(one_cell(uniform_design(study, drive=1e-3, bias=0.0)), study)
    f0 = linear_figures(chips.made.arrays).resonance[0, 0, 0] / (2.0 * np.pi)
    found = chips.pulse(Drive(f0, 10.0 / f0))
    t, size = found.time(0), np.abs(found.of(0)[0])
    some = (t > found.drive_end[0] + 3.0 / f0) & (size > 0.012 * size.max())
    slope = -np.polyfit(t[some], np.log(size[some]), 1)[0]
    decay = linear_figures(chips.made.arrays).decay[0, 0, 0]
    # the pulse's losses are those at its carrier, the slow flow's at the resonance
    np.testing.assert_allclose(slope, decay, rtol=0.01)
    assert size[-1] < 0.01 * size.max()
    assert found.status[0, 0] == 0


def test_what_changes_nothing() -> None:
    """Other designs in the batch, other lengths beside it, and chips in another number."""
    study = four_cells()
    designs = uniform_design(study, drive=np.array([0.5, 3.0]))
    waves = [[Drive(CARRIER, 5e-5)], [Drive(CARRIER, 2e-4)]]
    both = Chips(designs, study, 2).pulse(waves)
    alone = Chips(designs.take([0]), study, 1).pulse(waves[:1])
    np.testing.assert_array_equal(both.of(0)[:1], alone.of(0))
    assert not both.pressure[0, :, both.samples[0] :].any()


def test_waves_of_channels() -> None:
    """Cells that share a drive, and the same drive given to each of them."""
    study = four_cells()
    chips = Chips(uniform_design(study, drive=3.0), study, 1)
    one = Drive(CARRIER, 1e-4, taper=0.2)
    same = chips.pulse([[one, one]], np.array([0, 1, 0, 1]))
    np.testing.assert_array_equal(same.pressure, chips.pulse(one).pressure)
    late = chips.pulse([[one, Drive(1.2e5, 5e-5)]], np.array([0, 1, 0, 1]))
    assert late.drive_end[0] == 1e-4
    assert late.carrier[0] == pytest.approx(0.5 * (1.2e5 + CARRIER))
    assert np.abs(late.pressure).max() < 0.9 * np.abs(same.pressure).max()


def test_what_is_not_driven_says_so() -> None:
    study = four_cells()
    found = Chips(uniform_design(study, drive=0.0), study, 1).pulse(Drive(CARRIER, 1e-4))
    assert found.status[0, 0] == Status.NOT_DRIVEN
    assert np.isnan(found.pressure[0, 0, 0])
