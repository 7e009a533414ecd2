"""Repeated frequencies and clipped peaks of measured sweeps."""

from __future__ import annotations

import math

import numpy as np

from arrayopt.base.arrays import Bools, Floats
from arrayopt.lab.read.header import MeasuredHeader
from arrayopt.lab.read.table import SIGNAL_UNITS, Collector

CLIPPED_RUN = 5
"""Equal readings in a row at the top that are taken for a clipped peak."""


def merged(
    frequency: Floats,
    magnitude: Floats,
    over: Bools,
    phase: Floats | None,
    line: int,
    out: Collector,
) -> tuple[Floats, Floats, Bools, Floats | None]:
    """Repeated frequencies become one point, the mean."""
    unique, inverse, count = np.unique(frequency, return_inverse=True, return_counts=True)
    if unique.size == frequency.size:
        return frequency, magnitude, over, phase
    repeated = int((count > 1).sum())
    out.state(f"{repeated} frequencies occur more than once: their mean is used", line)

    def mean(values: Floats) -> Floats:
        return np.bincount(inverse, weights=values) / count

    finite = np.where(over, 0.0, magnitude)
    turned = None
    if phase is not None:
        turned = np.arctan2(mean(np.sin(phase)), mean(np.cos(phase)))
    return unique, mean(finite), np.bincount(inverse, weights=over) > 0, turned


def clipped_points(magnitude: Floats, told: MeasuredHeader, out: Collector, line: int) -> Bools:
    """Points at the stated full scale, or a flat top with steps onto it."""
    finite = np.where(np.isfinite(magnitude), magnitude, 0.0)
    top = finite.max(initial=0.0)
    if told.full_scale is not None:
        limit = _full_scale(told, out, line)
        return finite >= 0.999 * limit
    at_top = finite >= top * (1.0 - 1e-9)
    levels = np.diff(np.unique(finite))
    places = np.flatnonzero(at_top)
    if places.size < CLIPPED_RUN or not levels.size or np.any(np.diff(places) != 1):
        return np.zeros(magnitude.shape, dtype=bool)
    # a coarse converter also repeats its top reading, but then neighbours are one step below
    beside = [finite[k] for k in (places[0] - 1, places[-1] + 1) if 0 <= k < finite.size]
    step = top - max(beside, default=top)
    return at_top if step > 3.0 * levels.min() else np.zeros(magnitude.shape, dtype=bool)


def _full_scale(told: MeasuredHeader, out: Collector, line: int) -> float:
    number, _, unit = str(told.full_scale).strip().partition(" ")
    units = SIGNAL_UNITS[str(told.quantity)]
    try:
        return float(number) * units[unit.strip()]
    except (ValueError, KeyError):
        need = f"a number and one of {', '.join(units)} is needed"
        out.refuse(line, "full_scale", need, str(told.full_scale))
        return math.inf
