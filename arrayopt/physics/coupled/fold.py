"""Compiled folds of M9: where a followed branch turns back, and the state there."""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.physics.coupled.newton import CoupledArrays, Workspace, dot
from arrayopt.physics.coupled.track import (
    HISTORY,
    PREDICTION_BOUND,
    STRAY,
    Track,
    follow,
    interpolate,
    settle,
)
from arrayopt.physics.numerics.compiled import inner
from arrayopt.physics.numerics.vectors import put
from arrayopt.physics.steady.steady_kernel import FOLD_DISTANCE

FOLD_TOLERANCE = 3e-8
"""Relative width to which a fold is closed in on."""
NEARER = 0.75
"""Share of the way to a fold that one step takes, along the states."""
SHORTER, SHORTEST = 0.3, 0.01
"""A step that fails is shortened, down to this share of the way."""
FARTHEST = 8.0
"""Longest way to a fold that is believed, over the way between the two newest states."""
ROOM = 0.1
"""Way to a fold, over the way between the two newest states, that leaves room for a step; with
less, the newest state is not known well enough, and the one before it is the first."""
LOOKS = 12
"""Most steps towards a fold."""
SAME = 1e-7
"""Relative change of the state at a fold, between two steps, that ends them."""
FINER = 1e-4
"""Of the tolerance elsewhere: beside a fold states move much for little force."""


@inner
def _turn(track: Track, u: Floats, c: Floats) -> float:
    """How far ahead the branch turns back, in steps between its two newest states; NaN: unknown.

    Along the branch the frequency is a smooth function of the way u that states go, largest at a
    fold. Fills in u of the states and the divided differences of their frequencies on it.
    """
    n = track.tally[0]
    if n < 3:
        return np.nan
    new, old = track.state[n - 1], track.state[n - 2]
    length = 0.0
    for i in range(new.size):
        length += (new[i] - old[i]) ** 2
    for a in range(n):
        way = 0.0
        for i in range(new.size):
            way += (track.state[a, i] - new[i]) * (new[i] - old[i])
        u[a], c[a] = way / length, track.w[a] - track.w[n - 1]
        if a > 0 and not u[a] > u[a - 1]:
            return np.nan
    for m in range(1, n):
        for a in range(n - 1, m - 1, -1):
            c[a] = (c[a] - c[a - 1]) / (u[a] - u[a - m])
    side = 1.0 if track.w[n - 1] > track.w[n - 2] else -1.0
    at = 0.0
    for _ in range(LOOKS):
        _, slope, bend = _frequency(n, u, c, at)
        if not side * bend < 0.0:
            return np.nan
        move = -slope / bend
        at += move
        if not 0.0 < at < FARTHEST:
            return np.nan
        if abs(move) < 1e-9 * at:
            break
    return at


@inner
def _frequency(n: int, u: Floats, c: Floats, at: float) -> tuple[float, float, float]:
    """Distance in frequency from the newest state to ``at`` on u, and its two derivatives."""
    value, slope, bend = c[n - 1], 0.0, 0.0
    for a in range(n - 2, -1, -1):
        bend = bend * (at - u[a]) + 2.0 * slope
        slope = slope * (at - u[a]) + value
        value = value * (at - u[a]) + c[a]
    return value, slope, bend


@inner
def _close_in(
    arrays: CoupledArrays,
    d: int,
    w: float,
    closest: float,
    scale: float,
    tolerance: float,
    s: Workspace,
    track: Track,
) -> bool:
    """Step towards the fold that the newest states lead to, until two steps agree on it."""
    u, c = np.empty(HISTORY), np.empty(HISTORY)
    last, edge, guess = np.nan, np.empty(track.edge.size), s.vector[6]
    if track.tally[0] == HISTORY and not _turn(track, u, c) > ROOM:
        track.tally[0] -= 1
    for _ in range(LOOKS):
        at = _turn(track, u, c)
        if np.isnan(at):
            return False
        n = track.tally[0]
        here = track.w[n - 1]
        ahead, _, bend = _frequency(n, u, c, at)
        fold = here + ahead
        if (fold - w) * (w - here) > 0.0:
            return False
        interpolate(track, u, 0, at, edge)
        for i in range(edge.size):
            guess[i] = edge[i] - track.edge[i]
        moved = dot(guess, guess) / dot(edge, edge)
        put(track.edge, edge)
        if abs(fold - last) <= closest and moved <= SAME * SAME:
            keep = FOLD_DISTANCE * fold if w > here else -FOLD_DISTANCE * fold
            track.fold[0], track.fold[1] = fold - keep, fold + keep
            interpolate(track, u, 0, at - np.sqrt(2.0 * abs(keep / bend)), track.edge)
            for i in range(track.lean.size):
                track.lean[i] = track.state[n - 1, i] - track.state[n - 2, i]
            return True
        last, part, there = fold, NEARER * at, np.nan
        while part > SHORTEST * at:
            interpolate(track, u, 0, part, guess)
            there = here + _frequency(n, u, c, part)[0]
            if settle(
                arrays, d, there, scale, FINER * tolerance, s, track, PREDICTION_BOUND, STRAY
            ):
                break
            part *= SHORTER
        if track.w[track.tally[0] - 1] != there:
            return False
    return False


@inner
def find_fold(
    arrays: CoupledArrays,
    d: int,
    w: float,
    past: float,
    scale: float,
    tolerance: float,
    s: Workspace,
    track: Track,
) -> bool:
    """The fold before w that a step of ``past`` from the newest state has shown.

    True, with the frequencies just before and after it, the state before and the way that states
    move on reaching it in the track; False where smaller steps lead on to w, whose state the track
    then holds.
    """
    closest = 0.5 * FOLD_TOLERANCE * w
    while True:
        if _close_in(arrays, d, w, closest, scale, tolerance, s, track):
            return True
        past *= 0.25
        if abs(past) < closest:
            break
        if follow(arrays, d, w, past, scale, tolerance, s, track, True):
            return False
    n = track.tally[0]
    track.fold[0] = track.w[n - 1]
    track.fold[1] = track.w[n - 1] + 2.0 * FOLD_DISTANCE * np.copysign(w, past)
    put(track.edge, track.state[n - 1])
    for i in range(track.lean.size):
        track.lean[i] = track.edge[i] - track.state[n - 2, i] if n > 1 else 0.0
    return True
