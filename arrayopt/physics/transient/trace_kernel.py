"""Compiled time traces of one diaphragm with up to four coupled modes (M8.6)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.physics.numerics.compiled import inner, kernel


@inner
def _acceleration(
    q: NDArray[Any],
    v: NDArray[Any],
    volt: float,
    mass: NDArray[Any],
    damping: NDArray[Any],
    stiffness: NDArray[Any],
    push: NDArray[Any],
    quadratic: NDArray[Any],
    cubic: NDArray[Any],
    tension: NDArray[Any],
    out: NDArray[Any],
) -> None:
    """M8.6 written out with the full tensors."""
    modes = q.size
    for m in range(modes):
        force = push[m] * volt - damping[m] * v[m] - stiffness[m] * q[m]
        for a in range(modes):
            inner = volt * tension[m, a]
            for b in range(modes):
                deeper = quadratic[m, a, b]
                for c in range(modes):
                    deeper += cubic[m, a, b, c] * q[c]
                inner += deeper * q[b]
            force -= inner * q[a]
        out[m] = force / mass[m]


@kernel
def trace(
    drive: NDArray[Any],
    step: float,
    driven_steps: int,
    every: int,
    mass: NDArray[Any],
    damping: NDArray[Any],
    stiffness: NDArray[Any],
    push: NDArray[Any],
    quadratic: NDArray[Any],
    cubic: NDArray[Any],
    tension: NDArray[Any],
    out: NDArray[Any],
) -> None:
    """Fill ``out`` (displacement/velocity/acceleration, mode, sample) every ``every`` steps."""
    two_pi = 2.0 * math.pi
    modes = mass.size
    q, v = np.zeros(modes), np.zeros(modes)
    qs, vs = np.zeros(modes), np.zeros(modes)
    k = np.zeros((4, modes))
    l = np.zeros((4, modes))  # noqa: E741
    rate = (drive[1] - drive[0]) / drive[2]
    for n in range((out.shape[2] - 1) * every + 1):
        amplitude = drive[3] if n < driven_steps else 0.0
        for stage in range(4):
            part = 0.0 if stage == 0 else (1.0 if stage == 3 else 0.5)
            t = (n + part) * step
            volt = amplitude * math.cos(two_pi * (drive[0] + 0.5 * rate * t) * t + drive[4])
            for m in range(modes):
                before = 0 if stage == 0 else stage - 1
                qs[m] = q[m] + part * step * k[before, m]
                vs[m] = v[m] + part * step * l[before, m]
            for m in range(modes):
                k[stage, m] = vs[m]
            _acceleration(
                qs, vs, volt, mass, damping, stiffness, push, quadratic, cubic, tension, l[stage]
            )
            if stage == 0 and n % every == 0:
                for m in range(modes):
                    out[0, m, n // every] = q[m]
                    out[1, m, n // every] = v[m]
                    out[2, m, n // every] = l[0, m]
        for m in range(modes):
            q[m] += step / 6.0 * (k[0, m] + 2.0 * (k[1, m] + k[2, m]) + k[3, m])
            v[m] += step / 6.0 * (l[0, m] + 2.0 * (l[1, m] + l[2, m]) + l[3, m])
