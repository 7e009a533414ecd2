"""Bands of several modes that equal those of any finer grid (M7.20)."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.models.bands.read import all_places, read_bands
from arrayopt.models.bands.refine import CLOSEST, FINE, MOST, next_points
from arrayopt.models.several_modes.largest import largest
from arrayopt.models.several_modes.samples import TOO_MANY, Points, Swept
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.steady.harmonic_kernel import Rows

PASSES = 100
"""Most refinements of a band; ten or twenty are usual."""


RATIO = 6.0
"""Of distances from a fold: less than 6.8, where a root leaves the lines through its neighbours by
less than it lies below its end."""
NEAREST = 0.9 * CLOSEST


class Refined(NamedTuple):
    """Bands and largest values of some designs, arrays (design,); NaN where off the grid."""

    peak_pressure: Floats
    peak_frequency: Floats  # Hz
    lower_edge: Floats
    upper_edge: Floats
    ripple: Floats
    deflection: Floats  # (design, group)
    power: Floats
    status: Ints  # 0, NOT_FOUND, TOO_MANY


def refine(swept: Swept, rows: Rows, *, rising: bool, level: float) -> Refined:
    """Bands from as many points as they need, to 1e-8 of the peak and of the edges' frequencies.

    Parameters
    ----------
    swept : the sweep of every design, without failures
    rows : its groups, (design, group) made one axis
    rising : the direction of the sweep
    level : band limit below the peak as a pressure ratio
    """
    points = Points(swept, rows, rising)
    points.add_jumps()
    _fill(points, level)
    deflection, power = largest(points)
    found, _ = read_bands(points.w / (2.0 * np.pi), points.amplitude, points.known, level)
    peak, frequency, lower, upper, ripple = found
    return Refined(peak, frequency, lower, upper, ripple, deflection, power, points.flags)


def _fill(points: Points, level: float) -> None:
    """Add points until neither peak nor edges can hide between them."""
    # the grid is fine enough for all but jumps, which are located for themselves
    step = (points.swept.w[:, 1] - points.swept.w[:, 0]) / FINE
    active = np.flatnonzero(points.flags == 0)
    for _ in range(PASSES):
        new = np.full((len(points.w), MOST), np.inf)
        spread(
            next_points, len(new), points.w, points.amplitude, points.share, points.known, step,
            level, new,
        )  # fmt: skip
        new[np.setdiff1d(np.arange(len(new)), active)] = np.inf
        row, column = np.nonzero(np.isfinite(new))
        if row.size:
            row, w = _towards_folds(points, row, new[row, column])
            place = points.places(row, w)
            points.polish_all(np.tile(row, 2), np.concatenate([place - 1, place]))
            points.add(row, w)
            row = np.unique(row)
        # what decides must be exact
        quiet = np.setdiff1d(active, row)
        place = all_places(points.amplitude, points.known, level)[:, quiet]
        inside = (place[1] > 0) & (place[2] < points.known[quiet] - 1)
        (top, first, last), quiet = place[:, inside], quiet[inside]
        decide = np.stack([top - 1, top, top + 1, first - 1, first, last, last + 1])
        design = np.broadcast_to(quiet, decide.shape)
        slots = points.slot[design, decide]
        rough = (~points.exact & points.swept.driven[:, :, None])[design, :, slots].any(axis=(0, 2))
        if quiet.size:
            points.polish_all(design.ravel(), decide.ravel())
        active = np.union1d(row, quiet[rough])
        active = active[points.flags[active] == 0]
        if active.size == 0:
            return
    points.flag(active, TOO_MANY)


def _towards_folds(points: Points, row: Ints, w: Floats) -> tuple[Ints, Floats]:
    """The same points, but all at once where the largest value is at a fold and halving goes on.

    Towards it the response rises as a root: distances that shrink by `RATIO` show that between
    them nothing is larger.
    """
    place = points.places(row, w)
    fold = place if points.rising else place - 1
    known = np.arange(points.w.shape[1]) < points.known[:, None]
    top = np.where(known, points.amplitude, -1.0).argmax(axis=1)
    turns = points.folds[row, :, points.slot[row, fold]].any(axis=1) & (fold == top[row])
    if not turns.any():
        return row, w
    rows, added = [row[~turns]], [w[~turns]]
    for d in np.unique(row[turns]):
        at = points.w[d, top[d]]
        gap = points.w[d, top[d] - 1 if points.rising else top[d] + 1] - at
        number = max(1, math.ceil(math.log(abs(gap) / (NEAREST * at)) / math.log(RATIO)))
        added.append(at + gap * (NEAREST * at / abs(gap)) ** (np.arange(1, number + 1) / number))
        rows.append(np.full(number, d))
    return np.concatenate(rows), np.concatenate(added)
