"""Reads a written layout back with an independent library and checks it against the process."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from arrayopt.base.errors import ArrayoptError
from arrayopt.chip.layout import MARKS, TOP
from arrayopt.chip.process import ENCLOSURES, MADE, NANOMETRE, Process
from arrayopt.chip.readback_nets import Nets

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
        mark = [self.layout.cell(MARKS).cell_index()]
        if merged and marks:
            # marks stand apart, and merging everything once more takes longest of all
            rest = self.region(role, marks=False)
            iterator.unselect_all_cells()
            iterator.select_cells(mark)
            alone = self.db.Region(iterator).merged()
            found = rest + alone
            if alone.interacting(rest).is_empty():
                found.merged_semantics = False
            else:
                found.merge()
            self._merged[role, marks] = found
            return found
        if not marks:
            iterator.unselect_cells(mark)
        region = self.db.Region(iterator)
        if merged:
            self._merged[role, marks] = region.merged()
            return self._merged[role, marks]
        region.merged_semantics = False
        return region

    def _index(self, role: str) -> int:
        layer = self.process.layers[role]
        return int(self.layout.layer(layer.number, layer.datatype))

    def _shapes(self, role: str, *, near: Any = None, without: Sequence[int] = ()) -> Any:
        """Shapes of a role as drawn, but for marks: near a region, without some blocks."""
        index = self._index(role)
        iterator = self.layout.begin_shapes(self.top, index)
        if near is not None:
            boxes = near.extents()
            iterator = self.db.RecursiveShapeIterator(self.layout, self.top, index, boxes, False)
        iterator.unselect_cells([self.layout.cell(MARKS).cell_index(), *without])
        return self.db.Region(iterator)

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
        """Broken rules of width, space, enclosure, overlap and grid, from the shapes alone."""
        return [
            *self._widths_and_spaces(),
            *self._enclosures(),
            *self._overlaps(),
            *self._grid(),
        ]

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
            inside = self._not_held_by_block(inner, outer, need)
            if inside.is_empty():
                continue
            # growing is quick; only what then sticks out is worth measuring
            grown = inside.sized(self._steps(need), 2)
            bad = inside.interacting(grown - self._shapes(outer, near=grown))
            if bad.is_empty():
                continue
            around = self.region(outer, marks=False)
            for polygon in (bad - around).each():
                centre = polygon.bbox().center()
                yield Finding(rule, centre.x * NANOMETRE, centre.y * NANOMETRE, 0.0, need)
            yield from self._pairs(rule, bad.enclosed_check(around, self._steps(need)), need)

    def _not_held_by_block(self, inner: str, outer: str, need: float) -> Any:
        """Merged shapes of a role, without those that their own block encloses by the need.

        Whatever else a layout holds can only add to what encloses them.
        """
        here, around = (self._index(role) for role in (inner, outer))
        altered = {i.cell_index for i in self.top.each_inst() if i.is_complex()}
        held = []
        for block in self.layout.each_cell():
            index = block.cell_index()
            if index == self.top.cell_index() or index in altered or not block.is_leaf():
                continue
            shapes = self.db.Region(block.shapes(here))
            if block.shapes(here).size() > 1:
                shapes.merge()
            grown = [shape.sized(self._steps(need), 2) for shape in shapes.each()]
            if (self.db.Region(grown) - self.db.Region(block.shapes(around))).is_empty():
                held.append(index)
        return self._shapes(inner, without=held).merged()

    def _overlaps(self) -> Iterator[Finding]:
        """Where two shapes of a layer join, they share the least overlap in both directions.

        Across a shape that is narrower, its whole width is enough. What one block of the hierarchy
        holds is one shape: the halves of a ring only meet.
        """
        for role in MADE:
            if role not in self.process.layers or self.process.layers[role].min_overlap <= 0.0:
                continue
            layer, single = self.process.layers[role], self._block_by_block(role)
            need = self._steps(layer.min_overlap)
            # grown by a step, so that shapes that only meet are seen as well
            shared = single.sized(1, 2).merged(False, 2)
            bad = shared.not_interacting(self._holding(shared, need, need))
            for width, shapes in self._narrow(single, need).items():
                held = self._holding(bad.interacting(shapes), need, width)
                bad = bad.not_interacting(held)
            for polygon in bad.each():
                centre = polygon.bbox().center()
                yield Finding(
                    f"overlap of {layer.name}",
                    centre.x * NANOMETRE,
                    centre.y * NANOMETRE,
                    max(self._side(polygon, need + 2) - 2, 0) * NANOMETRE,  # as drawn
                    layer.min_overlap,
                )

    def _narrow(self, single: Any, need: int) -> dict[int, Any]:
        """Shapes that hold no square of a side, by the side of the largest that they hold."""
        found: dict[int, Any] = {}
        for polygon in single.each():
            # inradius >= area / perimeter for every simple polygon
            if 2 * polygon.area() < need * polygon.perimeter():
                side = self._side(polygon, need)
                if side < need:
                    found.setdefault(side, self.db.Region()).insert(polygon)
        return found

    def _side(self, polygon: Any, most: int) -> int:
        """Side of the largest square that fits into a polygon, or most [steps, even]."""
        box, region = polygon.bbox(), self.db.Region(polygon)
        if polygon.is_box():
            return int(min(box.width(), box.height(), most))
        low, high = 0, most // 2 + 1
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if region.sized(-middle, 2).is_empty() else (middle, high)
        return min(2 * low, most)

    def _holding(self, region: Any, length: int, width: int) -> Any:
        """Where a rectangle fits in, lying or standing; 2 steps are allowed for rounding."""
        long, short = (-max(side // 2 - 1, 0) for side in (length, width))
        return region.sized(long, short, 2) + region.sized(short, long, 2)

    def _block_by_block(self, role: str) -> Any:
        """Shapes of a role, those of each block merged, those of the top cell as drawn."""
        layer = self.process.layers[role]
        index = self.layout.find_layer(layer.number, layer.datatype)
        found = self.db.Region()
        found.merged_semantics = False
        if index is None:
            return found
        found.insert(self.top.shapes(index))
        blocks: dict[int, Any] = {}
        for instance in self.top.each_inst():
            if instance.cell_index not in blocks:
                shapes = instance.cell.shapes(index)
                region = self.db.Region(shapes)
                blocks[instance.cell_index] = region.merged() if shapes.size() > 1 else region
            found.insert(blocks[instance.cell_index].transformed(instance.trans))
        return found

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
        diff = self.db.LayoutDiff
        loose = (
            diff.BoxesAsPolygons
            | diff.FlattenArrayInsts
            | diff.NoProperties
            | diff.NoLayerNames
            | diff.NoTextDetails
            | diff.NoTextOrientation
        )
        if diff().compare(self.layout, other.layout, loose):
            return []  # the same shapes cell by cell; only other files are worth merging
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
