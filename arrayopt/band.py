"""The band around the response's peak, found on a grid fine enough for the narrowest cell (M10)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numba import njit
from numpy.typing import NDArray

from arrayopt.physics.steady_kernel import state_count
from arrayopt.physics.threads import spread
from arrayopt.response import SMALL, UP, Packed, linear_row, sweep_row

Floats = NDArray[np.float64]

POINTS_PER_LINEWIDTH = 10.0
MARGIN_LINEWIDTHS = 12.0
GRID_LIMIT = 16384
"""Most points of one grid; a design that needs more gets a status, not a coarser grid."""


SECTIONS = 16
"""Points of one pass when a peak, an edge or a backbone end is closed in on; one vector row."""
PEAK_TOLERANCE = 1e-7
EDGE_TOLERANCE = 1e-10
FOLD_TOLERANCE = 1e-13
FOLD_DISTANCE = 1e-8


class BandStatus(IntFlag):
    """Why a band is not a number; 0 is good."""

    OK = 0
    NOT_DRIVEN = 1
    """No cell is driven: raise the drive amplitude's lower bound."""
    OFF_GRID = 2
    """The response never falls to the band's level inside the frequency grid."""
    GRID_LIMIT = 4
    """Resonances too far apart for their width, or a burst's jumps too many: narrow the radius
    bounds, or lower the drive."""
    RUNAWAY = 8
    """A softening cell has no bounded upper branch: lower the drive or the static bow."""


_NOT_DRIVEN = int(BandStatus.NOT_DRIVEN)
_OFF_GRID = int(BandStatus.OFF_GRID)
_GRID_LIMIT = int(BandStatus.GRID_LIMIT)
_RUNAWAY = int(BandStatus.RUNAWAY)


@dataclass(frozen=True)
class Band:
    """Peak and band of a batch of responses; arrays (design,) or (design, group)."""

    peak_pressure: NDArray[np.float64]
    peak_frequency: NDArray[np.float64]
    lower_edge: NDArray[np.float64]
    upper_edge: NDArray[np.float64]
    ripple: NDArray[np.float64]
    """Peak to lowest level inside the band, dB."""
    power: NDArray[np.float64]
    """Largest mean mechanical power taken by all cells on the grid, W."""
    deflection: NDArray[np.float64]
    """(design, group): largest centre amplitude on the grid, m."""
    status: NDArray[np.int64]


def find_band(packed: Packed, *, level: float, sweep: int) -> Band:
    """Contiguous band around the peak of each design's response (M10.1).

    Parameters
    ----------
    packed : Packed
        Coefficients of the batch.
    level : float
        Band limit below the peak as a pressure ratio, for example 10**(-6/20).
    sweep : UP, DOWN or SMALL

    Returns
    -------
    Band
        Edges and peak located by bisection to 1e-9 of the frequency between grid points that
        are at most a tenth of the narrowest linewidth apart; NaN where ``status`` is not 0.
    """
    designs, groups = packed.mass.shape
    out = np.full((designs, 6), np.nan)
    deflection = np.full((designs, groups), np.nan)
    status = np.zeros(designs, dtype=np.int64)
    spread(_bands, designs, packed, level, sweep, out, deflection, status)
    peak, frequency, lower, upper, ripple, power = np.ascontiguousarray(out.T)
    return Band(peak, frequency, lower, upper, ripple, power, deflection, status)


def sweep_range(packed: Packed, *, sweep: int) -> tuple[Floats, Floats, Floats]:
    """Lowest and highest frequency of all resonances and backbones, and the narrowest linewidth.

    Each (design,) in Hz; NaN where nothing is driven. For models that need a grid of their own.
    """
    out = np.full((packed.mass.shape[0], 3), np.nan)
    spread(_ranges, len(out), packed, sweep, out)
    low, high, width = out.T / (2.0 * np.pi)
    return low, high, width


@njit(cache=True, error_model="numpy", nogil=True)
def _ranges(start: int, stop: int, packed: Packed, sweep: int, out: Floats) -> None:
    work = np.empty((5, SECTIONS))
    for d in range(start, stop):
        for g in range(packed.mass.shape[1]):
            if not packed.force[d, g] > 0.0:
                continue
            w0 = packed.natural[d, g]
            end = w0 if sweep & 3 == SMALL else backbone_end(packed, d, g, work)
            end = w0 if np.isnan(end) else end
            first = np.isnan(out[d, 0])
            out[d, 0] = min(w0, end) if first else min(out[d, 0], w0, end)
            out[d, 1] = max(w0, end) if first else max(out[d, 1], w0, end)
            width = packed.linewidth[d, g]
            out[d, 2] = width if first else min(out[d, 2], width)


