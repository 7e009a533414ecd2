"""The points of a coupled sweep that decide on its band, computed from states beside them (M9)."""

from __future__ import annotations

import numpy as np
from numba import njit

from arrayopt.coupled_edges import (
    SMALL_STEPS,
    CoupledPacked,
    far_pressure,
    find_fold,
    take_apart,
)
from arrayopt.physics.coupled_kernel import Array, Ints, Workspace
from arrayopt.physics.coupled_sweep import Track, push, reach
from arrayopt.refine import MOST, next_of_row

ADDED = 512
"""Most points that one design may need beside its grid."""
CLIFF = 0.1
"""Of the peak: what a jump between two points of the grid may hide."""
NEAR = 1.1
"""Over the band's limit: interpolated points below that are solved where they decide."""


@njit(cache=True, error_model="numpy")
def _solve(
    packed: CoupledPacked,
    d: int,
    w: float,
    known: Array,
    states: Array,
    p: int,
    q: int,
    tolerance: float,
    s: Workspace,
    track: Track,
) -> bool:
    """Whether a state at w is found from those of points p and q; then the newest of the track."""
    for first, second, keep in ((p, q, 2), (q, p, 1), (p, q, 1)):
        track.tally[:] = 0
        if p != q:
            push(track, known[first], states[first])
        push(track, known[second], states[second])
        keep = min(keep, track.tally[0])
        if reach(packed.arrays, d, w, 1.0, tolerance, s, track, keep):
            return True
    return False


@njit(cache=True, error_model="numpy")
def _insert(order: Ints, n: int, place: int, point: int) -> None:
    """Put a point behind the place-th of n in ascending order."""
    for k in range(n, place + 1, -1):
        order[k] = order[k - 1]
    order[place + 1] = point


@njit(cache=True, error_model="numpy")
def _unfold(
    packed: CoupledPacked,
    d: int,
    ends: Array,
    pair: Array,
    jumps: int,
    tolerance: float,
    s: Workspace,
    track: Track,
    place: Array,
    sides: Array,
) -> int:
    """Both sides of every jump between two points, in sweep order; the number of points."""
    one_place, one_side = np.empty(2), np.empty((2, pair.shape[1]))
    if jumps == 1:
        find_fold(packed, d, ends, pair, tolerance, s, track, one_place, one_side)
        place[:2], sides[:2] = one_place, one_side
        return 2
    w, fine = np.empty(SMALL_STEPS + 1), np.empty((SMALL_STEPS + 1, pair.shape[1]))
    jumped = np.zeros(SMALL_STEPS + 1, dtype=np.int64)
    take_apart(packed, d, ends, pair, tolerance, s, track, w, fine, jumped)
    back = 1 if ends[1] > ends[0] else -1
    count = 0
    for step in range(1, SMALL_STEPS + 1):
        i = step if back == 1 else SMALL_STEPS - step
        if jumped[i] == 0:
            continue
        some, two = np.empty(2), np.empty((2, pair.shape[1]))
        some[0], some[1] = w[i - back], w[i]
        two[0], two[1] = fine[i - back], fine[i]
        find_fold(packed, d, some, two, tolerance, s, track, one_place, one_side)
        place[count : count + 2], sides[count : count + 2] = one_place, one_side
        count += 2
    return count


@njit(cache=True, error_model="numpy")
def decide(
    packed: CoupledPacked,
    d: int,
    grid: Array,
    grid_states: Array,
    jumped: Ints,
    solved: Ints,
    back: int,
    level: float,
    tolerance: float,
    s: Workspace,
    track: Track,
) -> tuple[int, Array, Array]:
    """Points of the grid and those added until nothing that decides hides between them.

    Parameters
    ----------
    grid, grid_states, jumped, solved : of `follow_grid`, w ascending (rad/s).
    back : 1 for sweeps up, -1 for sweeps down.
    level : band limit below the peak as a pressure ratio.

    Returns
    -------
    (number, frequencies (rad/s), pressures (Pa)), the first two sides of a jump included.
    """
    n = grid.size
    w, p = np.empty(n + ADDED), np.empty(n + ADDED)
    states = np.empty((n + ADDED, grid_states.shape[1]))
    w[:n], states[:n] = grid, grid_states
    exact = np.ones(n + ADDED, dtype=np.int64)
    exact[:n] = solved
    folds = np.zeros(n + ADDED, dtype=np.int64)  # between a point and the next higher one
    for i in range(n):
        p[i] = far_pressure(packed, d, w[i], states[i])
        if jumped[i] > 0:
            folds[i - 1 if back == 1 else i] = jumped[i]
    order = np.arange(n + ADDED)
    f, a, cliff = np.empty(n + ADDED), np.empty(n + ADDED), np.empty(n + ADDED)
    new, ends, pair = np.empty(MOST), np.empty(2), np.empty((2, states.shape[1]))
    place, sides = np.empty(2 * SMALL_STEPS), np.empty((2 * SMALL_STEPS, states.shape[1]))
    changed = True
    while True:
        for i in range(n):
            f[i], a[i] = w[order[i]], p[order[i]]
        peak = a[:n].max()
        for i in range(n - 1):
            cliff[i] = CLIFF * peak if folds[order[i]] > 0 else 0.0
        if not changed:
            break
        changed = False
        count = next_of_row(f[:n], a[:n], cliff, np.inf, level, new)
        for k in range(count):
            if n + 2 * SMALL_STEPS > w.size:
                break
            # where the point lies by now: others may have been put in
            i = 0
            while i < n - 2 and w[order[i + 1]] <= new[k]:
                i += 1
            low, high = order[i], order[i + 1]
            rough = False
            beside = p[low] == peak or p[high] == peak
            low_enough = min(p[low], p[high]) < NEAR * level * peak
            for point in (low, high):
                if exact[point] == 0 and (beside or low_enough):
                    exact[point] = 1
                    rough = changed = True
                    if _solve(packed, d, w[point], w, states, point, point, tolerance, s, track):
                        states[point] = track.state[track.tally[0] - 1]
                        p[point] = far_pressure(packed, d, w[point], states[point])
            if rough or not w[low] < new[k] < w[high]:
                continue
            if folds[low] > 0:
                one, two = (low, high) if back == 1 else (high, low)
                ends[0], ends[1] = w[one], w[two]
                pair[0], pair[1] = states[one], states[two]
                found = _unfold(
                    packed, d, ends, pair, folds[low], tolerance, s, track, place, sides
                )
                folds[low] = 0
                for m in range(found):
                    at = m if back == 1 else found - 1 - m
                    w[n], states[n] = place[at], sides[at]
                    p[n] = far_pressure(packed, d, w[n], states[n])
                    _insert(order, n, i + m, n)
                    n += 1
                changed = True
            elif _solve(packed, d, new[k], w, states, low, high, tolerance, s, track):
                w[n], states[n] = new[k], track.state[track.tally[0] - 1]
                p[n] = far_pressure(packed, d, w[n], states[n])
                _insert(order, n, i, n)
                n += 1
                changed = True
    return n, f[:n].copy(), a[:n].copy()
