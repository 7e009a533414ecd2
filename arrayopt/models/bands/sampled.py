"""Peak and contiguous band of responses known only at sampled frequencies (M10.1)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from arrayopt.models.bands.read import ripples

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True)
class Sampled:
    """Peak and band of sampled responses, arrays (design,); NaN where ``off_grid``.

    Edges are interpolated linearly in dB between samples, the peak by a parabola through three,
    unless a jump lies beside it.
    """

    peak_pressure: Floats
    peak_frequency: Floats
    lower_edge: Floats
    upper_edge: Floats
    ripple: Floats
    off_grid: NDArray[np.bool_]


def sampled_band(frequency: Floats, pressure: Floats, *, level: float) -> Sampled:
    """Band within ``level`` (a pressure ratio) of the peak, contiguous around it.

    Parameters
    ----------
    frequency : array (design, frequency), ascending [Hz].
    pressure : array (design, frequency), amplitudes; NaN ends a band like a response too low.
    level : float
        For example 10**(-6/20).
    """
    rows = np.arange(len(frequency))
    known = np.isfinite(pressure)
    filled = np.where(known, pressure, 0.0)
    top = np.argmax(filled, axis=1)
    last = frequency.shape[1] - 1
    inner = np.clip(top, 1, last - 1)
    left, peak, right = (filled[rows, inner + k] for k in (-1, 0, 1))
    bend = left - 2.0 * peak + right
    # A neighbour far below belongs to the other side of a jump: then the sample is the peak.
    smooth = (bend < 0.0) & (np.minimum(left, right) > 0.9 * peak) & (inner == top)
    shift = np.where(smooth, 0.5 * (left - right) / np.where(smooth, bend, -1.0), 0.0)
    peak = filled[rows, top] - np.where(smooth, 0.25 * (left - right) * shift, 0.0)
    step = frequency[rows, np.minimum(inner + 1, last)] - frequency[rows, inner]
    below = filled < (level * peak)[:, None]
    index = np.arange(frequency.shape[1])
    first = np.where(below & (index < top[:, None]), index, -1).max(axis=1)
    final = np.where(below & (index > top[:, None]), index, last + 1).min(axis=1)
    off = (first < 0) | (final > last) | (peak <= 0.0)
    first, final = np.maximum(first, 0), np.minimum(final, last)
    ripple = ripples(filled, first + 1, final - 1)
    limit = level * peak
    with np.errstate(divide="ignore", invalid="ignore"):
        values = {
            "peak_pressure": peak,
            "peak_frequency": frequency[rows, top] + shift * step,
            "lower_edge": _crossing(frequency, filled, limit, first, first + 1),
            "upper_edge": _crossing(frequency, filled, limit, final, final - 1),
            "ripple": ripple,
        }
    return Sampled(**{k: np.where(off, np.nan, v) for k, v in values.items()}, off_grid=off)


def _crossing(
    frequency: Floats, pressure: Floats, limit: Floats, outside: Ints, inside: Ints
) -> Floats:
    """Frequency between two samples where the response passes ``limit``."""
    rows = np.arange(len(frequency))
    inside = np.clip(inside, 0, frequency.shape[1] - 1)
    low = np.maximum(pressure[rows, outside], 1e-300)
    high = np.maximum(pressure[rows, inside], 1e-300)
    share = np.log(high / limit) / np.log(high / low)
    f_in, f_out = frequency[rows, inside], frequency[rows, outside]
    return np.asarray(f_in + np.clip(share, 0.0, 1.0) * (f_out - f_in))
