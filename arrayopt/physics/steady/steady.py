"""Steady states of one mode in closed form (M6, M7): branches and onset of bistability.

m x'' + c x' + k1 x + g x^3 = F cos wt, one harmonic: x = Re(A e^{jwt}), X = |A|^2,

    X [(d + 3/4 g X)^2 + l^2] = F^2,   d = k1 - w^2 m,   l = w c.                        (M7.1)

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
    cubic, force : effective cubic [N/m^3] and force amplitude [N], broadcast.
    sweep_up : True for rising frequency, broadcast.

    Returns
    -------
    SteadyAmplitude: complex amplitude A [m], x = Re(A e^{jwt}) for a force F cos wt; status. When
    hardening, an up-sweep rides the largest root and a down-sweep the smallest; softening reversed.
    """
    given = (angular_frequency, mass, damping, stiffness, cubic, force)
    w, m, c, k1, g, F, up = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in given), np.asarray(sweep_up, dtype=bool)
    )
    valid = (m > 0) & (c > 0) & (k1 > 0) & (w > 0) & (F >= 0) & np.isfinite(w * m * c * k1 * F * g)
    d, l, g, F = (np.where(valid, x, 1.0) for x in (k1 - w * w * m, w * c, g, F))  # noqa: E741
    a, linear = 0.75 * np.abs(g), (F / l) ** 2
    s = -np.where(g >= 0, d, -d) / l
    y = _outer_root(s, a / l * linear, (g >= 0) == up)
    # y near resonance, where its rounding would be magnified; else what also serves a = 0
    with np.errstate(divide="ignore", invalid="ignore"):
        X = np.where(y > 0.5, y * l / a, linear / (1.0 + (s - y) ** 2))
    pull = 0.75 * g * X
    status = np.where(pull < -0.5 * k1, int(SteadyStatus.BEYOND_SOFTENING), 0)
    amplitude = np.where(valid, F / (d + pull + 1j * l), complex(np.nan, np.nan))
    return SteadyAmplitude(amplitude, np.where(valid, status, int(SteadyStatus.INVALID)))


def _outer_root(s: Floats, gamma: Floats, upper: NDArray[np.bool_]) -> Floats:
    """Largest (``upper``) or smallest real y of y ((y - s)^2 + 1) = gamma, gamma >= 0 (M7.2)."""
    companion = np.zeros((*s.shape, 3, 3))
    companion[..., 0, :] = np.stack([2.0 * s, -1.0 - s * s, gamma], axis=-1)
    companion[..., [1, 2], [0, 1]] = 1.0
    roots = np.linalg.eigvals(companion)
    # three real roots between the folds of M7.3, else one; at a fold two are equal up to rounding
    one = 1.0 + s * s
    edge = s * (s * s + 9.0) + np.maximum(s * s - 3.0, 0.0) ** 1.5
    three = (s * s > 3.0) & (gamma * edge >= 2.0 * one * one) & (27.0 * gamma <= 2.0 * edge)
    single = np.take_along_axis(roots, np.abs(roots.imag).argmin(axis=-1)[..., None], axis=-1)
    outer = np.where(upper, roots.real.max(axis=-1), roots.real.min(axis=-1))
    y = np.maximum(np.where(three, outer, single[..., 0].real), 0.0)
    e = s - y
    slope = 1.0 + e * e - 2.0 * y * e
    step = (y * (1.0 + e * e) - gamma) / np.where(np.abs(slope) > 1e-6 * one, slope, np.inf)
    return np.asarray(np.maximum(y - step, 0.0))
