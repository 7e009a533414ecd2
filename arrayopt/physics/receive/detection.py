"""Signals of known form in coloured noise: ratio, range and time of flight (M14.5 to M14.7)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from arrayopt.base.arrays import Floats

FARTHEST = 50.0
"""Logarithm of the farthest and of the nearest range looked at, over the distance known."""


class Detection(NamedTuple):
    """What a matched filter has of a signal."""

    ratio: float
    """Peak signal over rms noise at its output, as a power ratio."""
    delay: float
    """Least standard deviation of an unbiased estimate of the delay, carrier's phase known [s]."""
    envelope_delay: float
    """The same where the carrier's phase is not known [s]."""


def detection(frequency: Floats, density: Floats) -> Detection:
    """Matched filter and Cramer-Rao bounds of a delay (M14.5, M14.7).

    Parameters
    ----------
    frequency : (frequency,), evenly spaced [Hz].
    density : (frequency,): 4 |V|^2 / N [1/Hz], V the spectrum of the real signal [V/Hz] and N the
        one-sided density of the noise [V2/Hz].

    Returns
    -------
    Detection
        The bounds are reached at high ratios only. Infinite where there is no signal.
    """
    w, part = 2.0 * np.pi * frequency, density * (frequency[1] - frequency[0])
    ratio = float(part.sum())
    if not ratio > 0.0:
        return Detection(ratio, np.inf, np.inf)
    middle = (part * w).sum() / ratio
    whole, spread = (float((part * (w - about) ** 2).sum()) for about in (0.0, middle))
    return Detection(ratio, whole**-0.5, spread**-0.5)


def farthest(
    density: Floats,
    absorption: Floats,
    *,
    spacing: float,
    wanted: float,
    distance: float,
    ways: int,
    fall: int,
) -> float:
    """Range at which a signal still has the wanted ratio (M14.6) [m].

    Parameters
    ----------
    density : (frequency,): of `detection`, at ``distance``.
    absorption : (frequency,) [Np/m].
    spacing : of the frequencies [Hz].
    wanted : power ratio.
    distance : that the density is of [m].
    ways : times that the sound goes over the range.
    fall : power of the range with which pressure falls, absorption apart.

    Returns
    -------
    float
        Root of an equation that falls with the range; NaN where there is no signal to speak of.
    """
    sounding = density > 0.0
    if not sounding.any():
        return float("nan")
    logs, alpha = np.log(density[sounding] * (spacing / wanted)), absorption[sounding]

    def above(x: float) -> float:
        beyond = distance * np.expm1(x)
        left = logs - 2.0 * ways * beyond * alpha
        most = left.max()
        return float(most + np.log(np.exp(left - most).sum()) - 2.0 * fall * x)

    if not above(-FARTHEST) > 0.0 > above(FARTHEST):
        return float("nan")
    return float(distance * np.exp(brentq(above, -FARTHEST, FARTHEST, xtol=1e-12)))
