"""Mask geometry against exact plane geometry: areas, distances, shortest paths."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arrayopt.chip.geometry import (
    AREA_TOLERANCE,
    circle_polygons,
    offset_path,
    polygon_area,
    ring_halves,
    snap,
    street_path,
    strip,
)

GRID, TOLERANCE = 5e-9, 100e-9


@settings(deadline=None, max_examples=60)
@given(st.floats(15e-6, 1e-3))
def test_circles_keep_their_area_and_shape(radius: float) -> None:
    points = circle_polygons([radius], grid=GRID, tolerance=TOLERANCE)[0]
    assert points.dtype == np.int64
    area = polygon_area(points) * GRID**2
    assert abs(area / (np.pi * radius**2) - 1.0) <= AREA_TOLERANCE
    # corners and edge middles lie within the tolerance of the circle, and two grid steps
    middle = 0.5 * (points + np.roll(points, -1, axis=0))
    for place in (points, middle):
        away = np.hypot(*place.T) * GRID - radius
        assert np.abs(away).max() <= TOLERANCE + 2.0 * GRID
    assert {(-x, y) for x, y in points.tolist()} == {(x, y) for x, y in points.tolist()}
    assert {(x, -y) for x, y in points.tolist()} == {(x, y) for x, y in points.tolist()}


@settings(deadline=None, max_examples=30)
@given(st.floats(50e-6, 600e-6), st.floats(0.3, 0.9))
def test_rings_keep_their_area_in_two_halves(outer: float, share: float) -> None:
    rims = circle_polygons([outer, share * outer], grid=GRID, tolerance=TOLERANCE)
    halves = ring_halves(*rims)
    area = sum(polygon_area(half) for half in halves) * GRID**2
    exact = np.pi * outer**2 * (1.0 - share**2)
    # each rim keeps its own area to 1e-6
    assert abs(area - exact) <= AREA_TOLERANCE * np.pi * outer**2 * (1.0 + share**2)
    assert all(polygon_area(half) > 0.0 for half in halves)
    assert halves[0][:, 0].min() == 0
    assert halves[1][:, 0].max() == 0


def test_a_circle_too_small_for_its_grid_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot be drawn"):
        circle_polygons([40e-9], grid=GRID, tolerance=TOLERANCE)


def test_snap_goes_to_the_nearest_step() -> None:
    assert snap([1.2e-9, 2.6e-9, -7.4e-9], GRID).tolist() == [0, 1, -1]


def test_shortest_path_over_a_circle_is_tangents_and_an_arc() -> None:
    # From (-d, 0) to (d, 0) over a circle of radius R about the origin:
    # two tangents of sqrt(d^2 - R^2) and an arc of R (pi - 2 arccos(R / d)).
    d, radius = 3.0, 1.0
    exact = 2.0 * np.sqrt(d**2 - radius**2) + radius * (np.pi - 2.0 * np.arccos(radius / d))
    errors = []
    for step in (0.2, 0.1, 0.05):
        path = street_path(
            (np.zeros((1, 2)), np.array([radius])),
            (np.empty((0, 2)), np.empty(0)),
            x_range=(-d, d),
            y_ends=0.0,
            sine_step=step,
        )
        assert path is not None
        length = np.hypot(*np.diff(path, axis=0).T).sum()
        errors.append(length / exact - 1.0)
        middle = 0.5 * (path[1:] + path[:-1])
        assert min(np.hypot(*middle.T).min(), np.hypot(*path.T).min()) >= radius * (1.0 - 1e-12)
    assert all(error > 0.0 for error in errors)
    # circumscribed polygons: the error falls with the square of the step
    assert errors[1] < 0.35 * errors[0]
    assert errors[2] < 0.35 * errors[1]


def test_no_street_where_circles_overlap_in_height() -> None:
    low, high = np.array([[0.0, 0.0]]), np.array([[0.5, 1.0]])
    one = np.array([1.0])
    assert street_path((low, one), (high, one), x_range=(-3.0, 3.0), y_ends=0.5) is None


def test_strips_have_width_and_length() -> None:
    path = np.array([[0.0, 0.0], [10.0, 0.0]])
    points = strip(path, width=2.0, start=1.0, stop=7.0)
    assert polygon_area(points) == pytest.approx(12.0, rel=1e-12)
    bent = np.array([[0.0, 0.0], [5.0, 5.0], [10.0, 0.0]])
    aside = offset_path(bent, 1.0)
    # parallel lines at distance 1
    for k in range(2):
        along = (bent[k + 1] - bent[k]) / np.linalg.norm(bent[k + 1] - bent[k])
        away = aside[k : k + 2] - bent[k]
        across = along[0] * away[:, 1] - along[1] * away[:, 0]
        assert across == pytest.approx([1.0, 1.0], rel=1e-12)


def test_circles_drawn_together_are_those_drawn_alone() -> None:
    radii = np.random.default_rng(3).uniform(30e-6, 900e-6, 40).tolist()
    together = circle_polygons(radii, grid=5e-9, tolerance=5e-8)
    for radius, points in zip(radii, together, strict=True):
        assert np.array_equal(points, circle_polygons([radius], grid=5e-9, tolerance=5e-8)[0])
