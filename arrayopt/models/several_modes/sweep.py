"""Sweeps with several modes and harmonics: what one mode promises too much of (M7.11 to M7.21)."""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntFlag
from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.design.designs import Designs
from arrayopt.models.bands.sampled import Sampled, sampled_band
from arrayopt.models.cells import Cells, CellStatus, back_load, build_cells
from arrayopt.models.one_mode.grid import sweep_range
from arrayopt.models.one_mode.response import UP, pack
from arrayopt.models.several_modes.refine import refine
from arrayopt.models.several_modes.samples import Swept
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.sound.radiation import (
    SERIES_LIMIT,
    directivity,
    impedance_from_series,
    impedance_series,
)
from arrayopt.physics.steady.harmonic import HarmonicStatus, harmonic_sweep
from arrayopt.study.model import Study

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MARGIN_LINEWIDTHS = 6.0
"""Grid beyond the outermost resonance and backbone end; wide enough for -12 dB."""

HIGHEST = 1.8
"""No sweep of this model goes beyond this many times the highest resonance: at twice it the drive's
own modulation of the stiffness excites the resonance."""

POINTS = 401
"""Frequencies of a sweep."""

NECKED = 3
"""Factor on the frequencies of cells with necks, whose two resonances lie far apart."""

NODES = 51
"""Frequencies at which radiation matrices are computed, cubic in between: to 5e-8 of their largest
entry, but beside ka 4 of a harmonic, from which it is held. Necks take them at all of the grid."""

POINTS_PER_LINEWIDTH = 8.0
"""Fewer than this and the design gets a status; a jump is bracketed far more finely inside."""

BATCH = 256
"""Groups in memory at a time, those of one design together: what bounds that of their states."""


class SweepStatus(IntFlag):
    """Why a design has no multi-mode band; 0 is good."""

    OK = 0
    CELLS = 1
    """A driven cell has no coefficients."""
    COARSE = 2
    """The design's resonances are too far apart for the grid of this model."""
    UNSETTLED = 4
    """After a jump no periodic state was reached; the motion may be modulated."""
    ESCAPED = 8
    """The motion ran away over a potential barrier."""
    OFF_GRID = 16
    """The response never falls to the band's level inside the grid."""
    UNREFINED = 32
    """States between those of the grid were not found: the band is only as good as the grid."""


@dataclass(frozen=True)
class SweepSettings:
    """Modes kept (1 to 4), harmonics balanced (1 to 5), frequencies.

    ``checked``: solve at every frequency and watch Floquet multipliers; for final checks.
    """

    modes: int = 3
    harmonics: int = 3
    points: int = POINTS
    checked: bool = False


@dataclass(frozen=True)
class MultimodeResponse:
    """Swept response of a batch; frequency (design, frequency) in Hz, other axes added.

    Pressures at even frequencies. ``band``, ``deflection`` (design, group), the largest excursion
    of the centre from its rest, fundamental and mean shift [m], and ``power`` (design,), the
    largest mean mechanical power [W], are those of as many frequencies as they need (M7.20).
    """

    frequency: Floats
    pressure: NDArray[np.complex128]
    group_pressure: NDArray[np.complex128]
    band: Sampled
    deflection: Floats
    power: Floats
    status: Ints


