"""Process files: which layers there are, on what numbers, and what their making allows."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from arrayopt.base.forms import Keys, Length, LengthOrZero, Name, Title, Whole
from arrayopt.base.problems import Reporter
from arrayopt.base.units import Need, format_value

NANOMETRE = 1e-9
"""Database unit of every layout file [m]."""

DEFAULT = "data/process.toml"

ENCLOSURES = (
    ("bottom-electrode", "cavity"),
    ("bottom-electrode", "film-opening"),
    ("top-electrode", "film-opening"),
    ("top-electrode", "via"),
    ("wiring", "via"),
    ("top-electrode", "pad-opening"),
)
"""Pairs (outer, inner) that layouts contain; each needs its enclosure where both layers exist."""

MADE = (
    "cavity",
    "bottom-electrode",
    "film-opening",
    "top-electrode",
    "via",
    "wiring",
    "pad-opening",
)
"""Roles that become masks, in the order of making."""


LayerRole = Literal[
    "cavity",
    "bottom-electrode",
    "film-opening",
    "top-electrode",
    "via",
    "wiring",
    "pad-opening",
    "outline",
    "label",
]
ROLES: tuple[str, ...] = get_args(LayerRole)
NEEDED = tuple(role for role in ROLES if role not in ("via", "wiring", "pad-opening"))
LARGEST_SHIFT = 100e-6  # m; an undercut beyond it is no correction of a drawing any more
Shift = Annotated[float, Need("length", at_least=-LARGEST_SHIFT, at_most=LARGEST_SHIFT)]
LayerNumber = Annotated[int, Whole(at_least=0, at_most=32767)]


@dataclass(frozen=True)
class MaskLayer:
    """``[layers.ROLE]``: one layer of the layout; lengths [m] as drawn.

    Parameters
    ----------
    number, datatype, name : what it is called in files.
    purpose : for people.
    min_width, min_space : least width of a shape and least distance between two.
    min_overlap : least overlap where two shapes of the layer join.
    edge_shift : how far making moves every edge outward; electrodes and cavities are drawn
        smaller by it, so that the made shape is the designed one.
    """

    number: LayerNumber
    name: Name
    datatype: LayerNumber = 0
    purpose: str = ""
    min_width: LengthOrZero = 0.0
    min_space: LengthOrZero = 0.0
    min_overlap: LengthOrZero = 0.0
    edge_shift: Shift = 0.0


@dataclass(frozen=True)
class Enclosure:
    """``[[enclosure]]``: how far one layer must reach beyond another [m], as drawn."""

    outer: LayerRole
    inner: LayerRole
    at_least: LengthOrZero


@dataclass(frozen=True)
class Pads:
    """``[pads]``: square bond pads along the die's sides [m]."""

    size: Length
    space: Length


@dataclass(frozen=True)
class Traces:
    """``[traces]``: what leads from the electrodes to the pads; lengths [m].

    Streets too narrow for ``width`` get less; ``keep_off`` is the least distance of a trace from a
    diaphragm it does not lead to; ``via_size`` the side of a via, None without a second level.
    """

    width: Length
    keep_off: Length
    via_size: Length | None = None


@dataclass(frozen=True)
class Monitor:
    """``[monitor]``: most radius classes on the coupon, and the gap between its cells [m]."""

    classes: Annotated[int, Whole(at_least=0, at_most=64)] = 8
    space: Length = 200e-6


