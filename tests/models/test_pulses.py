"""Bursts and chirps of chips: closed forms, the waveform itself, and what must change nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from arrayopt.base.status import Status
from arrayopt.models.array import DOWN, SMALL, UP, Drive, bursts
from arrayopt.models.bands import largest_in_time
from arrayopt.models.cells import build_cells
from arrayopt.models.chips import Chips
from arrayopt.models.excitations.burst import Burst
from arrayopt.models.excitations.chirp import Chirped
from arrayopt.models.rows import FINE
from arrayopt.physics.intime.waveform import Drive as Waveform
from arrayopt.physics.intime.waveform import chip_pulses
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.sound.air import absorption
from arrayopt.study.model import BurstLength, Chirp
from tests.oracles.sound import self_impedance
from tests.support.chain import as_drawn, duct, four_cells, one_cell, uniform_design

HALF = 10.0 ** (-6.0 / 20.0)
LENGTH = BurstLength(0.4e-3)
BURST = Burst(LENGTH)
FIELDS = ("peak_pressure", "lower_edge", "upper_edge", "ripple", "power", "deflection")


def lone_chips(drive: float) -> Chips:
    study = duct()
    designs = one_cell(uniform_design(study, drive=drive))
    return as_drawn(designs, study)


def test_largest_in_time_is_that_of_a_beat_and_does_not_jump() -> None:
    """A beat of 2 pi windows, its maximum anywhere between two of them."""
    shift = np.linspace(0.0, 1.0, 401)
    t = np.arange(40.0) - shift[:, None]
    found = largest_in_time(np.exp(-((t - 18.0) ** 2) / 200.0) * (1.0 + 0.3 * np.cos(t - 18.0)))
    np.testing.assert_allclose(found, 1.3, rtol=6e-3)  # fourth order: 3/128 of 0.3/1.3
    assert np.abs(np.diff(found)).max() < 1e-4


@pytest.mark.parametrize("back", ["vented", "sealed"])
@pytest.mark.parametrize("ends", [(1.07e5, 1.07e5), (1.0e5, 1.2e5)])
def test_envelopes_are_those_of_the_waveform(back: str, ends: tuple[float, float]) -> None:
    """A steered target off the axis: the real pressure on a fine grid, in windows of a cycle."""
    depth = {} if back == "vented" else {"cavity_depth": 150e-6}
    study = four_cells(back=back, **depth)
    direction = replace(study.target.direction, polar=0.4, azimuth=0.3)
    study = replace(study, target=replace(study.target, direction=direction))
    chips = Chips(uniform_design(study, drive=3.0), study, 2, pace=FINE)
    drive = Drive(*(np.array([x]) for x in (*ends, 20.3 / 1.07e5)))
    found = chips.envelopes(np.array([0]), drive, ring_cycles=5)
    rows, mid = chips.rows, 0.5 * sum(ends)
    wave = Waveform(mid, drive.duration[0], end=ends[1] if drive.moves else None)
    exact = chip_pulses(
        rows.arrays,
        quadratic=rows.quadratic,
        cubic=rows.cubic,
        drives=wave,
        ring=1e-4,
        steps_per_cycle=192,
    )
    samples = CubicSpline(
        exact.step[0] * np.arange(exact.acceleration.shape[2]), exact.acceleration[0], axis=1
    )
    air, way, rate = study.air_state, study.target.distance, (ends[1] - ends[0]) / wave.duration
    t = np.linspace(0.0, wave.duration + 6e-5, 400001)
    inside = np.minimum(t, wave.duration)
    cycles = ends[0] * inside + 0.5 * rate * inside**2 + ends[1] * (t - inside)
    left = cycles - drive.cycles[0]
    for k in (3, found.burst_end - 7, found.burst_end, found.burst_end + 5):
        first = k - found.burst_end - 1
        now = (left >= first) & (left < first + 1)
        turned = samples(t[now]) * np.exp(-2j * np.pi * cycles[now])
        f = drive.frequency(found.time)[0, k]
        path = air.density / (2.0 * np.pi * way) * np.exp(-way * float(absorption(air, f)))
        wanted = 2.0 * turned.mean(axis=1) * path
        assert np.abs(found.pressure[0, :, k] - wanted).max() < 1e-3 * found.peak.max()
    assert not found.status.any()
    assert found.deflection[0] == pytest.approx(exact.deflection[0], rel=3e-3)  # at steps
    # an entry is the same beside a longer one
    both = Drive(
        *(np.array([x, y]) for x, y in zip((*ends, 3e-4), (*ends, wave.duration), strict=True))
    )
    beside = chips.envelopes(np.array([0, 0]), both, ring_cycles=5)
    late = beside.burst_end - found.burst_end
    assert np.array_equal(beside.pressure[1, :, late:], found.pressure[0])


def linear_envelope(
    t: NDArray[np.float64], w: float, m: float, c: float, k: float, force: float
) -> NDArray[np.float64]:
    """Acceleration of a linear oscillator from rest under force cos(w t): textbook closed form."""
    X = force / (k - m * w**2 + 1j * w * c)
    root = -c / (2 * m) + 1j * np.sqrt(k / m - (c / (2 * m)) ** 2)
    # x = Re(X e^jwt + B e^root t) with x(0) = v(0) = 0
    x0, v0 = -X.real, -(1j * w * X).real
    B = x0 - 1j * (v0 - root.real * x0) / root.imag
    return np.real(-(w**2) * X * np.exp(1j * w * t) + root**2 * B * np.exp(root * t))


def test_weak_bursts_against_the_closed_form() -> None:
    """Peak, its carrier, edges, ring-down and spectrum of a lone cell: the linear transient."""
    chips = lone_chips(1e-4)
    band = BURST.band(chips, HALF)
    assert not band.status.any()
    a, cells, study = chips.made.arrays, chips.made.nominal, chips.study
    air, T, r = study.air_state, LENGTH.value, study.target.distance
    nodes, weights = np.polynomial.legendre.leggauss(24)

    def loaded(w: float) -> tuple[float, float]:
        R, X = self_impedance(
            cells.shape[0, 0],
            radius=cells.radius[0, 0],
            wavenumber=w / air.sound_speed,
            density=air.density,
            sound_speed=air.sound_speed,
        )
        return float(a.mass[0, 0, 0] + 2.0 * X / w), float(a.damping[0, 0, 0] + 2.0 * R)

    def largest(f: float) -> float:
        w = 2 * np.pi * f
        m, c = loaded(w)
        count = int(np.floor(T * f))
        t = T - (np.arange(count, 0, -1)[:, None] - 0.5 - 0.5 * nodes) / f
        moved = linear_envelope(t, w, m, c, a.stiffness[0, 0, 0], a.force_re[0, 0, 0])
        envelope = np.abs((weights * moved * np.exp(-1j * w * t)).sum(axis=1))
        path = air.density / (2 * np.pi * r) * np.exp(-absorption(air, f) * r)
        return float(abs(a.volume[0, 0, 0]) * path * largest_in_time(envelope[None])[0])

    grid = np.linspace(0.96, 1.04, 321) * cells.natural_frequency[0, 0]
    values = np.array([largest(f) for f in grid])
    top = int(values.argmax())
    # carriers and Akima's curve between them: 1e-3 (M8.14)
    assert band.peak_pressure[0, 0] == pytest.approx(values[top], rel=1e-3)
    assert band.peak_frequency[0, 0] == pytest.approx(grid[top], rel=2e-3)
    limit = HALF * values[top]
    for edge, far in ((band.lower_edge[0, 0], 0.9), (band.upper_edge[0, 0], 1.1)):
        exact = brentq(lambda f: largest(f) - limit, grid[top], far * grid[top], rtol=1e-7)
        assert edge == pytest.approx(exact, rel=1e-3)
    figures = BURST.pulse(chips, band)
    assert not figures.status.any()
    m, c = loaded(2.0 * np.pi * float(band.centre[0, 0]))
    for found, drop in ((figures.ring_down, 20.0), (figures.quiet, 40.0)):
        decay = 2.0 * m / c * np.log(10.0 ** (drop / 20.0))
        assert found[0, 0] == pytest.approx(decay, rel=0.05)
    assert figures.dead_zone[0, 0] == pytest.approx(
        0.5 * air.sound_speed * (T + figures.quiet[0, 0]), rel=1e-9
    )
    f = np.linspace(0.9, 1.1, 4001) * band.centre[0, 0]
    # the drive's spectrum sin(x)/x times the cell's own w^2/(k - m w^2 + j w c)
    w = 2.0 * np.pi * f
    size = np.abs(np.sinc((f - band.centre[0, 0]) * T))
    size = size * np.abs(w**2 / (a.stiffness[0, 0, 0] - m * w**2 + 1j * w * c))
    inside = f[size > 0.5 * size.max()]
    assert figures.spectrum[0, 0] == pytest.approx(np.ptp(inside) / np.mean(inside), rel=0.03)


def test_long_bursts_end_in_the_sweep() -> None:
    """12 decay times, half the onset: four unequal cells, coupled; the sweep's lag is 1 %."""
    study = four_cells()
    designs = uniform_design(study)
    cells = build_cells(designs, study)
    designs = replace(designs, drive_amplitude=0.5 * cells.onset)
    chips = Chips(designs, study, 2, pace=FINE)
    f0, q = cells.natural_frequency[0, 0], cells.quality_factor[0, 0]
    f = np.linspace(0.98, 1.03, 5)[None] * f0
    _, end = Burst(BurstLength(float(12.0 * q / np.pi / f0))).peaks(chips, f)
    steady = 0.5 * (chips.response(f, UP) + chips.response(f, DOWN))
    np.testing.assert_allclose(end, steady, rtol=0.02)


