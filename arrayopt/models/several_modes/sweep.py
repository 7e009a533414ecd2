"""Sweeps with several modes and harmonics: what one mode promises too much of (M7.11 to M7.21)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Bools, Complex, Floats, Ints
from arrayopt.base.status import Status, translated
from arrayopt.design.designs import Designs
from arrayopt.models.array import DOWN, SMALL, TWO_WAY, Band, Response
from arrayopt.models.bands.read import read_bands
from arrayopt.models.cells import Cells, build_cells, without_nonlinearity
from arrayopt.models.one_mode.grid import sweep_range
from arrayopt.models.one_mode.response import pack
from arrayopt.models.several_modes.refine import refine
from arrayopt.models.several_modes.samples import Swept as Refinable
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.sound.radiation import (
    SERIES_LIMIT,
    directivity,
    impedance_from_series,
    impedance_series,
)
from arrayopt.physics.steady.harmonic import HarmonicStatus, HarmonicSweep, harmonic_sweep
from arrayopt.study.model import Study

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


@dataclass(frozen=True)
class SweepSettings:
    """Modes kept (1 to 4), harmonics balanced (1 to 5), frequencies.

    ``checked``: solve at every frequency and watch Floquet multipliers; for final checks.
    """

    modes: int = 3
    harmonics: int = 3
    points: int = POINTS
    checked: bool = False


class Sweep(NamedTuple):
    """States of a batch along a sweep, and what they do; frequency (design, frequency) in Hz."""

    frequency: Floats
    found: HarmonicSweep
    """Rows (design, group)."""
    amplitude: Complex
    """(design, group, frequency, mode): 0 where the group is not driven, m."""
    turn: Complex
    """(design, group): what the drive's phase makes of it."""
    transfer: Complex
    """(design, group, frequency, mode): pressure at the target over amplitude, but for the way's
    phase, which all groups share; with a two-way sweep times what is received."""
    force: Floats
    """(design, group, mode): of all cells of a group, N."""
    driven: Bools
    flags: Ints
    """(design, group, frequency): `HarmonicStatus`."""
    status: Ints
    """(design,): `Status` of the whole sweep."""

    @property
    def group_pressure(self) -> Complex:
        """(design, group, frequency), Pa."""
        return np.asarray((self.amplitude * self.transfer).sum(axis=-1))


