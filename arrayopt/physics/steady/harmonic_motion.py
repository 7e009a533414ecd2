"""Motion in time of coupled modes: where a jump leads, and stability (M7.16, M7.17)."""

from __future__ import annotations

import math

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.numerics.compiled import inner
from arrayopt.physics.steady.harmonic_kernel import FEW_ITERATIONS, FRESH, Balance, newton

STEPS = 64  # time steps a drive period for Floquet multipliers
COARSE = 32  # and for jumps, where only the attractor matters; divides STEPS
_COS = np.cos(2.0 * math.pi * np.arange(STEPS) / STEPS)
_SIN = np.sin(2.0 * math.pi * np.arange(STEPS) / STEPS)
UNCONVERGED, UNSTABLE, ESCAPED = 2, 4, 8
_ESCAPE = 1e3  # of the length scale
_CHUNK = 8  # periods between looks at a transient


@inner
def _propagator(b: Balance, w: float, step: float, E: Floats, inertia: Floats) -> None:
    """Exact free motion of each damped mode over ``step``: E (m, 4), inertia 1 + added mass.

    Radiation enters by the diagonal at w: b.KL = k - w^2 - w X, b.CL = w (c + R). Its reactance is
    a mass, unless it would take half of the mode's away (the pull of a neck): then a stiffness.
    """
    for i in range(b.k.size):
        inertia[i] = (b.k[i] - b.KL[0, i, i]) / (w * w)
        k = b.k[i]
        if inertia[i] < 0.5:
            inertia[i], k = 1.0, b.KL[0, i, i] + w * w
        k, half = k / inertia[i], 0.5 * b.CL[0, i, i] / (w * inertia[i])
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


@inner
def _kick(
    q: Floats,
    v: Floats,
    cos: float,
    dt: float,
    inertia: Floats,
    pairs: Ints,
    weights: Floats,
    force: Floats,
    r: Floats,
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


@inner
def settle(b: Balance, x: Floats, w: float, tolerance: float, periods: int, trial: Floats) -> int:
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
        if newton(b, trial, tolerance, FRESH, FEW_ITERATIONS) == 1 and distance(trial, x) < 0.2:
            for a in range(n):
                x[a] = trial[a]
            return 1
    return 0


@inner
def distance(a: Floats, b: Floats) -> float:
    """Largest difference over largest entry."""
    gap, size = 0.0, 0.0
    for i in range(a.size):
        gap = max(gap, abs(a[i] - b[i]))
        size = max(size, abs(a[i]), abs(b[i]))
    return gap / (size + 1e-300)


@inner
def largest_multiplier(b: Balance, x: Floats, w: float) -> float:
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
