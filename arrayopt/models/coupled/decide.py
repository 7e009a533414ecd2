"""Points of a coupled sweep that decide on its figures, computed from states beside them (M9)."""

from __future__ import annotations

import numpy as np

from arrayopt.models.bands.refine import MOST, next_of_row
from arrayopt.models.coupled.states import PRESSURE, CoupledPacked, Points, keep, put_in
from arrayopt.physics.coupled.fold import FINER, find_fold
from arrayopt.physics.coupled.newton import Workspace
from arrayopt.physics.coupled.sweep import HALVINGS
from arrayopt.physics.coupled.track import Track, follow, push, reach
from arrayopt.physics.numerics.compiled import inner, spliced

NEAR = 1.1
"""Over the band's limit: interpolated points below that are solved where they decide."""


@inner
def _solve(
    packed: CoupledPacked,
    d: int,
    w: float,
    points: Points,
    p: int,
    q: int,
    tolerance: float,
    s: Workspace,
    track: Track,
) -> bool:
    """Whether a state at w is found from those of points p and q; then the newest of the track.

    Between them where they lie on one branch, else in steps from p; where that branch folds before
    w, the track tells of the fold.
    """
    arrays = packed.arrays
    tolerance *= FINER
    track.tally[:] = 0
    if p != q:
        push(track, points.w[q], points.state[q])
    push(track, points.w[p], points.state[p])
    if reach(arrays, d, w, 1.0, tolerance, s, track, track.tally[0], np.inf):
        return True
    track.tally[:] = 0
    push(track, points.w[p], points.state[p])
    least = (w - points.w[p]) / 2.0**HALVINGS
    return p != q and (
        follow(arrays, d, w, least, 1.0, tolerance, s, track, False)
        or not find_fold(arrays, d, w, least, 1.0, tolerance, s, track)
    )


@inner
def _jump(
    packed: CoupledPacked,
    d: int,
    place: int,
    back: int,
    points: Points,
    tolerance: float,
    s: Workspace,
    track: Track,
) -> None:
    """Put in both sides of a jump, too small to be seen on the way, before and at a place.

    From the fold that the track tells of, and the branch of the second point, in sweep order,
    followed back to it.
    """
    low, high = points.order[place - 1], points.order[place]
    p, q = (low, high) if back == 1 else (high, low)
    end, fold, edge = points.w[q], track.fold[0], track.edge
    track.tally[:] = 0
    push(track, end, points.state[q])
    least = (points.w[p] - end) / 2.0**HALVINGS
    met = follow(packed.arrays, d, track.fold[1], least, 1.0, tolerance, s, track, True)
    last = track.tally[0] - 1
    there, x = track.w[last], track.state[last]
    if back == 1:
        lower = put_in(points, place, packed, d, fold, edge, 1)
        put_in(points, place + 1, packed, d, there, x, 1)
    else:
        lower = put_in(points, place, packed, d, there, x, 1)
        put_in(points, place + 1, packed, d, fold, edge, 1)
    points.gap[lower] = 0 if met else 1


@spliced
def decide(
    packed: CoupledPacked,
    d: int,
    back: int,
    level: float,
    tolerance: float,
    s: Workspace,
    track: Track,
    points: Points,
) -> bool:
    """Put in points until none that decides is missing; False if there is no room for them.

    They decide on the band's edges and peak, and on the largest power and deflections.

    Parameters
    ----------
    back : 1 for sweeps up, -1 for sweeps down.
    level : band limit below the peak as a pressure ratio.
    points : of `follow_grid`
    """
    room = points.w.size
    order = points.order
    f, a, cliff, new = np.empty(room), np.empty(room), np.empty(room), np.empty(MOST)
    changed = True
    while changed:
        changed = False
        for row in range(points.value.shape[0]):
            n = points.known[0]
            for i in range(n):
                f[i], a[i] = points.w[order[i]], points.value[row, order[i]]
                cliff[i] = -points.gap[order[i]]
            value = points.value[row]
            peak = a[:n].max()
            limit = level if row == PRESSURE else 0.0
            count = next_of_row(f[:n], a[:n], cliff, np.inf, limit, True, new)
            for k in range(count):
                if points.known[0] + 2 > room:
                    return False
                # where the point lies by now: others may have been put in
                i = 1
                while i < points.known[0] - 1 and points.w[order[i]] <= new[k]:
                    i += 1
                low, high = order[i - 1], order[i]
                if not points.w[low] < new[k] < points.w[high] or points.gap[low] != 0:
                    continue
                one, two = (low, high) if back == 1 else (high, low)
                decides = value[low] == peak or value[high] == peak
                decides = decides or min(value[low], value[high]) < NEAR * limit * peak
                rough = -1
                if decides and points.solved[low] * points.solved[high] == 0:
                    rough = low if points.solved[low] == 0 else high
                    points.solved[rough] = 1
                if rough >= 0:
                    at = points.w[rough]
                    if _solve(packed, d, at, points, rough, rough, tolerance, s, track):
                        keep(points, rough, packed, d, at, track.state[track.tally[0] - 1], 1)
                elif _solve(packed, d, new[k], points, one, two, tolerance, s, track):
                    put_in(points, i, packed, d, new[k], track.state[track.tally[0] - 1], 1)
                else:
                    _jump(packed, d, i, back, points, tolerance, s, track)
                changed = True
    return True
