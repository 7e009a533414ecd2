"""Reads a written layout back with an independent library and checks it against the process."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from arrayopt.chip_layout import MARKS, TOP
from arrayopt.errors import ArrayoptError
from arrayopt.process import ENCLOSURES, MADE, NANOMETRE, Process

_CONDUCTORS = ("bottom-electrode", "top-electrode", "wiring")
_JOINS = (
    ("bottom-electrode", "film-opening", "top-electrode"),
    ("top-electrode", "via", "wiring"),
)


class CheckLibraryError(ArrayoptError):
    """The library for reading layouts back is not installed."""


@dataclass(frozen=True)
class Finding:
    """One broken rule: name, place [m], measured and required value [m] (NaN where neither)."""

    rule: str
    x: float
    y: float
    measured: float
    required: float


def _library() -> Any:
    try:
        import klayout.db
    except ImportError:
        raise CheckLibraryError(
            "klayout is needed to read layouts back; install it with: pip install 'arrayopt[check]'"
        ) from None
    return klayout.db


class ReadLayout:
    """A GDSII or OASIS file as an independent reader sees it.

    Parameters
    ----------
    path : the file.
    process : layer numbers and rules.

    Raises
    ------
    CheckLibraryError : klayout is not installed.
    ArrayoptError : the file cannot be read.
    """

    def __init__(self, path: Path, process: Process) -> None:
        self.db, self.process = _library(), process
        self._merged: dict[tuple[str, bool], Any] = {}
        self.layout = self.db.Layout()
        try:
            self.layout.read(str(path))
        except RuntimeError as error:
            raise ArrayoptError(f"{path} cannot be read as a layout: {error}") from error
        self.top = self.layout.cell(TOP)
        if self.top is None:
            raise ArrayoptError(f"{path} has no cell {TOP}; it is not one of our layouts")

    def region(self, role: str, *, marks: bool = True, merged: bool = True) -> Any:
        """All shapes of a role, flat; merged unless they are wanted as drawn."""
        if merged and (role, marks) in self._merged:
            return self._merged[role, marks]
        layer = self.process.layers[role]
        index = self.layout.find_layer(layer.number, layer.datatype)
        if index is None:
            return self.db.Region()
        iterator = self.layout.begin_shapes(self.top, index)
        if not marks:
            iterator.unselect_cells([self.layout.cell(MARKS).cell_index()])
        region = self.db.Region(iterator)
        if merged:
            self._merged[role, marks] = region.merged()
            return self._merged[role, marks]
        region.merged_semantics = False
        return region

    def labels(self) -> dict[str, tuple[int, int]]:
        """Texts and their places, in database units."""
        layer = self.process.layers["label"]
        index = self.layout.find_layer(layer.number, layer.datatype)
        found = {}
        for shape in self.top.shapes(index).each():
            if shape.is_text():
                found[shape.text.string] = (shape.text.x, shape.text.y)
        return found

    def findings(self) -> list[Finding]:
        """Broken rules of width, space, enclosure and grid, from the shapes alone."""
        return [*self._widths_and_spaces(), *self._enclosures(), *self._grid()]

    def _steps(self, length: float) -> int:
        return round(length / NANOMETRE)

    def _widths_and_spaces(self) -> Iterator[Finding]:
        for role in MADE:
            if role not in self.process.layers:
                continue
            layer, region = self.process.layers[role], self.region(role)
            for kind, check, need in (
                ("width", region.width_check, layer.min_width),
                ("space", region.space_check, layer.min_space),
            ):
                if need > 0.0:
                    yield from self._pairs(
                        f"{kind} of {layer.name}", check(self._steps(need)), need
                    )

    def _enclosures(self) -> Iterator[Finding]:
        for outer, inner in ENCLOSURES:
            need = self.process.enclosures.get((outer, inner))
            if need is None or not {outer, inner} <= set(self.process.layers):
                continue
            names = [self.process.layers[role].name for role in (inner, outer)]
            rule = f"enclosure of {names[0]} in {names[1]}"
            inside, around = (self.region(role, marks=False) for role in (inner, outer))
            # growing is quick; only what then sticks out is worth measuring
            bad = inside.interacting(inside.sized(self._steps(need), 2) - around)
            for polygon in (bad - around).each():
                centre = polygon.bbox().center()
                yield Finding(rule, centre.x * NANOMETRE, centre.y * NANOMETRE, 0.0, need)
            yield from self._pairs(rule, bad.enclosed_check(around, self._steps(need)), need)

    def _pairs(self, rule: str, pairs: Any, need: float) -> Iterator[Finding]:
        for pair in pairs.each():
            centre = pair.bbox().center()
            yield Finding(
                rule,
                centre.x * NANOMETRE,
                centre.y * NANOMETRE,
                pair.distance() * NANOMETRE,
                need,
            )

    def _grid(self) -> Iterator[Finding]:
        step = self._steps(self.process.grid)
        for role in self.process.layers:
            if role == "label":
                continue
            # merging would add corners where shapes cross, which no mask holds
            for pair in self.region(role, merged=False).grid_check(step, step).each():
                at = pair.first.p1
                x, y = at.x * NANOMETRE, at.y * NANOMETRE
                name = self.process.layers[role].name
                yield Finding(f"grid of {name}", x, y, float("nan"), self.process.grid)

    def differences(self, other: ReadLayout) -> list[str]:
        """Layers whose shapes are not the same in another file of the same layout."""
        return [
            layer.name
            for role, layer in self.process.layers.items()
            if role != "label" and not (self.region(role) ^ other.region(role)).is_empty()
        ]

    def nets(self) -> Nets:
        """Connected metal, found from shapes alone: levels are joined where openings reach both."""
        pieces = [
            (role, polygon)
            for role in _CONDUCTORS
            if role in self.process.layers
            for polygon in self.region(role, marks=False).each()
        ]
        nets = Nets(self.db, pieces)
        for below, opening, above in _JOINS:
            if opening in self.process.layers:
                for polygon in self.region(opening, marks=False).each():
                    nets.join(polygon, (below, above))
        return nets


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

    def at(self, role: str, x: int, y: int) -> int:
        """The net whose metal of a role covers a point [nm]; -1 for none."""
        point = self.db.Point(x, y)
        for k in self._near(x, y, x, y):
            if self.pieces[k][0] == role and self.pieces[k][1].inside(point):
                return self.root(k)
        return -1

    def _near(self, left: int, bottom: int, right: int, top: int) -> list[int]:
        b = self.boxes
        hit = (b[:, 0] <= right) & (left <= b[:, 2]) & (b[:, 1] <= top) & (bottom <= b[:, 3])
        return [int(k) for k in np.flatnonzero(hit)]


def wrong_connections(
    read: ReadLayout,
    electrodes: Mapping[str, tuple[str, int, int, int, int]],
    pads: Mapping[str, tuple[int, int]],
) -> list[str]:
    """Sentences about electrodes that do not reach exactly their pad.

    Parameters
    ----------
    read : ReadLayout
    electrodes : name -> (net, x, y of a point on the top electrode, x, y of one on the bottom
        electrode) [nm].
    pads : net -> centre [nm]; ``GND`` nets end in GND.
    """
    nets = read.nets()
    owner = {net: nets.at("top-electrode", *place) for net, place in pads.items()}
    wrong = [f"pad {net} has no metal" for net, k in owner.items() if k < 0]
    names: dict[int, str] = {}
    for net, k in owner.items():
        if k in names:
            wrong.append(f"pads {names[k]} and {net} are joined")
        names[k] = net
    for name, (net, x, y, below_x, below_y) in electrodes.items():
        ground = "TEST-GND" if net.startswith("T") else "GND"
        for role, wanted, point in (
            ("top-electrode", net, (x, y)),
            ("bottom-electrode", ground, (below_x, below_y)),
        ):
            found = nets.at(role, *point)
            if found != owner[wanted]:
                meets = names.get(found, "no pad")
                wrong.append(f"{role} of {name} reaches {meets}, not {wanted}")
    return wrong
