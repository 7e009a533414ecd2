"""Array response and band with mutual radiation: what `band.find_band` does, coupled (M9)."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from arrayopt.band import (
    GRID_LIMIT,
    MARGIN_LINEWIDTHS,
    POINTS_PER_LINEWIDTH,
    SECTIONS,
    Band,
    BandStatus,
    backbone_end,
)
from arrayopt.physics.coupled import (
    TOLERANCE,
    CoupledStatus,
    SiteTable,
    coupled_arrays,
    coupled_sweep,
    range_status,
    site_table,
)
from arrayopt.physics.coupled_kernel import Array, CoupledArrays, Ints, Workspace, workspace
from arrayopt.physics.coupled_sweep import advance, new_track, push, start
from arrayopt.physics.radiation import directivity, directivity_scalar
from arrayopt.physics.threads import spread
from arrayopt.response import DOWN, SMALL, TWO_WAY, ArrayResponse, Packed, pack, path_factor

if TYPE_CHECKING:
    from arrayopt.cells import Cells
    from arrayopt.design import Designs
    from arrayopt.layout_array import ArrayLayout
    from arrayopt.study import Study

Alike = Literal["symmetry", "group", "none"]

COUPLED_SHIFT = 5
"""Bits by which `CoupledStatus` is moved up in a band's status."""
PER_DESIGN = frozenset(CoupledArrays._fields) - {
    "distance",
    "site_group",
    "site_count",
    "cell_site",
    "link",
    "weight",
    "density",
    "sound_speed",
}
"""Fields of `CoupledArrays` with a design axis."""
EDGE_TOLERANCE = 1e-6
"""Relative width to which an edge or a jump is closed in on."""

_NOT_DRIVEN = int(BandStatus.NOT_DRIVEN)
_OFF_GRID = int(BandStatus.OFF_GRID)
_GRID_LIMIT = int(BandStatus.GRID_LIMIT)
_RUNAWAY = int(BandStatus.RUNAWAY)
_NOT_SETTLED = int(CoupledStatus.NOT_SETTLED) << COUPLED_SHIFT


class CoupledPacked(NamedTuple):
    """Coefficients of a batch of coupled arrays and of the path to the target."""

    base: Packed
    """As for cells on their own: frequency range, path and directivity."""
    arrays: CoupledArrays
    volume: Array
    """(design, group): displaced volume per centre displacement, signed (m2)."""
    phased: bool
    """True where the target is off the axis, so that ``base.delay`` of each cell counts."""


def pack_coupled(
    cells: Cells,
    designs: Designs,
    study: Study,
    *,
    alike: Alike = "symmetry",
    mutual: bool = True,
) -> CoupledPacked:
    """Arrange a batch for the coupled kernels.

    Parameters
    ----------
    cells, designs : the same batch, (design, group)
    study : Study
        Gives the air, the back side (a vented back radiates, and couples, on both sides), and the
        target; steering delays are part of the drive.
    alike : see `physics.coupled.site_table`; a steered array keeps every cell for itself.
    mutual : bool
        False leaves mutual radiation out (the limit in which this equals `band.find_band`).
    """
    base = pack(cells, designs, study)
    air, target = study.air_state, study.target
    phased = target.polar != 0.0
    steered = phased and target.steered
    layout = designs.layout
    table = _sites(layout, "none" if steered else alike)
    sides = 1 if study.cell.back == "sealed" else 2
    arrays = coupled_arrays(
        table,
        mass=cells.mass,
        damping=cells.damping,
        stiffness=cells.stiffness,
        cubic=cells.effective_cubic,
        force=cells.force_per_volt * designs.drive_amplitude * np.exp(1j * designs.drive_phase),
        radius=cells.radius,
        shape=cells.shape,
        resistance=cells.resistance_series,
        reactance=cells.reactance_series,
        density=air.density,
        sound_speed=air.sound_speed,
        highest_frequency=1.3 * cells.natural_frequency.max(axis=1),
        scale=designs.pitch,
        sides=sides if mutual else 0,
        lead=base.delay if steered else None,
    )
    return CoupledPacked(base, arrays, np.array(cells.volume, order="C"), bool(phased))


