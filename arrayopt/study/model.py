"""A study as the program sees it: frozen, in SI units, every default filled in."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import MISSING, asdict, dataclass, field, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING, Annotated, Any, Literal

from arrayopt.base.errors import ArrayoptError, nearest_name
from arrayopt.base.forms import (
    Angle,
    Coordinate,
    Duration,
    Fraction,
    Frequency,
    Length,
    LengthOrZero,
    Natural,
    Positive,
    Read,
    VoltageAbove,
    VoltageOrZero,
    Whole,
)
from arrayopt.base.units import Need
from arrayopt.study.lattice import ArrayLayout

if TYPE_CHECKING:
    from arrayopt.physics.sound.air import AirState

VARIABLES = (
    "radius",
    "electrode_coverage",
    "electrode",
    "drive_amplitude",
    "drive_phase",
    "bias",
    "pitch",
)
"""What a design consists of, in the order of the search vector."""


WAVE_VARIABLES = (
    "pulse_carrier",
    "pulse_cycles",
    "chirp_start",
    "chirp_end",
    "chirp_duration",
    "chirp_law",
    "pulse_taper",
    "tail_cycles",
    "tail_amplitude",
    "tail_phase",
)
"""What a design's waveform consists of, in that order, after ``VARIABLES``; those of its kind."""


ClassScheme = Literal["one", "each", "rings", "rows", "columns", "interleaved", "table"]
ChannelScheme = Literal[
    "one", "each", "rings", "rows", "columns", "interleaved", "table", "same-as-classes"
]


def _class_table(value: Any) -> tuple[int, ...]:
    rows = value if isinstance(value, list) else [value]
    flat = [item for row in rows for item in (row if isinstance(row, list) else [row])]
    if not flat or not all(type(item) is int and item >= 0 for item in flat):
        raise ValueError(_TABLE_NEED)
    return tuple(flat)


_TABLE_NEED = "a list (or a list of rows) of whole numbers from 0 is needed"
Table = Annotated[tuple[int, ...], Read(_class_table, _TABLE_NEED)]


@dataclass(frozen=True)
class Air:
    """``[air]``: the medium on both sides; temperature [K], pressure [Pa], humidity 0 to 1."""

    temperature: Annotated[float, Need("temperature", above=0.0)] = 293.15
    pressure: Annotated[float, Need("pressure", above=0.0)] = 101325.0
    humidity: Fraction = 0.5


@dataclass(frozen=True)
class StackLayer:
    """One layer of the diaphragm, SI; the study lists them from bottom to top.

    Mechanical and electrical fields as in the laminate model; ``material``, ``role``,
    ``breakdown_field`` [V/m] (None = not known) and ``contains_lead`` for limits and reports.
    ``e31f`` [C/m2] is zero and ``relative_permittivity`` one where the material has none.
    """

    name: str
    thickness: float
    youngs_modulus: float
    poisson_ratio: float
    density: float
    residual_stress: float
    patterned: bool
    active: bool
    e31f: float
    relative_permittivity: float
    material: str
    role: str
    breakdown_field: float | None
    contains_lead: bool


@dataclass(frozen=True, kw_only=True)
class Back:
    """``[strategy.NAME.cell]``: the back side of the cells; lengths [m], None without such a part.

    ``neck_count`` necks lead from the cavity of a cell to the outside.
    """

    back: Literal["vented", "sealed", "necked"] = "vented"
    cavity_depth: Length | None = None
    neck_radius: Length | None = None
    neck_length: LengthOrZero | None = None
    neck_count: Positive = 1


@dataclass(frozen=True, kw_only=True)
class CellSettings(Back):
    """``[cell]``: the back side, intrinsic quality factor and driven mode of all diaphragms."""

    quality_factor: Annotated[float, Need("ratio", above=0.5)]
    mode: Literal[1, 2] = 1


@dataclass(frozen=True)
class Classes:
    """``classes``: which cells share radius and electrode."""

    scheme: ClassScheme = "one"
    count: Positive | None = None
    table: Table | None = None


