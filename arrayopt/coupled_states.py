"""Compiled parts of the coupled band: states along the grid, and folds between its points (M9)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from arrayopt.path import path_factor
from arrayopt.physics.compiled import inner, spliced
from arrayopt.physics.coupled_kernel import Array, CoupledArrays, Ints, Workspace
from arrayopt.physics.coupled_sweep import (
    HALVINGS,
    HISTORY,
    Track,
    advance,
    follow,
    predict,
    push,
    reach,
)
from arrayopt.physics.radiation import directivity_scalar
from arrayopt.physics.vectors import put
from arrayopt.response import Packed

FOLD_TOLERANCE = 3e-8
"""Relative width to which a jump is closed in on."""
NEARER = 0.75
"""Share of the distance to a fold that one step towards it takes."""
LONGEST_STRIDE = 8
"""Most points of the grid that one step may take."""
SMALL_STEPS = 16
"""Steps in which a step of the grid with several folds is taken again."""
SMOOTH = 5e-4
"""A prediction that missed by less of the state allows points between to be interpolated: their
error is a twentieth of it."""


class CoupledPacked(NamedTuple):
    """Coefficients of a batch of coupled arrays and of the path to the target."""

    base: Packed
    """As for cells on their own: frequency range, path and directivity."""
    arrays: CoupledArrays
    volume: Array
    """(design, group): displaced volume per centre displacement, signed (m2)."""
    span: Array
    """(design, 5): lowest and highest frequency of small-signal and of driven sweeps, and the
    grid's step (rad/s), of cells with necks; NaN where ``base`` gives them."""
    phased: bool
    """True where the target is off the axis, so that ``base.delay`` of each cell counts."""


@inner
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
    return float(path_factor(base.density, base.distance, base.absorption, w) * np.hypot(re, im))


@inner
def follow_grid(
    packed: CoupledPacked,
    d: int,
    w: Array,
    back: int,
    past: float,
    tolerance: float,
    s: Workspace,
    track: Track,
    states: Array,
    jumped: Ints,
    solved: Ints,
) -> None:
    """States on a grid in sweep order, from the first, which is the newest of the track.

    ``past``: see `coupled_sweep.advance`. ``jumped``: jumps on the way to each point.
    Smooth stretches are taken in longer steps, and the points between are interpolated: those are
    not ``solved``.
    """
    arrays = packed.arrays
    points = w.size
    put(states[0 if back == 1 else points - 1], track.state[track.tally[0] - 1])
    solved[0 if back == 1 else points - 1] = 1
    q, stride = 1, 1
    while q < points and track.tally[2] == 0:
        before = track.tally[1]
        # q points are done; the next is the q-th
        stride = min(stride, points - q)
        i = (q + stride - 1) if back == 1 else points - q - stride
        if stride > 1:
            if not reach(arrays, d, w[i], 1.0, tolerance, s, track, track.tally[0]):
                stride = 1
                continue
            if not track.miss[0] <= SMOOTH:
                track.tally[0] -= 1
                stride //= 2
                continue
            for k in range(1, stride):
                predict(track, w[i - back * k], track.tally[0], states[i - back * k])
        else:
            advance(arrays, d, w[i], past, 1.0, tolerance, s, track)
            jumped[i] = track.tally[1] - before
        put(states[i], track.state[track.tally[0] - 1])
        solved[i] = 1
        q += stride
        whole = track.tally[0] == HISTORY and track.w[HISTORY - 2] == w[i - back * stride]
        if not whole:
            stride = 1
        elif track.miss[0] < 0.06 * SMOOTH:
            stride = min(2 * stride, LONGEST_STRIDE)


@inner
def _fold_ahead(track: Track) -> float:
    """Distance from the newest of three states to the fold ahead of them; NaN if none is in sight.

    Before a fold a state moves as the root of the distance, so one over the square of its slope
    falls to 0 along a straight line.
    """
    n = track.tally[0]
    if n < 3:
        return np.nan
    flat, middle = np.empty(2), np.empty(2)
    for k in range(2):
        i = n - 3 + k
        step = track.w[i + 1] - track.w[i]
        moved = ((track.state[i + 1] - track.state[i]) ** 2).sum()
        flat[k], middle[k] = step * step / moved, track.w[i] + 0.5 * step
    if not flat[1] < flat[0]:
        return np.nan
    fold = middle[1] + (middle[1] - middle[0]) * flat[1] / (flat[0] - flat[1])
    return float(fold - track.w[n - 1])


@spliced
def find_fold(
    packed: CoupledPacked,
    d: int,
    ends: Array,
    states: Array,
    tolerance: float,
    s: Workspace,
    track: Track,
    place: Array,
    sides: Array,
) -> None:
    """The fold between two neighbours of the grid, in sweep order, and the states beside it.

    ``place``: frequencies of the last state before it and of the branch landed on, ``sides``: the
    states. The second branch is followed back from the second end.
    """
    arrays = packed.arrays
    track.tally[:] = 0
    push(track, ends[0], states[0])
    low, step = ends[0], 0.5 * (ends[1] - ends[0])
    closest = 0.5 * FOLD_TOLERANCE * ends[0]
    trusted = True
    # a step that fails need not have met the fold: only steps of the tolerance decide
    while low != ends[1] and abs(step) > closest:
        there = low + step if abs(step) < abs(ends[1] - low) else ends[1]
        keep = track.tally[0]
        found = False
        while keep > 0 and not found:
            found = reach(arrays, d, there, 1.0, tolerance, s, track, keep)
            keep = min(keep - 1, 1)
        if found:
            low = there
            ahead = _fold_ahead(track) if trusted else np.nan
            if abs(ahead) < abs(ends[1] - low) and ahead * step > 0.0:
                if abs(ahead) < closest:
                    break
                step = NEARER * ahead
            trusted = True
        else:
            step *= 0.5
            trusted = False
    place[0] = low
    put(sides[0], track.state[track.tally[0] - 1])
    track.tally[:] = 0
    push(track, ends[1], states[1])
    if low != ends[1]:
        least = (low - ends[1]) / 2.0**HALVINGS
        follow(arrays, d, low, least, 1.0, tolerance, s, track)
    place[1] = track.w[track.tally[0] - 1]
    put(sides[1], track.state[track.tally[0] - 1])


@spliced
def take_apart(
    packed: CoupledPacked,
    d: int,
    ends: Array,
    states: Array,
    tolerance: float,
    s: Workspace,
    track: Track,
    w: Array,
    between: Array,
    jumped: Ints,
) -> bool:
    """A step with several folds once more in small steps, so that each holds one.

    False where the envelopes do not settle after one of them: the states are not known then.
    """
    points = w.size
    back = 1 if ends[1] > ends[0] else -1
    for k in range(points):
        w[k] = min(ends[0], ends[1]) + abs(ends[1] - ends[0]) / (points - 1) * k
    jumped[:] = 0
    track.tally[:] = 0
    push(track, ends[0], states[0])
    past = (ends[1] - ends[0]) / 2.0**HALVINGS
    solved = np.empty(points, dtype=np.int64)
    follow_grid(packed, d, w, back, past, tolerance, s, track, between, jumped, solved)
    return track.tally[2] == 0
