"""Steady states of one mode in closed form (M6, M7): branches and onset of bistability.

m x'' + c x' + k1 x + g x^3 = F cos wt, one harmonic: x = Re(A e^{jwt}), X = |A|^2,

    X [(d + 3/4 g X)^2 + l^2] = F^2,   d = k1 - w^2 m,   l = w c.                        (M7.1)

The scalar functions re-exported here are compiled and inline into callers' kernels.
Validity: the response is one harmonic of one mode. Against a nine-harmonic balance the jump-down
frequency is 0.1 to 0.3 % low where 3/4 g X/k1 at the peak is 0.5 to 2 (docs/models/M6-steady.md).
"""

from __future__ import annotations

import math
from enum import IntFlag
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Floats
from arrayopt.physics.steady.steady_kernel import (
    amplitude_row,
    amplitude_rows,
    amplitude_squared,
    state_count,
)

__all__ = [
    "SteadyAmplitude",
    "SteadyStatus",
    "amplitude_row",
    "amplitude_rows",
    "amplitude_squared",
    "effective_cubic",
    "onset_force",
    "onset_frequency",
    "state_count",
    "steady_amplitude",
]

_ONSET = 256.0 / (9.0 * math.sqrt(3.0))  # gamma F_c^2 / (zeta w_c)^3, M7.4
_QUADRATIC_LIMIT = 0.15
_SOFTENING_ONSET_DAMPING = 1.0 / 3.0


class SteadyStatus(IntFlag):
    """What is wrong with a one-mode steady state; 0 means nothing."""

    OK = 0
    INVALID = 1
    """Mass, damping, stiffness or frequency not positive, force negative or not finite: nan."""
    BEYOND_SOFTENING = 2
    """3/4 |g| X > k1/2 when softening: past the largest power the softening branch can take up. A
    sweep from rest never gets there, or escapes over the potential barrier; do not use it."""
    NOT_WEAKLY_QUADRATIC = 4
    """|k2| amplitude > 0.15 k1, or a second equilibrium (k2^2 > 4 k1 k3): the effective cubic
    misses the frequency shift by more than about 5 %; use the multi-harmonic balance."""


class SteadyAmplitude(NamedTuple):
    """Complex displacement amplitudes of a sweep and their status."""

    amplitude: NDArray[np.complex128]
    status: NDArray[np.int64]


def effective_cubic(
    k1: ArrayLike, *, k2: ArrayLike, k3: ArrayLike, amplitude: ArrayLike = 0.0
) -> tuple[Floats, NDArray[np.int64]]:
    """Cubic coefficient that gives the same frequency shift as k2 x^2 + k3 x^3 (M7.5).

    Parameters
    ----------
    k1, k2, k3 : arrays, broadcast: stiffnesses of x, x^2, x^3 [N/m, N/m^2, N/m^3].
    amplitude : displacement the coefficient is used for [m]; 0 skips that part of the check.

    Returns
    -------
    cubic : k3 - 10/9 k2^2/k1 [N/m^3].
    status : SteadyStatus, NOT_WEAKLY_QUADRATIC where |k2| amplitude > 0.15 k1 (the neglected terms
        are of relative order (k2 A/k1)^2, and 5 % of |k3| + 10/9 k2^2/k1 at that limit), or where
        k3 > 0 and k2^2 > 4 k1 k3 (a second equilibrium).

    References
    ----------
    Nayfeh & Mook, Nonlinear Oscillations (1979), section 2.3 (from memory).
    """
    k1, k2, k3, amplitude = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in (k1, k2, k3, amplitude))
    )
    cubic = k3 - (10.0 / 9.0) * k2**2 / k1
    strong = (np.abs(k2 * amplitude) > _QUADRATIC_LIMIT * k1) | ((k3 > 0) & (k2**2 > 4 * k1 * k3))
    status = np.where(strong, int(SteadyStatus.NOT_WEAKLY_QUADRATIC), 0)
    invalid = ~(np.isfinite(cubic) & np.isfinite(amplitude) & (k1 > 0))
    return np.asarray(np.where(invalid, np.nan, cubic)), np.where(
        invalid, int(SteadyStatus.INVALID), status
    )


def _onset_damping_and_frequency(
    m: Floats, c: Floats, k1: Floats, g: Floats
) -> tuple[Floats, Floats]:
    zeta = c / (2.0 * np.sqrt(k1 * m))
    root = math.sqrt(3.0) * zeta
    ratio = np.where(g >= 0, root + np.sqrt(1.0 + root**2), 1.0 / (root + np.sqrt(1.0 + root**2)))
    exists = (g > 0) | ((g < 0) & (zeta < _SOFTENING_ONSET_DAMPING))
    return zeta, np.where(exists, ratio, np.inf)


