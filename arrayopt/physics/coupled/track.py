"""Compiled continuation of M9: a branch of states of a coupled array followed along w."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.coupled.newton import (
    CONVERGED,
    CoupledArrays,
    Workspace,
    dot,
    near,
    newton,
    set_frequency,
)
from arrayopt.physics.numerics.compiled import inner
from arrayopt.physics.numerics.vectors import put

HISTORY = 4
PREDICTION_BOUND = 0.1
"""Of a cell's amplitude: largest miss of a prediction."""
STEP_BOUND = 0.05
"""The same of a prediction that nothing changes."""
STRAY = 0.3
"""Of the way that a prediction goes: largest miss."""


class Track(NamedTuple):
    """Where a sweep is: its last states, newest last, and what happened on the way."""

    w: Floats
    """(HISTORY,) rad/s."""
    state: Floats
    """(HISTORY, 2 site)."""
    tally: Ints
    """(3,): states kept, jumps passed, status bits."""
    miss: Floats
    """(1,): by how much of the state the last prediction missed."""
    fold: Floats
    """(2,): frequencies just before and after the last fold (rad/s)."""
    edge: Floats
    """(2 site,): the state before it."""
    lean: Floats
    """(2 site,): how states move on reaching it."""


@inner
def new_track(sites: int) -> Track:
    """An empty track."""
    n = 2 * sites
    return Track(
        np.empty(HISTORY),
        np.empty((HISTORY, n)),
        np.zeros(3, dtype=np.int64),
        np.zeros(1),
        np.zeros(2),
        np.zeros(n),
        np.zeros(n),
    )


@inner
def push(track: Track, w: float, x: Floats) -> None:
    """Add the newest state."""
    n = track.tally[0]
    if n == HISTORY:
        for k in range(HISTORY - 1):
            track.w[k] = track.w[k + 1]
            put(track.state[k], track.state[k + 1])
        n -= 1
    track.w[n] = w
    put(track.state[n], x)
    track.tally[0] = n + 1


@inner
def interpolate(track: Track, at: Floats, first: int, to: float, out: Floats) -> None:
    """States from the ``first`` on, known at places ``at`` of any measure, taken to a place."""
    n = track.tally[0]
    out[:] = 0.0
    for a in range(first, n):
        weight = 1.0
        for b in range(first, n):
            if b != a:
                weight *= (to - at[b]) / (at[a] - at[b])
        for i in range(out.size):
            out[i] += weight * track.state[a, i]


@inner
def reach(
    arrays: CoupledArrays,
    d: int,
    w: float,
    scale: float,
    tolerance: float,
    s: Workspace,
    track: Track,
    keep: int,
    stray: float,
) -> bool:
    """One step to w from the newest ``keep`` states; see `settle`."""
    interpolate(track, track.w, track.tally[0] - keep, w, s.vector[6])
    bound = PREDICTION_BOUND if keep > 1 else STEP_BOUND
    return settle(arrays, d, w, scale, tolerance, s, track, bound, stray)


@inner
def settle(
    arrays: CoupledArrays,
    d: int,
    w: float,
    scale: float,
    tolerance: float,
    s: Workspace,
    track: Track,
    bound: float,
    stray: float,
) -> bool:
    """One step to w from the guess in ``s.vector[6]``; the state joins the track if it is near.

    Within ``bound`` of each cell's amplitude, and within ``stray`` of the way from the newest
    state to the guess: farther off it may lie on another branch.
    """
    sites = s.loss.size
    guess, x = s.vector[6], s.vector[7]
    set_frequency(arrays, d, w, s)
    trial = np.empty(2 * sites)
    put(trial, guess)
    if newton(arrays, d, s, trial, scale, tolerance, PREDICTION_BOUND) != CONVERGED:
        return False
    if not near(trial, guess, sites, bound):
        return False
    for i in range(2 * sites):
        x[i] = trial[i] - guess[i]
    missed = dot(x, x)
    if stray < np.inf:
        newest = track.state[track.tally[0] - 1]
        for i in range(2 * sites):
            x[i] = newest[i] - guess[i]
        if missed > stray * stray * dot(x, x):
            return False
    push(track, w, trial)
    track.miss[0] = np.sqrt(missed / dot(trial, trial))
    return True


@inner
def follow(
    arrays: CoupledArrays,
    d: int,
    w: float,
    smallest: float,
    scale: float,
    tolerance: float,
    s: Workspace,
    track: Track,
    blind: bool,
) -> bool:
    """Follow the branch to w; False where no step of ``smallest`` leads on: it may fold there.

    ``blind``: also with steps from the newest state alone, which lead on over sharp bends, but over
    folds as well where another branch is close.
    """
    step = w - track.w[track.tally[0] - 1]
    while track.w[track.tally[0] - 1] != w:
        here = track.w[track.tally[0] - 1]
        there = w if abs(step) >= abs(w - here) else here + step
        n = track.tally[0]
        found = n > 2 and reach(arrays, d, there, scale, tolerance, s, track, n, STRAY)
        if not found and (blind or n < 3):
            found = reach(arrays, d, there, scale, tolerance, s, track, 1, np.inf)
        if found:
            step *= 2.0
        elif abs(there - here) > 1.5 * abs(smallest):
            step = 0.5 * (there - here)
        else:
            return False
    return True
