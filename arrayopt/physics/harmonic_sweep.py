"""Compiled sweeps over the harmonic balance: continuation, jumps, stability (M7.15 to M7.17)."""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from arrayopt.physics.harmonic_kernel import FAST, Array, Balance, Index, newton

STEPS = 64  # time steps a drive period for Floquet multipliers
COARSE = 32  # and for jumps, where only the attractor matters; divides STEPS
_COS = np.cos(2.0 * math.pi * np.arange(STEPS) / STEPS)
_SIN = np.sin(2.0 * math.pi * np.arange(STEPS) / STEPS)
UNCONVERGED, UNSTABLE, ESCAPED = 2, 4, 8
_SMALLEST_STEP = 1.0 / 256.0  # of a grid interval: resolution of a jump frequency
_LARGEST_CHANGE = 0.4  # of the state in one accepted step; more is taken for a jump and bisected
_ESCAPE = 1e3  # of the length scale
_LARGEST_STRIDE = 16  # grid points
_CHUNK = 8  # periods between looks at a transient


@njit(cache=True, error_model="numpy")
def _set_frequency(b: Balance, w: float, lower: int, fraction: float, R: Array, X: Array) -> None:
    """b.KL, b.CL <- dynamic stiffness of every harmonic at w, radiation between grid points."""
    KL, CL, k, c = b.KL, b.CL, b.k, b.c
    harmonics, m = KL.shape[0], k.size
    upper = min(lower + 1, max(R.shape[0] - 1, 0))
    for h in range(harmonics):
        hw = (h + 1) * w
        for i in range(m):
            for j in range(m):
                KL[h, i, j] = 0.0
                CL[h, i, j] = 0.0
                if R.shape[0] > 0:
                    r = R[lower, h, i, j] + fraction * (R[upper, h, i, j] - R[lower, h, i, j])
                    x = X[lower, h, i, j] + fraction * (X[upper, h, i, j] - X[lower, h, i, j])
                    KL[h, i, j] = -hw * x
                    CL[h, i, j] = hw * r
            KL[h, i, i] += k[i] - hw * hw
            CL[h, i, i] += hw * c[i]


@njit(cache=True, error_model="numpy")
def _propagator(b: Balance, w: float, step: float, E: Array, inertia: Array) -> None:
    """Exact free motion of each damped mode over ``step``: E (m, 4), inertia 1 + added mass.

    Radiation enters by the diagonal at w: b.KL = k - w^2 - w X, b.CL = w (c + R).
    """
    for i in range(b.k.size):
        inertia[i] = (b.k[i] - b.KL[0, i, i]) / (w * w)
        k, half = b.k[i] / inertia[i], 0.5 * b.CL[0, i, i] / (w * inertia[i])
        square = k - half * half
        decay = math.exp(-half * step)
        if square > 0.0:
            root = math.sqrt(square)
            cos, sin = math.cos(root * step), math.sin(root * step) / root
        else:
            root = math.sqrt(-square)
            cos = math.cosh(root * step)
            sin = math.sinh(root * step) / root if root > 0.0 else step
        E[i, 0], E[i, 1] = decay * (cos + half * sin), decay * sin
        E[i, 2], E[i, 3] = -decay * k * sin, decay * (cos - half * sin)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _kick(
    q: Array,
    v: Array,
    cos: float,
    dt: float,
    inertia: Array,
    pairs: Index,
    weights: Array,
    force: Array,
    r: Array,
) -> None:
    """v += dt times the nonlinear, parametric and driving forces at drive phase cosine ``cos``."""
    m = q.size
    count = pairs.shape[0]
    for i in range(m):
        r[i] = force[i] * cos
    for s in range(count):
        secant = weights[s, 0] * cos
        for p in range(m):
            secant += weights[s, 1 + p] * q[p]
        for k in range(count):
            secant += weights[s, 1 + m + k] * q[pairs[k, 0]] * q[pairs[k, 1]]
        i, j = pairs[s, 0], pairs[s, 1]
        r[i] -= secant * q[j]
        if i != j:
            r[j] -= secant * q[i]
    for i in range(m):
        v[i] += dt * r[i] / inertia[i]


