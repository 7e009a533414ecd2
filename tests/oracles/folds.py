"""M7.6: where the bistable band of one mode of constant coefficients ends, by bisection."""

from __future__ import annotations

import math
from enum import IntFlag

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Floats
from arrayopt.physics.steady.steady import onset_force


class Jumps(IntFlag):
    """Why a jump does not exist."""

    INVALID = 1
    MONOSTABLE = 8
    """The force is below the onset of bistability, or the mode is linear."""
    NO_JUMP_DOWN = 16
    """Softening, driven so hard that the upper branch reaches the barrier without falling."""
    NO_JUMP_UP = 32
    """Softening, and the force would pull a static deflection over the barrier."""


def _log_ratio(w: float, zeta: float, P: float, sign: float, at_upper: bool) -> float:
    """log(gamma/gamma_fold) at w in units of w0; zero where the path crosses that fold."""
    l = 2.0 * zeta * w  # noqa: E741
    s = max(sign * (w * w - 1.0) / l, math.sqrt(3.0))
    edge = s * (s * s + 9.0) + max(s * s - 3.0, 0.0) ** 1.5
    fold = 2.0 * (1.0 + s * s) ** 2 / edge if at_upper else 2.0 * edge / 27.0
    return math.log(max(P, 1e-300) / (l * l * l) / fold)


def _folds(zeta: float, P: float, sign: float) -> tuple[float, float]:
    """(jump up, jump down) in units of w0, nan where that jump does not exist.

    P = 3/4 |g| F^2 / k1^3; sign +1 hardening, -1 softening. Hardening: gamma falls and both folds
    rise with w, so each crossing is unique. Softening: gamma/gamma_- has one minimum below w_c.
    """

    def crossing(at_upper: bool, inner: float, outer: float) -> float:
        for _ in range(60):
            middle = 0.5 * (inner + outer)
            if _log_ratio(middle, zeta, P, sign, at_upper) > 0.0:
                inner = middle
            else:
                outer = middle
        return 0.5 * (inner + outer)

    cusp = sign * math.sqrt(3.0) * zeta + math.sqrt(1.0 + 3.0 * zeta * zeta)
    if (sign < 0.0 and zeta >= 1.0 / 3.0) or not _log_ratio(cusp, zeta, P, sign, True) > 0.0:
        return math.nan, math.nan
    if sign > 0.0:
        outer = 2.0 * cusp
        while _log_ratio(outer, zeta, P, sign, True) > 0.0:
            outer *= 2.0
        return crossing(False, cusp, outer), crossing(True, cusp, outer)
    # from 6.75 P = 1 on even the static force exceeds the barrier: no lower branch to leave
    up = crossing(False, cusp, 1e-9) if 6.75 * P < 1.0 else math.nan
    low, high = 1e-3, cusp
    for _ in range(80):  # golden section for the minimum of the ratio
        part = 0.618033988749895 * (high - low)
        left, right = high - part, low + part
        if _log_ratio(left, zeta, P, sign, True) < _log_ratio(right, zeta, P, sign, True):
            high = right
        else:
            low = left
    falls = _log_ratio(low, zeta, P, sign, True) < 0.0  # else it leads over the barrier
    return up, crossing(True, cusp, low) if falls else math.nan


def jump_frequencies(
    m: ArrayLike, *, c: ArrayLike, k1: ArrayLike, g: ArrayLike, F: ArrayLike
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Angular frequencies of the folds that bound the bistable band, and `Jumps`.

    The amplitude jumps up on the down-sweep and down on the up-sweep if hardening, else the other
    way round; nan where a jump does not exist.
    """
    m, c, k1, g, F = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in (m, c, k1, g, F)))
    valid = (m > 0) & (c > 0) & (k1 > 0) & (F >= 0) & np.isfinite(m * c * k1 * g * F)
    m, c, k1, g, F = (np.where(valid, x, 1.0) for x in (m, c, k1, g, F))
    w0 = np.sqrt(k1 / m)
    zeta, P = c / (2.0 * np.sqrt(k1 * m)), 0.75 * np.abs(g) * F**2 / k1**3
    folds = np.vectorize(_folds, otypes=[float, float])(zeta, P, np.where(g >= 0, 1.0, -1.0))
    up, down = (w0 * x for x in folds)
    status = np.where(np.isnan(down), int(Jumps.NO_JUMP_DOWN), 0)
    status |= np.where(np.isnan(up), int(Jumps.NO_JUMP_UP), 0)
    none = ~(onset_force(m, c=c, k1=k1, g=g) < F) | (np.isnan(up) & np.isnan(down) & (g > 0))
    status = np.where(none, int(Jumps.MONOSTABLE), status)
    up, down = (np.where(valid, x, np.nan) for x in (up, down))
    return up, down, np.where(valid, status, int(Jumps.INVALID))
