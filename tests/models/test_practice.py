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
from arrayopt.models.one_mode.response import array_pressure
from arrayopt.physics.steady.harmonic import harmonic_sweep
from arrayopt.physics.transient.one_mode import burst_envelope
from arrayopt.physics.transient.pulse import contiguous_band
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.optimize import brentq

from arrayopt.design.designs import Designs
from arrayopt.models.array import UP
from arrayopt.models.cells import Cells, build_cells
from arrayopt.study.lattice import array_layout
from arrayopt.study.model import Study
from tests.oracles.sound import self_impedance
from tests.support.chain import duct

RADIUS, COVERAGE, BIAS = 450e-6, 0.67, 15.0
SMALL_SIGNAL = {1: 0.019, 2: 0.0087}
Widths = dict[tuple[str, int], NDArray[np.float64]]
QUANTITIES = ("displacement", "velocity", "pressure")


def lone(volts: NDArray[np.float64]) -> Designs:
    shape = (volts.size, 1)
    none = np.zeros(1, dtype=int)
    return Designs(
        layout=array_layout(
            np.zeros((1, 2)), class_of_cell=none, channel_of_cell=none, explicit=True
        ),
        radius=np.full(shape, RADIUS),
        electrode_coverage=np.full(shape, COVERAGE),
        ring=np.zeros(shape, dtype=bool),
        drive_amplitude=volts[:, None],
        drive_phase=np.zeros(shape),
        bias=np.full(shape, BIAS),
        pitch=np.ones(volts.size),
    )


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
    study, designs = matched(mode), lone(volts)
    cells = build_cells(designs, study)
    # Mode 2 is left where the radiation series ends (ka = 4, 12 % above its resonance).
    top = (
        2.6
        if mode == 1
        else 3.98
        * study.air_state.sound_speed
        / (2.0 * np.pi * RADIUS * float(cells.natural_frequency[0, 0]))
    )
    f = np.linspace(0.8, top, 12001) * cells.natural_frequency[0, 0]
    found = array_pressure(cells, designs, study, frequency=np.tile(f, (volts.size, 1)), sweep=UP)
    x = np.abs(found.deflection[:, 0])
    rows = dict(zip(QUANTITIES, (x, x * f, np.abs(found.pressure)), strict=True))
    widths = {
        (name, level): contiguous_band(f, a, drop=level).fractional_bandwidth
        for name, a in rows.items()
        for level in (3, 6)
    }
    return widths, x.max(axis=1) / study.thickness


def coupled(volts: NDArray[np.float64]) -> tuple[Widths, NDArray[np.float64]]:
    """The same of mode 1 with three coupled modes, harmonics 0 to 3; radiation at resonance."""
    study = matched(1)
    n = 3
    three = replace(study, cell=replace(study.cell, mode=n))
    cells, air = build_cells(lone(np.ones(1)), study), study.air_state
    modes = build_cells(lone(np.ones(1)), three).modes
    mass, loss = modes.mass[0, 0, :n].copy(), np.empty(n)
    for i in range(n):
        w = float(np.sqrt(modes.stiffness[0, 0, i] / mass[i]))
        r, x = self_impedance(
            modes.shape[0, 0, i],
            radius=RADIUS,
            wavenumber=min(w / air.sound_speed, 3.9 / RADIUS),
            density=air.density,
            sound_speed=air.sound_speed,
        )
        loss[i] = np.sqrt(mass[i] * modes.stiffness[0, 0, i]) / study.cell.quality_factor
        loss[i] += 2.0 * float(r)
        mass[i] += 2.0 * float(x) / w
    w = np.linspace(0.8, 1.9, 1101) * 2.0 * np.pi * cells.natural_frequency[0, 0]
    found = harmonic_sweep(
        w,
        mass=mass,
        stiffness=modes.stiffness[0, 0, :n],
        damping=loss,
        quadratic_tensor=modes.quadratic_tensor[0, 0, :n, :n, :n],
        cubic_tensor=modes.cubic_tensor[0, 0, :n, :n, :n, :n],
        force=volts[:, None] * modes.force_per_volt[0, 0, :n],
    )
    x = np.abs(found.amplitude.sum(axis=-1))
    flow = np.abs(found.amplitude @ modes.volume[0, 0, :n])
    rows = dict(zip(QUANTITIES, (x, x * w, flow * w**2), strict=True))
    widths = {
        (name, level): contiguous_band(w, np.nan_to_num(a), drop=level).fractional_bandwidth
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


def test_mode_1_with_three_coupled_modes() -> None:
    """The same with the modes coupled (M7.11): 24 % at -6 dB velocity needs 28 V, not 39 V."""
    widths, deflection = coupled(VOLTS[:8])
    found = drive_for(VOLTS[:8], widths["velocity", 6], 0.24)
    assert_allclose(found, 28.1, rtol=1e-2)
    assert np.interp(found, VOLTS[:8], deflection) < 2.2
    second, w_over_h = one_mode(2, np.array([found]))
    assert w_over_h[0] < 1.2  # mode 2 is inside one mode's range
    assert_allclose(second["velocity", 6][0], 0.0553, rtol=1e-2)


# --- 2 and 3: bursts -------------------------------------------------------------------------


def burst_bands(cycles: int, volts: tuple[float, ...]) -> NDArray[np.float64]:
    """-6 dB displacement band of the end of the burst."""
    study = matched(1)
    cells: Cells = build_cells(lone(np.ones(1)), study)
    w0 = 2.0 * np.pi * float(cells.natural_frequency[0, 0])
    k = float(cells.stiffness[0, 0])
    f = np.linspace(0.85, 1.7, 273) * w0 / (2.0 * np.pi)
    found = burst_envelope(
        f,
        duration=cycles * 2.0 * np.pi / w0,
        drive_amplitude=np.array(volts)[:, None],
        mass=k / w0**2,
        damping=k / w0 / float(cells.quality_factor[0, 0]),
        stiffness=k,
        quadratic=float(cells.quadratic[0, 0]),
        cubic=float(cells.cubic[0, 0]),
        force_per_volt=float(cells.force_per_volt[0, 0]),
        tolerance=1e-3,
    )
    assert not found.status.any()
    end = found.envelope[..., found.burst_end]
    return contiguous_band(f, end, drop=6).fractional_bandwidth


def test_burst_bandwidth_grows_with_voltage_and_length_towards_28_percent() -> None:
    """Common practice, no source. One mode passes 28 % between 40 and 80 V, outside its range."""
    volts = (10.0, 20.0, 40.0, 80.0)
    by_length = {n: burst_bands(n, volts) for n in (20, 40, 80)}
    for n in (40, 80):
        assert (np.diff(by_length[n]) > 0.02).all(), by_length  # with voltage
    assert (by_length[80][1:3] > by_length[20][1:3]).all(), by_length  # with length
    assert by_length[80][0] > by_length[20][0]
    assert 0.24 < by_length[80][-1] < 0.32, by_length