@njit(cache=True, error_model="numpy")
def settle(b: Balance, x: Array, w: float, tolerance: float, periods: int, trial: Array) -> int:
    """Let the motion x run on in time at w until it reaches a steady state: M7.17.

    Second-order splitting: the linear motion exactly, forces as kicks. Every few periods the last
    one is projected on the harmonics and polished by Newton; a result close to it is the state.
    x is overwritten. Returns 1 found, 0 not within ``periods``, -1 escaped.
    """
    m, harmonics = b.k.size, b.KL.shape[0]
    n = x.size
    pairs, weights, force, r = b.pairs, b.secant_weights, b.force, b.r
    E, inertia = np.empty((m, 4)), np.empty(m)
    q, v = np.empty(m), np.zeros(m)
    dt = 2.0 * math.pi / (w * COARSE)
    stride = STEPS // COARSE
    _propagator(b, w, dt, E, inertia)
    for i in range(m):
        q[i] = x[i]
        for h in range(harmonics):
            at = m + 2 * (h * m + i)
            q[i] += x[at]
            v[i] += (h + 1) * w * x[at + 1]
    done = 0
    while done < periods:
        for period in range(_CHUNK):
            record = period == _CHUNK - 1
            if record:
                for a in range(n):
                    x[a] = 0.0
            for step in range(COARSE):
                if record:
                    for i in range(m):
                        x[i] += q[i] / COARSE
                        for h in range(harmonics):
                            at = m + 2 * (h * m + i)
                            turn = (h + 1) * step * stride % STEPS
                            x[at] += 2.0 / COARSE * q[i] * _COS[turn]
                            x[at + 1] += 2.0 / COARSE * q[i] * _SIN[turn]
                # the half kicks at both ends of a step merge into one at its beginning
                _kick(q, v, _COS[step * stride], dt, inertia, pairs, weights, force, r)
                for i in range(m):
                    q[i], v[i] = E[i, 0] * q[i] + E[i, 1] * v[i], E[i, 2] * q[i] + E[i, 3] * v[i]
        done += _CHUNK
        for i in range(m):
            if not abs(q[i]) < _ESCAPE:  # also true of nan
                return -1
        for a in range(n):
            trial[a] = x[a]
        if newton(b, trial, tolerance, False, 6) == 1 and _distance(trial, x) < 0.2:
            for a in range(n):
                x[a] = trial[a]
            return 1
    return 0


@njit(cache=True, error_model="numpy")
def _distance(a: Array, b: Array) -> float:
    """Largest difference over largest entry."""
    gap, size = 0.0, 0.0
    for i in range(a.size):
        gap = max(gap, abs(a[i] - b[i]))
        size = max(size, abs(a[i]), abs(b[i]))
    return gap / (size + 1e-300)


@njit(cache=True, error_model="numpy")
def largest_multiplier(b: Balance, x: Array, w: float) -> float:
    """Modulus of the largest Floquet multiplier of the periodic motion x at w (M7.16).

    The variational equation is stepped by the splitting of `settle`; the spectral radius comes from
    2^14 repetitions of the period by squaring, so it is good to about 1e-3 of log(condition).
    """
    m, harmonics = b.k.size, b.KL.shape[0]
    n = 2 * m
    pairs, weights = b.pairs, b.tangent_weights
    dt = 2.0 * math.pi / (w * STEPS)
    E, inertia, q = np.empty((m, 4)), np.empty(m), np.empty(m)
    _propagator(b, w, dt, E, inertia)
    phi, power = np.zeros((n, n)), np.empty((n, n))
    for a in range(n):
        phi[a, a] = 1.0
    K = np.empty((m, m))
    for step in range(STEPS):
        # drift half, kick with the tangent stiffness of the midpoint, drift half: two drifts merge,
        # so the kicks sit at whole steps and the monodromy matrix is taken between half drifts
        for i in range(m):
            q[i] = x[i]
            for h in range(harmonics):
                at = m + 2 * (h * m + i)
                turn = (h + 1) * step % STEPS
                q[i] += x[at] * _COS[turn] + x[at + 1] * _SIN[turn]
        for s in range(pairs.shape[0]):
            value = weights[s, 0] * _COS[step]
            for p in range(m):
                value += weights[s, 1 + p] * q[p]
            for k in range(pairs.shape[0]):
                value += weights[s, 1 + m + k] * q[pairs[k, 0]] * q[pairs[k, 1]]
            K[pairs[s, 0], pairs[s, 1]] = value
            K[pairs[s, 1], pairs[s, 0]] = value
        for a in range(n):
            for i in range(m):
                pull = 0.0
                for j in range(m):
                    pull += K[i, j] * phi[j, a]
                phi[m + i, a] -= dt * pull / inertia[i]
            for i in range(m):
                p, r = phi[i, a], phi[m + i, a]
                phi[i, a] = E[i, 0] * p + E[i, 1] * r
                phi[m + i, a] = E[i, 2] * p + E[i, 3] * r
    logarithm = 0.0
    for doubling in range(15):
        size = 0.0
        for a in range(n):
            for c in range(n):
                size = max(size, abs(phi[a, c]))
        if size == 0.0:
            return 0.0
        logarithm += math.log(size) / 2.0**doubling
        for a in range(n):
            for c in range(n):
                phi[a, c] /= size
        for a in range(n):
            for c in range(n):
                total = 0.0
                for d in range(n):
                    total += phi[a, d] * phi[d, c]
                power[a, c] = total
        phi, power = power, phi
    return math.exp(logarithm)