def several_modes_band(
    designs: Designs, study: Study, *, sweep: int, level: float, settings: SweepSettings
) -> Band:
    """Band of every array along a slow sweep with several modes and harmonics per cell.

    Parameters
    ----------
    designs : Designs
        (design, group); any number, computed a few at a time.
    study : Study
        Its driven mode must be the first.
    sweep, level : as in `ArrayModel.band`.
    settings : SweepSettings

    Returns
    -------
    Band
        Fundamental of the drive only; deflections are the largest excursions of the centre from its
        rest, fundamental and mean shift. Each mode is damped by the intrinsic quality factor and by
        the full radiation matrix at every harmonic; ka of a harmonic above 4 is held at 4 (M5).
        All are those of as many frequencies as they need (M7.20). Cells do not feel one another.
    """
    size = max(1, BATCH // designs.radius.shape[1])
    parts = []
    for k in range(0, len(designs), size):
        batch = designs.take(np.arange(k, min(k + size, len(designs))))
        parts.append(_refined(swept(batch, study, sweep, settings), level, sweep & 3 != DOWN))
    return Band.joined(parts)


def swept(
    designs: Designs, study: Study, sweep: int, settings: SweepSettings, at: Floats | None = None
) -> Sweep:
    """States of a few designs along a sweep; of one design, ``at`` (frequency,) [Hz] among others.

    Sweeps are followed from outside all resonances.
    """
    cells = build_cells(designs, study, n_modes=settings.modes)
    if sweep & 3 == SMALL:
        cells = without_nonlinearity(cells)
    modes = cells.modes
    driven = (designs.drive_amplitude > 0.0) & (cells.status & ~_BOWED == 0)
    bad = ((designs.drive_amplitude > 0.0) & ~driven).any(axis=1)
    frequency, coarse = _grid(cells, designs, study, sweep, settings.points)
    if at is not None:
        frequency = np.unique(np.concatenate([frequency[0], at]))[None]
    w = 2.0 * np.pi * frequency
    nodes = w if cells.necked is not None else np.linspace(w[:, 0], w[:, -1], NODES, axis=1)
    resistance, reactance = radiation_matrices(designs, study, cells, nodes, settings.harmonics)
    volts = np.where(driven, designs.drive_amplitude, 0.0)
    force = modes.force_per_volt * volts[..., None]
    found = harmonic_sweep(
        w[:, None, :],
        mass=modes.mass,
        stiffness=modes.stiffness,
        damping=cells.mode_damping,
        quadratic_tensor=modes.quadratic_tensor,
        cubic_tensor=modes.cubic_tensor,
        force=force,
        parametric_stiffness=modes.stiffness_per_volt * volts[..., None, None],
        radiation_resistance=resistance,
        radiation_reactance=reactance,
        radiation_frequency=nodes[:, None, :],
        harmonics=settings.harmonics,
        sweep_up=sweep & 3 != DOWN,
        length=study.thickness,
        stability_every=1 if settings.checked else 0,
        interpolation=0.0 if settings.checked else 1e-4,
    )
    # Modes follow the drive's phase; amplitudes are phasors of e^{+jwt} for a cosine drive.
    turn = np.exp(1j * designs.drive_phase)
    target, air = study.target, study.air_state
    weight = turn[..., None, None] * modes.volume[:, :, None]
    if target.polar != 0.0:
        kappa = w[:, None, :, None] / air.sound_speed * designs.radius[:, :, None, None]
        weight = weight * directivity(modes.shape[:, :, None], kappa * np.sin(target.polar))
    travel = w**2 * air.density / (2.0 * np.pi * target.distance)
    travel = travel * np.exp(-absorption(air, frequency) * target.distance)
    transfer = weight * (travel[:, None, :] * _array_factor(designs, study, w))[..., None]
    if sweep & TWO_WAY:
        transfer = transfer * received(designs, study, cells, w)[:, None, :, None]
    flags = found.status
    if cells.necked is not None:
        # at twice a resonance the multipliers hang on the load at half the drive's frequency, where
        # necks take most: M7.16 freezes it at the drive's, so it says nothing there
        beyond = frequency[:, None] > HIGHEST * cells.natural_frequency[..., None]
        flags = np.where(beyond, flags & ~int(HarmonicStatus.UNSTABLE), flags)
    flags = np.where(driven[..., None], flags, 0)
    status = translated(np.bitwise_or.reduce(flags.reshape(len(designs), -1), axis=1), WORDS)
    status |= np.where(bad | ~driven.any(axis=1), int(Status.SWEEP_CELLS), 0)
    status |= np.where(coarse, int(Status.SWEEP_COARSE), 0)
    amplitude = np.where(driven[..., None, None], found.amplitude, 0.0)
    count = cells.count[:, None]
    return Sweep(frequency, found, amplitude, turn, transfer, force * count, driven, flags, status)


WORDS = {
    HarmonicStatus.UNCONVERGED: Status.SWEEP_UNSETTLED,
    HarmonicStatus.UNSTABLE: Status.SWEEP_UNSETTLED,
    HarmonicStatus.INVALID: Status.SWEEP_UNSETTLED,
    HarmonicStatus.ESCAPED: Status.SWEEP_ESCAPED,
}


def _refined(sweep: Sweep, level: float, rising: bool) -> Band:
    """The band of a sweep that had no trouble, from as many points as it needs."""
    w, status = 2.0 * np.pi * sweep.frequency, sweep.status
    pressure = np.abs(sweep.group_pressure.sum(axis=1))
    known = np.full(len(w), w.shape[1])
    _, off = read_bands(w, np.nan_to_num(pressure), known, level)
    status = np.where(off, status | int(Status.SWEEP_OFF_GRID), status)
    columns = np.full((6, status.size), np.nan)
    deflection = np.full(sweep.driven.shape, np.nan)
    rows = np.flatnonzero(status == 0)
    if rows.size:
        states = sweep.found.states
        finer = refine(
            Refinable(
                w[rows],
                states.reshape(*sweep.driven.shape, *states.shape[1:])[rows],
                sweep.found.jump_frequency[rows],
                sweep.transfer[rows],
                sweep.force[rows],
                sweep.driven[rows],
            ),
            sweep.found.rows.take(
                np.arange(sweep.driven.size).reshape(sweep.driven.shape)[rows].ravel()
            ),
            rising=rising,
            level=level,
        )
        columns[:, rows], deflection[rows] = (*finer[:5], finer.power), finer.deflection
        status[rows] |= np.where(finer.status != 0, int(Status.SWEEP_UNREFINED), 0)
        lost = np.isnan(finer.peak_pressure)
        status[rows] |= np.where(lost, int(Status.SWEEP_OFF_GRID), 0)
    return Band.of(columns, deflection, status)


def several_modes_response(
    designs: Designs, study: Study, *, frequency: Floats, sweep: int, settings: SweepSettings
) -> Response:
    """As `ArrayModel.response`; ``deflection`` is the centre's, all modes together."""
    shape = (len(designs), designs.layout.n_groups, frequency.shape[1])
    group, deflection = np.empty((2, *shape), dtype=complex)

    for d in range(len(designs)):
        found = swept(designs.take(np.array([d])), study, sweep, settings, frequency[d])
        place = np.searchsorted(found.frequency[0], frequency[d])
        settled = translated(found.flags, WORDS)[0] == 0
        centre = found.amplitude[0].sum(axis=-1) * found.turn[0][:, None]
        deflection[d] = np.where(settled, centre, np.nan)[:, place]
        group[d] = np.where(settled, found.group_pressure[0], np.nan)[:, place]
    way = 2.0 * np.pi * frequency / study.air_state.sound_speed * study.target.distance
    group *= -np.exp(-1j * way)[:, None, :]
    owner = designs.layout.group_of_cell
    return Response(frequency, group.sum(axis=1), group, deflection, deflection, owner)


def received(designs: Designs, study: Study, cells: Cells, w: Floats) -> Floats:
    """What `ArrayModel.receive` says of each design at w (design, frequency) [rad/s]."""
    modes, air = cells.modes, study.air_state
    R, X = (x[:, :, :, 0] for x in radiation_matrices(designs, study, cells, w, 1))
    at = w[:, None, :, None]
    own = modes.stiffness[:, :, None] - at**2 * modes.mass[:, :, None]
    own = own + 1j * at * cells.mode_damping[:, :, None]
    stiff = own[..., None] * np.eye(own.shape[-1]) + 1j * at[..., None] * (R + 1j * X)
    pushed = np.broadcast_to(modes.volume[:, :, None], own.shape)[..., None]
    moved = np.linalg.solve(stiff, pushed)[..., 0]
    charge = (moved * modes.force_per_volt[:, :, None]).sum(axis=-1) * cells.count[:, None]
    way = np.exp(-absorption(air, w / (2.0 * np.pi)) * study.target.distance)
    return np.asarray(np.abs(charge.sum(axis=1)) * way)


_BOWED = int(Status.STRONGLY_QUADRATIC)


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
    back = cells.back.load(air, designs.radius, hw)
    for m in range(count):
        for n in range(m, count):
            r, x = impedance_series(modes.shape[:, :, m], other=modes.shape[:, :, n])
            R, X, _ = impedance_from_series(ka, r[:, :, None, None], x[:, :, None, None])
            load = cells.back.sides * loading[:, :, None, None]
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