def test_bands_lie_on_their_level_and_depend_on_nothing_else() -> None:
    study = four_cells()
    designs = uniform_design(study, drive=np.array([1.0, 4.0]))
    few = Chips(designs, study, 2)
    more = Chips(designs.take([1]), study, LANES + 1)
    chirped = Chirped(Chirp(9e4, 1.35e5, 1e-3))
    for excitation in (BURST, chirped):
        band, other = excitation.band(few, HALF), excitation.band(more, HALF)
        assert not band.status.any()
        for name in FIELDS:
            assert np.array_equal(getattr(band, name)[1], getattr(other, name)[0, :2]), name
    band = BURST.band(few, HALF)
    for edge in (band.lower_edge, band.upper_edge):
        for chip in range(2):
            peak, _ = BURST.peaks(few, edge[:, chip : chip + 1])
            level = peak[:, chip, 0] / band.peak_pressure[:, chip]
            assert level == pytest.approx(HALF, rel=0.02)  # the carriers of `QUICK`
    many, _ = BURST.peaks(few, np.linspace(1.0e5, 1.3e5, 200)[None].repeat(2, 0))
    assert many.max(axis=2) == pytest.approx(band.peak_pressure, rel=0.01)
    alone = BURST.pulse(few, band)
    assert not alone.status.any()
    assert np.all(alone.quiet > alone.ring_down)
    small, both = BURST.band(few, HALF, small=True), BURST.band(few, HALF, two_way=True)
    assert small.fractional_width[0] == pytest.approx(small.fractional_width[1], rel=1e-3)
    assert np.all(both.fractional_width < band.fractional_width)
    assert np.all(chirped.band(few, HALF, two_way=True).status == 0)


