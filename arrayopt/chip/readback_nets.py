"""Which pieces of metal of a layout read back are connected, and whether that is as designed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Ints


class Nets:
    """Pieces of metal and which of them are one net.

    Parameters
    ----------
    db : the layout library.
    pieces : (role, merged polygon).
    """

    def __init__(self, db: Any, pieces: list[tuple[str, Any]]) -> None:
        self.db, self.pieces = db, pieces
        self.parent = list(range(len(pieces)))
        boxes = [polygon.bbox() for _, polygon in pieces]
        self.boxes = np.array([[b.left, b.bottom, b.right, b.top] for b in boxes]).reshape(-1, 4)

    def __len__(self) -> int:
        return len({self.root(k) for k in range(len(self.pieces))})

    def root(self, k: int) -> int:
        """The piece that stands for the net of a piece."""
        while self.parent[k] != k:
            self.parent[k] = self.parent[self.parent[k]]
            k = self.parent[k]
        return k

    def join(self, opening: Any, roles: tuple[str, str]) -> None:
        """All metal of two roles that an opening overlaps becomes one net."""
        box = opening.bbox()
        hole = self.db.Region(opening)
        touched = [
            k
            for k in self._near(box.left, box.bottom, box.right, box.top)
            if self.pieces[k][0] in roles
            and not (self.db.Region(self.pieces[k][1]) & hole).is_empty()
        ]
        for k in touched[1:]:
            self.parent[self.root(k)] = self.root(touched[0])

    def at(self, role: str, points: Sequence[tuple[int, int]]) -> list[int]:
        """The net whose metal of a role covers each point [nm]; -1 for none."""
        x, y = np.array(points, dtype=np.int64).reshape(-1, 2).T
        found = np.full(len(points), -1)
        for k, (layer, polygon) in enumerate(self.pieces):
            if layer == role:
                left, bottom, right, top = self.boxes[k]
                near = np.flatnonzero((left <= x) & (x <= right) & (bottom <= y) & (y <= top))
                if len(near):
                    found[near[_inside(polygon, x[near], y[near])]] = self.root(k)
        return [int(k) for k in found]

    def _near(self, left: int, bottom: int, right: int, top: int) -> list[int]:
        b = self.boxes
        hit = (b[:, 0] <= right) & (left <= b[:, 2]) & (b[:, 1] <= top) & (bottom <= b[:, 3])
        return [int(k) for k in np.flatnonzero(hit)]


def _inside(polygon: Any, x: Ints, y: Ints) -> NDArray[np.bool_]:
    """Which points lie in a polygon: an odd number of its edges cross the ray to the right.

    Points are sorted by height first, so that each edge meets only those at its own height.
    """
    x1, y1, x2, y2 = _edges(polygon)
    order = np.argsort(y, kind="stable")
    first = np.searchsorted(y[order], np.minimum(y1, y2), side="left")
    count = np.searchsorted(y[order], np.maximum(y1, y2), side="left") - first
    edge = np.repeat(np.arange(len(x1)), count)
    within = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    point = order[first[edge] + within]
    rise, run = y2[edge] - y1[edge], x2[edge] - x1[edge]
    side = run * (y[point] - y1[edge]) - rise * (x[point] - x1[edge])
    crossed = np.bincount(point[side * np.sign(rise) > 0], minlength=len(x))
    return np.asarray(crossed % 2 == 1)


def _edges(polygon: Any) -> Ints:
    """Ends of a polygon's edges, (x1 y1 x2 y2, edge); points are quicker to ask for than edges."""
    contours = [polygon.each_point_hull()]
    contours += [polygon.each_point_hole(k) for k in range(polygon.holes())]
    parts = []
    for contour in contours:
        start = np.array([(p.x, p.y) for p in contour], dtype=np.int64)
        parts.append(np.concatenate([start, np.roll(start, -1, axis=0)], axis=1))
    return np.concatenate(parts).T


def wrong_connections(
    nets: Nets,
    electrodes: Mapping[str, tuple[str, int, int, int, int]],
    pads: Mapping[str, tuple[int, int]],
) -> list[str]:
    """Sentences about electrodes that do not reach exactly their pad.

    Parameters
    ----------
    nets : of a layout read back.
    electrodes : name -> (net, x, y of a point on the top electrode, x, y of one on the bottom
        electrode) [nm].
    pads : net -> centre [nm]; ``GND`` nets end in GND.
    """
    owner = dict(zip(pads, nets.at("top-electrode", list(pads.values())), strict=True))
    wrong = [f"pad {net} has no metal" for net, k in owner.items() if k < 0]
    names: dict[int, str] = {}
    for net, k in owner.items():
        if k in names:
            wrong.append(f"pads {names[k]} and {net} are joined")
        names[k] = net
    above = nets.at("top-electrode", [place[1:3] for place in electrodes.values()])
    below = nets.at("bottom-electrode", [place[3:5] for place in electrodes.values()])
    for name, upper, lower in zip(electrodes, above, below, strict=True):
        net = electrodes[name][0]
        ground = "TEST-GND" if net.startswith("T") else "GND"
        for role, wanted, found in (
            ("top-electrode", net, upper),
            ("bottom-electrode", ground, lower),
        ):
            if found != owner[wanted]:
                meets = names.get(found, "no pad")
                wrong.append(f"{role} of {name} reaches {meets}, not {wanted}")
    return wrong
