"""Proposals: where they lie, what they are made of, and that they follow what is asked."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from arrayopt.search.variation import varied

FAMILIES = (np.arange(4), np.arange(4, 8), np.array([8]))


def proposed(X: np.ndarray, F: np.ndarray, **changes: Any) -> np.ndarray:
    settings: dict[str, Any] = {
        "violation": np.zeros(len(X)),
        "families": FAMILIES,
        "random": np.random.default_rng(1),
        "count": 400,
        "neighbours": 4,
        "shifts": 0.4,
        "largest_shift": 0.3,
        "smoothings": 0.0,
    } | changes
    return varied(X, F, **settings)


def population(size: int = 30, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(seed)
    return random.uniform(0.3, 0.7, (size, 9)), random.random((size, 3))


def nearest_parent(child: np.ndarray, X: np.ndarray) -> np.ndarray:
    """The parent that shares most values, (variable,)."""
    return X[int((child == X).sum(axis=1).argmax())]


def test_within_bounds_and_repeatable() -> None:
    X, F = population()
    X[:, 0], X[:, 1] = 0.0, 1.0
    children = proposed(X, F, largest_shift=3.0)
    assert children.shape == (400, 9)
    assert children.min() == 0.0
    assert children.max() == 1.0
    np.testing.assert_array_equal(children, proposed(X, F, largest_shift=3.0), strict=True)


def test_differences_stay_in_the_plane_of_the_population() -> None:
    # Designs on a plane through the middle: differences of designs never leave it.
    random = np.random.default_rng(3)
    axes = np.linalg.qr(random.normal(size=(9, 2)))[0]
    X = 0.5 + 0.1 * random.uniform(-1.0, 1.0, (40, 2)) @ axes.T
    children = proposed(X, random.random((40, 2)), shifts=0.0, families=(np.arange(9),))
    off = (children - 0.5) - (children - 0.5) @ axes @ axes.T
    moved = np.abs(children[:, None, :] - X[None]).max(axis=2).min(axis=1)
    assert np.abs(off).max() < 1e-12 * np.abs(children - 0.5).max()
    # half of the steps leave some families alone, and with one family that is no step
    assert 0.5 < (moved > 1e-6).mean() < 0.9


def test_differences_are_those_of_neighbours() -> None:
    # Two groups far apart in objectives; the first also differ in the first variable, the others
    # in the last. Steps within a group never mix the two; steps among all do.
    random = np.random.default_rng(4)
    X, F = np.full((20, 9), 0.5), np.zeros((20, 2))
    X[:10, 0], X[10:, 8] = random.random(10), random.random(10)
    F[:10], F[10:] = random.random((10, 2)) * 0.01, 0.9 + random.random((10, 2)) * 0.01

    def mixed(neighbours: int) -> float:
        children = proposed(X, F, shifts=0.0, neighbours=neighbours)
        return float(((children[:, 0] != 0.5) & (children[:, 8] != 0.5)).mean())

    assert 0.0 < mixed(2) < 0.6 * mixed(19)


def test_better_parents_are_varied_more_often() -> None:
    X, _ = population()
    F = np.linspace(0.1, 0.9, 30)[:, None].repeat(2, axis=1)  # the first dominates all others
    children = proposed(X, F, shifts=1.0, largest_shift=0.0, count=4000)
    of_the_first = (children == X[0]).all(axis=1).mean()
    # in either place of two drawn, or, where both add nothing, the first drawn
    assert of_the_first == pytest.approx(1 - (29 / 30) ** 2, rel=0.2)


def test_smoothing_leads_to_a_polynomial_in_the_order_of_the_radii() -> None:
    X, F = population()
    children = proposed(X, F, shifts=0.0, smoothings=1.0)

    def rough(x: np.ndarray, radii: np.ndarray) -> float:
        values = x[np.argsort(radii)]
        fit = np.polyval(np.polyfit(np.arange(4), values, 2), np.arange(4))
        return float(np.abs(values - fit).max())

    changed = 0
    for child in children:
        parent = nearest_parent(child, X)
        for members in FAMILIES[:2]:
            if (child[members] != parent[members]).any():
                changed += 1
                before = rough(parent[members], parent[:4])
                assert rough(child[members], parent[:4]) <= before * (1.0 + 1e-9)
        assert child[8] == parent[8]
    assert changed > 300


def test_shifts_move_one_family_or_two_in_the_order_of_the_radii() -> None:
    X, F = population()
    children = proposed(X, F, shifts=1.0, largest_shift=0.05)
    kinds = set()
    for child in children:
        parent = nearest_parent(child, X)
        step = child - parent
        moved = [k for k, members in enumerate(FAMILIES) if (step[members] != 0.0).any()]
        assert len(moved) <= 2
        for k in moved:
            members = FAMILIES[k]
            if len(members) == 1 or k == 0:  # a moved radius may change the order itself
                continue
            if len(moved) > 1:
                continue
            d = step[members][np.argsort(parent[FAMILIES[0]])]
            if (d != 0.0).sum() == 1:
                kinds.add("single")
            elif np.ptp(d) < 1e-9 * np.abs(d).max():
                kinds.add("whole")
            elif np.ptp(np.diff(d)) < 1e-9 * np.abs(d).max():
                kinds.add("tilt")
            elif abs(d[0] - d[3]) + abs(d[1] - d[2]) < 1e-9 * np.abs(d).max():
                kinds.add("bend")
    assert kinds == {"single", "whole", "tilt", "bend"}


def test_only_designs_that_keep_the_limits_are_parents() -> None:
    X, F = population()
    violation = np.where(np.arange(30) < 8, 0.0, 1.0)
    children = proposed(X, F, violation=violation, shifts=1.0, largest_shift=0.0)
    assert {tuple(row) for row in children} == {tuple(row) for row in X[:8]}
    violation = np.linspace(1.0, 2.0, 30)[::-1]  # none does: those that break them least
    children = proposed(X, F, violation=violation, shifts=1.0, largest_shift=0.0)
    assert {tuple(row) for row in children} == {tuple(row) for row in X[-6:]}


@pytest.mark.parametrize("size", [1, 2, 3])
def test_tiny_populations(size: int) -> None:
    X, F = population(size)
    children = proposed(X, np.zeros_like(F), count=50)
    assert children.shape == (50, 9)
    assert np.isfinite(children).all()
    assert len(np.unique(children, axis=0)) > 20


def test_no_children() -> None:
    X, F = population()
    assert proposed(X, F, count=0).shape == (0, 9)
