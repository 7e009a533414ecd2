"""Forms of study and design files: what ends there; sections used as they are stand in model.py."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from arrayopt.base.forms import (
    ONE_OR_MORE,
    Angle,
    Coverage,
    FixedOrVaried,
    Length,
    Name,
    Natural,
    Stress,
    Title,
    Voltage,
    VoltageAbove,
    VoltageOrZero,
)
from arrayopt.base.units import Need
from arrayopt.study.materials import Properties
from arrayopt.study.model import (
    Air,
    Back,
    CellSettings,
    Channels,
    Chip,
    Classes,
    DriveLimits,
    Echo,
    Fabrication,
    ModelSettings,
    SearchSettings,
    Target,
    VerifySettings,
)

Electrode = Literal["disc", "ring"]
Sense = Literal["max", "min"]
Role = Literal["structure", "insulator", "bottom-electrode", "film", "top-electrode", "passivation"]


@dataclass(frozen=True)
class StackRow:
    """``[[stack]]``: one layer, listed from bottom to top."""

    material: Name
    thickness: Length
    name: Name | None = None
    residual_stress: Stress = 0.0
    patterned: bool = False
    active: bool = False
    role: Role | None = None


@dataclass(frozen=True, kw_only=True)
class OwnMaterial(Properties):
    """``[materials.NAME]``: a material of the study's own."""

    source: str = "study file"


@dataclass(frozen=True)
class Fixed:
    """``[fixed]``: values of what is not varied."""

    radius: Length | None = None
    electrode_coverage: Coverage | None = None
    electrode: Electrode | None = None
    amplitude: VoltageOrZero | None = None
    phase: Angle | None = None
    bias: Voltage | None = None
    pitch: Length | None = None


@dataclass(frozen=True)
class Vary:
    """``[vary]``: bounds of what the search may choose."""

    radius: tuple[Length, Length] | None = None
    electrode_coverage: tuple[Coverage, Coverage] | None = None
    electrode: tuple[Electrode, Electrode] | None = None
    amplitude: tuple[VoltageOrZero, VoltageOrZero] | None = None
    phase: tuple[Angle, Angle] | None = None
    bias: tuple[Voltage, Voltage] | None = None
    pitch: tuple[Length, Length] | None = None


@dataclass(frozen=True)
class LimitRow:
    """One entry of ``[limits]``; units follow from the name, so they are read later."""

    min: Any = None
    max: Any = None


Span = float | tuple[float, float]
_Often = Annotated[Span, FixedOrVaried(Need("ratio", above=0.0, at_most=2000.0))]
_Share = Annotated[Span, FixedOrVaried(Need("ratio", at_least=0.0, at_most=1.0))]
_Hertz = Annotated[Span, FixedOrVaried(Need("frequency", above=0.0))]


@dataclass(frozen=True, kw_only=True)
class WaveformTable:
    """``[waveform]``: the drive of the pulse; numbers are fixed, or varied between two bounds."""

    kind: Literal["burst", "chirp", "samples"]
    carrier: _Hertz | None = None
    cycles: _Often | None = None
    start: _Hertz | None = None
    end: _Hertz | None = None
    duration: Annotated[Span, FixedOrVaried(Need("time", above=0.0))] | None = None
    law: Annotated[Span, FixedOrVaried(Need("ratio", at_least=0.2, at_most=5.0))] | None = None
    taper: _Share | None = None
    tail_cycles: _Often | None = None
    tail_amplitude: (
        Annotated[Span, FixedOrVaried(Need("ratio", at_least=0.0, at_most=1.0))] | None
    ) = None
    tail_phase: Annotated[Span, FixedOrVaried(Need("angle"))] | None = None
    file: str | None = None
    per_channel: tuple[Name, ...] = ()
    max_voltage: VoltageAbove | None = None
    max_slew: Annotated[float, Need("slew", above=0.0)] | None = None


@dataclass(frozen=True)
class StrategyTable:
    """``[strategy.NAME]``: what one strategy does differently from the rest of the file."""

    description: str = ""
    classes: Classes | None = None
    channels: Channels | None = None
    cell: Back | None = None
    waveform: WaveformTable | None = None
    fixed: Fixed = field(default_factory=Fixed)
    vary: Vary = field(default_factory=Vary)
    limits: dict[str, LimitRow] = field(default_factory=dict)


