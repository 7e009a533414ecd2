"""The band around the response's peak, found on a grid fine enough for the narrowest cell (M10)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.status import Status
from arrayopt.models.array import Band
from arrayopt.models.bands.read import places, read_band, valley
from arrayopt.models.bands.refine import MOST, bracket, merge, next_of_row, vertex
from arrayopt.models.one_mode.grid import SECTIONS, make_grid
from arrayopt.models.one_mode.response import Packed, displacement_row, sweep_row
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.numerics.vectors import put

AROUND, ROUNDS, CLOSER = 5, 3, 0.2
"""A largest value between neighbours: points, how often, each time this much closer together."""
ADDED = 1024
"""Most points that one design may need beside its grid."""

_OFF_GRID = int(Status.OFF_GRID)
_GRID_LIMIT = int(Status.GRID_LIMIT)


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
        Equal to those of a dense grid to 1e-6 or better: after grid points at most a tenth of the
        narrowest linewidth apart, more are computed until nothing that decides hides between
        them (`refine`); deflection, power and valley are then closed in on. NaN where ``status``
        is not 0.
    """
    designs, groups = packed.mass.shape
    out = np.full((designs, 6), np.nan)
    deflection = np.full((designs, groups), np.nan)
    status = np.zeros(designs, dtype=np.int64)
    spread(_bands, designs, packed, level, sweep, out, deflection, status)
    return Band.of(out.T, deflection, status)


@inner
def _spread(points: Floats, centre: float, step: float) -> None:
    """Fill in evenly spaced points around a centre."""
    for i in range(points.size):
        points[i] = centre + (i - 0.5 * (points.size - 1)) * step


@inner
def _extreme(
    packed: Packed, d: int, sweep: int, w: Floats, k: int, found: Floats, row: Floats, sign: float,
    work: Floats,
) -> float:  # fmt: skip
    """Pressure or power around point k at its largest, or smallest (sign -1).

    ``row`` of ``found``, where both of some points go: first pressure, second power.
    """
    groups = packed.mass.shape[1]
    ignored, place = np.empty(groups), np.empty(groups, dtype=np.int64)
    points = np.empty(AROUND)
    low, high = bracket(w, k)
    centre, step, best = 0.5 * (low + high), (high - low) / AROUND, 0.0
    for _ in range(ROUNDS):
        _spread(points, centre, step)
        sweep_row(packed, d, points, sweep, found[0], found[1], ignored, work, place)
        at, best = vertex(sign * row)
        centre = points[0] + at * step
        step *= CLOSER
    return sign * best


@inner
def _deflections(
    packed: Packed, d: int, sweep: int, w: Floats, place: Ints, out: Floats, work: Floats
) -> None:
    """Raise each group's deflection (m) to the largest between the points beside its largest."""
    points, square = np.empty(AROUND), np.empty(AROUND)
    re, im, loss = work[0], work[1], work[2]
    for g in range(out.size):
        if not packed.force[d, g] > 0.0:
            continue
        low, high = bracket(w, place[g])
        centre, step, best = 0.5 * (low + high), (high - low) / AROUND, 0.0
        for _ in range(ROUNDS):
            _spread(points, centre, step)
            displacement_row(packed, d, g, points, sweep & 3, re, im, loss)
            for i in range(AROUND):
                square[i] = re[i] * re[i] + im[i] * im[i]
            at, best = vertex(square)
            centre = points[0] + at * step
            step *= CLOSER
        out[g] = max(out[g], np.sqrt(best))


@kernel
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
    groups = packed.mass.shape[1]
    work, more = np.empty((5, SECTIONS)), np.empty((5, MOST))
    new, found, unused = np.empty(MOST), np.empty(MOST), np.empty(MOST)
    place, spare = np.zeros(groups, dtype=np.int64), np.zeros(groups, dtype=np.int64)
    ignored, spots = np.empty(groups), np.empty((2, AROUND))
    for d in range(start, stop):
        grid, status[d] = make_grid(packed, d, sweep, work)
        n = grid.size
        if n == 0:
            continue
        w, pressure = np.empty(n + ADDED), np.empty(n + ADDED)
        power = np.empty(n)
        put(w[:n], grid)
        rows = np.empty((5, n))
        sweep_row(packed, d, grid, sweep, pressure[:n], power, deflection[d], rows, place)
        while n + MOST <= w.size:
            count = next_of_row(w[:n], pressure[:n], np.zeros(n), np.inf, level, False, new)
            if count == 0:
                break
            sweep_row(
                packed, d, new[:count], sweep, found[:count], unused[:count], ignored, more, spare
            )
            n = merge(w, pressure, n, new[:count], found[:count])
        if n + MOST > w.size:
            status[d] |= _GRID_LIMIT
            continue
        if not read_band(w[:n], pressure[:n], level, out[d]):
            status[d] |= _OFF_GRID
            continue
        out[d, 1:4] /= turn
        top, first, last = places(pressure[:n], level)
        low, side = valley(pressure, first, last)
        if low != side:
            bottom = _extreme(packed, d, sweep, w[:n], low, spots, spots[0], -1.0, work)
            shoulder = pressure[side]
            if side != top:
                raised = _extreme(packed, d, sweep, w[:n], side, spots, spots[0], 1.0, work)
                shoulder = max(shoulder, raised)
            out[d, 4] = 20.0 * np.log10(shoulder / min(bottom, pressure[low]))
        loudest = int(np.argmax(power))
        raised = _extreme(packed, d, sweep, grid, loudest, spots, spots[1], 1.0, work)
        out[d, 5] = max(power[loudest], raised)
        _deflections(packed, d, sweep, grid, place, deflection[d], work)
