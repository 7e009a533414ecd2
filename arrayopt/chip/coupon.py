"""The coupon beside the die: isolated test cells with pads of their own, and alignment marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.chip.geometry import rectangle, square
from arrayopt.chip.process import MADE, Process
from arrayopt.chip.routing import Pad, ground_pad
from arrayopt.chip.streets import Shape, even

COUPON_GROUND = "TEST-GND"
REFERENCE = "bottom-electrode"
"""The layer whose frames the crosses of all others are aligned to."""

_CROSS = 60e-6  # [m] least size of a cross
_FRAME_GAP = 10e-6  # [m] between cross and frame


@dataclass(frozen=True)
class TestSite:
    """A kind of cell to stand alone: block name, radius and drawn electrode radius [m]."""

    block: str
    radius: float
    electrode_radius: float


@dataclass(frozen=True)
class Coupon:
    """What stands beside the die, in the die's coordinates [m].

    Parameters
    ----------
    outline : corners (4, 2).
    placements : (block, x, y) of the test cells.
    shapes, pads : leads and pads of the test cells.
    texts : (text, x, y) naming them.
    marks : shapes of one set of alignment marks about its lower left corner.
    mark_places : (x, y) of the sets.
    title : where text about the design begins.
    """

    outline: Floats
    placements: tuple[tuple[str, float, float], ...]
    shapes: tuple[Shape, ...]
    pads: tuple[Pad, ...]
    texts: tuple[tuple[str, float, float], ...]
    marks: tuple[Shape, ...]
    mark_places: tuple[tuple[float, float], ...]
    title: tuple[float, float]


def coupon(sites: Sequence[TestSite], *, die: tuple[float, float], process: Process) -> Coupon:
    """A strip below the die, separated from it by the sawing street.

    Parameters
    ----------
    sites : kinds of cells, in the order of their radii.
    die : sides [m]; the coupon is as wide.
    process : Process
    """
    grid, size = process.grid, process.pads.size
    street, gap = process.sawing_street, process.monitor.space
    marks, mark_size = _marks(process)
    left, right = -0.5 * die[0] + street, 0.5 * die[0] - street
    top = -0.5 * die[1] - street
    ground_x = right - 0.5 * size
    cells_end = right - size - process.pads.space
    shapes: list[Shape] = []
    pads: list[Pad] = []
    places: list[tuple[str, float, float]] = []
    texts: list[tuple[str, float, float]] = []
    bars: list[float] = []
    pad_y = _down(top - 0.5 * size, grid)
    ground_y, row_bottom = pad_y, top - size
    x_next = left
    row: list[tuple[TestSite, float]] = []
    rows: list[list[tuple[TestSite, float]]] = []
    for site in sites:
        reach = max(site.radius + process.traces.keep_off, 0.5 * size)
        if row and x_next + 2.0 * reach > cells_end:
            rows.append(row)
            row, x_next = [], left
        row.append((site, even(x_next + reach + 0.5 * die[0], grid) - 0.5 * die[0]))
        x_next += 2.0 * reach + gap
    rows += [row] if row else []
    width = even(max(2.0 * process.traces.width, process.layers[REFERENCE].min_width), grid)
    number = 0
    for line in rows:
        tallest = max(site.radius for site, _ in line)
        centre_y = _down(pad_y - 0.5 * size - process.pads.space - tallest, grid)
        bars.append(centre_y)
        bar = rectangle(line[0][1], centre_y - 0.5 * width, ground_x, centre_y + 0.5 * width)
        shapes.append(Shape(REFERENCE, bar, COUPON_GROUND))
        for site, x in line:
            net = f"T{number}"
            places.append((site.block, x, centre_y))
            shapes += _lead(site, x, centre_y, pad_y, net, process)
            pads.append(Pad(net, x, pad_y))
            texts.append((f"T{number} {site.block}", x, centre_y))
            number += 1
        row_bottom = centre_y - tallest - gap
        pad_y = _down(row_bottom - 0.5 * size, grid)
    if bars:
        rail = rectangle(
            ground_x - 0.5 * width, min(bars) - 0.5 * width, ground_x + 0.5 * width, ground_y
        )
        shapes.append(Shape(REFERENCE, rail, COUPON_GROUND))
        for shape in ground_pad(ground_x, ground_y, process):
            shapes.append(Shape(shape.role, shape.points, COUPON_GROUND))
        shapes += _opening(ground_x, ground_y, process)
        pads.append(Pad(COUPON_GROUND, ground_x, ground_y))
    else:
        row_bottom = top
    marks_y = _down(row_bottom - mark_size[1], grid)
    end = _down(marks_y - street, grid)
    right_marks = even(right - mark_size[0], grid) - 2.0 * grid
    return Coupon(
        outline=rectangle(-0.5 * die[0], end, 0.5 * die[0], -0.5 * die[1]),
        placements=tuple(places),
        shapes=tuple(shapes),
        pads=tuple(pads),
        texts=tuple(texts),
        marks=marks,
        mark_places=((left, marks_y), (right_marks, marks_y)),
        title=(0.0, marks_y + mark_size[1]),
    )


def _lead(
    site: TestSite, x: float, y: float, pad_y: float, net: str, process: Process
) -> list[Shape]:
    top = process.layers["top-electrode"]
    half = 0.5 * even(process.traces.width, process.grid)
    rim = np.sqrt(site.electrode_radius**2 - half**2)
    # the electrode is a polygon, up to the tolerance inside its circle
    overlap = top.min_overlap + process.curve_tolerance
    inner = np.floor((rim - overlap) / process.grid) * process.grid
    return [
        Shape("top-electrode", rectangle(x - half, y + inner, x + half, pad_y), net),
        Shape("top-electrode", square(x, pad_y, process.pads.size), net),
        *_opening(x, pad_y, process),
    ]


def _opening(x: float, y: float, process: Process) -> list[Shape]:
    if "pad-opening" not in process.layers:
        return []
    inside = process.enclosed("top-electrode", "pad-opening")
    return [Shape("pad-opening", square(x, y, process.pads.size - 2.0 * inside), "")]


def _marks(process: Process) -> tuple[tuple[Shape, ...], tuple[float, float]]:
    """A row of frames on the reference layer, each with the cross of another layer in it."""
    grid = process.grid
    reference = process.layers[REFERENCE]
    frame = even(max(10e-6, reference.min_width), grid)
    shapes: list[Shape] = []
    x = tallest = 0.0
    for role in MADE:
        if role not in process.layers or role == REFERENCE:
            continue
        arm = even(max(10e-6, process.layers[role].min_width), grid)
        length = even(max(_CROSS, 3.0 * arm), grid)
        outer = length + 2.0 * even(_FRAME_GAP, grid) + 2.0 * frame
        middle = x + 0.5 * outer, 0.5 * outer
        for half_x, half_y in ((length, arm), (arm, length)):
            points = 0.5 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (half_x, half_y)
            shapes.append(Shape(role, points + middle, ""))
        for corners in (
            (x, 0.0, x + outer, frame),
            (x, outer - frame, x + outer, outer),
            (x, 0.0, x + frame, outer),
            (x + outer - frame, 0.0, x + outer, outer),
        ):
            shapes.append(Shape(REFERENCE, rectangle(*corners), ""))
        x += outer + even(max(reference.min_space, 10e-6), grid)
        tallest = max(tallest, outer)
    return tuple(shapes), (x, tallest)


def _down(value: float, grid: float) -> float:
    return float(np.floor(value / (2.0 * grid) + 1e-9) * 2.0 * grid)
