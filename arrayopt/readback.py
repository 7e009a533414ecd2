"""Reads a written layout back with an independent library and checks it against the process."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

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
        layer = self.process.layers[role]
        index = self.layout.find_layer(layer.number, layer.datatype)
        if index is None:
            return self.db.Region()
        iterator = self.layout.begin_shapes(self.top, index)
        if not marks:
            iterator.unselect_cells([self.layout.cell(MARKS).cell_index()])
        region = self.db.Region(iterator)
        if merged:
            return region.merged()
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
            for polygon in (inside - around).each():
                centre = polygon.bbox().center()
                yield Finding(rule, centre.x * NANOMETRE, centre.y * NANOMETRE, 0.0, need)
            if need > 0.0:
                found = inside.enclosed_check(around, self._steps(need))
                yield from self._pairs(rule, found, need)

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

    def nets(self) -> list[dict[str, Any]]:
        """Connected metal: each net as role -> merged region, found from shapes alone.

        Levels are joined where an opening overlaps both.
        """
        pieces = [
            (role, self.db.Region(polygon))
            for role in _CONDUCTORS
            if role in self.process.layers
            for polygon in self.region(role, marks=False).each()
        ]
        parent = list(range(len(pieces)))

        def root(k: int) -> int:
            while parent[k] != k:
                parent[k] = parent[parent[k]]
                k = parent[k]
            return k

        index = _BoxIndex(self.db, [region for _, region in pieces])
        for below, opening, above in _JOINS:
            if opening not in self.process.layers:
                continue
            for polygon in self.region(opening, marks=False).each():
                hole = self.db.Region(polygon)
                touched = [
                    k
                    for k in index.near(polygon.bbox())
                    if pieces[k][0] in (below, above) and not (pieces[k][1] & hole).is_empty()
                ]
                for k in touched[1:]:
                    parent[root(k)] = root(touched[0])
        groups: dict[int, dict[str, Any]] = {}
        for k, (role, region) in enumerate(pieces):
            net = groups.setdefault(root(k), {})
            net[role] = net.get(role, self.db.Region()) + region
        return list(groups.values())

    def net_at(self, nets: list[dict[str, Any]], role: str, x: int, y: int) -> int:
        """Number of the net whose metal of a role covers a point [nm]; -1 for none."""
        spot = self.db.Region(self.db.Box(x - 1, y - 1, x + 1, y + 1))
        for k, net in enumerate(nets):
            if role in net and not (net[role] & spot).is_empty():
                return k
        return -1


class _BoxIndex:
    """Bounding boxes to search among."""

    def __init__(self, db: Any, regions: list[Any]) -> None:
        self.boxes = [region.bbox() for region in regions]
        self.db = db

    def near(self, box: Any) -> list[int]:
        return [k for k, other in enumerate(self.boxes) if other.touches(box)]


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
    owner = {net: read.net_at(nets, "top-electrode", *place) for net, place in pads.items()}
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
            found = read.net_at(nets, role, *point)
            if found != owner[wanted]:
                meets = names.get(found, "no pad")
                wrong.append(f"{role} of {name} reaches {meets}, not {wanted}")
    return wrong
