"""Fronts of minimised objectives: which designs belong, how much they dominate, which to show."""

from __future__ import annotations

import moocore  # type: ignore[import-untyped]
import numpy as np

from arrayopt.base.arrays import Bools, Floats, Ints


def nondominated(F: Floats) -> Bools:
    """Which rows no other row dominates, all objectives minimised; of equal rows only the first.

    F has shape (design, objective) and is finite; the result has shape (design,).
    """
    return np.asarray(moocore.is_nondominated(F, keep_weakly=False), dtype=np.bool_)


def hypervolume(F: Floats, reference: Floats) -> float:
    """Volume dominated by a set of points and bounded by a reference point, all minimised.

    Parameters
    ----------
    F : array, shape (design, objective)
        Points that are not finite or do not lie below the reference in every objective add nothing.
    reference : array, shape (objective,)

    Returns
    -------
    float
        In the product of the objectives' units; 0 for no points. Exact (Lebesgue measure; Zitzler &
        Thiele 1998).
    """
    F = np.asarray(F, dtype=np.float64)
    inside = np.isfinite(F).all(axis=1) & np.less(F, reference).all(axis=1)
    if not inside.any():
        return 0.0
    return float(moocore.hypervolume(F[inside], ref=np.asarray(reference, dtype=np.float64)))


def contributions(F: Floats, reference: Floats) -> Floats:
    """How much hypervolume would go with each point alone, (design,); 0 where dominated or outside.

    F has shape (design, objective), is minimised and finite; what is dominated does not count.
    """
    worth = np.zeros(len(F))
    inside = np.less(F, reference).all(axis=1)
    if inside.any():
        worth[inside] = moocore.hv_contributions(F[inside], ref=reference)
    return worth


def thinned(F: Floats, size: int) -> Ints:
    """Rows of a front that represent it: each objective's best, then always the farthest one left.

    Parameters
    ----------
    F : array, shape (design, objective)
        Minimised, scaled, finite.
    size : int
        Largest number of rows to keep.

    Returns
    -------
    integer array, ascending
        The same for the same F; ties go to the earlier row. At least one row per objective is kept
        where `size` allows.
    """
    n, n_objectives = F.shape
    if n <= size:
        return np.arange(n, dtype=np.int64)
    chosen: list[int] = []
    distance = np.full(n, np.inf)
    while len(chosen) < size:
        turn = len(chosen)
        pick = int(np.argmin(F[:, turn]) if turn < n_objectives else np.argmax(distance))
        if distance[pick] == 0.0:  # one design is best in two objectives
            pick = int(np.argmax(distance))
        chosen.append(pick)
        distance = np.minimum(distance, np.sqrt(((F - F[pick]) ** 2).sum(axis=1)))
    return np.sort(np.array(chosen, dtype=np.int64))
