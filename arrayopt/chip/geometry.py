"""Plane geometry of masks: circles of exact area on a grid, streets between circles, strips."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Floats, Ints

AREA_TOLERANCE = 1e-6
"""Largest relative error of a polygon's area."""

_CANDIDATES = np.linspace(-0.5, 0.5, 9)  # of a grid step, added to the vertex radius
_LEAST_VERTICES, _MOST_VERTICES = 32, 1024
_MOST_MOVES = 4  # of vertices, to correct an area
_TOGETHER = 512  # circles drawn at once: arrays that stay in the processor's cache


def snap(value: ArrayLike, grid: float) -> Ints:
    """Nearest multiples of the grid, in grid steps.

    Parameters
    ----------
    value : any shape [m].
    grid : [m].
    """
    return np.rint(np.asarray(value, dtype=np.float64) / grid).astype(np.int64)


def vertex_count(radius: float, tolerance: float) -> int:
    """Vertices, a multiple of 8, for which chord and arc differ by less than the tolerance [m]."""
    half = np.arccos(max(-1.0, 1.0 - min(tolerance / radius, 1.0)))
    wanted = int(np.ceil(np.pi / half / 8.0)) * 8
    return int(np.clip(wanted, _LEAST_VERTICES, _MOST_VERTICES))