@dataclass(frozen=True, kw_only=True)
class ProcessFile:
    """A whole process file; lengths [m].

    Parameters
    ----------
    grid : every coordinate is a multiple; a whole number of nanometres.
    curve_tolerance : largest distance of a polygon from its circle.
    sawing_street : free strip inside the die's edge.
    layers : by role.
    """

    format: Literal[1]
    title: Title
    grid: Length
    curve_tolerance: Length
    sawing_street: Length
    pads: Pads
    traces: Traces
    monitor: Monitor = Monitor()
    layers: Annotated[dict[str, MaskLayer], Keys(ROLES, NEEDED)]
    enclosure: tuple[Enclosure, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Process(ProcessFile):
    """A validated process file: its place and text; the digest changes with anything but comments
    and title."""

    path: str
    text: str
    digest: str

    @property
    def second_level(self) -> bool:
        """True when traces may cross on a second metal level."""
        return "wiring" in self.layers

    @cached_property
    def enclosures(self) -> dict[tuple[str, str], float]:
        """(outer, inner) -> distance [m]."""
        return _enclosures(self)

    def enclosed(self, outer: str, inner: str) -> float:
        """Required enclosure [m]; 0 where one of the layers does not exist."""
        return self.enclosures.get((outer, inner), 0.0)


def _enclosures(form: ProcessFile) -> dict[tuple[str, str], float]:
    return {(e.outer, e.inner): e.at_least for e in form.enclosure}


def read_process(path: str | os.PathLike[str] | None = None) -> Process:
    """Read and check a process file; without a path, the neutral example that comes with us.

    Raises
    ------
    StudyError : all problems of the file, each with line, key, value and what is needed.
    """
    if path is None:
        text = files("arrayopt.chip").joinpath(DEFAULT).read_text(encoding="utf-8")
        return read_process_text(text, "process.toml")
    return _build(Reporter(Path(path)))


def read_process_text(text: str, path: str = "process.toml") -> Process:
    """A process from the text of its file, as an export keeps it.

    Raises
    ------
    StudyError : as `read_process`.
    """
    return _build(Reporter(Path(path), text))


def _build(report: Reporter) -> Process:
    form = report.validate(ProcessFile)
    _check_layers(form, report)
    _check_enclosures(form, report)
    _check_lengths(form, report)
    report.finish()
    told = vars(form) | {"layers": {r: form.layers[r] for r in ROLES if r in form.layers}}
    return Process(path=report.file, text=report.text, digest=_digest(report.data), **told)


def _check_layers(form: ProcessFile, report: Reporter) -> None:
    layers = form.layers
    second = [role for role in ("via", "wiring") if role in layers]
    if len(second) == 1:
        need = "wiring and via belong together: a second level needs both"
        report.add(("layers", second[0]), need, show_value=False)
    if ("via" in layers) != (form.traces.via_size is not None):
        need = "via_size and the layers via and wiring belong together"
        report.add(("traces", "via_size"), need, show_value=False)
    seen: dict[tuple[int, int], str] = {}
    names: dict[str, str] = {}
    for role, layer in layers.items():
        place = (layer.number, layer.datatype)
        if place in seen:
            need = f"layer {place[0]}/{place[1]} is already {seen[place]}"
            report.add(("layers", role, "number"), need)
        if layer.name in names:
            report.add(("layers", role, "name"), f"is already the name of {names[layer.name]}")
        if not layer.name.isascii() or not layer.name.replace("_", "").isalnum():
            need = "letters, digits and underscores are needed; layout files hold nothing else"
            report.add(("layers", role, "name"), need)
        seen.setdefault(place, role)
        names.setdefault(layer.name, role)


def _check_enclosures(form: ProcessFile, report: Reporter) -> None:
    given = set()
    for index, entry in enumerate(form.enclosure):
        pair = (entry.outer, entry.inner)
        if pair not in ENCLOSURES:
            known = "; ".join(f"{inner} in {outer}" for outer, inner in ENCLOSURES)
            need = f"layouts hold no {entry.inner} in {entry.outer}; they hold {known}"
            report.add(("enclosure", index), need, show_value=False)
        elif pair in given:
            report.add(("enclosure", index), "is given twice", show_value=False)
        given.add(pair)
    for outer, inner in ENCLOSURES:
        if outer in form.layers and inner in form.layers and (outer, inner) not in given:
            need = f"is missing for outer = {json.dumps(outer)}, inner = {json.dumps(inner)}"
            report.add(("enclosure",), need, show_value=False)


def _check_lengths(form: ProcessFile, report: Reporter) -> None:
    layers, enclosures = form.layers, _enclosures(form)
    steps = round(form.grid / NANOMETRE)
    if steps < 1 or abs(form.grid - steps * NANOMETRE) > 1e-6 * form.grid:
        report.add(("grid",), "a whole number of nanometres is needed, for example 5 nm")
        return
    if form.curve_tolerance < form.grid:
        report.add(("curve_tolerance",), "it is less than the grid")
    for path, value, step in (
        (("pads", "size"), form.pads.size, 2 * form.grid),
        (("traces", "width"), form.traces.width, 2 * form.grid),
        (("traces", "via_size"), form.traces.via_size, 2 * form.grid),
        (("sawing_street",), form.sawing_street, form.grid),
    ):
        if value is not None and abs(value / step - round(value / step)) > 1e-6:
            need = f"a multiple of {format_value(step, 'length')} is needed to stay on the grid"
            report.add(path, need)
    for key, value, roles in (
        (("traces", "width"), form.traces.width, ("top-electrode", "wiring")),
        (("traces", "via_size"), form.traces.via_size, ("via",)),
        (("pads", "size"), form.pads.size, ("top-electrode", "wiring")),
    ):
        for role in roles:
            if value is not None and role in layers and value < layers[role].min_width:
                least = format_value(layers[role].min_width, "length")
                report.add(key, f"layers.{role}.min_width is {least}")
    for role in ("film-opening", "pad-opening"):
        if role not in layers:
            continue
        left = form.pads.size - 2.0 * enclosures.get(("top-electrode", role), 0.0)
        if left < layers[role].min_width:
            need = f"an opening of {format_value(max(left, 0.0), 'length')} is left for {role}, "
            need += f"whose min_width is {format_value(layers[role].min_width, 'length')}"
            report.add(("pads", "size"), need)


def _digest(data: Mapping[str, Any]) -> str:
    told = {key: value for key, value in data.items() if key != "title"}
    normal = json.dumps(told, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(normal.encode()).hexdigest()
