"""Compiled sweeps of M9: states of a coupled array along the frequency, over its jumps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.coupled.fold import FINER, find_fold
from arrayopt.physics.coupled.landing import BEATS, relax
from arrayopt.physics.coupled.newton import (
    CONVERGED,
    STALLED,
    CoupledArrays,
    Workspace,
    near,
    newton,
    set_frequency,
    workspace,
)
from arrayopt.physics.coupled.track import (
    Track,
    follow,
    new_track,
    push,
    reach,
)
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.vectors import put

NOT_SETTLED = 1
"""Bit of `coupled.CoupledStatus`."""
HALVINGS = 4
"""A step that fails is halved this often before a fold is looked for."""
RELAX_STEPS = 8000
LANDING = 2e-4
"""How far past a fold the envelopes are let settle, over their slowest decay rate: so near that
hardly another fold lies between. The state is then followed back to the fold itself."""
LINGERING, FARTHER = 4, 0.0125
"""Number and distance of the places farther on, where they do not settle there."""
LEAN = 0.05
"""Of a cell's amplitude: how far past the state at a fold the most moved one starts."""
FLOOR = 0.05
"""Of the largest amplitude, added to each for that."""
AWAY = 0.1
"""By which share of its amplitude a cell must move for it to be a jump."""
MOST_FOLDS = 8
"""Most folds in a step of a sweep, for each site: more is no quasi-static sweep."""


@inner
def start(
    arrays: CoupledArrays,
    d: int,
    w: float,
    scale: float,
    tolerance: float,
    s: Workspace,
    track: Track,
) -> None:
    """The state that switching the drive on at w leads to, as the only one of the track."""
    set_frequency(arrays, d, w, s)
    sites = s.loss.size
    x = s.vector[6]
    for i in range(sites):
        force = complex(s.force[i], s.force[sites + i]) * scale
        state = force / complex(s.detuning[i], s.loss[i])
        x[i], x[sites + i] = state.real, state.imag
    track.tally[0] = 0
    if newton(arrays, d, s, x, scale, tolerance, np.inf) != CONVERGED:
        x[:] = 0.0
        if relax(arrays, d, s, x, scale, tolerance, RELAX_STEPS) == STALLED:
            track.tally[2] |= NOT_SETTLED
    push(track, w, x)


@inner
def advance(
    arrays: CoupledArrays,
    d: int,
    w: float,
    past: float,
    scale: float,
    tolerance: float,
    s: Workspace,
    track: Track,
) -> bool:
    """Follow the branch to w: True. Where it folds before, over its fold: False.

    Then the track tells of the fold, and its newest state is the one that the envelopes settle in:
    just after the fold, a little farther where the new branch does not reach back to it, or at w
    where the envelopes beat. ``past``, the smallest step, has the sign of the sweep.
    """
    if follow(arrays, d, w, past, scale, tolerance, s, track, False):
        return True
    if not find_fold(arrays, d, w, past, scale, tolerance, s, track):
        return True
    sites = s.loss.size
    x = np.empty(2 * sites)
    found, away, there = _past_fold(arrays, d, past, scale, tolerance, s, track, x)
    track.tally[0] = 0
    track.tally[1] += 1 if away else 0
    if found == BEATS:
        # no state of any branch: nothing to follow to w
        there = w
        set_frequency(arrays, d, w, s)
        found = relax(arrays, d, s, x, scale, tolerance, RELAX_STEPS)
    push(track, w if (there - w) * past > 0.0 else there, x)
    if found == STALLED:
        track.tally[2] |= NOT_SETTLED
    elif away and there != w:
        fold = track.fold[1]
        if reach(arrays, d, fold, scale, FINER * tolerance, s, track, 1, np.inf):
            put(x, track.state[1])
            track.tally[0] = 0
            push(track, fold, x)
    return False


@inner
def _past_fold(
    arrays: CoupledArrays,
    d: int,
    past: float,
    scale: float,
    tolerance: float,
    s: Workspace,
    track: Track,
    out: Floats,
) -> tuple[int, bool, float]:
    """Let the envelopes settle past the track's fold: how they do, whether far off, and where."""
    sites = s.loss.size
    fold = track.fold[1]
    _lean_over(track, sites, out)
    set_frequency(arrays, d, fold, s)
    rate = np.inf
    for i in range(sites):
        rate = min(rate, s.loss[i] / s.inertia[i])
    rate = rate if past > 0.0 else -rate
    there, found, away = fold, STALLED, False
    # the nearer to the fold, the longer the envelopes linger in its remains
    for k in range(LINGERING + 1):
        there = fold + rate * (k * FARTHER if k > 0 else LANDING)
        set_frequency(arrays, d, there, s)
        found = relax(arrays, d, s, out, scale, tolerance, RELAX_STEPS)
        away = found != STALLED and not near(out, track.edge, sites, AWAY)
        if away or found == BEATS or (found == CONVERGED and k > 0):
            break
    return found, away, there


@inner
def _lean_over(track: Track, sites: int, out: Floats) -> None:
    """A state a little beyond the one at the fold, the way that the branch went there."""
    top = most = 0.0
    for i in range(sites):
        top = max(top, np.hypot(track.edge[i], track.edge[sites + i]))
    for i in range(sites):
        size = np.hypot(track.edge[i], track.edge[sites + i]) + FLOOR * top
        most = max(most, np.hypot(track.lean[i], track.lean[sites + i]) / size)
    for i in range(2 * sites):
        out[i] = track.edge[i] + (LEAN / most * track.lean[i] if most > 0.0 else 0.0)


@kernel
def sweep_batch(
    begin: int,
    stop: int,
    arrays: CoupledArrays,
    w: Floats,
    order: Ints,
    scale: Floats,
    tolerance: float,
    amplitude: NDArray[np.complex128],
    jumps: Ints,
    status: Ints,
) -> None:
    """Designs begin..stop: amplitude (design, frequency, site), visiting w in ``order``."""
    sites = arrays.site_group.size
    s = workspace(sites, arrays.mass.shape[1], arrays.distance.size)
    for d in range(begin, stop):
        if status[d] != 0:
            continue
        track = new_track(sites)
        for step in range(order.size):
            i = order[step]
            if step == 0:
                start(arrays, d, w[d, i], scale[d], tolerance, s, track)
            else:
                before = track.tally[1]
                past = (w[d, i] - track.w[track.tally[0] - 1]) / 2.0**HALVINGS
                left = MOST_FOLDS * sites
                while track.tally[2] == 0:
                    if advance(arrays, d, w[d, i], past, scale[d], tolerance, s, track):
                        break
                    left -= 1
                    if left == 0:
                        track.tally[2] |= NOT_SETTLED
                jumps[d, i] = track.tally[1] - before
            last = track.state[track.tally[0] - 1]
            for j in range(sites):
                amplitude[d, i, j] = complex(last[j], last[sites + j])
            if track.tally[2] != 0:
                break
        status[d] |= track.tally[2]
