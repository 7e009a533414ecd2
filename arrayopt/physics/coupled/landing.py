"""Compiled slow flow of M9: envelopes of coupled cells until they rest (M9.4)."""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.physics.coupled.newton import (
    CONVERGED,
    STALLED,
    CoupledArrays,
    Workspace,
    dot,
    near,
    newton,
    residual,
)
from arrayopt.physics.numerics.compiled import inner

BEATS = 2
"""Beside `coupled_kernel.CONVERGED` and STALLED."""
RELAX_ERROR = 0.003
"""Share of the state that one step of the slow flow may correct: enough to keep to its basin."""
RELAX_LONGEST = 0.3
"""Longest step of the slow flow, of the shortest decay time of a cell's own envelope."""
RELAX_FINE = 0.1
"""The second half of the steps corrects this much less: a coarse flow can circle where it should
rest."""
RELAX_CHECK = 8
"""Steps of the slow flow between two looks for a rest point nearby."""
BEAT_BOUND = 0.3
"""Largest beat, rms over mean, that one steady tone may stand for; also how far, of a cell's
amplitude, the rest point inside it may lie from the mean."""


@inner
def relax(
    arrays: CoupledArrays,
    d: int,
    s: Workspace,
    x: Floats,
    scale: float,
    tolerance: float,
    limit: int,
) -> int:
    """Slow flow of the envelopes from x at a fixed frequency until it rests (M9.4), in place.

    Exponential two-stage scheme (Cox and Matthews 2002, ETD2RK) with each cell's own frequency
    and decay, frozen at the start of the step, integrated exactly. Where the envelopes beat and
    never rest, x becomes the rest point about which they do, where there is one near their mean, or
    else that mean, the tone that a narrow filter would read: BEATS. STALLED if they beat too much
    for it.
    """
    sites = s.loss.size
    r, first, end, trial = s.vector[2], s.vector[3], s.vector[4], s.vector[5]
    mean, spent, power = np.zeros(2 * sites), 0.0, 0.0
    rates, phi2 = s.alpha, s.beta  # Newton makes its own before it reads them
    force = scale * np.sqrt(dot(s.force, s.force))
    longest = np.inf
    for i in range(sites):
        longest = min(longest, RELAX_LONGEST * s.inertia[i] / s.loss[i])
    h = 0.1 * longest
    patience = RELAX_CHECK
    wait = patience
    for step in range(limit):
        late = 4 * step >= 3 * limit
        allowed = RELAX_ERROR if 2 * step < limit else RELAX_FINE * RELAX_ERROR
        residual(arrays, d, s, x, scale, r)
        size = dot(r, r)
        if not np.isfinite(size):
            return STALLED
        wait -= 1
        if wait <= 0 and size <= (3e-2 * force) ** 2:
            for i in range(2 * sites):
                trial[i] = x[i]
            if newton(arrays, d, s, trial, scale, tolerance, 0.1) == CONVERGED and near(
                trial, x, sites, 0.2
            ):
                for i in range(2 * sites):
                    x[i] = trial[i]
                return CONVERGED
            # slow without a rest point nearby: the remains of a fold, which take their time
            patience = min(2 * patience, 8 * RELAX_CHECK)
            wait = patience
        for i in range(sites):
            rate = _rate(arrays, d, s, x, i)
            # x' = -j r / (2 w m); first stage x + h phi1(rate h) x'
            slope = complex(r[sites + i], -r[i]) / s.inertia[i]
            z = rate * h
            grow = np.exp(z) - 1.0
            one = h * grow / z
            two = h * ((grow - z) / (z * z) if abs(z) > 1e-3 else 0.5 + z / 6.0)
            rates[i], rates[sites + i] = rate.real, rate.imag
            phi2[i], phi2[sites + i] = two.real, two.imag
            move = one * slope
            first[i], first[sites + i] = x[i] + move.real, x[sites + i] + move.imag
        residual(arrays, d, s, first, scale, end)
        error = 0.0
        for i in range(sites):
            rate = complex(rates[i], rates[sites + i])
            change = complex(end[sites + i] - r[sites + i], r[i] - end[i]) / s.inertia[i]
            moved = complex(first[i] - x[i], first[sites + i] - x[sites + i])
            move = complex(phi2[i], phi2[sites + i]) * (change - rate * moved)
            trial[i], trial[sites + i] = first[i] + move.real, first[sites + i] + move.imag
            error += move.real * move.real + move.imag * move.imag
        # the second stage measures the first one's error, and the step follows it
        ratio = np.sqrt(error / max(dot(trial, trial), 1e-300)) / allowed
        if ratio < 2.0:
            for i in range(2 * sites):
                x[i] = trial[i]
                if late:
                    mean[i] += h * x[i]
            if late:
                spent += h
                power += h * dot(x, x)
        h = min(h * min(max(0.9 / np.sqrt(max(ratio, 1e-6)), 0.3), 1.5), longest)
    if spent == 0.0:
        return STALLED
    for i in range(2 * sites):
        x[i] = mean[i] / spent
        trial[i] = x[i]
    if newton(arrays, d, s, trial, scale, tolerance, 0.3) == CONVERGED and near(
        trial, x, sites, BEAT_BOUND
    ):
        for i in range(2 * sites):
            x[i] = trial[i]
        return CONVERGED
    steady = dot(x, x)
    return BEATS if power / spent - steady <= BEAT_BOUND**2 * steady else STALLED


@inner
def _rate(arrays: CoupledArrays, d: int, s: Workspace, x: Floats, i: int) -> complex:
    """(j (d + 3/4 g |A|^2) - l) / (2 w m): a cell's own envelope rate (1/s)."""
    sites = s.loss.size
    size = x[i] * x[i] + x[sites + i] * x[sites + i]
    stiff = s.detuning[i] + 0.75 * arrays.cubic[d, arrays.site_group[i]] * size
    return complex(-s.loss[i], stiff) / s.inertia[i]
