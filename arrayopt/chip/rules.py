"""Checks a layout against its process from centres, radii and middle lines, not from polygons.

Polygons inside their circles hide violations of some nanometres; here every radius is enlarged by
the largest distance of polygon and circle, so a layout that passes passes as polygons, too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.base.errors import ArrayoptError
from arrayopt.base.units import format_value
from arrayopt.chip.layout import ChipLayout
from arrayopt.chip.process import Process
from arrayopt.study.model import Chip

_SHOWN = 12  # violations worth listing


@dataclass(frozen=True)
class Violation:
    """One broken rule.

    Parameters
    ----------
    rule : its name, such as ``space of CAVITY``.
    cells : what breaks it, such as ``cells 3 and 4``.
    measured, required : [m].
    """

    rule: str
    cells: str
    measured: float
    required: float

    def __str__(self) -> str:
        measured, required = (
            format_value(round(value, 10), "length") for value in (self.measured, self.required)
        )
        return f"rule {self.rule}: {self.cells} have {measured}; {required} is required"


class RuleError(ArrayoptError):
    """A layout breaks rules of its process or study; ``violations`` lists all."""

    def __init__(self, violations: Sequence[Violation]) -> None:
        self.violations = tuple(violations)
        super().__init__(self.violations)

    def __str__(self) -> str:
        lines = [str(violation) for violation in self.violations[:_SHOWN]]
        if len(self.violations) > _SHOWN:
            lines.append(f"and {len(self.violations) - _SHOWN} more")
        return "\n".join([*lines, "Nothing was written."])


def check_rules(
    chip: ChipLayout, *, radius: Floats, chip_limits: Chip, process: Process
) -> tuple[Violation, ...]:
    """All broken rules of a layout.

    Parameters
    ----------
    chip : ChipLayout
    radius : (cell,) designed radii [m].
    chip_limits : clearance and edge margin of the study.
    process : Process
    """
    return (
        *_spaces(chip, radius, chip_limits, process),
        *_widths(chip, process),
        *_enclosures(chip, radius, process),
        *_edges(chip, radius, chip_limits, process),
        *_streets(chip, radius, process),
        *_pads(chip, process),
        *_grid(chip, process),
    )


def _pair_distances(position: Floats) -> Floats:
    """Distance of each cell from every later one, infinite elsewhere, (cell, cell)."""
    step = position[:, None] - position[None]
    distance = np.hypot(step[..., 0], step[..., 1])
    return np.where(np.tri(len(position), dtype=bool), np.inf, distance)


def _spaces(
    chip: ChipLayout, radius: Floats, limits: Chip, process: Process
) -> Iterator[Violation]:
    slack, layers = 2.0 * process.curve_tolerance, process.layers
    rounding = np.sqrt(2.0) * process.grid  # of two centres
    drawn, distance = chip.drawn, _pair_distances(chip.position)
    for rule, values, need, joined in (
        ("clearance of diaphragms", radius, limits.clearance - rounding, False),
        (f"space of {layers['cavity'].name}", drawn.cavity, _space(process, "cavity"), False),
        (
            f"space of {layers['bottom-electrode'].name}",
            drawn.bottom,
            _space(process, "bottom-electrode"),
            True,
        ),
        (
            f"space of {layers['top-electrode'].name}",
            drawn.top_outer,
            _space(process, "top-electrode"),
            False,
        ),
    ):
        gaps = distance - values[:, None] - values[None]
        extra = 0.0 if values is radius else slack
        bad = gaps < need + extra
        if joined:
            # neighbours on one net may overlap; what is forbidden is a narrow slit
            bad &= gaps > -process.layers["bottom-electrode"].min_overlap
        for first, second in np.argwhere(bad):
            measured = float(gaps[first, second]) - extra
            yield Violation(rule, f"cells {first} and {second}", measured, need)


def _space(process: Process, role: str) -> float:
    return process.layers[role].min_space


def _widths(chip: ChipLayout, process: Process) -> Iterator[Violation]:
    drawn, top = chip.drawn, process.layers["top-electrode"]
    ring = drawn.top_inner > 0.0
    slack = 2.0 * process.curve_tolerance
    strip = np.where(ring, drawn.top_outer - drawn.top_inner, 2.0 * drawn.top_outer)
    hole = np.where(ring, 2.0 * drawn.top_inner, np.inf)
    cavity = process.layers["cavity"]
    for rule, values, need in (
        (f"width of {cavity.name}", 2.0 * drawn.cavity, cavity.min_width),
        (f"width of {top.name}", strip, max(top.min_width, top.min_overlap)),
        (f"hole of ring in {top.name}", hole, top.min_space),
    ):
        for cell in np.flatnonzero(values - slack < need):
            yield Violation(rule, f"cells {cell}", float(values[cell]) - slack, need)


def _enclosures(chip: ChipLayout, radius: Floats, process: Process) -> Iterator[Violation]:
    need = process.enclosed("bottom-electrode", "cavity")
    bottom, cavity = process.layers["bottom-electrode"], process.layers["cavity"]
    drawn = chip.drawn.bottom - chip.drawn.cavity
    made = drawn + bottom.edge_shift - cavity.edge_shift
    for word, values in (("", drawn), (" as made", made)):
        for cell in np.flatnonzero(values < need * (1.0 - 1e-9)):
            rule = f"enclosure of {cavity.name} in {bottom.name}{word}"
            yield Violation(rule, f"cells {cell}", float(values[cell]), need)


def _edges(chip: ChipLayout, radius: Floats, limits: Chip, process: Process) -> Iterator[Violation]:
    half = 0.5 * np.array(chip.die)
    rounding = np.sqrt(2.0) * process.grid
    for rule, values, need in (
        ("edge margin of diaphragms", radius, limits.edge_margin - rounding),
        ("sawing street", chip.drawn.bottom, process.sawing_street),
    ):
        room = (half - np.abs(chip.position) - values[:, None]).min(axis=1)
        for cell in np.flatnonzero(room < need):
            yield Violation(rule, f"cells {cell}", float(room[cell]), need)
    for role, points, net in chip.polygons:
        if role in ("outline", "label"):
            continue
        corner = np.abs(points * 1e-9)
        on_die = points[:, 1].min() * 1e-9 >= -half[1]
        room = float((half - corner).min()) if on_die else float(half[0] - corner[:, 0].max())
        if room < process.sawing_street - 0.5 * process.grid:
            name = process.layers[role].name
            yield Violation(
                f"sawing street at {name}", f"traces of {net}", room, process.sawing_street
            )


def _streets(chip: ChipLayout, radius: Floats, process: Process) -> Iterator[Violation]:
    """Distance of every trace from every diaphragm, along its middle line."""
    need = process.traces.keep_off
    for track in chip.routing.tracks:
        distance = _to_path(chip.position, track.path) - radius - 0.5 * track.width
        electrode = distance + radius - chip.drawn.top_outer - process.curve_tolerance
        checks = [("keep_off of traces", distance, need)]
        if chip.routing.levels == 1:
            top = process.layers["top-electrode"]
            checks.append((f"space of {top.name}", electrode, top.min_space))
        for rule, room, least in checks:
            for cell in np.flatnonzero(room < least - 2.0 * process.grid):
                cells = f"cells {cell} and a trace of channel {track.channel}"
                yield Violation(rule, cells, float(room[cell]), least)


def _to_path(points: Floats, path: Floats) -> Floats:
    """Distance of points (point, 2) from a path (vertex, 2)."""
    start, step = path[:-1], np.diff(path, axis=0)
    length = (step**2).sum(axis=1)
    best = np.full(len(points), np.inf)
    for a, d, squared in zip(start, step, length, strict=True):
        along = np.clip(((points - a) * d).sum(axis=1) / squared, 0.0, 1.0)
        away = points - a - along[:, None] * d
        best = np.minimum(best, np.hypot(away[:, 0], away[:, 1]))
    return best


def _pads(chip: ChipLayout, process: Process) -> Iterator[Violation]:
    centre = np.array([(pad.x, pad.y) for pad in chip.pads])
    apart = np.abs(centre[:, None] - centre[None]).max(axis=2) - process.pads.size
    apart[np.tril_indices(len(centre))] = np.inf
    for first, second in np.argwhere(apart < process.pads.space - 0.5 * process.grid):
        pair = f"pads {chip.pads[first].net} and {chip.pads[second].net}"
        yield Violation("space of pads", pair, float(apart[first, second]), process.pads.space)
    for pad in chip.routing.pads:
        box = np.array([pad.x, pad.y])
        nearest = np.abs(chip.position - box) - 0.5 * process.pads.size
        gap = np.hypot(*np.maximum(nearest, 0.0).T) - chip.drawn.bottom
        need = process.layers["bottom-electrode"].min_space
        for cell in np.flatnonzero(gap < need):
            pair = f"cells {cell} and pad {pad.net}"
            yield Violation("space of pads and cells", pair, float(gap[cell]), need)


def _grid(chip: ChipLayout, process: Process) -> Iterator[Violation]:
    step = round(process.grid / 1e-9)
    for role, points, net in chip.polygons:
        off = int(np.abs(points % step).max())
        if off:
            yield Violation(
                f"grid of {process.layers[role].name}", f"traces of {net}", off * 1e-9, 0.0
            )
    for place in chip.placements:
        off = max(place.x % step, place.y % step)
        if off:
            yield Violation("grid of centres", f"cells {place.cell}", off * 1e-9, 0.0)
