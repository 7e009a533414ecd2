"""Compiled search for the band of coupled arrays: grid, peak, edges (M10.1 on M9.3)."""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.status import Status
from arrayopt.models.array import DOWN, SMALL
from arrayopt.models.bands.read import read_band
from arrayopt.models.coupled.decide import decide
from arrayopt.models.coupled.states import (
    DEFLECTION,
    POWER,
    PRESSURE,
    CoupledPacked,
    follow_grid,
    new_points,
)
from arrayopt.models.one_mode.grid import (
    GRID_LIMIT,
    MARGIN_LINEWIDTHS,
    POINTS_PER_LINEWIDTH,
    SECTIONS,
    backbone_end,
)
from arrayopt.physics.coupled.newton import workspace
from arrayopt.physics.coupled.sweep import HALVINGS, start
from arrayopt.physics.coupled.track import new_track
from arrayopt.physics.numerics.compiled import kernel

ADDED, ADDED_FOR_GROUP = 512, 32
"""Most points that a design may need beside its grid, and more for each of its groups."""

_NOT_DRIVEN = int(Status.NOT_DRIVEN)
_OFF_GRID = int(Status.OFF_GRID)
_GRID_LIMIT = int(Status.GRID_LIMIT)
_RUNAWAY = int(Status.RUNAWAY)
_NOT_SETTLED = int(Status.MUTUAL_UNSETTLED)


@kernel
def grid_range(
    coupled: CoupledPacked, d: int, sweep: int, work: Floats
) -> tuple[float, float, float, int]:
    """(lowest, highest, step) of the grid in rad/s, and a status.

    From the cells on their own, like `grid.make_grid`: coupling moves a resonance by a few
    linewidths at most, which the margin holds; intrinsic losses bound how narrow it can become.
    """
    low, high, step = np.inf, 0.0, np.inf
    status = 0
    packed, span = coupled.base, coupled.span[d]
    if not np.isnan(span[4]):
        k = 0 if sweep == SMALL else 2
        if np.isnan(span[k]):
            return low, high, step, _RUNAWAY
        return span[k], span[k + 1], span[4], status
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


@kernel
def find_bands(
    begin: int,
    stop: int,
    packed: CoupledPacked,
    level: float,
    sweep: int,
    tolerance: float,
    out: Floats,
    deflection: Floats,
    status: Ints,
) -> None:
    """Designs begin..stop: peak (Pa), its frequency, edges (Hz), ripple (dB), power (W) in out."""
    turn = 2.0 * np.pi
    arrays = packed.arrays
    sites, groups = arrays.site_group.size, arrays.mass.shape[1]
    s = workspace(sites, groups, arrays.distance.size)
    scratch, track = np.empty((5, SECTIONS)), new_track(sites)
    back = -1 if sweep == DOWN else 1
    for d in range(begin, stop):
        low, high, step, status[d] = grid_range(packed, d, sweep, scratch)
        if not high > low:
            status[d] |= _NOT_DRIVEN if status[d] == 0 else 0
            continue
        size = int(np.ceil((high - low) / step)) + 1
        if size > GRID_LIMIT:
            status[d] |= _GRID_LIMIT
            continue
        grid = np.linspace(low, high, size)
        points = new_points(size + ADDED + ADDED_FOR_GROUP * groups, sites, groups)
        track.tally[:] = 0
        start(arrays, d, grid[0 if back == 1 else size - 1], 1.0, tolerance, s, track)
        past = back * (high - low) / (size - 1) / 2.0**HALVINGS
        room = follow_grid(packed, d, grid, back, past, tolerance, s, track, points)
        if track.tally[2] != 0:
            status[d] |= _NOT_SETTLED
            continue
        if not room or not decide(packed, d, back, level, tolerance, s, track, points):
            status[d] |= _GRID_LIMIT
            continue
        n = points.known[0]
        w, pressure = np.empty(n), np.empty(n)
        out[d, 5], deflection[d] = 0.0, 0.0
        for i in range(n):
            value = points.value[:, points.order[i]]
            w[i], pressure[i] = points.w[points.order[i]], value[PRESSURE]
            out[d, 5] = max(out[d, 5], value[POWER])
            for g in range(groups):
                deflection[d, g] = max(deflection[d, g], np.sqrt(value[DEFLECTION + g]))
        if read_band(w, pressure, level, out[d]):
            out[d, 1:4] /= turn
        else:
            status[d] |= _OFF_GRID
