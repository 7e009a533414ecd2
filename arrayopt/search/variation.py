"""New designs from a population: differences of alike designs, shifts of families, smoothing.

Good designs of an array lie along narrow curved ridges: its radii, coverages and voltages only help
when they change together. Changing single variables, as crossover and mutation do, leaves a ridge
at once. The moves here change many together: along directions in which the population itself
extends, along those that physics offers (all cells larger, the stagger wider), and towards values
that run smoothly from the smallest cell to the largest, as those of the best designs do.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial.distance import cdist

from arrayopt.base.arrays import Floats, Ints
from arrayopt.search.front import contributions

_FEWEST = 6
"""Parents, even where fewer designs keep every limit."""

_DECADES = 2.0
"""Between the largest shift and the smallest."""

_DEGREES = (1, 2, 3)
"""Of the polynomials that designs are smoothed towards."""


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
    smoothings: float,
) -> Floats:
    """Propose designs made of those of a population.

    Parameters
    ----------
    X : array, shape (parent, variable), in 0..1
    F : array, shape (parent, objective)
        Minimised, finite, 1 at the references.
    violation : array, shape (parent,)
        0 where every limit is kept; only those designs are used where there are enough.
    families : sequence of integer arrays
        Variables that are one quantity of one part of the array after the other; every variable
        is in one of them.
    random : Generator
    count : int
    neighbours : int
        From how many of the parents most alike, at the least, differences are taken.
    shifts : float
        Share of designs that shift a family.
    largest_shift : float
        Scale of the largest of these shifts, in units of a variable's range.
    smoothings : float
        Share of designs that are smoothed, where a family has members enough; all others take a
        difference.

    Returns
    -------
    array, shape (count, variable)
        In 0..1; repeats of a parent may be among them.

    Notes
    -----
    Of two parents drawn the one that adds more hypervolume is varied. Differences as in
    differential evolution (Storn & Price 1997), a design plus a random share of the difference of
    two others, here of two that are like it (Li & Zhang 2009); half the time in some of the
    families only.
    """
    good = np.flatnonzero(violation <= 0.0)
    if len(good) < _FEWEST:
        good = np.argsort(violation, kind="stable")[:_FEWEST]
    X, F = X[good], F[good]
    two = random.integers(len(X), size=(count, 2))
    worth = contributions(F, np.ones(F.shape[1]))[two]
    parent = np.where(worth[:, 0] >= worth[:, 1], two[:, 0], two[:, 1])
    long = [members for members in families if len(members) > _DEGREES[0] + 1]
    move = random.random(count)
    shifted = (move < shifts) | (len(X) < 3)
    smoothed = ~shifted & (move >= 1.0 - smoothings) & (len(long) > 0)
    rest = ~shifted & ~smoothed
    children = X[parent]
    children[rest] += _differences(X, F, parent[rest], families, random, neighbours)
    children[smoothed] += _smoothings(children[smoothed], families, long, random)
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
    fewest: int,
) -> Floats:
    """Random share of the difference of two designs like each parent, (parent, variable).

    Taken from its `fewest` neighbours, from all others or from anything between, few as often as
    many: neighbours give the direction of the ridge, all together new combinations.
    """
    n, others = len(parent), len(X) - 1
    if n == 0:
        return np.zeros((0, X.shape[1]))
    alike = _alike(X, F, parent)
    fewest = min(fewest, others)
    among = np.exp(random.uniform(np.log(fewest), np.log(others), size=n))
    among = np.clip(among.astype(np.int64), fewest, others)
    one = random.integers(among)
    other = (one + random.integers(1, np.maximum(among, 2))) % among
    rows = np.arange(n)
    step = random.random((n, 1)) * (X[alike[rows, one]] - X[alike[rows, other]])
    some = random.random(n) < 0.5
    for members in families:
        still = some & (random.random(n) < 0.5)
        step[np.ix_(still, members)] = 0.0
    return step


def _alike(X: Floats, F: Floats, parent: Ints) -> Ints:
    """All others, the most alike first, (parent, other): in objectives and variables alike.

    Of designs with the same objectives those of the same kind come first, say with the smallest
    cells in the same places.
    """
    parts = []
    for values in (X, F):
        spread = values.std(axis=0)
        parts.append(values / np.where(spread > 0.0, spread, 1.0) / np.sqrt(values.shape[1]))
    place = np.concatenate(parts, axis=1)
    distance = cdist(place[parent], place, "sqeuclidean")
    distance[np.arange(len(parent)), parent] = np.inf
    return np.argsort(distance, axis=1, kind="stable")[:, :-1]


def _ordered(X: Floats, members: Ints, families: Sequence[Ints]) -> Ints:
    """Members of a family by size, (design, member): by the radii, the first family, if as many."""
    leader = families[0] if len(families[0]) == len(members) else members
    return np.argsort(X[:, leader], axis=1, kind="stable")


def _smoothings(
    X: Floats, families: Sequence[Ints], long: Sequence[Ints], random: np.random.Generator
) -> Floats:
    """Share of the way of some long families to a polynomial in the order of the radii."""
    n = len(X)
    step = np.zeros_like(X)
    share = random.random((n, 1))
    degree = random.choice(_DEGREES, size=n)
    use = random.random((n, len(long))) < 0.5
    use[np.arange(n), random.integers(len(long), size=n)] = True
    for k, members in enumerate(long):
        m = len(members)
        basis = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, m), m, increasing=True))[0]
        order = _ordered(X, members, families)
        values = np.take_along_axis(X[:, members], order, axis=1)
        weight = np.einsum("dm,mp->dp", values, basis)
        weight[np.arange(m) > np.minimum(degree, m - 2)[:, None]] = 0.0
        fit = np.einsum("dp,mp->dm", weight, basis)
        away = np.where(use[:, [k]], share * (fit - values), 0.0)
        step[np.arange(n)[:, None], members[order]] = away
    return step


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
            order = _ordered(X[rows], members, families)
            t = 2.0 * np.argsort(order, axis=1, kind="stable") / (m - 1) - 1.0
            shift += tilt[:, None] * t + bend[:, None] * (2.0 * t * t - 1.0)
            shift[np.arange(len(rows)), (place[rows] * m).astype(np.int64)] += single
        step[np.ix_(rows, members)] = shift
    return step
