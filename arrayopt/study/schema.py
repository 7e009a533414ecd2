"""The form of a study file: keys, units, ranges and defaults; nothing that needs two keys."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from arrayopt.base.text import LONGEST_NAME, name_problem
from arrayopt.base.units import Need, QuantityError

FORMAT = 1


class Unit:
    """Validator of one unit string; keeps its ``need`` for the message about a missing key."""

    def __init__(self, need: Need) -> None:
        self.need = need

    def __call__(self, value: object) -> float:
        """The SI value, or pydantic's error with our sentence."""
        try:
            return self.need(value)
        except QuantityError as error:
            raise PydanticCustomError("quantity", "{need}", {"need": str(error)}) from None


def _unit(kind: str, **limits: float) -> BeforeValidator:
    return BeforeValidator(Unit(Need(kind, **limits)))


class BurstLengthNeed:
    """Validator of a burst's length; as ``Unit``, but seconds or cycles: (value, in cycles?)."""

    need = 'a duration or a number of cycles is needed, for example "0.4 ms" or "40 cycles"'

    def __call__(self, value: object) -> tuple[float, bool]:
        """The length and whether it counts cycles, or pydantic's error with our sentence."""
        count, word, rest = value.partition("cycles") if isinstance(value, str) else ("", "", "")
        try:
            if word and not rest.strip():
                return Need("ratio", above=0.0)(float(count)), True
            return Need("time", above=0.0)(value), False
        except ValueError:
            raise PydanticCustomError("quantity", "{need}", {"need": self.need}) from None


def _name(value: object, longest: int = LONGEST_NAME) -> object:
    """A name fits a line, a table's column and a file's name; other types are left to pydantic."""
    need = name_problem(value, longest=longest) if isinstance(value, str) else None
    if need is not None:
        raise PydanticCustomError("name", "{need}", {"need": need})
    return value


def _class_table(value: object) -> list[int]:
    rows: list[Any] = value if isinstance(value, list) else [value]
    flat: list[Any] = [item for row in rows for item in (row if isinstance(row, list) else [row])]
    if not flat or not all(type(item) is int and item >= 0 for item in flat):
        raise PydanticCustomError(
            "table", "a list (or a list of rows) of whole numbers from 0 is needed", {}
        )
    return flat


Name = Annotated[str, BeforeValidator(_name)]
Length = Annotated[float, _unit("length", above=0.0)]
LengthOrZero = Annotated[float, _unit("length", at_least=0.0)]
Coordinate = Annotated[float, _unit("length")]
Voltage = Annotated[float, _unit("voltage")]
VoltageOrZero = Annotated[float, _unit("voltage", at_least=0.0)]
Frequency = Annotated[float, _unit("frequency", above=0.0)]
Duration = Annotated[float, _unit("time", above=0.0)]
BurstLength = Annotated[tuple[float, bool], BeforeValidator(BurstLengthNeed())]
Stress = Annotated[float, _unit("stress")]
Modulus = Annotated[float, _unit("stress", above=0.0)]
Angle = Annotated[float, _unit("angle")]
Coverage = Annotated[float, _unit("ratio", above=0.0, at_most=1.0)]
Fraction = Annotated[float, _unit("ratio", at_least=0.0, at_most=1.0)]
Electrode = Literal["disc", "ring"]
Role = Literal["structure", "insulator", "bottom-electrode", "film", "top-electrode", "passivation"]
ClassScheme = Literal["one", "each", "rings", "rows", "columns", "interleaved", "table"]
ChannelScheme = Literal[
    "one", "each", "rings", "rows", "columns", "interleaved", "table", "same-as-classes"
]
Title = Annotated[str, BeforeValidator(partial(_name, longest=300))]
Table = Annotated[list[int], BeforeValidator(_class_table)]
Positive = Annotated[int, Field(gt=0)]


def _bounds(item: Any) -> Any:
    return Annotated[list[item], Field(min_length=2, max_length=2)] | None