def test_weak_bursts_of_several_modes_are_those_of_one() -> None:
    study = four_cells()
    designs = uniform_design(study, drive=0.05)
    drive = bursts(build_cells(designs, study).natural_frequency[0, :1], BurstLength(25.0, True))
    one, two = (Chips(designs, study, 2, modes=n).envelopes(np.array([0]), drive) for n in (1, 2))
    assert not two.status.any()
    # the second mode's static part, and its radiation
    assert two.peak == pytest.approx(one.peak, rel=0.03)


def test_chirps_end_their_band_where_they_end() -> None:
    chips = lone_chips(1e-3)
    f0 = float(chips.made.nominal.natural_frequency[0, 0])
    rising = Chirped(Chirp(0.9 * f0, f0, 3e-3))
    up = rising.band(chips, HALF)
    assert up.upper_edge[0, 0] == f0
    down = Chirped(Chirp(1.1 * f0, f0, 3e-3)).band(chips, HALF)
    assert down.lower_edge[0, 0] == f0
    figures = rising.pulse(chips, up)
    assert not figures.status.any()
    decay = chips.made.nominal.quality_factor[0, 0] / (np.pi * f0)
    # radiation is that of the chirp's middle, 5 % below (M8.4)
    assert figures.quiet[0, 0] == pytest.approx(decay * np.log(100.0), rel=0.1)
    # slow chirps become sweeps, ever closer
    slow = chips.band(SMALL, HALF)
    gaps = [
        abs(
            Chirped(Chirp(0.9 * f0, 1.1 * f0, T)).band(chips, HALF).width[0, 0] / slow.width[0, 0]
            - 1
        )
        for T in (4e-3, 16e-3)
    ]
    assert gaps[1] < 0.5 * gaps[0]
    assert gaps[1] < 0.02


def test_what_has_no_pulse_says_so() -> None:
    study = four_cells()
    designs = uniform_design(study, drive=np.array([0.0, 1.0, 1.0]))
    designs = replace(designs, radius=designs.radius * np.array([[1.0], [1.6], [1.0]]))
    chips = Chips(designs, study, 2)
    for excitation in (BURST, Chirped(Chirp(9e4, 1.35e5, 0.5e-3))):
        band = excitation.band(chips, HALF)
        assert (band.status[0] & Status.NOT_DRIVEN).all()
        assert (band.status[1] & Status.CELLS_OVERLAP).all()
        assert not band.status[2].any()
        figures = excitation.pulse(chips, band)
        assert (figures.status[0] & Status.NO_CARRIER).all()
        assert figures.status[1].all()
        assert not figures.status[2].any()
        assert np.isnan(figures.spectrum[:2]).all()
        assert np.isnan(band.peak_pressure[:2]).all()
