"""States between those of a sweep, and the folds at which it jumps (M7.20).

Nothing is run on in time: a state comes by continuation from its neighbours. Where a fold lies
between them, it is located and its two sides become neighbours.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats
from arrayopt.physics.numerics.compiled import inner, kernel, spliced
from arrayopt.physics.numerics.vectors import put
from arrayopt.physics.steady.harmonic_kernel import (
    FRESH,
    ITERATIONS,
    Balance,
    Rows,
    balance_of,
    factor,
    jacobian,
    newton,
    residual,
    set_frequency,
    solve,
)
from arrayopt.physics.steady.harmonic_motion import distance

FAILED, FOUND, FOLD = 0, 1, 2
BESIDE = 2.5e-9
"""From a fold's frequency to where the state after it is taken, over the frequency."""

BETWEEN, TURN, PAST, EXACT = 0, 1, 2, 3
"""What a task asks for: the state at ``w``; the fold between two states; the state just past a fold
at ``w``, on the branch that the sweep jumped to; the state ``before`` solved to the end."""


class Tasks(NamedTuple):
    """Frequencies at which states are wanted, and what is known around (arrays only).

    In the order of the sweep: ``old`` and ``before`` precede ``w``, ``after`` follows.
    """

    kind: NDArray[np.int64]  # (task,)
    row: NDArray[np.int64]  # (task,)
    w: Floats  # (task,) rad/s
    w_old: Floats
    w_before: Floats
    w_after: Floats
    old: Floats  # (task, unknown)
    before: Floats
    after: Floats
    ends: NDArray[np.bool_]  # (task,) the state after is the fold itself: changes like a root
    exact: NDArray[np.bool_]  # (task,) all three states are solved to the end


_EXACT: float = np.float64(1e-9)
_NEAR = 0.02  # of the state: a guess that is farther off may have crossed a fold
_INSIDE = 0.1  # of the difference of two neighbours: the same
_SMOOTH = 3e-3  # change over three states whose parabola is good to 1e-9: its third power
_LEAST = 1.0 / 64.0  # of the way, at which continuation ends
_CLOSE = 0.4  # states that differ by more are not both on one branch for certain
_STRAIGHT = 0.1  # a state that is farther from its prediction may be on another branch
_FOLD_STEPS = 80
_FOLD_TOLERANCE = 1e-7  # of the step in which the branch turns


@inner
def state_at(b: Balance, x: Floats, w: float, nodes: Floats, R: Floats, X: Floats) -> bool:
    """Solve for x at w from the guess that it holds."""
    set_frequency(b, w, nodes, R, X)
    return newton(b, x, _EXACT, FRESH, ITERATIONS) == 1


@inner
def _creep(
    b: Balance,
    from_x: Floats,
    from_w: float,
    w: float,
    nodes: Floats,
    R: Floats,
    X: Floats,
    x: Floats,
) -> bool:
    """Continue from a state to w, in steps halved where the state would change by too much."""
    here, before, guess = np.empty(x.size), np.empty(x.size), np.empty(x.size)
    put(here, from_x)
    put(before, from_x)
    at, at_before = from_w, math.nan
    step = w - from_w
    while True:
        to = w if abs(step) >= abs(w - at) else at + step
        ratio = (to - at) / (at - at_before)
        if not abs(ratio) < 8.0:  # also true of nan
            ratio = 0.0
        for i in range(x.size):
            guess[i] = here[i] + ratio * (here[i] - before[i])
            x[i] = guess[i]
        if state_at(b, x, to, nodes, R, X) and distance(x, guess) < _NEAR:
            if to == w:
                return True
            put(before, here)
            put(here, x)
            at_before, at = at, to
            step *= 2.0
        else:
            step *= 0.5
            if abs(step) < _LEAST * abs(w - from_w):
                return False