def coupled_pressure(
    cells: Cells,
    designs: Designs,
    study: Study,
    *,
    frequency: Array,
    sweep: int,
    alike: Alike = "symmetry",
) -> ArrayResponse:
    """As `response.array_pressure`, with mutual radiation; ``deflection`` is each group's mean.

    ``frequency`` (design, frequency) ascending [Hz], anywhere: the sweep is followed from outside
    all resonances, in steps of at most a tenth of the narrowest linewidth, through these points.
    NaN where it did not settle.
    """
    packed = pack_coupled(cells, designs, study, alike=alike)
    arrays, base = packed.arrays, packed.base
    if sweep == SMALL:
        arrays = arrays._replace(cubic=np.zeros_like(arrays.cubic))
    amplitude = np.stack(
        [_followed(arrays, base, d, frequency[d], sweep) for d in range(len(designs))]
    )
    owner = designs.layout.group_of_cell
    groups = designs.layout.n_groups
    w = 2.0 * np.pi * frequency
    travel = study.target.distance / study.air_state.sound_speed
    path = np.array([[path_factor(base, x) for x in row] for row in w]) * np.exp(-1j * w * travel)
    lead = base.delay if packed.phased else np.zeros_like(base.delay)
    phase = np.exp(1j * w[:, :, None] * lead[:, None, :])
    shape = (len(designs), groups, w.shape[1])
    pressure, deflection = np.empty(shape, dtype=complex), np.empty(shape, dtype=complex)
    for g in range(groups):
        mine = amplitude[:, :, owner == g]
        kappa = w / study.air_state.sound_speed * designs.radius[:, g, None] * base.sin_polar
        element = directivity(cells.shape[:, g, None], kappa)
        moved = (mine * phase[:, :, owner == g]).sum(axis=-1) * cells.volume[:, g, None] * element
        pressure[:, g] = -path * moved
        deflection[:, g] = mine.mean(axis=-1)
    return ArrayResponse(frequency, pressure.sum(axis=1), pressure, deflection)


def _followed(
    arrays: CoupledArrays, base: Packed, d: int, frequency: Array, sweep: int
) -> NDArray[np.complex128]:
    """Displacement (frequency, cell) of one design at points of its whole sweep."""
    one = arrays._replace(**{name: getattr(arrays, name)[d : d + 1] for name in PER_DESIGN})
    low, high, step, _ = _range(base, d, sweep, np.empty((5, SECTIONS)))
    low, high = min(low, 2.0 * np.pi * frequency[0]), max(high, 2.0 * np.pi * frequency[-1])
    if not np.isfinite(low) or not np.isfinite(step):
        return np.full((frequency.size, arrays.cell_site.size), np.nan, dtype=complex)
    even = np.linspace(low, high, int(np.ceil((high - low) / step)) + 1) / (2.0 * np.pi)
    grid = np.unique(np.concatenate([even, frequency]))
    swept = coupled_sweep(one, frequency=grid[None, :], down=sweep == DOWN)
    return np.asarray(swept.amplitude[0, np.searchsorted(grid, frequency)])


def find_coupled_band(packed: CoupledPacked, *, level: float, sweep: int) -> Band:
    """Contiguous band around the peak of each design's coupled response (M10.1 on M9.3).

    Parameters
    ----------
    packed : CoupledPacked
        From `pack_coupled`.
    level : float
        Band limit below the peak as a pressure ratio.
    sweep : UP, DOWN or SMALL

    Returns
    -------
    Band
        As from `band.find_band`, edges and jumps closed in to 1e-6 of the frequency; ``status``
        also holds `CoupledStatus`, moved up by `COUPLED_SHIFT` bits.

    Raises
    ------
    ValueError
        For a two-way sweep, which this model does not have.
    """
    if sweep >= TWO_WAY:
        raise ValueError("the coupled response has no two-way sweep.")
    designs, groups = packed.volume.shape
    out = np.full((designs, 6), np.nan)
    deflection = np.full((designs, groups), np.nan)
    status = np.zeros(designs, dtype=np.int64)
    if sweep == SMALL:
        silent = packed.arrays._replace(cubic=np.zeros_like(packed.arrays.cubic))
        packed = packed._replace(arrays=silent)
    spread(_bands, designs, packed, level, sweep, TOLERANCE, out, deflection, status)
    reach = 2.0 * np.pi * np.where(np.isfinite(out[:, 3]), out[:, 3], out[:, 1])
    status |= range_status(packed.arrays, np.nan_to_num(reach)) << COUPLED_SHIFT
    out[status != 0] = np.nan
    deflection[status != 0] = np.nan
    peak, frequency, lower, upper, ripple, power = np.ascontiguousarray(out.T)
    return Band(peak, frequency, lower, upper, ripple, power, deflection, status)


