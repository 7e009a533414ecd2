"""A design and a process become polygons: cell blocks, placements, routing, coupon, labels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.chip.coupon import Coupon, TestSite, coupon
from arrayopt.chip.geometry import circle_polygons, ring_halves, snap
from arrayopt.chip.process import NANOMETRE, Process
from arrayopt.chip.routing import Pad, Routing, route
from arrayopt.chip.streets import RoutedCells, Shape
from arrayopt.design.designs import Designs

TOP = "CHIP"
MARKS = "MARKS"


@dataclass(frozen=True)
class Block:
    """A cell of the layout hierarchy that is placed more than once or stands for one diaphragm.

    Parameters
    ----------
    name : of the block in layout files.
    polygons : (layer role, (vertex, 2) in nanometres) about the block's origin.
    """

    name: str
    polygons: tuple[tuple[str, Ints], ...]


@dataclass(frozen=True)
class Placement:
    """Where a block stands [nm]; the array's cell number, or -1 for everything else."""

    block: str
    x: int
    y: int
    cell: int


@dataclass(frozen=True)
class Label:
    """A text of the layout and its place [nm]."""

    text: str
    x: int
    y: int


@dataclass(frozen=True)
class Drawn:
    """Radii as drawn, each (cell,) [m]: what the masks hold before making moves the edges."""

    cavity: Floats
    bottom: Floats
    top_outer: Floats
    top_inner: Floats
    """0 for discs."""


@dataclass(frozen=True)
class ChipLayout:
    """Everything a layout file holds.

    Parameters
    ----------
    blocks : by name; ``placements`` of them in the top cell.
    polygons : (role, (vertex, 2) [nm], net) of the top cell.
    labels : texts of the top cell.
    pads : of die and coupon, centres [m].
    position : (cell, 2) centres on the grid [m].
    block_of_cell : (cell,) names.
    drawn, routing, coupon : for the rule check and the drawing.
    die : sides [m].
    """

    blocks: tuple[Block, ...]
    placements: tuple[Placement, ...]
    polygons: tuple[tuple[str, Ints, str], ...]
    labels: tuple[Label, ...]
    pads: tuple[Pad, ...]
    position: Floats
    block_of_cell: tuple[str, ...]
    drawn: Drawn
    routing: Routing
    coupon: Coupon
    die: tuple[float, float]


def build_chip(
    designs: Designs, *, die: tuple[float, float], process: Process, texts: Sequence[str] = ()
) -> ChipLayout:
    """Draw one design.

    Parameters
    ----------
    designs : a batch of one design.
    die : sides along x and y [m].
    process : Process
    texts : lines for the coupon's label, such as identifier and digest.

    Raises
    ------
    RoutingError : electrodes cannot be led to pads.
    """
    steps = round(process.grid / NANOMETRE)
    centre = snap(designs.positions()[0], process.grid)
    position: Floats = np.asarray(centre * process.grid, dtype=np.float64)
    radius = designs.at_cells("radius")[0].astype(np.float64)
    coverage = designs.at_cells("electrode_coverage")[0].astype(np.float64)
    ring = designs.at_cells("ring")[0].astype(bool)
    drawn = drawn_radii(radius, coverage, ring, process)
    kinds, first, kind_of_cell = np.unique(
        np.stack([radius, coverage, ring], axis=1), axis=0, return_index=True, return_inverse=True
    )
    kind_of_cell = kind_of_cell.reshape(-1)
    blocks = _cell_blocks(drawn, first, process)
    routing = route(
        RoutedCells(
            position,
            np.maximum(radius, drawn.top_outer + _ring_space(process)),
            drawn.top_outer,
            drawn.bottom,
            designs.layout.channel_of_cell,
        ),
        die=die,
        corner=process.pads.space,
        process=process,
    )
    chosen = _test_kinds(len(kinds), process.monitor.classes)
    sites = [
        TestSite(blocks[k].name, float(radius[first[k]]), float(drawn.top_outer[first[k]]))
        for k in chosen
    ]
    beside = coupon(sites, die=die, process=process)
    names = tuple(blocks[k].name for k in kind_of_cell)
    blocks.append(Block(MARKS, tuple((s.role, _nm(s.points, process)) for s in beside.marks)))
    at = np.rint(position / NANOMETRE).astype(int)
    placements = [
        Placement(name, int(x), int(y), cell)
        for cell, (name, (x, y)) in enumerate(zip(names, at, strict=True))
    ]
    for name, *place in (*beside.placements, *((MARKS, x, y) for x, y in beside.mark_places)):
        x, y = snap(place, process.grid) * steps
        placements.append(Placement(name, int(x), int(y), -1))
    outline = [Shape("outline", _frame(*die), ""), Shape("outline", beside.outline, "")]
    shapes = [*routing.shapes, *beside.shapes, *outline]
    pads = (*routing.pads, *beside.pads)
    return ChipLayout(
        blocks=tuple(blocks),
        placements=tuple(placements),
        polygons=tuple((s.role, _nm(s.points, process), s.net) for s in shapes),
        labels=_labels(at, pads, beside, texts, process),
        pads=pads,
        position=position,
        block_of_cell=names,
        drawn=drawn,
        routing=routing,
        coupon=beside,
        die=die,
    )