def multimode_response(
    designs: Designs,
    study: Study,
    *,
    sweep: int,
    settings: SweepSettings | None = None,
) -> MultimodeResponse:
    """Pressure of every array along a slow sweep with several modes and harmonics per cell.

    Parameters
    ----------
    designs : Designs
        (design, group); any number, computed a few at a time.
    study : Study
        Its driven mode must be the first.
    sweep : UP or DOWN
    settings : SweepSettings, optional

    Returns
    -------
    MultimodeResponse
        Fundamental of the drive only. Each mode is damped by the intrinsic quality factor and by
        the full radiation matrix at every harmonic; ka of a harmonic above 4 is held at 4 (M5).
        Cells do not feel one another (M9: `coupled_response`).
    """
    chosen = settings or SweepSettings()
    size = max(1, BATCH // designs.radius.shape[1])
    parts = [
        _batch(designs.take(np.arange(k, min(k + size, len(designs)))), study, sweep, chosen)
        for k in range(0, len(designs), size)
    ]
    columns = zip(*(_fields(part) for part in parts), strict=True)
    frequency, pressure, group, deflection, power, status, *band = (
        np.concatenate(x) for x in columns
    )
    return MultimodeResponse(frequency, pressure, group, Sampled(*band), deflection, power, status)


def _fields(part: MultimodeResponse) -> list[Any]:
    band = [getattr(part.band, f.name) for f in fields(Sampled)]
    whole = [getattr(part, f.name) for f in fields(MultimodeResponse) if f.name != "band"]
    return whole + band


def _batch(
    designs: Designs, study: Study, sweep: int, settings: SweepSettings
) -> MultimodeResponse:
    cells = build_cells(designs, study, n_modes=settings.modes)
    modes, air = cells.modes, study.air_state
    driven = (designs.drive_amplitude > 0.0) & (cells.status & ~_BOWED == 0)
    bad = ((designs.drive_amplitude > 0.0) & ~driven).any(axis=1)
    frequency, coarse = _grid(cells, designs, study, sweep, settings.points)
    w = 2.0 * np.pi * frequency
    nodes = w if cells.necked is not None else np.linspace(w[:, 0], w[:, -1], NODES, axis=1)
    resistance, reactance = radiation_matrices(designs, study, cells, nodes, settings.harmonics)
    volts = np.where(driven, designs.drive_amplitude, 0.0)
    swept = harmonic_sweep(
        w[:, None, :],
        mass=modes.mass,
        stiffness=modes.stiffness,
        damping=np.sqrt(modes.stiffness * modes.mass) / study.cell.quality_factor,
        quadratic_tensor=modes.quadratic_tensor,
        cubic_tensor=modes.cubic_tensor,
        force=modes.force_per_volt * volts[..., None],
        parametric_stiffness=modes.stiffness_per_volt * volts[..., None, None],
        radiation_resistance=resistance,
        radiation_reactance=reactance,
        radiation_frequency=nodes[:, None, :],
        harmonics=settings.harmonics,
        sweep_up=sweep == UP,
        length=study.thickness,
        stability_every=1 if settings.checked else 0,
        interpolation=0.0 if settings.checked else 1e-4,
    )
    # Modes follow the drive's phase; amplitudes are phasors of e^{+jwt} for a cosine drive.
    turn = np.exp(1j * designs.drive_phase)[..., None, None]
    amplitude = np.where(driven[..., None, None], swept.amplitude, 0.0)
    weight, target = turn * modes.volume[:, :, None, :], study.target
    if target.polar != 0.0:
        kappa = w[:, None, :, None] / air.sound_speed * designs.radius[:, :, None, None]
        weight = weight * directivity(modes.shape[:, :, None], kappa * np.sin(target.polar))
    travel = w**2 * air.density / (2.0 * np.pi * target.distance)
    travel = travel * np.exp(-absorption(air, frequency) * target.distance)
    # pressure over amplitude, but for the way's phase, which all groups share
    transfer = weight * (travel[:, None, :] * _array_factor(designs, study, w))[..., None]
    group = (amplitude * transfer).sum(axis=-1)
    group = -group * np.exp(-1j * w / air.sound_speed * target.distance)[:, None, :]
    # The centre swings by the sum of the modes, and by what their mean shifts.
    swing = np.abs(amplitude.sum(axis=-1)) + np.abs(swept.static_shift.sum(axis=-1))
    swing = np.where(driven[..., None], swing, 0.0)
    deflection = np.nanmax(np.where(np.isfinite(swing), swing, 0.0), axis=-1)
    force = modes.force_per_volt * volts[..., None]
    velocity_phase = -np.imag(amplitude)
    taken = 0.5 * w[:, None, :] * (force[:, :, None, :] * velocity_phase).sum(axis=-1)
    power = np.nanmax((cells.count[:, None] * taken).sum(axis=1), axis=-1)
    found = swept.status
    if cells.necked is not None:
        # at twice a resonance the multipliers hang on the load at half the drive's frequency, where
        # necks take most: M7.16 freezes it at the drive's, so it says nothing there
        beyond = frequency[:, None] > HIGHEST * cells.natural_frequency[..., None]
        found = np.where(beyond, found & ~int(HarmonicStatus.UNSTABLE), found)
    flags = np.bitwise_or.reduce(
        np.where(driven[..., None], found, 0).reshape(len(designs), -1), axis=1
    )
    status = np.where(bad | ~driven.any(axis=1), int(SweepStatus.CELLS), 0)
    status |= np.where(coarse, int(SweepStatus.COARSE), 0)
    unsettled = int(HarmonicStatus.UNCONVERGED | HarmonicStatus.UNSTABLE | HarmonicStatus.INVALID)
    status |= np.where(flags & unsettled, int(SweepStatus.UNSETTLED), 0)
    status |= np.where(flags & int(HarmonicStatus.ESCAPED), int(SweepStatus.ESCAPED), 0)
    level = 10.0 ** (target.level / 20.0)
    pressure = group.sum(axis=1)
    band = sampled_band(frequency, np.abs(pressure), level=level)
    status = np.where(band.off_grid, status | int(SweepStatus.OFF_GRID), status)
    rows = np.flatnonzero(status == 0)
    if rows.size == 0:
        return MultimodeResponse(frequency, pressure, group, band, deflection, power, status)
    finer = refine(
        Swept(
            w[rows],
            swept.states.reshape(*driven.shape, *swept.states.shape[1:])[rows],
            swept.jump_frequency[rows],
            transfer[rows],
            (force * cells.count[:, None])[rows],
            driven[rows],
        ),
        swept.rows.take(np.arange(driven.size).reshape(driven.shape)[rows].ravel()),
        rising=sweep == UP,
        level=level,
    )
    for name in BAND:
        getattr(band, name)[rows] = getattr(finer, name)
    band.off_grid[rows] = np.isnan(finer.peak_pressure)
    deflection[rows], power[rows] = finer.deflection, finer.power
    status[rows] |= np.where(finer.status != 0, int(SweepStatus.UNREFINED), 0)
    status[rows] |= np.where(band.off_grid[rows], int(SweepStatus.OFF_GRID), 0)
    return MultimodeResponse(frequency, pressure, group, band, deflection, power, status)


BAND = ("peak_pressure", "peak_frequency", "lower_edge", "upper_edge", "ripple")


_BOWED = int(CellStatus.STRONGLY_QUADRATIC)


def _grid(
    cells: Cells, designs: Designs, study: Study, sweep: int, points: int
) -> tuple[Floats, NDArray[np.bool_]]:
    """Even frequencies over all resonances and one-mode backbones, and where they are too few.

    One mode overstates how far a resonance bends, so its backbone bounds the range.
    """
    low, high, width = sweep_range(pack(cells, designs, study), sweep=sweep)
    if cells.necked is not None:
        return _necked_grid(cells, designs, NECKED * points)
    highest = np.nanmax(np.where(designs.drive_amplitude > 0, cells.natural_frequency, 0.0), axis=1)
    high = np.minimum(high, HIGHEST * highest)
    low = low - MARGIN_LINEWIDTHS * width
    high = high + MARGIN_LINEWIDTHS * width
    usable = np.isfinite(low) & np.isfinite(high) & (high > low)
    low, high = np.where(usable, np.maximum(low, 1.0), 1.0), np.where(usable, high, 2.0)
    share = np.linspace(0.0, 1.0, points)
    coarse = usable & ((high - low) / (points - 1) > width / POINTS_PER_LINEWIDTH)
    return low[:, None] + (high - low)[:, None] * share, coarse


def _necked_grid(cells: Cells, designs: Designs, points: int) -> tuple[Floats, NDArray[np.bool_]]:
    """As `_grid`, for cells with necks: over both resonances and the driven backbone (M7.18)."""
    found = cells.necked
    assert found is not None
    driven = designs.drive_amplitude > 0.0
    low = np.where(driven, found.driven_low, np.inf).min(axis=1) / (2.0 * np.pi)
    high = np.where(driven, found.driven_high, -np.inf).max(axis=1) / (2.0 * np.pi)
    high = np.minimum(high, HIGHEST * np.where(driven, cells.natural_frequency, 0.0).max(axis=1))
    width = np.where(driven, found.width, np.inf).min(axis=1) / (2.0 * np.pi)
    usable = np.isfinite(low) & np.isfinite(high) & (high > low)
    low, high = np.where(usable, low, 1.0), np.where(usable, high, 2.0)
    share = np.linspace(0.0, 1.0, points)
    coarse = usable & ((high - low) / (points - 1) > width / POINTS_PER_LINEWIDTH)
    return low[:, None] + (high - low)[:, None] * share, coarse | ~usable


def radiation_matrices(
    designs: Designs, study: Study, cells: Cells, w: Floats, harmonics: int
) -> tuple[Floats, Floats]:
    """Resistance and reactance matrices (design, group, frequency, harmonic, mode, mode) [N s/m].

    A closed cavity is a stiffness shared by the modes: it enters as a reactance; with necks, whose
    flow is linear, every harmonic meets the complex load of its own frequency (M5.16).
    """
    air, modes = study.air_state, cells.modes
    order = np.arange(1, harmonics + 1)
    hw = w[:, None, :, None] * order
    ka = np.minimum(hw / air.sound_speed * designs.radius[:, :, None, None], SERIES_LIMIT)
    loading = air.density * air.sound_speed * np.pi * designs.radius**2
    count = modes.mass.shape[-1]
    shape = (*ka.shape, count, count)
    resistance, reactance = np.empty(shape), np.empty(shape)
    sides = 2.0 if study.cell.back == "vented" else 1.0
    back = back_load(designs, study, hw)
    for m in range(count):
        for n in range(m, count):
            r, x = impedance_series(modes.shape[:, :, m], other=modes.shape[:, :, n])
            R, X, _ = impedance_from_series(ka, r[:, :, None, None], x[:, :, None, None])
            load = sides * loading[:, :, None, None]
            one, other = (modes.volume[:, :, None, None, k] for k in (m, n))
            shared = back * one * other
            X = load * X - shared.real / hw
            R = load * R + shared.imag / hw
            for a, b in ((m, n), (n, m)):
                resistance[..., a, b] = R
                reactance[..., a, b] = X
    return resistance, reactance


def _array_factor(designs: Designs, study: Study, w: Floats) -> NDArray[np.complex128]:
    """Sum of the travel phases of each group's cells towards the target (design, group, f)."""
    layout, target = designs.layout, study.target
    if target.steered or target.polar == 0.0:
        return np.broadcast_to(
            layout.group_count[None, :, None].astype(complex), (len(designs), layout.n_groups, 1)
        )
    direction = np.array(target.sine_vector())
    delay = (designs.positions() * direction).sum(axis=-1) / study.air_state.sound_speed
    phase = np.exp(1j * w[:, None, :] * delay[:, :, None])
    out = np.zeros((len(designs), layout.n_groups, w.shape[1]), dtype=complex)
    for g in range(layout.n_groups):
        out[:, g] = phase[:, layout.group_of_cell == g].sum(axis=1)
    return out
