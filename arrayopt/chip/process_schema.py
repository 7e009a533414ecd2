"""The form of a process file: keys, units, ranges and defaults; nothing that needs two keys."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from arrayopt.base.units import Need
from arrayopt.study.schema import Length, LengthOrZero, Name, Section, Title, Unit

LARGEST_SHIFT = 100e-6  # m; an undercut beyond it is no correction of a drawing any more

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
Shift = Annotated[
    float, BeforeValidator(Unit(Need("length", at_least=-LARGEST_SHIFT, at_most=LARGEST_SHIFT)))
]
Departure = Annotated[float, BeforeValidator(Unit(Need("ratio", at_least=0.0, at_most=0.5)))]
LayerNumber = Annotated[int, Field(ge=0, le=32767)]


class LayerTable(Section):
    """``[layers.ROLE]``: where a role is drawn, and what the making of that layer allows."""

    number: LayerNumber
    datatype: LayerNumber = 0
    name: Name
    purpose: str = ""
    min_width: LengthOrZero = 0.0
    min_space: LengthOrZero = 0.0
    min_overlap: LengthOrZero = 0.0
    edge_shift: Shift = 0.0


class LayersTable(Section):
    """``[layers]``: one table for each role."""

    cavity: LayerTable
    bottom_electrode: LayerTable = Field(alias="bottom-electrode")
    film_opening: LayerTable = Field(alias="film-opening")
    top_electrode: LayerTable = Field(alias="top-electrode")
    via: LayerTable | None = None
    wiring: LayerTable | None = None
    pad_opening: LayerTable | None = Field(default=None, alias="pad-opening")
    outline: LayerTable
    label: LayerTable


class EnclosureTable(Section):
    """``[[enclosure]]``: how far one layer must reach beyond another, as drawn."""

    outer: LayerRole
    inner: LayerRole
    at_least: LengthOrZero


class PadsTable(Section):
    """``[pads]``: square bond pads along the die's sides."""

    size: Length
    space: Length


class WiringTable(Section):
    """``[traces]``: what leads from the electrodes to the pads."""

    width: Length
    keep_off: Length
    via_size: Length | None = None


class MonitorTable(Section):
    """``[monitor]``: isolated test cells on a coupon beside the die."""

    classes: Annotated[int, Field(ge=0, le=64)] = 8
    space: Length = 200e-6


class TolerancesTable(Section):
    """``[tolerances]``: how far a made chip may be from the design and still be good."""

    radius: LengthOrZero = 1e-6
    thickness: Departure = 0.02
    quality_factor: Departure = 0.2
    film_coupling: Departure = 0.1


class ProcessFile(Section):
    """A whole process file."""

    format: Literal[1]
    title: Title
    grid: Length
    curve_tolerance: Length
    sawing_street: Length
    pads: PadsTable
    traces: WiringTable
    monitor: MonitorTable = MonitorTable()
    tolerances: TolerancesTable = TolerancesTable()
    layers: LayersTable
    enclosure: list[EnclosureTable] = Field(default_factory=list)
