"""Compiled continuation of M9: states of a coupled array followed along the frequency."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.physics.compiled import inner, kernel
from arrayopt.physics.coupled_kernel import (
    CONVERGED,
    Array,
    CoupledArrays,
    Ints,
    Workspace,
    dot,
    near,
    newton,
    set_frequency,
    workspace,
)
from arrayopt.physics.coupled_relax import relax
from arrayopt.physics.vectors import put

NOT_SETTLED = 1
"""Bit of `coupled.CoupledStatus`."""
HISTORY = 4
HALVINGS = 4
"""A step that fails is halved this often before the branch counts as folded."""
PREDICTION_BOUND = 0.3
RELAX_STEPS = 8000
LINGERING = 4
"""Places past a fold, a smallest step apart, at which the envelopes are let settle."""


class Track(NamedTuple):
    """Where a sweep is: its last states, newest last, and what happened on the way."""

    w: Array
    """(HISTORY,) rad/s."""
    state: Array
    """(HISTORY, 2 site)."""
    tally: Ints
    """(3,): states kept, jumps passed, status bits."""
    miss: Array
    """(1,): by how much of the state the last prediction missed."""


@inner
def new_track(sites: int) -> Track:
    """An empty track."""
    return Track(
        np.empty(HISTORY), np.empty((HISTORY, 2 * sites)), np.zeros(3, dtype=np.int64), np.zeros(1)
    )


@inner
def push(track: Track, w: float, x: Array) -> None:
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
def predict(track: Track, w: float, keep: int, out: Array) -> None:
    """Extrapolate the newest ``keep`` states to w (Lagrange)."""
    n = track.tally[0]
    out[:] = 0.0
    for a in range(n - keep, n):
        weight = 1.0
        for b in range(n - keep, n):
            if b != a:
                weight *= (w - track.w[b]) / (track.w[a] - track.w[b])
        for i in range(out.size):
            out[i] += weight * track.state[a, i]


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
        if relax(arrays, d, s, x, scale, tolerance, RELAX_STEPS) != CONVERGED:
            track.tally[2] |= NOT_SETTLED
    push(track, w, x)


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
) -> bool:
    """One step to w from the newest ``keep`` states; the state joins the track if there is one."""
    sites = s.loss.size
    guess, x = s.vector[6], s.vector[7]
    set_frequency(arrays, d, w, s)
    predict(track, w, keep, guess)
    trial = np.empty(2 * sites)
    put(trial, guess)
    if newton(arrays, d, s, trial, scale, tolerance, PREDICTION_BOUND) != CONVERGED:
        return False
    if not near(trial, guess, sites, PREDICTION_BOUND):
        return False
    push(track, w, trial)
    for i in range(2 * sites):
        x[i] = trial[i] - guess[i]
    track.miss[0] = np.sqrt(dot(x, x) / dot(trial, trial))
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
) -> bool:
    """Follow the branch to w; False where no step of ``smallest`` leads on: it folds there."""
    step = w - track.w[track.tally[0] - 1]
    while track.w[track.tally[0] - 1] != w:
        here = track.w[track.tally[0] - 1]
        there = w if abs(step) >= abs(w - here) else here + step
        keep = track.tally[0]
        found = False
        while keep > 0 and not found:
            found = reach(arrays, d, there, scale, tolerance, s, track, keep)
            keep = min(keep - 1, 1)  # near a fold no extrapolation beats the last state
        if found:
            step *= 2.0
        elif abs(there - here) > 1.5 * abs(smallest):
            step = 0.5 * (there - here)
        else:
            return False
    return True


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
) -> None:
    """Follow the branch to w; ``past`` where it folds, let the envelopes settle and go on.

    ``past`` has the sign of the sweep. The nearer to the fold, the longer they take.
    """
    sites = s.loss.size
    last, x = np.empty(2 * sites), np.empty(2 * sites)
    while not follow(arrays, d, w, past, scale, tolerance, s, track):
        newest = track.tally[0] - 1
        put(last, track.state[newest])
        put(x, last)
        there = track.w[newest]
        settled = False
        # so near to the fold that the envelopes linger in its remains: a little farther they do not
        for _ in range(LINGERING):
            if settled or there == w:
                break
            there += past
            if (w - there) * past < 0.25 * past * past:
                there = w
            set_frequency(arrays, d, there, s)
            settled = relax(arrays, d, s, x, scale, tolerance, RELAX_STEPS) == CONVERGED
        if not near(x, last, sites, PREDICTION_BOUND):
            track.tally[1] += 1
        track.tally[0] = 0
        if not settled:
            track.tally[2] |= NOT_SETTLED
            there = w
        push(track, there, x)


@kernel
def sweep_batch(
    begin: int,
    stop: int,
    arrays: CoupledArrays,
    w: Array,
    order: Ints,
    scale: Array,
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
                advance(arrays, d, w[d, i], past, scale[d], tolerance, s, track)
                jumps[d, i] = track.tally[1] - before
            last = track.state[track.tally[0] - 1]
            for j in range(sites):
                amplitude[d, i, j] = complex(last[j], last[sites + j])
            if track.tally[2] != 0:
                break
        status[d] |= track.tally[2]