@njit(cache=True, error_model="numpy")
def _predict(history: Array, at: Array, known: int, w: float, x: Array) -> None:
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


@njit(cache=True, error_model="numpy")
def _remember(history: Array, at: Array, known: int, w: float, x: Array) -> int:
    for i in range(x.size):
        history[2, i] = history[1, i]
        history[1, i] = history[0, i]
        history[0, i] = x[i]
    at[2], at[1], at[0] = at[1], at[0], w
    return min(known + 1, 3)


@njit(cache=True, error_model="numpy")
def _creep(
    b: Balance,
    x: Array,
    history: Array,
    at: Array,
    known: int,
    start: float,
    stop: float,
    lower: int,
    rising: bool,
    R: Array,
    X: Array,
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
        _set_frequency(b, target, lower, there if rising else 1.0 - there, R, X)
        _predict(history, at, known, target, x)
        good = newton(b, x, tolerance, factored, 12) == 1
        if good and _distance(x, history[0]) < _LARGEST_CHANGE:
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


@njit(cache=True, error_model="numpy")
def _arrive(
    b: Balance,
    x: Array,
    w: float,
    ahead: float,
    i: int,
    R: Array,
    X: Array,
    tolerance: float,
    periods: int,
    from_rest: bool,
    trial: Array,
) -> int:
    """State reached at w from rest, or after a jump from the motion x; codes of `settle`."""
    if from_rest:
        x[:] = 0.0
        if newton(b, x, tolerance, False, 12) == 1:
            return 1
        x[:] = 0.0
    if from_rest:
        return settle(b, x, w, tolerance, periods, trial)
    # Just past a fold the motion lingers, and the time step's own error may keep it there: let it
    # fall a little farther on, and come back along the branch it has reached.
    _set_frequency(b, ahead, i, 0.0, R, X)
    solved = settle(b, x, ahead, tolerance, periods, trial)
    _set_frequency(b, w, i, 0.0, R, X)
    if solved == 1:
        trial[:] = x
        solved = newton(b, x, tolerance, False, 12)
        if solved == 0:
            x[:] = trial
            solved = settle(b, x, w, tolerance, periods, trial)
    if solved == 0:
        # too few harmonics to agree with the time series, which may still ride the branch that this
        # balance has left: take the state that small amplitude leads to
        x[:] = 0.0
        solved = newton(b, x, tolerance, False, 20)
    return solved


@njit(cache=True, error_model="numpy")
def sweep(
    b: Balance,
    w: Array,
    R: Array,
    X: Array,
    rising: bool,
    tolerance: float,
    interpolation: float,
    every: int,
    periods: int,
    states: Array,
    multiplier: Array,
    jumps: Array,
    status: NDArray[np.int64],
) -> None:
    """One slow sweep over the grid w (f,): states (f, n), multiplier (f,), jumps (j,), status (f,).

    Grid points are skipped while the parabola through the last three states predicts the next one
    within 15 ``interpolation``; its interpolation error inside is 1/15 of that (M7.15).
    """
    count, n = w.size, states.shape[1]
    x, guess = np.zeros(n), np.empty(n)
    history, at = np.zeros((3, n)), np.zeros(3)
    known, factored, jumped, stride = 0, False, 0, 1
    done, checked = -1, -every
    while done < count - 1:
        visit = min(done + stride, count - 1)
        i = visit if rising else count - 1 - visit
        before = max(done, 0) if rising else count - 1 - max(done, 0)
        error, solved = math.inf, 0
        if known >= 2 and factored:
            _set_frequency(b, w[i], i, 0.0, R, X)
            _predict(history, at, known, w[i], guess)
            x[:] = guess
            solved = newton(b, x, tolerance, True, 12)
            if solved == 1 and _distance(x, history[0]) < _LARGEST_CHANGE:
                error = _distance(x, guess)
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
            lower = min(i, before)
            known, fold = _creep(
                b, x, history, at, known, w[before], w[i], lower, rising, R, X, tolerance, False
            )
            solved = 1 if math.isnan(fold) else 0
            if solved == 0 and jumped < jumps.size:
                jumps[jumped] = fold
                jumped += 1
            x[:] = history[0]
        if solved == 0:
            _set_frequency(b, w[i], i, 0.0, R, X)
            ahead = w[i] * (1.01 if rising else 0.99)
            solved = _arrive(b, x, w[i], ahead, i, R, X, tolerance, periods, known == 0, guess)
            known = 0
            if solved == 1:
                known = _remember(history, at, 0, w[i], x)
        factored = solved == 1
        if solved == 1:
            states[i] = x
            for skipped in range(done + 1, visit):
                j = skipped if rising else count - 1 - skipped
                _predict(history, at, known, w[j], guess)
                states[j] = guess
            if every > 0 and visit >= checked + every:
                checked = visit
                _set_frequency(b, w[i], i, 0.0, R, X)
                multiplier[i] = largest_multiplier(b, x, w[i])
                if multiplier[i] > 1.0 + 1e-3:
                    status[i] = UNSTABLE
        else:
            states[i] = np.nan
            status[i] = ESCAPED if solved == -1 else UNCONVERGED
        stride = max(visit - done, 1)
        if known == 3 and error < interpolation:
            stride = min(2 * stride, _LARGEST_STRIDE)
        done = visit


@njit(cache=True, error_model="numpy", parallel=True)
def sweep_rows(
    basis: Array,
    fourier: Array,
    pairs: Index,
    place: Index,
    k: Array,
    c: Array,
    secant_weights: Array,
    tangent_weights: Array,
    force: Array,
    w: Array,
    R: Array,
    X: Array,
    rising: NDArray[np.bool_],
    tolerance: float,
    interpolation: float,
    every: int,
    periods: int,
    states: Array,
    multiplier: Array,
    jumps: Array,
    status: NDArray[np.int64],
) -> None:
    """`sweep` over rows in parallel; every array but the first four leads with the row axis."""
    m = k.shape[1]
    harmonics = (states.shape[2] // m - 1) // 2
    padded, samples = basis.shape
    orders, n = fourier.shape[1], states.shape[2]
    pair, feature = secant_weights.shape[1:]
    for row in prange(k.shape[0]):
        features = np.zeros((feature, samples))
        features[0] = basis[1]
        b = Balance(
            basis,
            fourier,
            pairs,
            place,
            k[row],
            c[row],
            secant_weights[row],
            tangent_weights[row],
            force[row],
            np.empty((harmonics, m, m)),
            np.empty((harmonics, m, m)),
            features,
            np.zeros((m, padded)),
            np.empty((pair, samples)),
            np.empty((pair, samples)),
            np.empty((pair, orders)),
            np.empty((m, samples)),
            np.empty((n, n)),
            np.empty(n),
        )
        sweep(
            b,
            w[row],
            R[row],
            X[row],
            rising[row],
            tolerance,
            interpolation,
            every,
            periods,
            states[row],
            multiplier[row],
            jumps[row],
            status[row],
        )
