"""Compiled search for the band of coupled arrays: grid, peak, edges (M10.1 on M9.3)."""

from __future__ import annotations

import numpy as np

from arrayopt.band_grid import (
    GRID_LIMIT,
    MARGIN_LINEWIDTHS,
    POINTS_PER_LINEWIDTH,
    SECTIONS,
    BandStatus,
    backbone_end,
)
from arrayopt.coupled_decide import decide
from arrayopt.coupled_states import CoupledPacked, follow_grid
from arrayopt.physics.compiled import inner, kernel
from arrayopt.physics.coupled import CoupledStatus
from arrayopt.physics.coupled_kernel import Array, CoupledArrays, Ints, workspace
from arrayopt.physics.coupled_sweep import HALVINGS, new_track, start
from arrayopt.refine import read_band, vertex
from arrayopt.response import DOWN, SMALL

COUPLED_SHIFT = 5
"""Bits by which `CoupledStatus` is moved up in a band's status."""

_NOT_DRIVEN = int(BandStatus.NOT_DRIVEN)
_OFF_GRID = int(BandStatus.OFF_GRID)
_GRID_LIMIT = int(BandStatus.GRID_LIMIT)
_RUNAWAY = int(BandStatus.RUNAWAY)
_NOT_SETTLED = int(CoupledStatus.NOT_SETTLED) << COUPLED_SHIFT


@kernel
def grid_range(
    coupled: CoupledPacked, d: int, sweep: int, work: Array
) -> tuple[float, float, float, int]:
    """(lowest, highest, step) of the grid in rad/s, and a status.

    From the cells on their own, like `band.make_grid`: coupling moves a resonance by a few
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


@inner
def _drive_power(arrays: CoupledArrays, d: int, w: float, x: Array) -> float:
    """Mean mechanical power (W) that the drive forces put in: 1/2 Re sum conj(F) j w A."""
    n = arrays.site_group.size
    total = 0.0
    for i in range(n):
        g = arrays.site_group[i]
        turn_re, turn_im = np.cos(w * arrays.lead[d, i]), -np.sin(w * arrays.lead[d, i])
        re = arrays.force_re[d, g] * turn_re - arrays.force_im[d, g] * turn_im
        im = arrays.force_re[d, g] * turn_im + arrays.force_im[d, g] * turn_re
        total += 0.5 * w * arrays.site_count[i] * (im * x[i] - re * x[n + i])
    return total


@inner
def _top(values: Array, jumped: Ints) -> float:
    """Largest value on an even grid: of the parabola there, unless a jump lies beside it."""
    k = int(np.argmax(values))
    if 0 < k < values.size - 1 and jumped[k - 1 : k + 2].sum() == 0:
        return float(vertex(values[k - 1 : k + 2])[1])
    return float(values[k])


@kernel
def find_bands(
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
        points = int(np.ceil((high - low) / step)) + 1
        if points > GRID_LIMIT:
            status[d] |= _GRID_LIMIT
            continue
        grid = np.linspace(low, high, points)
        states = np.empty((points, 2 * sites))
        jumped, solved = np.zeros(points, dtype=np.int64), np.zeros(points, dtype=np.int64)
        track.tally[:] = 0
        start(arrays, d, grid[0 if back == 1 else points - 1], 1.0, tolerance, s, track)
        past = back * (high - low) / (points - 1) / 2.0**HALVINGS
        follow_grid(packed, d, grid, back, past, tolerance, s, track, states, jumped, solved)
        if track.tally[2] != 0:
            status[d] |= _NOT_SETTLED
            continue
        power, square = np.empty(points), np.zeros((groups, points))
        for i in range(points):
            x = states[i]
            power[i] = _drive_power(arrays, d, grid[i], x)
            for j in range(sites):
                g = arrays.site_group[j]
                square[g, i] = max(square[g, i], x[j] * x[j] + x[sites + j] * x[sites + j])
        out[d, 5] = _top(power, jumped)
        for g in range(groups):
            deflection[d, g] = np.sqrt(_top(square[g], jumped))
        w, pressure, decided = decide(
            packed, d, grid, states, jumped, solved, back, level, tolerance, s, track
        )
        if not decided:
            status[d] |= _GRID_LIMIT
        elif read_band(w, pressure, level, out[d]):
            out[d, 1:4] /= turn
        else:
            status[d] |= _OFF_GRID