@inner
def _on_curve(
    b: Balance, x: Floats, w: float, held: int, nodes: Floats, R: Floats, X: Floats, slope: Floats
) -> float:
    """Solve for w and all of x but one entry, regular at folds too; nan where that fails."""
    m = b.k.size
    wide = 1.0 + 1e-6
    for _ in range(10):
        set_frequency(b, wide * w, nodes, R, X)
        residual(
            x, b.basis, b.fourier, b.pairs, b.place, b.k, b.secant_weights, b.force, b.KL, b.CL,
            b.features, b.coefficients, b.secant, b.nonlinear, b.spectrum, b.r,
        )  # fmt: skip
        put(slope, b.r)
        set_frequency(b, w, nodes, R, X)
        residual(
            x, b.basis, b.fourier, b.pairs, b.place, b.k, b.secant_weights, b.force, b.KL, b.CL,
            b.features, b.coefficients, b.secant, b.nonlinear, b.spectrum, b.r,
        )  # fmt: skip
        for i in range(x.size):
            slope[i] = (slope[i] - b.r[i]) / ((wide - 1.0) * w)
        jacobian(
            b.place, b.k, b.tangent_weights, b.KL, b.CL, b.features, b.fourier, b.tangent,
            b.spectrum, b.A,
        )  # fmt: skip
        if factor(b.A, m) == 0.0:
            w *= 1.0 + 1e-12  # exactly on a fold
            continue
        solve(b.A, m, b.r)
        solve(b.A, m, slope)
        dw = -b.r[held] / slope[held]
        change, size = 0.0, 1e-300
        for i in range(x.size):
            if i != held:
                step = b.r[i] + dw * slope[i]
                x[i] -= step
                change = max(change, abs(step))
            size = max(size, abs(x[i]))
        w += dw
        change = max(change / size, abs(dw / w))
        if change < 1e-8:
            return w
        if not change < 1.0:
            return math.nan
    return math.nan


@inner
def _most_changed(x: Floats, y: Floats) -> int:
    """Entry in which two states differ most."""
    most = 0
    for i in range(x.size):
        if abs(x[i] - y[i]) > abs(x[most] - y[most]):
            most = i
    return most


@spliced
def _find_fold(
    b: Balance,
    x_old: Floats,
    w_old: float,
    x_now: Floats,
    w_now: float,
    w_end: float,
    nodes: Floats,
    R: Floats,
    X: Floats,
    fold: Floats,
) -> tuple[int, float]:
    """Frequency at which the branch turns back between a state and w_end, and the state there.

    ``x_old``, ``x_now``: two states of the sweep before. FOUND with nan: none before w_end.
    """
    n = x_now.size
    if w_old == w_now:
        return FAILED, w_now
    rising = 1.0 if w_end > w_now else -1.0
    p, w = np.empty((3, n)), np.empty(3)
    put(p[1], x_now)
    w[1] = w_now
    stride = 0.25
    put(p[0], x_old)
    w[0] = w_old
    if distance(x_old, x_now) > _CLOSE:  # the sweep jumped in between: go back a little
        stride, w[0] = 1.0, w_now + 0.25 * (w_old - w_now)
        put(p[0], x_now)
        if not state_at(b, p[0], w[0], nodes, R, X) or distance(p[0], x_now) > _CLOSE:
            return FAILED, w_now
    slope = np.empty(n)
    turned = False
    for _ in range(_FOLD_STEPS):
        held = _most_changed(p[0], p[1])
        for i in range(n):
            fold[i] = p[1, i] + stride * (p[1, i] - p[0, i])
        put(p[2], fold)
        to = w[1] + stride * (w[1] - w[0])
        w[2] = _on_curve(b, p[2], to, held, nodes, R, X, slope)
        if not distance(p[2], fold) < _STRAIGHT or math.isnan(w[2]):
            stride *= 0.5
            if stride < 1e-3:
                return FAILED, w_now
            continue
        turned = rising * (p[2, held] - p[1, held]) / slope[held] >= 0.0
        if turned:
            break
        if rising * (w[2] - w_end) > 0.0:
            return FOUND, w_now
        put(p[0], p[1])
        put(p[1], p[2])
        w[0], w[1] = w[1], w[2]
        stride = 1.5
    if not turned:
        return FAILED, w_now
    # the derivative of the frequency by the held entry passes zero: secants, kept inside
    rate = 1.0 / slope[held]
    put(fold, p[1])
    at = _on_curve(b, fold, w[1], held, nodes, R, X, slope)
    low, high, rate_low, rate_high = 0.0, 1.0, 1.0 / slope[held], rate
    last, side = 1.0, 0
    for _ in range(_FOLD_STEPS):
        if math.isnan(at) or not rate_low * rate_high < 0.0:
            return FAILED, w_now
        share = low + (high - low) * rate_low / (rate_low - rate_high)
        if abs(share - last) < _FOLD_TOLERANCE:
            break
        last = share
        for i in range(n):
            fold[i] = p[1, i] + share * (p[2, i] - p[1, i])
        at = _on_curve(b, fold, at, held, nodes, R, X, slope)
        rate = 1.0 / slope[held]
        if rate * rate_low > 0.0:
            low, rate_low = share, rate
            rate_high *= 0.5 if side == 1 else 1.0
            side = 1
        else:
            high, rate_high = share, rate
            rate_low *= 0.5 if side == 2 else 1.0
            side = 2
    return (FOLD, at) if rising * (w_end - at) > BESIDE * at else (FOUND, w_now)