@dataclass(frozen=True)
class Channels:
    """``channels``: which cells share drive amplitude and phase."""

    scheme: ChannelScheme = "one"
    count: Positive | None = None
    table: Table | None = None


@dataclass(frozen=True, kw_only=True)
class Chip:
    """``[array]``: lattice and sides (x, y) of the die, least gap between diaphragms, margin at the
    edge, all [m]; where the cells are, and how they are grouped."""

    lattice: Literal["square", "hexagonal", "explicit"]
    rows: Positive | None = None
    columns: Positive | None = None
    pitch: Length | None = None
    positions: tuple[tuple[Coordinate, Coordinate], ...] | None = None
    clearance: LengthOrZero = 20e-6
    edge_margin: LengthOrZero = 200e-6
    die: tuple[Length, Length]
    classes: Classes = Classes()
    channels: Channels = Channels()


@dataclass(frozen=True)
class DriveLimits:
    """``[drive]``: largest AC amplitude and largest magnitude of the bias [V]."""

    amplitude_limit: VoltageAbove
    bias_limit: VoltageOrZero = 0.0


@dataclass(frozen=True)
class Samples:
    """A drive waveform from a file: evenly spaced from its start to its end, largest size 1."""

    values: tuple[float, ...]
    duration: float
    """s."""
    carrier: float
    """Middle of its energy (Hz)."""


@dataclass(frozen=True)
class Waveform:
    """``[waveform]``: the drive of the pulse, but for its numbers, which are a design's.

    ``per_channel``: names of the varied numbers that each channel has to itself; ``max_voltage``
    [V] and ``max_slew`` [V/s] of the driver, None where it has no such limit.
    """

    kind: Literal["burst", "chirp", "samples"]
    per_channel: tuple[str, ...] = ()
    samples: Samples | None = None
    max_voltage: float | None = None
    max_slew: float | None = None


@dataclass(frozen=True)
class BurstLength:
    """Length of a tone burst: in seconds, or (``in_cycles``) in cycles of its carrier."""

    value: float
    in_cycles: bool = False


def _burst_length(value: Any) -> BurstLength:
    count, word, rest = value.partition("cycles") if isinstance(value, str) else ("", "", "")
    try:
        if word and not rest.strip():
            return BurstLength(Need("ratio", above=0.0)(float(count)), True)
        return BurstLength(Need("time", above=0.0)(value))
    except ValueError:
        raise ValueError(_BURST_NEED) from None


_BURST_NEED = 'a duration or a number of cycles is needed, for example "0.4 ms" or "40 cycles"'


@dataclass(frozen=True)
class Chirp:
    """``chirp``: a linear sweep from rest; frequency at its start and end [Hz], duration [s]."""

    start: Frequency
    end: Frequency
    duration: Duration


@dataclass(frozen=True)
class Direction:
    """``direction``: where the target is, seen from the array's centre [rad]; polar 0 is ahead."""

    polar: Annotated[float, Need("angle", at_least=0.0, below=0.5 * math.pi)] = 0.0
    azimuth: Angle = 0.0


@dataclass(frozen=True)
class Target:
    """``[target]``: what the array is for.

    Parameters
    ----------
    centre_frequency : wanted window (low, high) [Hz].
    level : level that bounds the band, relative to the peak [dB], negative.
    distance : from the array's centre to the target [m].
    direction : of the target.
    excitation : merits are those under it.
    burst_length : of the bursts whose merits are reported, or None.
    chirp : the chirp, where that is the excitation.
    steered : True when the drive phases are to point the beam at the target.
    """

    centre_frequency: tuple[Frequency, Frequency]
    level: Annotated[float, Need("level", below=0.0)] = -6.0
    distance: Length = 0.3
    direction: Direction = Direction()
    excitation: Literal["up-sweep", "down-sweep", "burst", "chirp", "waveform"] = "up-sweep"
    burst_length: Annotated[BurstLength, Read(_burst_length, _BURST_NEED)] | None = None
    chirp: Chirp | None = None
    steered: bool = False

    @property
    def polar(self) -> float:
        """Angle of the target from the array's axis [rad]."""
        return self.direction.polar

    @property
    def azimuth(self) -> float:
        """Angle of the target about the array's axis [rad]."""
        return self.direction.azimuth

    @property
    def sweep(self) -> Literal["up-sweep", "down-sweep"]:
        """The slow sweep shown beside it: the excitation, ``up-sweep`` for what is no sweep."""
        return "down-sweep" if self.excitation == "down-sweep" else "up-sweep"

    def sine_vector(self) -> tuple[float, float]:
        """Components along x and y of the unit vector to the target."""
        sine = math.sin(self.polar)
        return sine * math.cos(self.azimuth), sine * math.sin(self.azimuth)


