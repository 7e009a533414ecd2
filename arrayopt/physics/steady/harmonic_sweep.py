"""Compiled sweeps over the harmonic balance: continuation, jumps, stability (M7.15 to M7.17)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.numerics.compiled import inner, kernel, spliced
from arrayopt.physics.numerics.vectors import put
from arrayopt.physics.steady.harmonic_kernel import (
    FRESH,
    ITERATIONS,
    MORE_ITERATIONS,
    NONE,
    Balance,
    Rows,
    balance_of,
    newton,
    set_frequency,
)
from arrayopt.physics.steady.harmonic_motion import (
    ESCAPED,
    UNCONVERGED,
    UNSTABLE,
    distance,
    largest_multiplier,
    settle,
)

_SMALLEST_STEP = 1.0 / 256.0  # of a grid interval: resolution of a jump frequency
_LARGEST_CHANGE = 0.4  # of the state in one accepted step; more is taken for a jump and bisected
_LARGEST_STRIDE = 16  # grid points


@inner
def _predict(history: Floats, at: Floats, known: int, w: float, x: Floats) -> None:
    """Extrapolate the last one to three states (newest first) to w by Lagrange's polynomial."""
    n = x.size
    a, c, d = 1.0, 0.0, 0.0
    # states much closer together than the step ahead only extrapolate their own errors
    if known >= 3 and abs(w - at[0]) > 20.0 * abs(at[1] - at[2]):
        known = 2
    if known >= 2 and abs(w - at[0]) > 20.0 * abs(at[0] - at[1]):
        known = 1
    if known == 2:
        c = (w - at[0]) / (at[1] - at[0])
        a = 1.0 - c
    elif known >= 3:
        a = (w - at[1]) * (w - at[2]) / ((at[0] - at[1]) * (at[0] - at[2]))
        c = (w - at[0]) * (w - at[2]) / ((at[1] - at[0]) * (at[1] - at[2]))
        d = 1.0 - a - c
    for i in range(n):
        x[i] = a * history[0, i] + c * history[1, i] + d * history[2, i]


@inner
def _remember(history: Floats, at: Floats, known: int, w: float, x: Floats) -> int:
    for i in range(x.size):
        history[2, i] = history[1, i]
        history[1, i] = history[0, i]
        history[0, i] = x[i]
    at[2], at[1], at[0] = at[1], at[0], w
    return min(known + 1, 3)


@spliced
def _creep(
    b: Balance,
    x: Floats,
    history: Floats,
    at: Floats,
    known: int,
    start: float,
    stop: float,
    nodes: Floats,
    R: Floats,
    X: Floats,
    tolerance: float,
    factored: bool,
) -> tuple[int, float]:
    """Continue from start to stop, one grid interval, halving the step where Newton fails.

    Returns (known states, nan), or (known, frequency) of the fold that stopped it.
    """
    here, step = 0.0, 1.0  # position and step as fractions of the interval
    while here < 1.0:
        there = min(here + step, 1.0)
        target = stop if there == 1.0 else start + there * (stop - start)
        set_frequency(b, target, nodes, R, X)
        _predict(history, at, known, target, x)
        good = newton(b, x, tolerance, factored, ITERATIONS) == 1
        if good and distance(x, history[0]) < _LARGEST_CHANGE:
            known = _remember(history, at, known, target, x)
            here, factored = there, True
            step *= 2.0
        else:
            factored = False
            step *= 0.5
            known = min(known, 2)  # near a fold the parabola overshoots
            if step < _SMALLEST_STEP:
                return known, start + (here + step) * (stop - start)
    return known, math.nan


@spliced
def _arrive(
    b: Balance,
    x: Floats,
    w: float,
    ahead: float,
    nodes: Floats,
    R: Floats,
    X: Floats,
    tolerance: float,
    periods: int,
    from_rest: bool,
    trial: Floats,
) -> int:
    """State reached at w from rest, or after a jump from the motion x; codes of `settle`."""
    if from_rest:
        x[:] = 0.0
        if newton(b, x, tolerance, FRESH, ITERATIONS) == 1:
            return 1
        x[:] = 0.0
    if from_rest:
        return settle(b, x, w, tolerance, periods, trial)
    # Just past a fold the motion lingers, and the time step's own error may keep it there: let it
    # fall a little farther on, and come back along the branch it has reached.
    set_frequency(b, ahead, nodes, R, X)
    solved = settle(b, x, ahead, tolerance, periods, trial)
    set_frequency(b, w, nodes, R, X)
    if solved == 1:
        put(trial, x)
        solved = newton(b, x, tolerance, FRESH, ITERATIONS)
        if solved == 0:
            put(x, trial)
            solved = settle(b, x, w, tolerance, periods, trial)
    if solved == 0:
        # too few harmonics to agree with the time series, which may still ride the branch that this
        # balance has left: take the state that small amplitude leads to
        x[:] = 0.0
        solved = newton(b, x, tolerance, FRESH, MORE_ITERATIONS)
    return solved