@spliced
def _before_fold(
    b: Balance,
    before: Floats,
    w_before: float,
    fold: Floats,
    w_fold: float,
    w: float,
    nodes: Floats,
    R: Floats,
    X: Floats,
    x: Floats,
) -> bool:
    """State so near a fold that the balance at w alone is all but singular: along the curve."""
    held, slope = _most_changed(before, fold), np.empty(x.size)
    share = math.sqrt((w - w_fold) / (w_before - w_fold))
    for _ in range(10):
        for i in range(x.size):
            x[i] = fold[i] + share * (before[i] - fold[i])
        at = _on_curve(b, x, w, held, nodes, R, X, slope)
        ratio = (w - w_fold) / (at - w_fold)
        if abs(ratio - 1.0) < 1e-5:
            return True
        if not 0.01 < ratio < 100.0:  # also true of nan
            return False
        share *= math.sqrt(ratio)
    return False


@spliced
def _solve(
    b: Balance,
    kind: int,
    ends: bool,
    exact: bool,
    w: float,
    w_old: float,
    w_before: float,
    w_after: float,
    old: Floats,
    before: Floats,
    after: Floats,
    nodes: Floats,
    R: Floats,
    X: Floats,
    x: Floats,
) -> tuple[int, float]:
    """One of the `Tasks`, in the units of the balance."""
    if kind == PAST:
        w += math.copysign(BESIDE * w, w_after - w)
        return (FOUND if _creep(b, after, w_after, w, nodes, R, X, x) else FAILED), w
    if kind != TURN:
        share, reach = 0.0, _NEAR
        if kind == BETWEEN:
            share = (w - w_before) / (w_after - w_before)
            if ends:
                share = 1.0 - math.sqrt(1.0 - share)
            reach = min(_NEAR, _INSIDE * distance(before, after) + 1e-6)
        bend = ratio = 0.0
        if kind == BETWEEN and not ends and w_old != w_before:
            ratio = (w_old - w_before) / (w_after - w_before)
            # the parabola through all three, where they are about as far apart
            bend = (w - w_before) * (w - w_after) / ((w_old - w_before) * (w_old - w_after))
            if abs(bend) > 1.0 or distance(old, before) > _CLOSE:
                bend = 0.0
        guess = np.empty(x.size)
        for i in range(x.size):
            change = after[i] - before[i]
            guess[i] = before[i] + share * change + bend * (old[i] - before[i] - ratio * change)
            x[i] = guess[i]
        if exact and bend != 0.0 and distance(old, after) < _SMOOTH:
            return FOUND, w
        if state_at(b, x, w, nodes, R, X) and distance(x, guess) < reach:
            return FOUND, w
        if kind == EXACT:
            return FAILED, w
        if ends and _before_fold(b, before, w_before, after, w_after, w, nodes, R, X, x):
            return FOUND, w
        if _creep(b, before, w_before, w, nodes, R, X, x):
            return FOUND, w
    if not ends:
        code, at = _find_fold(b, old, w_old, before, w_before, w_after, nodes, R, X, x)
        if code == FOLD or kind == TURN:
            return code, at
    return (FOUND if _creep(b, after, w_after, w, nodes, R, X, x) else FAILED), w


@kernel
def solve_tasks(
    start: int,
    stop: int,
    rows: Rows,
    tasks: Tasks,
    code: NDArray[np.int64],
    found: Floats,
    state: Floats,
) -> None:
    """Fill in ``code``, frequency [rad/s] and state of a block of tasks.

    FOUND, FAILED, or FOLD: a fold lies between, and its own frequency and state are given.
    """
    for task in range(start, stop):
        row = tasks.row[task]
        unit = rows.unit[row]
        code[task], at = _solve(
            balance_of(rows, row), tasks.kind[task], tasks.ends[task], tasks.exact[task],
            tasks.w[task] / unit, tasks.w_old[task] / unit, tasks.w_before[task] / unit,
            tasks.w_after[task] / unit,
            tasks.old[task], tasks.before[task], tasks.after[task],
            rows.nodes[row], rows.R[row], rows.X[row], state[task],
        )  # fmt: skip
        found[task] = at * unit