@njit(cache=True, error_model="numpy")
def backbone_end(packed: Packed, d: int, g: int, work: NDArray[np.float64]) -> float:
    """Frequency (rad/s) where the backbone meets the drive: the largest response; NaN if none.

    Solves k1 + 3/4 k3e F^2/(w c_eff)^2 = w^2 m_eff by repeated sectioning from the small-signal
    resonance (M7.6), in the direction the cubic term bends it.
    """
    w0 = packed.natural[d, g]
    cubic = packed.cubic[d, g]
    if cubic == 0.0:
        return w0
    w, detuning, loss = work[0], work[1], work[2]
    near = w0
    far = (40.0 if cubic > 0.0 else 0.3) * w0
    first = True
    while first or abs(far - near) > 1e-6 * w0:
        for k in range(SECTIONS):
            share = (k + 1.0) / SECTIONS
            # The first pass spans decades: in equal ratios.
            w[k] = near * (far / near) ** share if first else near + share * (far - near)
        linear_row(packed, d, g, w, detuning, loss)
        inside = near
        found = False
        for k in range(SECTIONS):
            excess = detuning[k] + 0.75 * cubic * (packed.force[d, g] / loss[k]) ** 2
            if (excess < 0.0) == (cubic > 0.0):
                far = w[k]
                found = True
                break
            inside = w[k]
        if not found and first:
            return np.nan
        near = inside
        first = False
    return 0.5 * (near + far)


@njit(cache=True, error_model="numpy")
def fold(
    packed: Packed, d: int, g: int, sweep: int, end: float, work: NDArray[np.float64]
) -> tuple[float, float]:
    """Frequencies (rad/s) just before and after a group's jump on a sweep; NaN if it has none.

    Between the two the number of states changes from three to one (M7.6). Both keep a distance of
    FOLD_DISTANCE from the fold: the amplitude's slope is infinite there, no real sweep rides its
    last 1e-8, and figures that did would depend on rounding. ``end`` is the group's
    `backbone_end`, which lies between its two folds.
    """
    cubic = packed.cubic[d, g]
    force = packed.force[d, g]
    w, detuning, loss = work[0], work[1], work[2]
    for k in range(SECTIONS):
        w[k] = end
    linear_row(packed, d, g, w, detuning, loss)
    if state_count(detuning[0], loss[0], cubic, force) != 3:
        return np.nan, np.nan
    inside = end
    # The branch ridden ends beyond the backbone's end if it is the upper one, before it if not.
    if (cubic > 0.0) == (sweep == UP):
        outside = end + (1.0 if cubic > 0.0 else -1.0) * 4.0 * packed.linewidth[d, g]
    else:
        outside = packed.natural[d, g]
    while abs(outside - inside) > FOLD_TOLERANCE * inside:
        step = (outside - inside) / (SECTIONS + 1)
        for k in range(SECTIONS):
            w[k] = inside + (k + 1) * step
        linear_row(packed, d, g, w, detuning, loss)
        k = 0
        while k < SECTIONS and state_count(detuning[k], loss[k], cubic, force) == 3:
            k += 1
        inside, outside = inside + k * step, inside + (k + 1) * step
    back = FOLD_DISTANCE * inside * (1.0 if outside > end else -1.0)
    return inside - back, outside + back


@njit(cache=True, error_model="numpy")
def make_grid(
    packed: Packed, d: int, sweep: int, work: NDArray[np.float64]
) -> tuple[NDArray[np.float64], int]:
    """Frequencies (rad/s), ascending, that resolve one design's response, and a status.

    Even steps of at most a tenth of the narrowest linewidth over all resonances and backbones,
    the end of every backbone, and a point on either side of every jump: the response may peak
    and fall within far less than a linewidth there.
    """
    groups = packed.mass.shape[1]
    extra = np.empty(3 * groups)
    count = 0
    low, high, step = np.inf, 0.0, np.inf
    status = 0
    for g in range(groups):
        if not packed.force[d, g] > 0.0:
            continue
        w0 = packed.natural[d, g]
        width = packed.linewidth[d, g]
        end = w0
        if sweep & 3 != SMALL and packed.cubic[d, g] != 0.0:
            end = backbone_end(packed, d, g, work)
            if np.isnan(end):
                status |= _RUNAWAY
                end = w0
            else:
                extra[count] = end
                count += 1
                inside, outside = fold(packed, d, g, sweep & 3, end, work)
                if not np.isnan(inside):
                    extra[count] = inside
                    extra[count + 1] = outside
                    count += 2
        low = min(low, min(w0, end) - MARGIN_LINEWIDTHS * width)
        high = max(high, max(w0, end) + MARGIN_LINEWIDTHS * width)
        step = min(step, width / POINTS_PER_LINEWIDTH)
    low = max(low, step)
    if not high > low:
        return np.empty(0), status | _NOT_DRIVEN
    if (high - low) / step > GRID_LIMIT:
        return np.empty(0), status | _GRID_LIMIT
    even = int(np.ceil((high - low) / step)) + 1
    w = np.empty(even + count)
    for i in range(even):
        w[i] = low + (high - low) / (even - 1) * i
    for i in range(count):
        w[even + i] = extra[i]
    w.sort()
    return w, status


