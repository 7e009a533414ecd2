"""The points of a coupled sweep that decide on its band, computed from states beside them (M9)."""

from __future__ import annotations

import numpy as np

from arrayopt.coupled_states import (
    SMALL_STEPS,
    CoupledPacked,
    far_pressure,
    find_fold,
    take_apart,
)
from arrayopt.physics.compiled import inner, spliced
from arrayopt.physics.coupled_kernel import Array, Ints, Workspace
from arrayopt.physics.coupled_sweep import HALVINGS, Track, follow, push, reach
from arrayopt.physics.vectors import put
from arrayopt.refine import MOST, next_of_row

ADDED = 512
"""Most points that one design may need beside its grid."""
CLIFF = 0.1
"""Of the peak: what a jump between two points of the grid may hide."""
NEAR = 1.1
"""Over the band's limit: interpolated points below that are solved where they decide."""


@spliced
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
    """Whether a state at w is found from those of points p and q; then the newest of the track.

    Between them where they lie on one branch, else in steps from p: up to its fold.
    """
    track.tally[:] = 0
    if p != q:
        push(track, known[q], states[q])
    push(track, known[p], states[p])
    if reach(packed.arrays, d, w, 1.0, tolerance, s, track, track.tally[0]):
        return True
    track.tally[:] = 0
    push(track, known[p], states[p])
    least = (w - known[p]) / 2.0**HALVINGS
    return p != q and follow(packed.arrays, d, w, least, 1.0, tolerance, s, track)


@inner
def _keep(
    packed: CoupledPacked, d: int, at: float, state: Array, point: int, w: Array, p: Array,
    states: Array,
) -> None:  # fmt: skip
    """Make a state at frequency ``at`` one of the points."""
    w[point] = at
    put(states[point], state)
    p[point] = far_pressure(packed, d, at, state)


@inner
def _insert(order: Ints, n: int, place: int, point: int) -> None:
    """Put a point behind the place-th of n in ascending order."""
    for k in range(n, place + 1, -1):
        order[k] = order[k - 1]
    order[place + 1] = point


@spliced
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
) -> tuple[Array, Array, bool]:
    """Points of the grid and those added until nothing that decides hides between them.

    Parameters
    ----------
    grid, grid_states, jumped, solved : of `follow_grid`, w ascending (rad/s).
    back : 1 for sweeps up, -1 for sweeps down.
    level : band limit below the peak as a pressure ratio.

    Returns
    -------
    (frequencies (rad/s), pressures (Pa), whether there was room for all), both sides of the jumps
    that matter among them.
    """
    n = grid.size
    w, p = np.empty(n + ADDED), np.empty(n + ADDED)
    states = np.empty((n + ADDED, grid_states.shape[1]))
    exact = np.ones(n + ADDED, dtype=np.int64)
    # between a point and the next higher one; -1: a jump over this, in which no state is found
    folds = np.zeros(n + ADDED, dtype=np.int64)
    for i in range(n):
        _keep(packed, d, grid[i], grid_states[i], i, w, p, states)
        exact[i] = solved[i]
        if jumped[i] > 0:
            folds[i - 1 if back == 1 else i] = jumped[i]
    order = np.arange(n + ADDED)
    f, a, cliff = np.empty(n + ADDED), np.empty(n + ADDED), np.empty(n + ADDED)
    new, ends, pair = np.empty(MOST), np.empty(2), np.empty((2, states.shape[1]))
    place, sides = np.empty(2), np.empty((2, states.shape[1]))
    steps, between = np.empty(SMALL_STEPS + 1), np.empty((SMALL_STEPS + 1, states.shape[1]))
    jumps = np.empty(SMALL_STEPS + 1, dtype=np.int64)
    changed = True
    while changed and n + MOST + SMALL_STEPS <= w.size:
        for i in range(n):
            f[i], a[i] = w[order[i]], p[order[i]]
        peak = a[:n].max()
        for i in range(n - 1):
            here = folds[order[i]]
            cliff[i] = CLIFF * peak if here > 0 else float(here)
        changed = False
        count = next_of_row(f[:n], a[:n], cliff, np.inf, level, new)
        for k in range(count):
            if n + MOST + SMALL_STEPS > w.size:
                break
            # where the point lies by now: others may have been put in
            i = 0
            while i < n - 2 and w[order[i + 1]] <= new[k]:
                i += 1
            low, high = order[i], order[i + 1]
            if not w[low] < new[k] < w[high]:
                continue
            one, two = (low, high) if back == 1 else (high, low)
            decides = p[low] == peak or p[high] == peak
            decides = decides or min(p[low], p[high]) < NEAR * level * peak
            rough = -1
            if decides and exact[low] * exact[high] == 0:
                rough = low if exact[low] == 0 else high
                exact[rough] = 1
            elif folds[low] > 0:
                ends[0], ends[1] = w[one], w[two]
                put(pair[0], states[one])
                put(pair[1], states[two])
                if folds[low] == 1:
                    find_fold(packed, d, ends, pair, tolerance, s, track, place, sides)
                    folds[low], inside = -1, place[0] != w[two]
                    for side in range(2 if inside else 0):
                        at = side if back == 1 else 1 - side
                        _keep(packed, d, place[at], sides[at], n, w, p, states)
                        _insert(order, n, i + side, n)
                        n += 1
                    if inside:
                        folds[low], folds[n - 2], folds[n - 1] = 0, -1, 0
                elif take_apart(packed, d, ends, pair, tolerance, s, track, steps, between, jumps):
                    for m in range(1, SMALL_STEPS):
                        _keep(packed, d, steps[m], between[m], n, w, p, states)
                        folds[n] = jumps[m + 1] if back == 1 else jumps[m]
                        _insert(order, n, i + m - 1, n)
                        n += 1
                    folds[low] = jumps[1] if back == 1 else jumps[0]
                else:
                    folds[low] = 1  # only the first and the last branch are known
                changed = True
                continue
            alone = rough >= 0
            if _solve(
                packed, d, w[rough] if alone else new[k], w, states,
                rough if alone else one, rough if alone else two, tolerance, s, track,
            ):  # fmt: skip
                last = track.tally[0] - 1
                at = rough if alone else n
                _keep(packed, d, track.w[last], track.state[last], at, w, p, states)
                if not alone:
                    _insert(order, n, i, n)
                    n += 1
                changed = True
            elif not alone and folds[low] == 0:
                folds[low] = 1  # a jump too small to be seen on the way
                changed = True
            changed = changed or alone
    return f[:n].copy(), a[:n].copy(), not changed
