"""Three facts of practice (common practice, no source), and how near the model comes.

1. A cell whose small-signal band is 1.9 % (mode 1) or 0.87 % (mode 2), at 15 V of bias, widens to
   about 24 % and 7.4 % under one and the same hard drive. Neither the level (-3 or -6 dB) nor the
   quantity (displacement, velocity, pressure) of these figures is known.
2. Burst bandwidth grows with voltage and with burst length,
3. towards 28 %.

All numbers asserted here are in docs/models/practice.md, with what does not fit. Cell: one disc of
the duct study, radius 450 um, electrode 67 %, vented back; the intrinsic quality factor is chosen
so that the -3 dB width of the whole cell is the small-signal figure.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.optimize import brentq

from arrayopt.design.designs import Designs
from arrayopt.models.array import bursts
from arrayopt.models.cells import build_cells
from arrayopt.models.chips import Chips
from arrayopt.physics.intime.pulse import contiguous_band
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.steady.steady import steady_amplitude
from arrayopt.study.model import BurstLength, Study
from tests.oracles.sound import self_impedance
from tests.support.chain import duct, one_cell, uniform_design

RADIUS, BIAS = 450e-6, 15.0
SMALL_SIGNAL = {1: 0.019, 2: 0.0087}
Widths = dict[tuple[str, int], NDArray[np.float64]]
QUANTITIES = ("displacement", "velocity", "pressure")


def lone(volts: NDArray[np.float64]) -> Designs:
    return one_cell(uniform_design(duct(), radius=RADIUS, drive=volts, bias=BIAS))


def with_quality(mode: int, quality: float) -> Study:
    base = duct()
    return replace(base, cell=replace(base.cell, mode=mode, quality_factor=quality))


def total_quality(mode: int, intrinsic: float) -> float:
    cells = build_cells(lone(np.ones(1)), with_quality(mode, intrinsic))
    return float(cells.quality_factor[0, 0])


@lru_cache(maxsize=4)
def matched(mode: int) -> Study:
    """The study with the quality factor that gives the small-signal figure at -3 dB."""
    wanted = 1.0 / SMALL_SIGNAL[mode]
    return with_quality(
        mode, brentq(lambda q: total_quality(mode, q) - wanted, wanted, 1e4, xtol=1e-6)
    )


def one_mode(mode: int, volts: NDArray[np.float64]) -> tuple[Widths, NDArray[np.float64]]:
    """Bandwidths of an upward sweep by quantity and level, and w/h."""
    study = matched(mode)
    cells, air = build_cells(lone(volts), study), study.air_state
    # Mode 2 is left where the radiation series ends (ka = 4, 12 % above its resonance).
    top = (
        2.6
        if mode == 1
        else 3.98 * air.sound_speed / (2.0 * np.pi * RADIUS * float(cells.natural_frequency[0, 0]))
    )
    f = np.linspace(0.8, top, 12001) * cells.natural_frequency[0, 0]
    w = 2.0 * np.pi * f
    r, reactance = self_impedance(
        cells.shape[0, 0],
        radius=RADIUS,
        wavenumber=w / air.sound_speed,
        density=air.density,
        sound_speed=air.sound_speed,
    )
    found = steady_amplitude(
        w,
        mass=cells.mass[0, 0] + 2.0 * reactance / w,
        damping=cells.damping[0, 0] + 2.0 * r,
        stiffness=cells.stiffness[0, 0],
        cubic=cells.effective_cubic[0, 0],
        force=np.abs(cells.force_per_volt[0, 0]) * volts[:, None],
    )
    x = np.abs(found.amplitude)
    pressure = x * w**2 * np.exp(-study.target.distance * absorption(air, f))
    rows = dict(zip(QUANTITIES, (x, x * f, pressure), strict=True))
    widths = {
        (name, level): contiguous_band(f, a, drop=level).fractional_bandwidth
        for name, a in rows.items()
        for level in (3, 6)
    }
    return widths, x.max(axis=1) / study.thickness


def drive_for(volts: NDArray[np.float64], width: NDArray[np.float64], wanted: float) -> float:
    """Drive at which the width reaches ``wanted``; infinite where it does not."""
    above = np.flatnonzero(width >= wanted)
    if above.size == 0 or above[0] == 0:
        return np.inf
    k = int(above[0])
    return float(np.interp(wanted, width[k - 1 : k + 1], volts[k - 1 : k + 1]))


# --- 1: bandwidth against drive --------------------------------------------------------------


def test_small_signal_bands_are_the_given_ones() -> None:
    for mode, wanted in SMALL_SIGNAL.items():
        widths, _ = one_mode(mode, np.array([1e-3]))
        # Interpolated on a grid of 1/100 of the width; pressure leans on w^2 a little more.
        assert_allclose(widths["velocity", 3], wanted, rtol=2e-2)


def test_1p9_percent_at_6_db_is_out_of_reach_of_a_vented_cell_of_this_size() -> None:
    """Its radiation alone gives Q = 64; sqrt(3)/0.019 = 91 would be needed."""
    assert total_quality(1, 1e9) < 0.8 * np.sqrt(3.0) / SMALL_SIGNAL[1]


VOLTS = np.array([10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 60.0, 70.0, 80.0, 100.0])

# (quantity, level): (drive at which mode 1 has 24 %, mode 2 there), one mode each; inf: never;
# NaN: the band of mode 2 runs past ka = 4, where the radiation series ends.
ONE_MODE = {
    ("displacement", 3): (72.7, np.nan),
    ("displacement", 6): (21.0, 0.0406),
    ("velocity", 3): (np.inf, np.nan),
    ("velocity", 6): (38.6, 0.0768),
    ("pressure", 3): (np.inf, np.nan),
    ("pressure", 6): (99.5, np.nan),
}


@pytest.mark.parametrize("key", ONE_MODE)
def test_both_modes_under_one_drive(key: tuple[str, int]) -> None:
    """Common practice, no source: 24 % and 7.4 % together. One closed-form mode each (M7.1).

    Velocity at -6 dB comes near (7.7 % for 7.4 %), but with w/h = 2.2 in mode 1, where one mode is
    no longer right. At -3 dB neither velocity (ceiling 17.3 %) nor pressure (11.5 %, 12.6 % at most
    with the air's absorption) gets to 24 %.
    """
    first, deflection = one_mode(1, VOLTS)
    volt, second_expected = ONE_MODE[key]
    found = drive_for(VOLTS, first[key], 0.24)
    if np.isinf(volt):
        assert np.isinf(found)
        return
    assert_allclose(found, volt, rtol=1e-2)  # the documented figures have three digits
    assert np.interp(found, VOLTS, deflection) > 1.2  # always outside one mode's range
    second, _ = one_mode(2, np.array([found]))
    assert_allclose(second[key][0], second_expected, rtol=1e-2)
    if key == ("velocity", 6):
        assert abs(second[key][0] - 0.074) < 0.005


# --- 2 and 3: bursts -------------------------------------------------------------------------


def burst_bands(cycles: int, volts: tuple[float, ...]) -> NDArray[np.float64]:
    """-6 dB displacement band of the end of the burst."""
    chips = Chips(lone(np.array(volts)), matched(1), 1, use="nominal")
    f0 = float(chips.made.nominal.natural_frequency[0, 0])
    f = np.linspace(0.85, 1.7, 137) * f0
    row = np.repeat(np.arange(len(volts)), f.size)
    drive = bursts(np.tile(f, len(volts)), BurstLength(cycles / f0))
    found = chips.envelopes(row, drive)
    assert not found.status.any()
    end = found.end[:, 0].reshape(len(volts), -1) / f**2
    return contiguous_band(f, end, drop=6).fractional_bandwidth


def test_burst_bandwidth_grows_with_voltage_and_length_towards_28_percent() -> None:
    """Common practice, no source. One mode passes 28 % between 40 and 80 V, outside its range."""
    volts = (10.0, 20.0, 40.0, 80.0)
    by_length = {n: burst_bands(n, volts) for n in (20, 40, 80)}
    for n in (40, 80):
        assert (np.diff(by_length[n]) > 0.02).all(), by_length  # with voltage
    assert (by_length[80][1:3] > by_length[20][1:3]).all(), by_length  # with length
    assert by_length[80][0] > by_length[20][0]
    assert by_length[80][2] < 0.28 < by_length[80][3], by_length
