"""Compiled search for the band of coupled arrays: grid, peak, edges (M10.1 on M9.3)."""

from __future__ import annotations

import numpy as np
from numba import njit

from arrayopt.band_grid import (
    GRID_LIMIT,
    MARGIN_LINEWIDTHS,
    POINTS_PER_LINEWIDTH,
    SECTIONS,
    BandStatus,
    backbone_end,
)
from arrayopt.coupled_edges import (
    SMALL_STEPS,
    CoupledPacked,
    far_pressure,
    find_edge,
    find_fold,
    follow_grid,
    take_apart,
)
from arrayopt.physics.coupled import CoupledStatus
from arrayopt.physics.coupled_kernel import Array, CoupledArrays, Ints, workspace
from arrayopt.physics.coupled_sweep import HALVINGS, new_track, push, reach, start
from arrayopt.response import DOWN, SMALL

COUPLED_SHIFT = 5
"""Bits by which `CoupledStatus` is moved up in a band's status."""

_NOT_DRIVEN = int(BandStatus.NOT_DRIVEN)
_OFF_GRID = int(BandStatus.OFF_GRID)
_GRID_LIMIT = int(BandStatus.GRID_LIMIT)
_RUNAWAY = int(BandStatus.RUNAWAY)
_NOT_SETTLED = int(CoupledStatus.NOT_SETTLED) << COUPLED_SHIFT


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def _vertex(w: Array, p: Array, k: int) -> float:
    """Frequency of the parabola through three neighbouring points."""
    step = w[k + 1] - w[k]
    bend = p[k - 1] - 2.0 * p[k] + p[k + 1]
    if not bend < 0.0:
        return w[k]
    return w[k] + 0.5 * step * (p[k - 1] - p[k + 1]) / bend


@njit(cache=True, error_model="numpy", nogil=True)
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
    scratch = np.empty((5, SECTIONS))
    ends, pair = np.empty(2), np.empty((2, 2 * sites))
    place, sides = np.empty(2), np.empty((2, 2 * sites))
    fine_w, fine = np.empty(SMALL_STEPS + 1), np.empty((SMALL_STEPS + 1, 2 * sites))
    fine_jumped = np.zeros(SMALL_STEPS + 1, dtype=np.int64)
    track = new_track(sites)
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
        w, pressure = np.linspace(low, high, points), np.empty(points)
        states = np.empty((points, 2 * sites))
        jumped = np.zeros(points, dtype=np.int64)
        track.tally[:] = 0
        start(arrays, d, w[0 if back == 1 else points - 1], 1.0, tolerance, s, track)
        past = back * (high - low) / (points - 1) / 2.0**HALVINGS
        follow_grid(packed, d, w, back, past, tolerance, s, track, states, jumped)
        if track.tally[2] != 0:
            status[d] |= _NOT_SETTLED
            continue
        largest_power = 0.0
        deflection[d, :] = 0.0
        for i in range(points):
            x = states[i]
            pressure[i] = far_pressure(packed, d, w[i], x)
            largest_power = max(largest_power, _drive_power(arrays, d, w[i], x))
            for j in range(sites):
                g = arrays.site_group[j]
                size = x[j] * x[j] + x[sites + j] * x[sites + j]
                deflection[d, g] = max(deflection[d, g], size)
        deflection[d, :] = np.sqrt(deflection[d, :])
        top = int(np.argmax(pressure))
        if top == 0 or top == points - 1:
            status[d] |= _OFF_GRID
            continue
        peak_w, peak = w[top], pressure[top]
        smooth = True
        for i in (top, top + back):
            if jumped[i] == 0:
                continue
            smooth = False
            ends[0], ends[1] = w[i - back], w[i]
            pair[0, :], pair[1, :] = states[i - back], states[i]
            fine_jumped[:] = 0
            fine_jumped[1] = 1
            if jumped[i] > 1:
                take_apart(packed, d, ends, pair, tolerance, s, track, fine_w, fine, fine_jumped)
            for k in range(fine_w.size):
                if fine_jumped[k] == 0:
                    continue
                if jumped[i] > 1:
                    ends[0], ends[1] = fine_w[k - back], fine_w[k]
                    pair[0, :], pair[1, :] = fine[k - back], fine[k]
                find_fold(packed, d, ends, pair, tolerance, s, track, place, sides)
                for side in range(2):
                    size = far_pressure(packed, d, place[side], sides[side])
                    if size > peak:
                        peak_w, peak = place[side], size
        if smooth:
            vertex = _vertex(w, pressure, top)
            track.tally[:] = 0
            push(track, w[top], states[top])
            if reach(arrays, d, vertex, 1.0, tolerance, s, track, track.tally[0]):
                size = far_pressure(packed, d, vertex, track.state[track.tally[0] - 1])
                if size > peak:
                    peak_w, peak = vertex, size
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
        for edge in range(2):
            i = (first - 1, last)[edge] if back == 1 else (first, last + 1)[edge]
            ends[0], ends[1] = w[i], w[i + back]
            pair[0, :], pair[1, :] = states[i], states[i + back]
            jumps = jumped[i + back]
            if jumps > 1:
                take_apart(packed, d, ends, pair, tolerance, s, track, fine_w, fine, fine_jumped)
                k = 0 if back == 1 else SMALL_STEPS
                inside = pressure[i] >= limit
                for _ in range(SMALL_STEPS - 1):
                    if (
                        far_pressure(packed, d, fine_w[k + back], fine[k + back]) >= limit
                    ) != inside:
                        break
                    k += back
                ends[0], ends[1] = fine_w[k], fine_w[k + back]
                pair[0, :], pair[1, :] = fine[k], fine[k + back]
                jumps = fine_jumped[k + back]
            found = find_edge(packed, d, ends, pair, limit, jumps == 0, tolerance, s, track)
            out[d, 2 + edge] = found / turn
        out[d, 0] = peak
        out[d, 1] = peak_w / turn
        out[d, 4] = 20.0 * np.log10(peak / lowest)
        out[d, 5] = largest_power