class Section(BaseModel):
    """Base of all tables: exact types, and an unknown key is an error."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class AirTable(Section):
    """``[air]``: the medium on both sides of the diaphragms."""

    temperature: Annotated[float, _unit("temperature", above=0.0)] = 293.15
    pressure: Annotated[float, _unit("pressure", above=0.0)] = 101325.0
    humidity: Fraction = 0.5


class StackTable(Section):
    """``[[stack]]``: one layer, listed from bottom to top."""

    material: Name
    thickness: Length
    name: Name | None = None
    residual_stress: Stress = 0.0
    patterned: bool = False
    active: bool = False
    role: Role | None = None


class MaterialTable(Section):
    """``[materials.NAME]``: a material of the study's own."""

    youngs_modulus: Modulus
    poisson_ratio: Annotated[float, _unit("ratio", above=-1.0, below=0.5)]
    density: Annotated[float, _unit("density", above=0.0)]
    e31f: Annotated[float, _unit("charge")] | None = None
    relative_permittivity: Annotated[float, _unit("ratio", at_least=1.0)] | None = None
    breakdown_field: Annotated[float, _unit("field", above=0.0)] | None = None
    contains_lead: bool = False
    source: str = "study file"


class BackTable(Section):
    """``[strategy.NAME.cell]``: the back side of a strategy's cells, in place of ``[cell]``'s."""

    back: Literal["vented", "sealed", "necked"] = "vented"
    cavity_depth: Length | None = None
    neck_radius: Length | None = None
    neck_length: LengthOrZero | None = None
    neck_count: Positive = 1


class CellTable(BackTable):
    """``[cell]``: what all diaphragms have in common beside the stack."""

    quality_factor: Annotated[float, _unit("ratio", above=0.5)]
    mode: Literal[1, 2] = 1


class ClassesTable(Section):
    """``classes``: which cells share radius and electrode."""

    scheme: ClassScheme = "one"
    count: Positive | None = None
    table: Table | None = None


class ChannelsTable(Section):
    """``channels``: which cells share drive amplitude and phase."""

    scheme: ChannelScheme = "one"
    count: Positive | None = None
    table: Table | None = None


class ArrayTable(Section):
    """``[array]``: where the cells are, and how they are grouped."""

    lattice: Literal["square", "hexagonal", "explicit"]
    rows: Positive | None = None
    columns: Positive | None = None
    pitch: Length | None = None
    positions: list[Annotated[list[Coordinate], Field(min_length=2, max_length=2)]] | None = None
    clearance: LengthOrZero = 20e-6
    edge_margin: LengthOrZero = 200e-6
    die: Annotated[list[Length], Field(min_length=2, max_length=2)]
    classes: ClassesTable = ClassesTable()
    channels: ChannelsTable = ChannelsTable()


class DriveTable(Section):
    """``[drive]``: what the electronics can give."""

    amplitude_limit: Annotated[float, _unit("voltage", above=0.0)]
    bias_limit: VoltageOrZero = 0.0


class FixedTable(Section):
    """``[fixed]``: values of what is not varied."""

    radius: Length | None = None
    electrode_coverage: Coverage | None = None
    electrode: Electrode | None = None
    amplitude: VoltageOrZero | None = None
    phase: Angle | None = None
    bias: Voltage | None = None
    pitch: Length | None = None


class VaryTable(Section):
    """``[vary]``: bounds of what the search may choose."""

    radius: _bounds(Length) = None  # type: ignore[valid-type]
    electrode_coverage: _bounds(Coverage) = None  # type: ignore[valid-type]
    electrode: _bounds(Electrode) = None  # type: ignore[valid-type]
    amplitude: _bounds(VoltageOrZero) = None  # type: ignore[valid-type]
    phase: _bounds(Angle) = None  # type: ignore[valid-type]
    bias: _bounds(Voltage) = None  # type: ignore[valid-type]
    pitch: _bounds(Length) = None  # type: ignore[valid-type]


class DirectionTable(Section):
    """``direction``: where the target is, seen from the array's centre."""

    polar: Annotated[float, _unit("angle", at_least=0.0, below=1.5707963267948966)] = 0.0
    azimuth: Angle = 0.0


class ChirpTable(Section):
    """``chirp``: a linear sweep of finite length, from rest."""

    start: Frequency
    end: Frequency
    duration: Duration


class TargetTable(Section):
    """``[target]``: what the array is for."""

    centre_frequency: Annotated[list[Frequency], Field(min_length=2, max_length=2)]
    level: Annotated[float, _unit("level", below=0.0)] = -6.0
    distance: Length = 0.3
    direction: DirectionTable = DirectionTable()
    excitation: Literal["up-sweep", "down-sweep", "burst", "chirp"] = "up-sweep"
    burst_length: BurstLength | None = None
    chirp: ChirpTable | None = None
    steered: bool = False


class LimitTable(Section):
    """One entry of ``[limits]``; units follow from the name, so they are read later."""

    min: Any = None
    max: Any = None