@dataclass(frozen=True)
class Amplifier:
    """``[echo.amplifier]``: what all channels, wired in parallel, are read with [ohm, F, V/rtHz,
    A/rtHz]; the cable counts with it. The defaults are common practice."""

    input_resistance: Annotated[float, Need("resistance", above=0.0)] = 1e6
    input_capacitance: Annotated[float, Need("capacitance", at_least=0.0)] = 5e-12
    cable_capacitance: Annotated[float, Need("capacitance", at_least=0.0)] = 20e-12
    voltage_noise: Annotated[float, Need("voltage noise", at_least=0.0)] = 5e-9
    current_noise: Annotated[float, Need("current noise", at_least=0.0)] = 10e-15


@dataclass(frozen=True)
class Echo:
    """``[echo]``: who hears the waveform that reaches the target.

    Parameters
    ----------
    path : "plane" and "point" reflect it to the array, "pitch-catch" has a second one there.
    target_strength : of a point [dB re 1 m].
    wanted_ratio : signal to noise at which a range ends [dB].
    film_loss : tangent of the film's dielectric loss.
    amplifier : of the receiving array.
    """

    path: Literal["plane", "point", "pitch-catch"] = "plane"
    target_strength: Annotated[float, Need("level", at_least=-200.0, at_most=100.0)] | None = None
    wanted_ratio: Annotated[float, Need("level", at_least=-60.0, at_most=200.0)] = 20.0
    film_loss: Annotated[float, Need("ratio", at_least=0.0, at_most=1.0)] = 0.003
    amplifier: Amplifier = Amplifier()


@dataclass(frozen=True)
class Limit:
    """Allowed range of a merit, in the unit in which it is stored; None where it is open."""

    name: str
    minimum: float | None
    maximum: float | None


@dataclass(frozen=True)
class Objective:
    """One quantity to be made as large or as small as possible.

    Parameters
    ----------
    name : in the glossary of quantities.
    sense : which direction is better, "max" or "min".
    reference : value at which a design stops adding hypervolume, in the unit as stored.
    scale : improvement over the reference that counts as one, positive, same unit.
    """

    name: str
    sense: Literal["max", "min"]
    reference: float
    scale: float

    def __post_init__(self) -> None:
        if self.sense not in ("max", "min"):
            raise ValueError(f'objective {self.name}: sense is "{self.sense}"; "max" or "min"')
        finite = math.isfinite(self.reference) and math.isfinite(self.scale)
        if not (finite and self.scale > 0.0):
            raise ValueError(
                f"objective {self.name}: reference {self.reference!r} and scale {self.scale!r} "
                "must be finite and the scale positive"
            )


@dataclass(frozen=True)
class SearchSettings:
    """``[search]``: algorithm, population, evaluations per strategy, front size, designs seeded at
    the start (None: a population). The last three as in `population.SearchSettings`."""

    algorithm: Literal["nsga2", "sms-emoa", "age-moea2"] = "sms-emoa"
    population: Annotated[int, Whole(at_least=4, at_most=100_000)] = 50
    evaluations: Annotated[int, Whole(above=0, at_most=1_000_000_000)] = 10000
    front_size: Annotated[int, Whole(above=0, at_most=100_000)] = 100
    seeded_designs: Natural | None = None
    islands: Annotated[int, Whole(above=0, at_most=1_000)] = 1
    exchange_every: Positive = 10
    migrants: Positive = 5

    @property
    def generation(self) -> int:
        """Designs of one generation."""
        return self.population * self.islands

    @property
    def seeds(self) -> int:
        """Known good designs that open the search; what is left of the population is random."""
        return self.population if self.seeded_designs is None else self.seeded_designs