@njit(cache=True, error_model="numpy")
def close_in(
    packed: Packed,
    d: int,
    sweep: int,
    first: float,
    last: float,
    limit: float,
    work: NDArray[np.float64],
) -> tuple[float, float]:
    """(frequency, pressure) of an edge or a peak between two frequencies, by sectioning.

    ``limit`` > 0: the response is at least ``limit`` at ``first``, and the place where it falls
    below is wanted. ``limit`` = 0: the largest response is wanted. Both also work where the place
    is a jump: the response still rises to one side of it only.
    """
    w, pressure, power = np.empty(SECTIONS), np.empty(SECTIONS), np.empty(SECTIONS)
    deflection = np.empty(packed.mass.shape[1])
    tolerance = EDGE_TOLERANCE if limit > 0.0 else PEAK_TOLERANCE
    best = 0.0
    while abs(last - first) > tolerance * abs(first):
        step = (last - first) / (SECTIONS + 1)
        for k in range(SECTIONS):
            w[k] = first + (k + 1) * step
        sweep_row(packed, d, w, sweep, pressure, power, deflection, work)
        k = 0
        if limit > 0.0:
            while k < SECTIONS and pressure[k] >= limit:
                k += 1
            first, last = first + k * step, first + (k + 1) * step
        else:
            for i in range(SECTIONS):
                if pressure[i] > pressure[k]:
                    k = i
            best = pressure[k]
            first, last = w[k] - step, w[k] + step
    # Of an edge the side inside the band, which matters where it is a jump.
    return (first if limit > 0.0 else 0.5 * (first + last)), best


@njit(cache=True, error_model="numpy", nogil=True)
def _bands(
    start: int,
    stop: int,
    packed: Packed,
    level: float,
    sweep: int,
    out: NDArray[np.float64],
    deflection: NDArray[np.float64],
    status: NDArray[np.int64],
) -> None:
    turn = 2.0 * np.pi
    work = np.empty((5, SECTIONS))
    for d in range(start, stop):
        w, status[d] = make_grid(packed, d, sweep, work)
        points = w.size
        if points == 0:
            continue
        pressure, power = np.empty(points), np.empty(points)
        rows = np.empty((5, points))
        sweep_row(packed, d, w, sweep, pressure, power, deflection[d], rows)
        top = 0
        largest_power = 0.0
        for i in range(points):
            if pressure[i] > pressure[top]:
                top = i
            largest_power = max(largest_power, power[i])
        if top == 0 or top == points - 1:
            status[d] |= _OFF_GRID
            continue
        # A jump's other side is no neighbour to search towards.
        below = top if w[top] - w[top - 1] < 4.0 * FOLD_DISTANCE * w[top] else top - 1
        above = top if w[top + 1] - w[top] < 4.0 * FOLD_DISTANCE * w[top] else top + 1
        peak_w, peak = close_in(packed, d, sweep, w[below], w[above], 0.0, work)
        if pressure[top] > peak:
            peak_w, peak = w[top], pressure[top]
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
        # The grid's own best point may lie below the limit taken from the refined peak.
        inside_low = w[first] if first < top else peak_w
        inside_high = w[last] if last > top else peak_w
        low_edge, _ = close_in(packed, d, sweep, inside_low, w[first - 1], limit, work)
        high_edge, _ = close_in(packed, d, sweep, inside_high, w[last + 1], limit, work)
        out[d, 0] = peak
        out[d, 1] = peak_w / turn
        out[d, 2] = low_edge / turn
        out[d, 3] = high_edge / turn
        out[d, 4] = 20.0 * np.log10(peak / lowest)
        out[d, 5] = largest_power
