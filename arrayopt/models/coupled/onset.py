"""Onset of a whole array: the drive at which its coupled sweeps first fold (M9.8)."""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.models.array import SMALL
from arrayopt.models.coupled.band import grid_range
from arrayopt.models.coupled.states import CoupledPacked
from arrayopt.models.one_mode.grid import GRID_LIMIT, SECTIONS
from arrayopt.physics.coupled.arrays import TOLERANCE
from arrayopt.physics.coupled.newton import (
    CoupledArrays,
    Workspace,
    set_frequency,
    set_jacobian,
    solve_jacobian,
    workspace,
)
from arrayopt.physics.coupled.sweep import HALVINGS, advance, start
from arrayopt.physics.coupled.track import Track, new_track, push
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.numerics.vectors import put

ACCURACY = 0.01
"""Share of the drive to which an onset is closed in on."""
MOST = 20.0
"""Largest drive tried, over the first onset of the cells on their own."""
TRIALS = 40
STILL = 0.05
"""Cells that move less than this share of the most moved one are not asked."""
PLACES = 3
"""Softest places of a sweep that are looked at more closely."""
ZOOMS, PARTS = 3, 16
"""How often, and in how many steps: to 1/512 of the grid's, less than the array's onset is wide."""


def array_onset(packed: CoupledPacked, guess: Floats) -> Floats:
    """Factor on all drive forces at which up- and down-sweep of an array first part (M9.8).

    Parameters
    ----------
    packed : CoupledPacked
        From `pack_coupled`; on the solution that its sites allow.
    guess : (design,)
        The same factor for the cells on their own; infinite where none becomes bistable.

    Returns
    -------
    array (design,)
        Within 1 % of the drive; infinite where nothing folds up to 20 times ``guess``, or nothing
        is driven; NaN where a sweep did not settle.
    """
    out = np.full(guess.shape, np.inf)
    spread(_onsets, guess.size, packed, np.ascontiguousarray(guess), out)
    return out


@kernel
def _onsets(begin: int, stop: int, packed: CoupledPacked, guess: Floats, out: Floats) -> None:
    arrays = packed.arrays
    sites = arrays.site_group.size
    s = workspace(sites, arrays.mass.shape[1], arrays.distance.size)
    track = new_track(sites)
    scratch = np.empty((5, SECTIONS))
    for d in range(begin, stop):
        if not (guess[d] > 0.0 and guess[d] < np.inf):
            continue
        low, high, step, _ = grid_range(packed, d, SMALL, scratch)
        out[d] = np.nan
        if not (high > low and (high - low) / step < GRID_LIMIT):
            continue
        w = np.linspace(low, high, int(np.ceil((high - low) / step)) + 1)
        states = np.empty((w.size, 2 * sites))
        # in squares of the drive, in which stiffness falls evenly towards its first zero
        last, before, stiff, stiffer = 0.0, 0.0, 1.0, 1.0
        above, trial = np.inf, (0.5 * guess[d]) ** 2
        for _ in range(TRIALS):
            found = _least_stiffness(arrays, d, w, np.sqrt(trial), s, track, states)
            if np.isnan(found):
                break
            if found <= 0.0:
                above = trial
            else:
                last, before, stiff, stiffer = trial, last, found, stiff
            root = above
            if stiff < stiffer:
                root = min(above, last + (last - before) * stiff / (stiffer - stiff))
            if np.sqrt(root) - np.sqrt(last) < ACCURACY * np.sqrt(root):
                out[d] = np.sqrt(root)
                break
            if last > (MOST * guess[d]) ** 2:
                out[d] = np.inf
                break
            trial = min(last + 0.8 * (root - last), 0.5 * (last + above))
            trial = min(trial, max(4.0 * last, guess[d] ** 2))


@inner
def _least_stiffness(
    arrays: CoupledArrays,
    d: int,
    w: Floats,
    scale: float,
    s: Workspace,
    track: Track,
    states: Floats,
) -> float:
    """Least `_stiffness` along an up-sweep; -1 where it jumps, NaN where it does not settle.

    1 for weak drive and 0 where the first fold appears.
    """
    points = w.size
    track.tally[:] = 0
    start(arrays, d, w[0], scale, TOLERANCE, s, track)
    first = track.state[track.tally[0] - 1].copy()
    found = np.empty(points)
    _walk(arrays, d, w, first, scale, s, track, states, found)
    if track.tally[2] != 0:
        return np.nan
    if track.tally[1] != 0:
        return -1.0
    least = found.min()
    fine_w, fine = np.empty(PARTS + 1), np.empty((PARTS + 1, states.shape[1]))
    inside = np.empty(PARTS + 1)
    done = np.zeros(points, dtype=np.bool_)
    for _ in range(PLACES):
        k = -1
        for i in range(1, points - 1):
            lowest = found[i] <= found[i - 1] and found[i] <= found[i + 1] and not done[i]
            if lowest and (k < 0 or found[i] < found[k]):
                k = i
        if k < 0:
            break
        done[k] = True
        low, high = w[k - 1], w[k + 1]
        put(first, states[k - 1])
        for _zoom in range(ZOOMS):
            for i in range(PARTS + 1):
                fine_w[i] = low + (high - low) / PARTS * i
            _walk(arrays, d, fine_w, first, scale, s, track, fine, inside)
            if track.tally[2] != 0:
                return np.nan
            if track.tally[1] != 0:
                return -1.0
            j = min(max(int(np.argmin(inside)), 1), PARTS - 1)
            least = min(least, inside[j])
            low, high = fine_w[j - 1], fine_w[j + 1]
            put(first, fine[j - 1])
    return float(least)


@inner
def _walk(
    arrays: CoupledArrays,
    d: int,
    w: Floats,
    first: Floats,
    scale: float,
    s: Workspace,
    track: Track,
    states: Floats,
    found: Floats,
) -> None:
    """States from the first one along w, and their stiffness; ends at the first jump."""
    track.tally[:] = 0
    push(track, w[0], first)
    past = (w[1] - w[0]) / 2.0**HALVINGS
    for i in range(w.size):
        while i > 0 and not advance(arrays, d, w[i], past, scale, TOLERANCE, s, track):
            if track.tally[1] != 0 or track.tally[2] != 0:
                return
        put(states[i], track.state[track.tally[0] - 1])
        found[i] = _stiffness(arrays, d, w[i], states[i], scale, s)


@inner
def _stiffness(
    arrays: CoupledArrays, d: int, w: float, x: Floats, scale: float, s: Workspace
) -> float:
    """Least |A| / |dA / d ln F| over the cells that move: 1 if they are linear, 0 at a fold."""
    sites = s.loss.size
    set_frequency(arrays, d, w, s)
    set_jacobian(arrays, d, s, x)
    force, growth = s.vector[0], s.vector[1]
    for i in range(2 * sites):
        force[i] = scale * s.force[i]
    solve_jacobian(s, force, 1e-3, growth)
    top = 0.0
    for i in range(sites):
        top = max(top, np.hypot(x[i], x[sites + i]))
    least = np.inf
    for i in range(sites):
        size = np.hypot(x[i], x[sites + i])
        if size > STILL * top:
            least = min(least, size / np.hypot(growth[i], growth[sites + i]))
    return least