@dataclass(frozen=True)
class CalibrationTable:
    """``[calibration]``: a calibration file in the study's folder."""

    file: str


@dataclass(frozen=True)
class CalibrationContent:
    """``[calibration_content]``: the calibration's text, in studies kept without their folder."""

    text: str


@dataclass(frozen=True, kw_only=True)
class StudyFile:
    """A whole study file."""

    format: Literal[1]
    title: Title | None = None
    question: str = ""
    seed: Natural = 1
    air: Air = field(default_factory=Air)
    stack: tuple[StackRow, ...]
    materials: dict[str, OwnMaterial] = field(default_factory=dict)
    cell: CellSettings
    array: Chip
    drive: DriveLimits
    fixed: Fixed = field(default_factory=Fixed)
    vary: Vary = field(default_factory=Vary)
    target: Target
    waveform: WaveformTable | None = None
    limits: dict[str, LimitRow] = field(default_factory=dict)
    objectives: tuple[tuple[str, Sense], ...] = (
        ("fractional_bandwidth", "max"),
        ("onset_voltage", "min"),
        ("peak_pressure", "max"),
    )
    reference: dict[str, Any] = field(default_factory=dict)
    scale: dict[str, Any] = field(default_factory=dict)
    search: SearchSettings = field(default_factory=SearchSettings)
    model: ModelSettings = field(default_factory=ModelSettings)
    verify: VerifySettings = field(default_factory=VerifySettings)
    fabrication: Fabrication = field(default_factory=Fabrication)
    echo: Echo | None = None
    strategy: dict[str, StrategyTable] = field(default_factory=dict)
    calibration: CalibrationTable | None = None
    calibration_content: CalibrationContent | None = None
    waveform_content: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class DesignClasses:
    """``[classes]`` of a design file: one value, or one for each radius class."""

    radius: Annotated[list[Length], ONE_OR_MORE] | None = None
    electrode_coverage: Annotated[list[Coverage], ONE_OR_MORE] | None = None
    electrode: Annotated[list[Electrode], ONE_OR_MORE] | None = None


@dataclass(frozen=True)
class DesignChannels:
    """``[channels]`` of a design file: one value, or one for each drive channel."""

    amplitude: Annotated[list[VoltageOrZero], ONE_OR_MORE] | None = None
    phase: Annotated[list[Angle], ONE_OR_MORE] | None = None


@dataclass(frozen=True)
class DesignCells(DesignClasses, DesignChannels):
    """``[cells]`` of a design file: one value, or one for each cell."""


_Frequencies = Annotated[list[Annotated[float, Need("frequency", above=0.0)]], ONE_OR_MORE]
_Ratios = Annotated[list[Annotated[float, Need("ratio", at_least=0.0)]], ONE_OR_MORE]


@dataclass(frozen=True)
class DesignWaveform:
    """``[waveform]`` of a design file: one value, or one for each drive channel."""

    carrier: _Frequencies | None = None
    cycles: _Ratios | None = None
    start: _Frequencies | None = None
    end: _Frequencies | None = None
    duration: Annotated[list[Annotated[float, Need("time", above=0.0)]], ONE_OR_MORE] | None = None
    law: _Ratios | None = None
    taper: _Ratios | None = None
    tail_cycles: _Ratios | None = None
    tail_amplitude: _Ratios | None = None
    tail_phase: Annotated[list[Angle], ONE_OR_MORE] | None = None


@dataclass(frozen=True, kw_only=True)
class DesignFile:
    """A design written by hand, or exported from a front."""

    format: Literal[1]
    description: str = ""
    strategy: str | None = None
    pitch: Length | None = None
    bias: Voltage | None = None
    classes: DesignClasses = field(default_factory=DesignClasses)
    channels: DesignChannels = field(default_factory=DesignChannels)
    cells: DesignCells = field(default_factory=DesignCells)
    waveform: DesignWaveform = field(default_factory=DesignWaveform)