@spliced
def sweep(
    b: Balance,
    w: Floats,
    nodes: Floats,
    R: Floats,
    X: Floats,
    rising: bool,
    tolerance: float,
    interpolation: float,
    every: int,
    periods: int,
    states: Floats,
    multiplier: Floats,
    jumps: Floats,
    status: NDArray[np.int64],
) -> None:
    """One slow sweep over the grid w (f,): states (f, n), multiplier (f,), jumps (j,), status (f,).

    Grid points are skipped while the parabola through the last three states predicts the next one
    within 15 ``interpolation``; its interpolation error inside is 1/15 of that (M7.15).
    """
    count, n = w.size, states.shape[1]
    x, guess = np.zeros(n), np.empty(n)
    history, at = np.zeros((3, n)), np.zeros(3)
    known, factored, jumped, stride = NONE, FRESH, 0, 1
    done, checked = -1, -every
    while done < count - 1:
        visit = min(done + stride, count - 1)
        i = visit if rising else count - 1 - visit
        before = max(done, 0) if rising else count - 1 - max(done, 0)
        error, solved = math.inf, 0
        if known >= 2 and factored:
            set_frequency(b, w[i], nodes, R, X)
            _predict(history, at, known, w[i], guess)
            put(x, guess)
            solved = newton(b, x, tolerance, factored, ITERATIONS)
            if solved == 1 and distance(x, history[0]) < _LARGEST_CHANGE:
                error = distance(x, guess)
            else:
                solved, factored = 0, False
        if visit - done > 1 and not error < 15.0 * interpolation:
            stride = (visit - done) // 2
            factored = factored and stride > 1
            if stride == 1:
                known = min(known, 2)
            continue
        if solved == 1:
            known = _remember(history, at, known, w[i], x)
        elif known > 0:
            known, fold = _creep(
                b, x, history, at, known, w[before], w[i], nodes, R, X, tolerance, FRESH
            )
            solved = 1 if math.isnan(fold) else 0
            if solved == 0 and jumped < jumps.size:
                jumps[jumped] = fold
                jumped += 1
            put(x, history[0])
        if solved == 0:
            set_frequency(b, w[i], nodes, R, X)
            ahead = w[i] * (1.01 if rising else 0.99)
            solved = _arrive(b, x, w[i], ahead, nodes, R, X, tolerance, periods, known == 0, guess)
            known = 0
            if solved == 1:
                known = _remember(history, at, 0, w[i], x)
        factored = solved == 1
        if solved == 1:
            put(states[i], x)
            for skipped in range(done + 1, visit):
                j = skipped if rising else count - 1 - skipped
                _predict(history, at, known, w[j], guess)
                put(states[j], guess)
            if every > 0 and visit >= checked + every:
                checked = visit
                set_frequency(b, w[i], nodes, R, X)
                multiplier[i] = largest_multiplier(b, x, w[i])
                if multiplier[i] > 1.0 + 1e-3:
                    status[i] = UNSTABLE
        else:
            states[i, :] = np.nan
            status[i] = ESCAPED if solved == -1 else UNCONVERGED
        stride = max(visit - done, 1)
        if known == 3 and error < interpolation:
            stride = min(2 * stride, _LARGEST_STRIDE)
        done = visit


@kernel
def sweep_rows(
    start: int,
    stop: int,
    rows: Rows,
    w: Floats,
    rising: NDArray[np.bool_],
    tolerance: float,
    interpolation: float,
    every: int,
    periods: Ints,
    states: Floats,
    multiplier: Floats,
    jumps: Floats,
    status: NDArray[np.int64],
) -> None:
    """`sweep` over a block of rows; every array leads with the row axis."""
    for row in range(start, stop):
        sweep(
            balance_of(rows, row),
            w[row],
            rows.nodes[row],
            rows.R[row],
            rows.X[row],
            rising[row],
            tolerance,
            interpolation,
            every,
            periods[row],
            states[row],
            multiplier[row],
            jumps[row],
            status[row],
        )
