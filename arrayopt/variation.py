"""New designs from a population: differences between neighbours, and shifts of whole families.

Good designs of an array lie along narrow curved ridges: its radii, coverages and voltages only help
when they change together. Changing single variables, as crossover and mutation do, leaves a ridge
at once. Both moves here change many together: one along directions in which the population itself
extends, the other along those that physics offers (all cells larger, the stagger wider).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from arrayopt.problem import Floats, Ints

_FEWEST = 6
"""Parents, even where fewer designs keep every limit."""

_DECADES = 2.0
"""Between the largest shift and the smallest."""


def varied(
    X: Floats,
    F: Floats,
    violation: Floats,
    families: Sequence[Ints],
    random: np.random.Generator,
    count: int,
    *,
    neighbours: int,
    shifts: float,
    largest_shift: float,
) -> Floats:
    """Propose designs made of those of a population.

    Parameters
    ----------
    X : array, shape (parent, variable), in 0..1
    F : array, shape (parent, objective)
        Minimised and finite.
    violation : array, shape (parent,)
        0 where every limit is kept; only those designs are used where there are enough.
    families : sequence of integer arrays
        Variables that are one quantity of one part of the array after the other; every variable
        is in one of them.
    random : Generator
    count : int
    neighbours : int
        How many of the parents nearest in objectives lend a difference.
    shifts : float
        Share of designs that shift a family; the others take a difference.
    largest_shift : float
        Scale of the largest of these shifts, in units of a variable's range.

    Returns
    -------
    array, shape (count, variable)
        In 0..1; repeats of a parent may be among them.

    Notes
    -----
    Differences as in differential evolution (Storn & Price 1997), a design plus a random share of
    the difference of two others, here two of its neighbours in objectives (Li & Zhang 2009); half
    the time in some of the families only.
    """
    good = np.flatnonzero(violation <= 0.0)
    if len(good) < _FEWEST:
        good = np.argsort(violation, kind="stable")[:_FEWEST]
    X, F = X[good], F[good]
    parent = random.integers(len(X), size=count)
    shifted = (random.random(count) < shifts) | (len(X) < 3)
    children = X[parent]
    children[~shifted] += _differences(X, F, parent[~shifted], families, random, neighbours)
    once = np.flatnonzero(shifted)
    twice = once[random.random(len(once)) < 0.5]
    for rows in (once, twice):
        children[rows] += _shifts(children[rows], families, random, largest_shift)
    return np.clip(children, 0.0, 1.0)


def _differences(
    X: Floats,
    F: Floats,
    parent: Ints,
    families: Sequence[Ints],
    random: np.random.Generator,
    neighbours: int,
) -> Floats:
    """Random share of the difference of two neighbours of each parent, (parent, variable)."""
    n, count = len(parent), min(neighbours, len(X) - 1)
    if n == 0:
        return np.zeros((0, X.shape[1]))
    near = _nearest(F, count)[parent]
    one = random.integers(count, size=n)
    other = (one + random.integers(1, count, size=n)) % count
    rows = np.arange(n)
    step = random.random((n, 1)) * (X[near[rows, one]] - X[near[rows, other]])
    some = random.random(n) < 0.5
    for members in families:
        still = some & (random.random(n) < 0.5)
        step[np.ix_(still, members)] = 0.0
    return step


def _nearest(F: Floats, count: int) -> Ints:
    """The parents nearest in objectives, each scaled by its extent, (parent, count)."""
    extent = np.ptp(F, axis=0)
    f = (F - F.min(axis=0)) / np.where(extent > 0.0, extent, 1.0)
    distance = ((f[:, None, :] - f[None, :, :]) ** 2).sum(axis=2)
    np.fill_diagonal(distance, np.inf)
    return np.argsort(distance, axis=1, kind="stable")[:, :count]


def _shifts(
    X: Floats, families: Sequence[Ints], random: np.random.Generator, largest: float
) -> Floats:
    """Shift one family of every row: as a whole, tilted, bent, or one member of it alone.

    Members are ordered by the first family's values (the radii) where there are as many.
    """
    n = len(X)
    step = np.zeros_like(X)
    chosen = random.integers(len(families), size=n)
    size = largest * 10.0 ** (-_DECADES * random.random(n))
    use = random.random((n, 4)) < 0.5
    use[:, 0] |= ~use.any(axis=1)
    weight = size[:, None] * random.normal(size=(n, 4))
    place = random.random(n)
    for k, members in enumerate(families):
        rows, m = np.flatnonzero(chosen == k), len(members)
        use[rows, 0] |= m == 1
        whole, tilt, bend, single = np.where(use[rows], weight[rows], 0.0).T
        shift = np.repeat(whole[:, None], m, axis=1)
        if m > 1:
            leader = families[0] if len(families[0]) == m else members
            order = np.argsort(X[np.ix_(rows, leader)], axis=1, kind="stable")
            t = 2.0 * np.argsort(order, axis=1, kind="stable") / (m - 1) - 1.0
            shift += tilt[:, None] * t + bend[:, None] * (2.0 * t * t - 1.0)
            shift[np.arange(len(rows)), (place[rows] * m).astype(np.int64)] += single
        step[np.ix_(rows, members)] = shift
    return step