def drawn_radii(radius: Floats, coverage: Floats, ring: Ints, process: Process) -> Drawn:
    """Radii to draw so that making brings the designed ones.

    Openings grow by their layer's edge_shift, so the cavity is drawn smaller by it; the same holds
    for electrodes. The bottom electrode keeps its enclosure both as drawn and as made.
    """
    cavity, bottom, top = (
        process.layers[role].edge_shift for role in ("cavity", "bottom-electrode", "top-electrode")
    )
    enclosure = process.enclosed("bottom-electrode", "cavity")
    slack = process.curve_tolerance + process.grid  # polygons of two sizes are not parallel
    return Drawn(
        cavity=radius - cavity,
        bottom=radius + enclosure - min(cavity, bottom) + slack,
        top_outer=np.where(ring, radius, coverage * radius) - top,
        top_inner=np.where(ring, (1.0 - coverage) * radius + top, 0.0),
    )


def _ring_space(process: Process) -> float:
    """How much further than keep_off traces stay from electrodes that reach to the rim."""
    return (
        process.layers["top-electrode"].min_space
        + process.curve_tolerance
        - process.traces.keep_off
    )


def _cell_blocks(drawn: Drawn, cells: Ints, process: Process) -> list[Block]:
    """Blocks of the cells that stand for the kinds of cells."""
    steps = round(process.grid / NANOMETRE)
    inner = [float(r) for r in drawn.top_inner[cells]]
    radii = [
        *(float(r[cell]) for r in (drawn.cavity, drawn.bottom, drawn.top_outer) for cell in cells),
        *(r for r in inner if r > 0.0),
    ]
    circles = circle_polygons(radii, grid=process.grid, tolerance=process.curve_tolerance)
    count = len(cells)
    holes = iter(circles[3 * count :])
    blocks = []
    for k, (cavity, bottom, outer) in enumerate(
        zip(
            circles[:count], circles[count : 2 * count], circles[2 * count : 3 * count], strict=True
        )
    ):
        top = ring_halves(outer, next(holes)) if inner[k] > 0.0 else [outer]
        shapes = [("cavity", cavity), ("bottom-electrode", bottom)]
        shapes += [("top-electrode", points) for points in top]
        blocks.append(Block(f"CELL{k:04d}", tuple((role, p * steps) for role, p in shapes)))
    return blocks


def _test_kinds(count: int, most: int) -> list[int]:
    """Which kinds of cells stand on the coupon: all, or as many as allowed, evenly by radius."""
    if count <= most:
        return list(range(count))
    return sorted({round(v) for v in np.linspace(0, count - 1, most)}) if most > 0 else []


def _nm(points: Floats, process: Process) -> Ints:
    return snap(points, process.grid) * round(process.grid / NANOMETRE)


def _frame(width: float, height: float) -> Floats:
    return 0.5 * np.array([[-width, -height], [width, -height], [width, height], [-width, height]])


def _labels(
    at: Ints, pads: Sequence[Pad], beside: Coupon, texts: Sequence[str], process: Process
) -> tuple[Label, ...]:
    steps = round(process.grid / NANOMETRE)
    labels = [Label(f"C{cell}", int(x), int(y)) for cell, (x, y) in enumerate(at)]
    for pad in pads:
        x, y = snap((pad.x, pad.y), process.grid) * steps
        labels.append(Label(pad.net, int(x), int(y)))
    for name, x, y in beside.texts:
        place = snap((x, y), process.grid) * steps
        labels.append(Label(name, int(place[0]), int(place[1])))
    for k, text in enumerate(texts):
        x, y = snap((beside.title[0], beside.title[1] - k * 60e-6), process.grid) * steps
        labels.append(Label(text, int(x), int(y)))
    return tuple(labels)