@lru_cache(maxsize=64)
def _site_table(position: bytes, group: bytes, alike: Alike) -> SiteTable:
    xy = np.frombuffer(position, dtype=np.float64).reshape(-1, 2)
    return site_table(xy, np.frombuffer(group, dtype=np.int64), alike=alike)


def _sites(layout: ArrayLayout, alike: Alike) -> SiteTable:
    """The table of a layout, made once per process: a search asks for it at every batch."""
    group = np.asarray(layout.group_of_cell, dtype=np.int64)
    return _site_table(np.asarray(layout.unit_position).tobytes(), group.tobytes(), alike)


@njit(cache=True, error_model="numpy")
def _range(packed: Packed, d: int, sweep: int, work: Array) -> tuple[float, float, float, int]:
    """(lowest, highest, step) of the grid in rad/s, and a status.

    From the cells on their own, like `band.make_grid`: coupling moves a resonance by a few
    linewidths at most, which the margin holds; intrinsic losses bound how narrow it can become.
    """
    low, high, step = np.inf, 0.0, np.inf
    status = 0
    for g in range(packed.mass.shape[1]):
        if not packed.force[d, g] > 0.0:
            continue
        w0, width = packed.natural[d, g], packed.linewidth[d, g]
        end = w0 if sweep == SMALL else backbone_end(packed, d, g, work)
        if np.isnan(end):
            status |= _RUNAWAY
            end = w0
        low = min(low, min(w0, end) - MARGIN_LINEWIDTHS * width)
        high = max(high, max(w0, end) + MARGIN_LINEWIDTHS * width)
        step = min(step, width / POINTS_PER_LINEWIDTH)
    return max(low, step), high, step, status


@njit(cache=True, error_model="numpy")
def far_pressure(packed: CoupledPacked, d: int, w: float, x: Array) -> float:
    """Summed far-field pressure amplitude (Pa) of a state at w (M9.6)."""
    arrays, base = packed.arrays, packed.base
    sites = arrays.site_group.size
    re = im = 0.0
    for i in range(sites):
        g = arrays.site_group[i]
        ka = w * base.ka_per_w[d, g] * base.sin_polar
        moved = packed.volume[d, g] * directivity_scalar(ka, base.directivity[d, g])
        a_re, a_im = arrays.site_count[i], 0.0
        if packed.phased:
            a_re = 0.0
            for n in range(arrays.cell_site.size):
                if arrays.cell_site[n] == i:
                    a_re += np.cos(w * base.delay[d, n])
                    a_im += np.sin(w * base.delay[d, n])
        re += moved * (a_re * x[i] - a_im * x[sites + i])
        im += moved * (a_re * x[sites + i] + a_im * x[i])
    return float(path_factor(base, w) * np.hypot(re, im))


@njit(cache=True, error_model="numpy")
def _drive_power(packed: CoupledPacked, w: float, x: Array, s: Workspace) -> float:
    """Mean mechanical power (W) that the drive forces put in: 1/2 Re sum conj(F) j w A."""
    n = packed.arrays.site_group.size
    total = 0.0
    for i in range(n):
        turn = s.force[n + i] * x[i] - s.force[i] * x[n + i]
        total += 0.5 * w * packed.arrays.site_count[i] * turn
    return total


@njit(cache=True, error_model="numpy")
def _close_in(
    packed: CoupledPacked,
    d: int,
    first: Array,
    w_first: float,
    w_last: float,
    limit: float,
    tolerance: float,
    s: Workspace,
) -> tuple[float, float]:
    """Between two neighbours of the grid in sweep order, from the state at the first.

    ``limit`` > 0: (frequency, pressure) where the pressure crosses it. ``limit`` = 0: the fold
    between them: (frequency, larger pressure of its two sides).
    """
    arrays = packed.arrays
    sites = arrays.site_group.size
    track, ahead = new_track(sites), np.empty(2 * sites)
    x = first.copy()
    low, high = w_first, w_last
    p_low = far_pressure(packed, d, low, x)
    p_high = 0.0
    share = 0.5
    while abs(high - low) > EDGE_TOLERANCE * w_first:
        middle = low + share * (high - low)
        track.tally[:] = 0
        push(track, low, x)
        advance(arrays, d, middle, 1.0, tolerance, s, track)
        ahead[:] = track.state[track.tally[0] - 1]
        p = far_pressure(packed, d, middle, ahead)
        stays = (p >= limit) == (p_low >= limit) if limit > 0.0 else track.tally[1] == 0
        if stays:
            low, p_low = middle, p
            x[:] = ahead
        else:
            high, p_high = middle, p
        share = 0.5
        if limit > 0.0 and p_high > 0.0 and track.tally[1] == 0:
            # secant, a little past the root so that the bracket closes from both ends
            share = (limit - p_low) / (p_high - p_low)
            share = min(max(share + (0.02 if stays else -0.02), 0.02), 0.98)
    if limit > 0.0:
        return 0.5 * (low + high), limit
    return low, max(p_low, p_high)