def onset_force(m: ArrayLike, *, c: ArrayLike, k1: ArrayLike, g: ArrayLike) -> Floats:
    """Force amplitude at which a mode first becomes bistable, exact for one harmonic (M7.4).

    Parameters
    ----------
    m, c, k1, g : arrays, broadcast: mass [kg], damping [N s/m], stiffness [N/m], effective cubic
        [N/m^3], constant over the sweep.

    Returns
    -------
    force [N]; inf where no force makes a resonance bistable: g = 0, or softening with
    zeta = c/(2 sqrt(k1 m)) >= 1/3.

    Equation: |g| F^2/k1^3 = 256/(9 sqrt3) (zeta r)^3 with r = sqrt(1 + 3 zeta^2) + sqrt3 zeta when
    hardening, and - sqrt3 zeta when softening.
    Without the factor r^3 it is the textbook weak limit (Lifshitz & Cross 2008, from memory).
    """
    m, c, k1, g = (np.asarray(x, dtype=float) for x in (m, c, k1, g))
    zeta, ratio = _onset_damping_and_frequency(m, c, k1, g)
    with np.errstate(divide="ignore", invalid="ignore"):
        force = np.sqrt(_ONSET * (zeta * ratio) ** 3 * k1**3 / np.abs(g))
    return np.asarray(np.where(np.isinf(ratio), np.inf, force))


def onset_frequency(m: ArrayLike, *, c: ArrayLike, k1: ArrayLike, g: ArrayLike) -> Floats:
    """Angular frequency [rad/s] at which bistability first appears (M7.4); nan where it never does.

    Parameters as for `onset_force`.
    """
    m, c, k1, g = (np.asarray(x, dtype=float) for x in (m, c, k1, g))
    _, ratio = _onset_damping_and_frequency(m, c, k1, g)
    return np.asarray(np.where(np.isinf(ratio), np.nan, ratio * np.sqrt(k1 / m)))


def steady_amplitude(
    angular_frequency: ArrayLike,
    *,
    mass: ArrayLike,
    damping: ArrayLike,
    stiffness: ArrayLike,
    cubic: ArrayLike,
    force: ArrayLike,
    sweep_up: ArrayLike = True,
) -> SteadyAmplitude:
    """Displacement amplitude of one mode along slow sweeps in frequency (M7.1).

    Parameters
    ----------
    angular_frequency : (..., f) [rad/s]; the last axis is the frequency axis.
    mass, damping, stiffness : broadcast with it [kg, N s/m, N/m]; mass and damping may depend on
        frequency (radiation included).
    cubic, force : effective cubic [N/m^3] and force amplitude [N], broadcast; (..., 1) is fastest.
    sweep_up : True for rising frequency, broadcast.

    Returns
    -------
    SteadyAmplitude: complex amplitude A [m], x = Re(A e^{jwt}) for a force F cos wt; status. When
    hardening, an up-sweep rides the largest root and a down-sweep the smallest; softening reversed.
    """
    given = (angular_frequency, mass, damping, stiffness, cubic, force)
    w, m, c, k1, g, F = (np.atleast_1d(np.asarray(x, dtype=float)) for x in given)
    up = np.atleast_1d(np.asarray(sweep_up, dtype=bool))
    scalar = all(np.ndim(x) == 0 for x in (*given, sweep_up))
    shape = np.broadcast_shapes(*(x.shape for x in (w, m, c, k1, g, F, up)))
    valid = (m > 0) & (c > 0) & (k1 > 0) & (w > 0) & (F >= 0) & np.isfinite(w * m * c * k1 * F * g)
    valid = np.broadcast_to(valid, shape)
    d = np.where(valid, np.broadcast_to(k1 - w * w * m, shape), 1.0)
    l = np.where(valid, np.broadcast_to(w * c, shape), 1.0)  # noqa: E741
    upper = (g >= 0) == up
    # one row per group where cubic, force and branch are constant along it, else one per point
    by_row = all(x.shape[-1] == 1 for x in (g, F, upper))
    rows = (*shape[:-1], 1) if by_row else shape
    size = math.prod(rows)
    X = np.empty((size, math.prod(shape) // max(size, 1)))
    amplitude_rows(
        d.reshape(X.shape),
        l.reshape(X.shape),
        np.nan_to_num(np.broadcast_to(g, rows)).reshape(size),
        np.nan_to_num(np.broadcast_to(F, rows)).reshape(size),
        np.broadcast_to(upper, rows).reshape(size),
        X,
    )
    pull = 0.75 * g * X.reshape(shape)
    amplitude = F / (d + pull + 1j * l)
    status = np.where(pull < -0.5 * k1, int(SteadyStatus.BEYOND_SOFTENING), 0)
    amplitude = np.where(valid, amplitude, complex(np.nan, np.nan))
    status = np.where(valid, status, int(SteadyStatus.INVALID))
    if scalar:
        return SteadyAmplitude(amplitude[0], status[0])
    return SteadyAmplitude(amplitude, status)