@dataclass(frozen=True)
class ModelSettings:
    """``[model]``: modes of a cell that the search computes, and Ritz functions of the plate."""

    modes: Annotated[int, Whole(at_least=1, at_most=3)] = 1
    n_transverse: Annotated[int, Whole(at_least=3, at_most=8)] = 5


@dataclass(frozen=True)
class VerifySettings:
    """``[verify]``: chips on which every member of a front is verified, and the share of an
    objective that it may lose unflagged."""

    chips: Annotated[int, Whole(at_least=1, at_most=10_000)] = 32
    tolerance: Annotated[float, Need("ratio", above=0.0, below=1.0)] = 0.2


_Small = Annotated[float, Need("ratio", at_least=0.0, at_most=0.05)]
_Wide = Annotated[float, Need("ratio", at_least=0.0, at_most=0.15)]
_Tension = Annotated[float, Need("tension", at_least=0.0, at_most=1000.0)]


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of making, relative unless said; the defaults are common practice.

    ``chip_`` shifts all cells of a chip alike, ``cell_`` each on its own; ``tension`` in N/m.
    ``thickness_trend``: of the linear change from the array's middle to its edge, in x and in y.
    """

    cell_radius: _Small = 0.003
    chip_thickness: _Small = 0.015
    cell_thickness: _Small = 0.002
    thickness_trend: _Small = 0.0
    chip_coupling: _Wide = 0.05
    cell_coupling: _Wide = 0.005
    chip_tension: _Tension = 5.0
    cell_tension: _Tension = 0.5
    chip_quality: _Wide = 0.10
    cell_quality: _Wide = 0.05

    def __post_init__(self) -> None:
        for f in fields(Scatter):
            value = getattr(self, f.name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{f.name} is {value!r}; a number of at least 0 is needed.")


@dataclass(frozen=True)
class Fabrication(Scatter):
    """``[fabrication]``: how chips differ from their design, how many are computed, the share of
    them that a figure must be reached by, and the part of every promised objective that a chip
    must reach to count in the yield."""

    chips: Annotated[int, Whole(at_least=1, at_most=10_000)] = 16
    share: Annotated[float, Need("ratio", above=0.0, at_most=1.0)] = 0.9
    part: Annotated[float, Need("ratio", above=0.0, at_most=1.0)] = 0.9


@dataclass(frozen=True)
class Strategy:
    """One way of designing the chip, searched on its own.

    Parameters
    ----------
    name, description : as in the study.
    layout : sites, radius classes and drive channels.
    fixed : value (SI; electrode as text) of every name of ``VARIABLES``, and of the waveform's of
        ``WAVE_VARIABLES``, that is not varied.
    vary : name -> (low, high) in SI; electrode -> ("disc", "ring"). In that order.
    limits : allowed ranges of merits.
    back : in place of the study's, or None.
    waveform : the strategy's own or the study's, or None.
    """

    name: str
    description: str
    layout: ArrayLayout
    fixed: Mapping[str, float | str]
    vary: Mapping[str, tuple[float, float] | tuple[str, str]]
    limits: tuple[Limit, ...]
    back: Back | None = None
    waveform: Waveform | None = None


def _part(units: str, least: float, most: float, default: Any = MISSING) -> Any:
    """Unit of a correction, and what it may be: beyond is no diaphragm this model describes."""
    return field(default=default, metadata={"units": units, "least": least, "most": most})


@dataclass(frozen=True)
class Correction:
    """Corrections of a study's model, found by measurement.

    Parameters
    ----------
    quality_factor : intrinsic (without radiation), in place of the study's.
    film_tension : added to the residual tension of the stack [N/m]; as equal stress in all layers
        that cover the whole diaphragm, so that it bends nothing.
    thickness_scale : factor on the thickness of every layer.
    coupling_scale : factor on e31f; negative when the film is poled the other way.
    cubic_scale : factor on the cubic stiffnesses about the operating point.
    """

    quality_factor: float = _part("1", 0.5, 1e6)
    film_tension: float = _part("N/m", -1e5, 1e5, 0.0)
    thickness_scale: float = _part("1", 0.3, 3.0, 1.0)
    coupling_scale: float = _part("1", -20.0, 20.0, 1.0)
    cubic_scale: float = _part("1", -50.0, 50.0, 1.0)


@dataclass(frozen=True)
class StudyCalibration:
    """A calibration in force in a study.

    ``file`` as the study names it; ``text`` its content; ``value``, ``lower``, ``upper`` of the
    95 % intervals; ``draws`` parameter sets for bands; ``nominal_stack``, ``nominal_quality`` what
    the study says without it; ``digest`` of the parameters and draws alone; ``scatter`` what it
    gives of ``[fabrication]``, by key, beside what the study sets itself.
    """

    file: str
    text: str
    value: Correction
    lower: Correction
    upper: Correction
    draws: tuple[Correction, ...]
    nominal_stack: tuple[StackLayer, ...]
    nominal_quality: float
    digest: str
    scatter: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Study:
    """A validated study; see docs/study-file.md for the meaning of every part.

    ``text`` is the file as read, followed by the calibration's content where one is included;
    ``stack`` and ``cell`` are the calibrated ones; ``digest`` changes exactly when something that
    can change the results does (comments, layout, title, question and descriptions do not count).
    """

    path: str
    text: str
    digest: str
    title: str
    question: str
    seed: int
    air: Air
    stack: tuple[StackLayer, ...]
    cell: CellSettings
    chip: Chip
    drive: DriveLimits
    target: Target
    objectives: tuple[Objective, ...]
    search: SearchSettings
    model: ModelSettings
    verify: VerifySettings
    strategies: tuple[Strategy, ...]
    fabrication: Fabrication = Fabrication()
    echo: Echo | None = None
    calibration: StudyCalibration | None = None
    waveform: Waveform | None = None

    @property
    def cubic_scale(self) -> float:
        """Factor on the cubic stiffnesses that the calibration found; 1 without one."""
        return 1.0 if self.calibration is None else self.calibration.value.cubic_scale

    @cached_property
    def air_state(self) -> AirState:
        """Sound speed, density and absorption constants of the air (M4)."""
        from arrayopt.physics.sound.air import air_state  # compiles: load late

        return air_state(
            self.air.temperature,
            pressure=self.air.pressure,
            relative_humidity=self.air.humidity,
        )

    @property
    def film(self) -> StackLayer:
        """The active layer."""
        return next(layer for layer in self.stack if layer.active)

    @property
    def thickness(self) -> float:
        """Total thickness of the covered diaphragm [m]."""
        return sum(layer.thickness for layer in self.stack)

    @property
    def contains_lead(self) -> bool:
        """True when any layer contains lead."""
        return any(layer.contains_lead for layer in self.stack)

    def of(self, strategy: Strategy) -> Study:
        """The study as one strategy computes it: with its back side of the cells and waveform."""
        cell = self.cell
        if strategy.back is not None:
            cell = replace(cell, **asdict(strategy.back))
        if (cell, strategy.waveform) == (self.cell, self.waveform):
            return self
        return replace(self, cell=cell, waveform=strategy.waveform)

    def strategy(self, name: str) -> Strategy:
        """The strategy of that name.

        Raises
        ------
        UnknownStrategyError : with the nearest name.
        """
        names = {strategy.name: strategy for strategy in self.strategies}
        if name in names:
            return names[name]
        nearest = nearest_name(name, names)
        hint = f"did you mean {nearest}?" if nearest else f"known: {', '.join(names)}"
        raise UnknownStrategyError(f"strategy {name!r} is not in {self.path}; {hint}")


class UnknownStrategyError(ArrayoptError):
    """A strategy is asked for that the study does not define."""