@njit(cache=True, error_model="numpy")
def _vertex(w: Array, p: Array, k: int) -> float:
    """Frequency of the parabola through three neighbouring points."""
    step = w[k + 1] - w[k]
    bend = p[k - 1] - 2.0 * p[k] + p[k + 1]
    if not bend < 0.0:
        return w[k]
    return w[k] + 0.5 * step * (p[k - 1] - p[k + 1]) / bend


@njit(cache=True, error_model="numpy", nogil=True)
def _bands(
    begin: int,
    stop: int,
    packed: CoupledPacked,
    level: float,
    sweep: int,
    tolerance: float,
    out: Array,
    deflection: Array,
    status: Ints,
) -> None:
    turn = 2.0 * np.pi
    arrays = packed.arrays
    sites, groups = arrays.site_group.size, arrays.mass.shape[1]
    s = workspace(sites, groups, arrays.distance.size)
    scratch = np.empty((5, 16))
    back = -1 if sweep == DOWN else 1
    for d in range(begin, stop):
        low, high, step, status[d] = _range(packed.base, d, sweep, scratch)
        if not high > low:
            status[d] |= _NOT_DRIVEN
            continue
        points = int(np.ceil((high - low) / step)) + 1
        if points > GRID_LIMIT:
            status[d] |= _GRID_LIMIT
            continue
        w, pressure = np.empty(points), np.empty(points)
        states = np.empty((points, 2 * sites))
        jumped = np.zeros(points, dtype=np.int64)
        track = new_track(sites)
        largest_power = 0.0
        deflection[d, :] = 0.0
        for q in range(points):
            i = q if back == 1 else points - 1 - q
            w[i] = low + (high - low) / (points - 1) * i
            if q == 0:
                start(arrays, d, w[i], 1.0, tolerance, s, track)
            else:
                before = track.tally[1]
                advance(arrays, d, w[i], 1.0, tolerance, s, track)
                jumped[i] = track.tally[1] - before
            x = track.state[track.tally[0] - 1]
            states[i, :] = x
            pressure[i] = far_pressure(packed, d, w[i], x)
            largest_power = max(largest_power, _drive_power(packed, w[i], x, s))
            for j in range(sites):
                g = arrays.site_group[j]
                deflection[d, g] = max(deflection[d, g], np.hypot(x[j], x[sites + j]))
            if track.tally[2] != 0:
                break
        if track.tally[2] != 0:
            status[d] |= _NOT_SETTLED
            continue
        top = int(np.argmax(pressure))
        if top == 0 or top == points - 1:
            status[d] |= _OFF_GRID
            continue
        peak_w, peak = w[top], pressure[top]
        smooth = True
        for i in (top, top + back):
            if jumped[i] > 0:
                smooth = False
                place, size = _close_in(
                    packed, d, states[i - back], w[i - back], w[i], 0.0, tolerance, s
                )
                if size > peak:
                    peak_w, peak = place, size
        if smooth:
            place = _vertex(w, pressure, top)
            track.tally[:] = 0
            push(track, w[top - back], states[top - back])
            advance(arrays, d, place, 1.0, tolerance, s, track)
            size = far_pressure(packed, d, place, track.state[track.tally[0] - 1])
            if size > peak:
                peak_w, peak = place, size
        limit = level * peak
        first, last, lowest = top, top, peak
        while first > 0 and pressure[first - 1] >= limit:
            first -= 1
            lowest = min(lowest, pressure[first])
        while last < points - 1 and pressure[last + 1] >= limit:
            last += 1
            lowest = min(lowest, pressure[last])
        if first == 0 or last == points - 1:
            status[d] |= _OFF_GRID
            continue
        a, b = (first - 1, last) if back == 1 else (first, last + 1)
        low_edge, _ = _close_in(packed, d, states[a], w[a], w[a + back], limit, tolerance, s)
        high_edge, _ = _close_in(packed, d, states[b], w[b], w[b + back], limit, tolerance, s)
        out[d, 0] = peak
        out[d, 1] = peak_w / turn
        out[d, 2] = low_edge / turn
        out[d, 3] = high_edge / turn
        out[d, 4] = 20.0 * np.log10(peak / lowest)
        out[d, 5] = largest_power