def circle_polygons(radii: Sequence[float], *, grid: float, tolerance: float) -> list[Ints]:
    """Polygons on the grid with the areas of circles, symmetric about both axes.

    The vertex radius is that of the regular polygon of equal area; rounding to the grid is then
    corrected by choosing among slightly different radii and by moving single vertices by one step.
    Circles with as many vertices are drawn together; none depends on another.

    Parameters
    ----------
    radii : of the circles [m].
    grid, tolerance : grid step, and largest distance of polygon and circle [m].

    Returns
    -------
    For each circle (vertex, 2), counter-clockwise, in grid steps; the axes cut edges, not vertices.

    Raises
    ------
    ValueError : no polygon on this grid has the area to 1e-6 (radius of a few hundred steps).
    """
    counts = np.array([vertex_count(radius, tolerance) for radius in radii])
    target = np.array([np.pi * (radius / grid) ** 2 for radius in radii])
    found: list[Ints] = [np.empty((0, 2), dtype=np.int64)] * len(radii)
    for count in np.unique(counts):
        which = np.flatnonzero(counts == count)
        for some in np.array_split(which, len(which) // _TOGETHER + 1):
            quarter = _quarters(int(count), target[some])
            bad = np.abs(_symmetric_area(quarter) - target[some]) > AREA_TOLERANCE * target[some]
            if bad.any():
                radius = radii[int(some[int(np.argmax(bad))])]
                raise ValueError(
                    f"a circle of {radius:g} m cannot be drawn on a grid of {grid:g} m"
                )
            for k, whole in zip(some, _mirrored(quarter), strict=True):
                found[int(k)] = whole
    return found


def _mirrored(quarter: Floats) -> Ints:
    """Whole polygons (circle, vertex, 2) from their first quadrants (circle, axis, vertex)."""
    x, y = quarter.astype(np.int64).transpose(1, 0, 2)
    return np.concatenate(
        [
            np.stack([x, y], axis=2),
            np.stack([-x, y], axis=2)[:, ::-1],
            np.stack([-x, -y], axis=2),
            np.stack([x, -y], axis=2)[:, ::-1],
        ],
        axis=1,
    )


def _quarters(count: int, target: Floats) -> Floats:
    """First quadrants (circle, axis, vertex) of polygons with areas (circle,) in grid squares."""
    vertex_radius = np.sqrt(2.0 * target / (count * np.sin(2.0 * np.pi / count)))
    tried = (vertex_radius[:, None] + _CANDIDATES)[:, :, None, None]
    trial = np.rint(tried * _directions(count))
    error = _symmetric_area(trial) - target[:, None]
    quarter = trial[np.arange(len(trial)), np.argmin(np.abs(error), axis=1)]
    _nudge_singly(quarter, target)
    for k in np.flatnonzero(_off(quarter, target)):
        quarter[k] = _nudged_by_pairs(quarter[k], float(target[k]))
    return quarter


def _off(quarter: Floats, target: Floats) -> NDArray[np.bool_]:
    """Where an area is not yet as good as it need be."""
    error = np.abs(_symmetric_area(quarter) - target)
    return np.asarray(error >= 0.5 * AREA_TOLERANCE * target)


@lru_cache(maxsize=64)
def _directions(count: int) -> Floats:
    """Unit vectors (axis, vertex) of a regular polygon's vertices in the first quadrant."""
    angle = (np.arange(count // 4) + 0.5) * (2.0 * np.pi / count)
    return np.stack([np.cos(angle), np.sin(angle)])


def _symmetric_area(quarter: Floats) -> Floats:
    """Area of the polygon whose first quadrant is (..., axis, vertex)."""
    x, y = quarter[..., 0, :], quarter[..., 1, :]
    cross = x[..., :-1] * y[..., 1:] - x[..., 1:] * y[..., :-1]
    ends = x[..., 0] * y[..., 0] + x[..., -1] * y[..., -1]
    return np.asarray(2.0 * (cross.sum(axis=-1) + ends))


def _nudge_singly(quarter: Floats, target: Floats) -> None:
    """Move single vertices (circle, axis, vertex) by a grid step, in place, as long as it helps.

    The area is linear in every coordinate, so the gain of each move is known beforehand.
    """
    active = np.flatnonzero(_off(quarter, target))
    for _ in range(_MOST_MOVES):
        if not len(active):
            return
        part = quarter[active]
        error = _symmetric_area(part) - target[active]
        slope = _area_slope(part).reshape(len(part), -1)
        gain = np.concatenate([slope, -slope], axis=1)
        move = np.argmin(np.abs(gain + error[:, None]), axis=1)
        step = np.where(move < slope.shape[1], 1.0, -1.0)
        trial: Floats = part.reshape(slope.shape).copy()
        trial[np.arange(len(part)), move % slope.shape[1]] += step
        trial = trial.reshape(part.shape)
        better = np.abs(_symmetric_area(trial) - target[active]) < np.abs(error)
        active, trial = active[better], trial[better]
        quarter[active] = trial
        active = active[_off(trial, target[active])]


def _nudged_by_pairs(quarter: Floats, target: float) -> Floats:
    """Move two vertices (axis, vertex) at once by a grid step each, as long as it helps.

    The gain of two moves is known up to the area of a grid square.
    """
    error = float(_symmetric_area(quarter)) - target
    for _ in range(_MOST_MOVES):
        if abs(error) < 0.5 * AREA_TOLERANCE * target:
            break
        slope = _area_slope(quarter).ravel()
        moves = _best_pairs(np.concatenate([slope, -slope]), error)
        row, index = np.arange(len(moves)), moves % len(slope)
        change = np.zeros((len(moves), len(slope)))
        for k in range(2):  # both may move the same coordinate
            change[row, index[:, k]] += np.where(moves[:, k] < len(slope), 1.0, -1.0)
        trial = quarter + change.reshape(-1, *quarter.shape)
        after = _symmetric_area(trial) - target
        chosen = int(np.argmin(np.abs(after)))
        if abs(float(after[chosen])) >= abs(error):
            break
        quarter, error = trial[chosen], float(after[chosen])
    return quarter


def _best_pairs(gain: Floats, error: float, most: int = 64) -> Ints:
    """Pairs of moves (pair, 2) whose gains together come closest to undoing an error."""
    order = np.argsort(gain, kind="stable")
    place = np.searchsorted(gain[order], -error - gain)
    near = np.clip(place[:, None] + np.array([-1, 0]), 0, len(gain) - 1)
    first, second = np.repeat(np.arange(len(gain)), 2), order[near].ravel()
    left = np.abs(error + gain[first] + gain[second])
    best = np.argsort(left, kind="stable")[:most]
    return np.stack([first[best], second[best]], axis=1)


def _area_slope(quarter: Floats) -> Floats:
    """Derivative of `_symmetric_area` to the coordinates, (..., axis, vertex)."""
    x, y = quarter[..., 0, :], quarter[..., 1, :]
    slope = np.empty_like(quarter)
    slope[..., 0, :-1], slope[..., 0, -1] = y[..., 1:], y[..., -1]
    slope[..., 0, 1:] -= y[..., :-1]
    slope[..., 0, 0] += y[..., 0]
    slope[..., 1, 1:], slope[..., 1, 0] = x[..., :-1], x[..., 0]
    slope[..., 1, :-1] -= x[..., 1:]
    slope[..., 1, -1] += x[..., -1]
    return np.asarray(2.0 * slope)


def ring_halves(outer: Ints, inner: Ints) -> list[Ints]:
    """Two halves of a ring, each a simple polygon, that meet on the vertical axis.

    Layout formats hold no polygon with a hole, and a zero-width slit would be reported as an error
    by some checkers.

    Parameters
    ----------
    outer, inner : rims, from `circle_polygons`.
    """
    right = []
    for rim in (outer, inner):
        half = len(rim) // 2
        upward = np.concatenate([rim[-(half // 2) :], rim[: half // 2]])
        ends = np.array([[0, upward[0, 1]], [0, upward[-1, 1]]])
        right.append(np.concatenate([ends[:1], upward, ends[1:]]))
    ring = np.concatenate([right[0], right[1][::-1]])
    return [ring, (ring * np.array([-1, 1]))[::-1]]


def polygon_area(points: ArrayLike) -> float:
    """Signed area of a polygon (vertex, 2), in the square of its unit; exact for grid steps."""
    p = np.asarray(points)
    after = np.roll(p, -1, axis=0)
    return float((p[:, 0] * after[:, 1] - after[:, 0] * p[:, 1]).sum()) / 2.0


def rectangle(x0: float, y0: float, x1: float, y1: float) -> Floats:
    """Corners (4, 2), counter-clockwise, from any two opposite ones."""
    left, right, low, high = min(x0, x1), max(x0, x1), min(y0, y1), max(y0, y1)
    return np.array([[left, low], [right, low], [right, high], [left, high]])


def square(x: float, y: float, side: float) -> Floats:
    """Corners of a square about a centre."""
    return rectangle(x - 0.5 * side, y - 0.5 * side, x + 0.5 * side, y + 0.5 * side)


def offset_path(path: Floats, distance: float) -> Floats:
    """A path (vertex, 2) moved to its left by a distance; corners are mitred."""
    step = np.diff(path, axis=0)
    normal = np.stack([-step[:, 1], step[:, 0]], axis=1) / np.hypot(*step.T)[:, None]
    before, after = normal[np.r_[0, : len(normal)]], normal[np.r_[: len(normal), -1]]
    mitre = (before + after) / (1.0 + (before * after).sum(axis=1))[:, None]
    return np.asarray(path + distance * mitre)


def height_at(path: Floats, x: float) -> float:
    """y of a path that runs in the direction of x."""
    return float(np.interp(x, path[:, 0], path[:, 1]))


def strip(path: Floats, *, width: float, start: float, stop: float) -> Floats:
    """Polygon of a trace of some width along a path, cut off at x = start and x = stop."""
    sides = []
    for distance in (-0.5 * width, 0.5 * width):
        side = offset_path(path, distance)
        inside = side[(side[:, 0] > start) & (side[:, 0] < stop)]
        first, last = ([x, height_at(side, x)] for x in (start, stop))
        sides.append(np.concatenate([[first], inside, [last]]))
    return np.concatenate([sides[0], sides[1][::-1]])


def street_path(
    low: tuple[Floats, Floats],
    high: tuple[Floats, Floats],
    *,
    x_range: tuple[float, float],
    y_ends: float,
    sine_step: float = 0.1,
) -> Floats | None:
    """Shortest path in the direction of x above some circles and below others.

    Parameters
    ----------
    low, high : (centres (cell, 2), radii (cell,)) [m] of the circles below and above.
    x_range : where the path begins and ends, outside all circles.
    y_ends : height of both ends.
    sine_step : steps of the angle along arcs [rad]; the path keeps outside the true circles.

    Returns
    -------
    (vertex, 2), or None where a circle below reaches over one above.
    """
    grow = 1.0 / np.cos(0.5 * sine_step)
    theta = np.arange(sine_step, np.pi, sine_step)
    parts = [
        (centre[:, :1] + radius[:, None] * grow * np.cos(theta)).ravel()
        for centre, radius in (low, high)
    ]
    inner = np.unique(np.concatenate(parts))
    inner = inner[(inner > x_range[0]) & (inner < x_range[1])]
    if not len(inner):
        return np.array([[x_range[0], y_ends], [x_range[1], y_ends]])
    floor = _envelope(inner, low, grow, np.maximum.reduce, 1.0)
    ceiling = _envelope(inner, high, grow, np.minimum.reduce, -1.0)
    if bool(np.any(floor >= ceiling)):
        return None
    x = np.concatenate([x_range[:1], inner, x_range[1:]])
    floor = np.concatenate([[y_ends], floor, [y_ends]])
    ceiling = np.concatenate([[y_ends], ceiling, [y_ends]])
    return taut_path(x, floor, ceiling)


def _envelope(
    x: Floats,
    circles: tuple[Floats, Floats],
    grow: float,
    reduce: Callable[..., Floats],
    side: float,
) -> Floats:
    centre, radius = circles
    open_end = np.full((1, len(x)), -side * np.inf)
    if not len(radius):
        return open_end[0]
    room = (radius[:, None] * grow) ** 2 - (x - centre[:, :1]) ** 2
    arc = centre[:, 1:] + side * np.sqrt(np.maximum(room, 0.0))
    return np.asarray(reduce(np.concatenate([np.where(room > 0.0, arc, -side * np.inf), open_end])))


def taut_path(x: Floats, floor: Floats, ceiling: Floats) -> Floats:
    """The shortest path through a corridor given at ascending x; a funnel of two visible rims.

    Parameters
    ----------
    x, floor, ceiling : (point,), floor <= ceiling, equal at both ends.

    Returns
    -------
    (vertex, 2).
    """
    path = [(x[0], floor[0])]
    apex = 0
    while apex < len(x) - 1:
        ax, ay = path[-1]
        steepest_floor, lowest_ceiling = -np.inf, np.inf
        floor_at = ceiling_at = apex
        for k in range(apex + 1, len(x)):
            up, down = (ceiling[k] - ay) / (x[k] - ax), (floor[k] - ay) / (x[k] - ax)
            if down > lowest_ceiling:
                apex = ceiling_at
                path.append((x[apex], ceiling[apex]))
                break
            if up < steepest_floor:
                apex = floor_at
                path.append((x[apex], floor[apex]))
                break
            if down >= steepest_floor:
                steepest_floor, floor_at = down, k
            if up <= lowest_ceiling:
                lowest_ceiling, ceiling_at = up, k
        else:
            apex = len(x) - 1
            path.append((x[apex], floor[apex]))
    return np.array(path)