class SearchTable(Section):
    """``[search]``: how the designs are looked for, in every strategy alike."""

    algorithm: Literal["nsga2", "sms-emoa", "age-moea2"] = "sms-emoa"
    population: Annotated[int, Field(ge=4, le=100_000)] = 50
    evaluations: Annotated[int, Field(gt=0, le=1_000_000_000)] = 10000
    front_size: Annotated[int, Field(gt=0, le=100_000)] = 100
    seeded_designs: Annotated[int, Field(ge=0)] | None = None
    islands: Annotated[int, Field(gt=0, le=1_000)] = 1
    exchange_every: Positive = 10
    migrants: Positive = 5


class ModelTable(Section):
    """``[model]``: which model is computed, and how finely."""

    kind: Literal["one-mode", "multi-mode"] = "one-mode"
    mutual_radiation: Literal["none", "group", "full"] = "none"
    escalate: bool = True
    modes: Annotated[int, Field(ge=1, le=4)] = 3
    harmonics: Annotated[int, Field(ge=1, le=5)] = 3
    n_transverse: Annotated[int, Field(ge=3, le=8)] = 5


class VerifyTable(Section):
    """``[verify]``: what is computed anew at the highest fidelity when a run ends."""

    designs: Annotated[int, Field(ge=0, le=100_000)] = 3
    tolerance: Annotated[float, _unit("ratio", above=0.0, below=1.0)] = 0.2


class StrategyTable(Section):
    """``[strategy.NAME]``: what one strategy does differently from the rest of the file."""

    description: str = ""
    classes: ClassesTable | None = None
    channels: ChannelsTable | None = None
    cell: BackTable | None = None
    fixed: FixedTable = FixedTable()
    vary: VaryTable = VaryTable()
    limits: dict[str, LimitTable] = Field(default_factory=dict)


class CalibrationTable(Section):
    """``[calibration]``: a calibration file in the study's folder."""

    file: str


class CalibrationContent(Section):
    """``[calibration_content]``: the calibration's text, in studies kept without their folder."""

    text: str


class StudyFile(Section):
    """A whole study file."""

    format: Literal[1]
    title: Title | None = None
    question: str = ""
    seed: Annotated[int, Field(ge=0)] = 1
    air: AirTable = AirTable()
    stack: Annotated[list[StackTable], Field(min_length=1)]
    materials: dict[str, MaterialTable] = Field(default_factory=dict)
    cell: CellTable
    array: ArrayTable
    drive: DriveTable
    fixed: FixedTable = FixedTable()
    vary: VaryTable = VaryTable()
    target: TargetTable
    limits: dict[str, LimitTable] = Field(default_factory=dict)
    objectives: list[Annotated[list[str], Field(min_length=2, max_length=2)]] = Field(
        default_factory=lambda: [
            ["fractional_bandwidth", "max"],
            ["onset_voltage", "min"],
            ["peak_pressure", "max"],
        ]
    )
    reference: dict[str, Any] = Field(default_factory=dict)
    scale: dict[str, Any] = Field(default_factory=dict)
    search: SearchTable = SearchTable()
    model: ModelTable = ModelTable()
    verify: VerifyTable = VerifyTable()
    strategy: dict[str, StrategyTable] = Field(default_factory=dict)
    calibration: CalibrationTable | None = None
    calibration_content: CalibrationContent | None = None


def _each(item: Any) -> Any:
    """One value for all, or a list of values."""
    return Annotated[
        list[item], BeforeValidator(lambda value: value if isinstance(value, list) else [value])
    ]


class DesignClassesTable(Section):
    """``[classes]`` of a design file: one value, or one for each radius class."""

    radius: _each(Length) | None = None  # type: ignore[valid-type]
    electrode_coverage: _each(Coverage) | None = None  # type: ignore[valid-type]
    electrode: _each(Electrode) | None = None  # type: ignore[valid-type]


class DesignChannelsTable(Section):
    """``[channels]`` of a design file: one value, or one for each drive channel."""

    amplitude: _each(VoltageOrZero) | None = None  # type: ignore[valid-type]
    phase: _each(Angle) | None = None  # type: ignore[valid-type]


class DesignCellsTable(DesignClassesTable, DesignChannelsTable):
    """``[cells]`` of a design file: one value, or one for each cell."""


class DesignFile(Section):
    """A design written by hand, or exported from a front."""

    format: Literal[1]
    description: str = ""
    strategy: str | None = None
    pitch: Length | None = None
    bias: Voltage | None = None
    classes: DesignClassesTable = DesignClassesTable()
    channels: DesignChannelsTable = DesignChannelsTable()
    cells: DesignCellsTable = DesignCellsTable()
