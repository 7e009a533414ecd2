"""States of a coupled sweep and what a band is read off them: along a grid, and over jumps (M9)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.models.one_mode.response import Packed
from arrayopt.physics.coupled.newton import CoupledArrays, Workspace
from arrayopt.physics.coupled.sweep import advance
from arrayopt.physics.coupled.track import HISTORY, Track, interpolate, reach
from arrayopt.physics.numerics.compiled import inner
from arrayopt.physics.numerics.vectors import put
from arrayopt.physics.sound.path import path_factor
from arrayopt.physics.sound.radiation import directivity_scalar

LONGEST_STRIDE = 8
"""Most points of the grid that one step may take."""
SMOOTH = 5e-4
"""A prediction that missed by less of the state allows points between to be interpolated: their
error is a twentieth of it."""
PRESSURE, POWER, DEFLECTION = 0, 1, 2
"""Rows of a point's values; from the last on, one for each group."""


class CoupledPacked(NamedTuple):
    """Coefficients of a batch of coupled arrays and of the path to the target."""

    base: Packed
    """As for cells on their own: frequency range, path and directivity."""
    arrays: CoupledArrays
    volume: Floats
    """(design, group): displaced volume per centre displacement, signed (m2)."""
    span: Floats
    """(design, 5): lowest and highest frequency of small-signal and of driven sweeps, and the
    grid's step (rad/s), of cells with necks; NaN where ``base`` gives them."""
    phased: bool
    """True where the target is off the axis, so that ``base.delay`` of each cell counts."""
    heard: Floats
    """(design, point): charge received per pressure, even from the first to the last frequency of
    ``hears``; no points: the array only sends."""
    hears: Floats
    """(design, 2): lowest frequency (rad/s) and points per rad/s of ``heard``."""


class Points(NamedTuple):
    """Points of a sweep; there is room for more than there are."""

    w: Floats
    """(point,) rad/s."""
    state: Floats
    """(point, 2 site)."""
    value: Floats
    """(row, point): `PRESSURE` (Pa), `POWER` (W), squares of each group's `DEFLECTION` (m2)."""
    solved: Ints
    """(point,): 0 where the state is interpolated."""
    gap: Ints
    """(point,): 1 where nothing can be computed between a point and the next higher one."""
    order: Ints
    """(point,): points in ascending order; at a jump one just before and one just after it."""
    known: Ints
    """(1,): how many there are."""


@inner
def new_points(room: int, sites: int, groups: int) -> Points:
    """No points yet."""
    return Points(
        np.empty(room),
        np.empty((room, 2 * sites)),
        np.empty((DEFLECTION + groups, room)),
        np.zeros(room, dtype=np.int64),
        np.zeros(room, dtype=np.int64),
        np.zeros(room, dtype=np.int64),
        np.zeros(1, dtype=np.int64),
    )


@inner
def far_pressure(packed: CoupledPacked, d: int, w: float, x: Floats) -> float:
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
    size = path_factor(base.density, base.distance, base.absorption, w) * np.hypot(re, im)
    return float(size * _heard(packed, d, w) if packed.heard.shape[1] > 0 else size)


@inner
def _heard(packed: CoupledPacked, d: int, w: float) -> float:
    """Charge received per pressure (C/Pa): the cubic through the four nearest of ``heard``."""
    at = (w - packed.hears[d, 0]) * packed.hears[d, 1]
    k = min(max(int(at) - 1, 0), packed.heard.shape[1] - 4)
    t, y = at - k, packed.heard[d, k : k + 4]
    return float(
        y[0] * (t - 1.0) * (t - 2.0) * (3.0 - t) / 6.0
        + t * (0.5 * y[1] * (t - 2.0) * (t - 3.0) - 0.5 * y[2] * (t - 1.0) * (t - 3.0))
        + y[3] * t * (t - 1.0) * (t - 2.0) / 6.0
    )


@inner
def _drive_power(arrays: CoupledArrays, d: int, w: float, x: Floats) -> float:
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
def keep(
    points: Points, point: int, packed: CoupledPacked, d: int, w: float, x: Floats, solved: int
) -> None:
    """Make a state at w one of the points, with its values."""
    group = packed.arrays.site_group
    sites = group.size
    points.w[point], points.solved[point] = w, solved
    put(points.state[point], x)
    value = points.value[:, point]
    value[PRESSURE] = far_pressure(packed, d, w, x)
    value[POWER] = _drive_power(packed.arrays, d, w, x)
    value[DEFLECTION:] = 0.0
    for i in range(sites):
        square = x[i] * x[i] + x[sites + i] * x[sites + i]
        value[DEFLECTION + group[i]] = max(value[DEFLECTION + group[i]], square)


@inner
def put_in(
    points: Points, place: int, packed: CoupledPacked, d: int, w: float, x: Floats, solved: int
) -> int:
    """One point more, at this place of the ascending order; its number."""
    n = points.known[0]
    keep(points, n, packed, d, w, x, solved)
    points.gap[n] = 0
    for k in range(n, place, -1):
        points.order[k] = points.order[k - 1]
    points.order[place] = n
    points.known[0] = n + 1
    return n


@inner
def follow_grid(
    packed: CoupledPacked,
    d: int,
    grid: Floats,
    back: int,
    past: float,
    tolerance: float,
    s: Workspace,
    track: Track,
    points: Points,
) -> bool:
    """States on a grid, and on both sides of every jump; False if there is no room for them.

    In sweep order, from the first, which is the newest of the track. ``past``: see
    `coupled_sweep.advance`. Smooth stretches are taken in longer steps, and the points between are
    interpolated.
    """
    arrays, n = packed.arrays, grid.size
    put_in(points, 0, packed, d, track.w[0], track.state[track.tally[0] - 1], 1)
    between = np.empty(2 * arrays.site_group.size)
    q, stride = 1, 1
    while q < n and track.tally[2] == 0:
        # q points of the grid are done; the next is the q-th
        if points.known[0] + LONGEST_STRIDE + 2 > points.w.size:
            return False
        stride = min(stride, n - q)
        i = (q + stride - 1) if back == 1 else n - q - stride
        place = points.known[0] if back == 1 else 0
        if stride > 1:
            if not reach(arrays, d, grid[i], 1.0, tolerance, s, track, track.tally[0], np.inf):
                stride = 1
                continue
            if not track.miss[0] <= SMOOTH:
                track.tally[0] -= 1
                stride //= 2
                continue
            for k in range(stride - 1, 0, -1):
                interpolate(track, track.w, 0, grid[i - back * k], between)
                put_in(points, place, packed, d, grid[i - back * k], between, 0)
                place += 1 if back == 1 else 0
        elif not advance(arrays, d, grid[i], past, 1.0, tolerance, s, track):
            if track.tally[2] == 0:
                there, x = track.w[track.tally[0] - 1], track.state[track.tally[0] - 1]
                before = put_in(points, place, packed, d, track.fold[0], track.edge, 1)
                place += 1 if back == 1 else 0
                after = put_in(points, place, packed, d, there, x, 1)
                if there != track.fold[1]:
                    points.gap[before if back == 1 else after] = 1
            continue
        put_in(points, place, packed, d, grid[i], track.state[track.tally[0] - 1], 1)
        q += stride
        whole = track.tally[0] == HISTORY and track.w[HISTORY - 2] == grid[i - back * stride]
        if not whole:
            stride = 1
        elif track.miss[0] < 0.06 * SMOOTH:
            stride = min(2 * stride, LONGEST_STRIDE)
    return True
