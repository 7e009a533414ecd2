"""A study as the program sees it: frozen, in SI units, every default filled in."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

from arrayopt.base.errors import ArrayoptError, nearest_name
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


@dataclass(frozen=True)
class Air:
    """Temperature [K], pressure [Pa] and relative humidity (0 to 1) of the medium."""

    temperature: float
    pressure: float
    relative_humidity: float


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


@dataclass(frozen=True)
class CellSettings:
    """Intrinsic quality factor, back side (``vented``, ``sealed`` or ``necked``), cavity depth [m],
    driven mode; radius [m], length [m] and number of a cell's necks, None and 1 without any."""

    quality_factor: float
    back: str
    cavity_depth: float | None
    mode: int
    neck_radius: float | None = None
    neck_length: float | None = None
    neck_count: int = 1


@dataclass(frozen=True)
class Chip:
    """Lattice name, die sides (x, y) [m], least gap between diaphragms, margin at the edge [m]."""

    lattice: str
    die: tuple[float, float]
    clearance: float
    edge_margin: float


@dataclass(frozen=True)
class DriveLimits:
    """Largest AC amplitude and largest magnitude of the bias [V]."""

    amplitude_limit: float
    bias_limit: float


@dataclass(frozen=True)
class BurstLength:
    """Length of a tone burst: in seconds, or (``in_cycles``) in cycles of its carrier."""

    value: float
    in_cycles: bool = False


@dataclass(frozen=True)
class Chirp:
    """Linear chirp: frequency at its start and end [Hz], duration [s]."""

    start: float
    end: float
    duration: float


@dataclass(frozen=True)
class Target:
    """What the array is for.

    Parameters
    ----------
    centre_frequency : wanted window (low, high) [Hz].
    level : level that bounds the band, relative to the peak [dB], negative.
    distance : from the array's centre to the target [m].
    polar, azimuth : direction of the target [rad]; polar 0 is the array's axis.
    excitation : ``up-sweep``, ``down-sweep``, ``burst`` or ``chirp``; merits are those under it.
    steered : True when the drive phases are to point the beam at the target.
    burst_length : of the bursts whose merits are reported, or None.
    chirp : the chirp, where that is the excitation.
    """

    centre_frequency: tuple[float, float]
    level: float
    distance: float
    polar: float
    azimuth: float
    excitation: str
    steered: bool
    burst_length: BurstLength | None = None
    chirp: Chirp | None = None

    @property
    def sweep(self) -> str:
        """The slow sweep shown beside it: the excitation, ``up-sweep`` for bursts and chirps."""
        return self.excitation if self.excitation.endswith("-sweep") else "up-sweep"

    def sine_vector(self) -> tuple[float, float]:
        """Components along x and y of the unit vector to the target."""
        sine = math.sin(self.polar)
        return sine * math.cos(self.azimuth), sine * math.sin(self.azimuth)


@dataclass(frozen=True)
class Limit:
    """Allowed range of a merit, in the unit in which it is stored; None where it is open."""

    name: str
    minimum: float | None
    maximum: float | None


@dataclass(frozen=True)
class Objective:
    """A merit to improve.

    ``reference`` and ``scale`` are the hypervolume's: a value counts as its distance from the
    reference, in the better direction, over the scale. In the unit in which it is stored.
    """

    name: str
    maximise: bool
    reference: float
    scale: float


@dataclass(frozen=True)
class SearchSettings:
    """Algorithm, population, evaluations per strategy, front size, designs seeded at the start.

    ``islands``, ``exchange_every`` and ``migrants``: as in `population.SearchSettings`.
    """

    algorithm: str
    population: int
    evaluations: int
    front_size: int
    seeded_designs: int
    islands: int
    exchange_every: int
    migrants: int

    @property
    def generation(self) -> int:
        """Designs of one generation."""
        return self.population * self.islands


@dataclass(frozen=True)
class ModelSettings:
    """How a cell is computed.

    ``kind``: ``one-mode`` or ``multi-mode``; ``mutual_radiation`` in sweeps of one mode: ``none``,
    ``group`` (all cells of a group alike) or ``full``; ``escalate``: one-mode designs past that
    model's range are computed again with several modes, where the limits allow them; ``modes`` and
    ``harmonics`` of the multi-mode model; ``n_transverse`` Ritz functions of the plate.
    """

    kind: str
    mutual_radiation: str
    escalate: bool
    modes: int
    harmonics: int
    n_transverse: int


@dataclass(frozen=True)
class VerifySettings:
    """Designs of each front verified when a run ends, and the share they may lose unflagged."""

    designs: int
    tolerance: float


@dataclass(frozen=True)
class Strategy:
    """One way of designing the chip, searched on its own.

    Parameters
    ----------
    name, description : as in the study.
    layout : sites, radius classes and drive channels.
    fixed : value (SI; electrode as text) of every name of ``VARIABLES`` that is not varied.
    vary : name -> (low, high) in SI; electrode -> ("disc", "ring"). In the order of ``VARIABLES``.
    limits : allowed ranges of merits.
    back : settings of the back side in place of the study's cell settings, or None.
    """

    name: str
    description: str
    layout: ArrayLayout
    fixed: Mapping[str, float | str]
    vary: Mapping[str, tuple[float, float] | tuple[str, str]]
    limits: tuple[Limit, ...]
    back: Mapping[str, str | float | int | None] | None = None


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

    quality_factor: float
    film_tension: float = 0.0
    thickness_scale: float = 1.0
    coupling_scale: float = 1.0
    cubic_scale: float = 1.0


@dataclass(frozen=True)
class StudyCalibration:
    """A calibration in force in a study.

    ``file`` as the study names it; ``text`` its content; ``value``, ``lower``, ``upper`` of the
    95 % intervals; ``draws`` parameter sets for bands; ``nominal_stack``, ``nominal_quality`` what
    the study says without it; ``digest`` of the parameters and draws alone.
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
    calibration: StudyCalibration | None = None

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
            relative_humidity=self.air.relative_humidity,
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
        """The study as one strategy computes it: with that strategy's back side of the cells."""
        if strategy.back is None:
            return self
        cell = replace(self.cell, **strategy.back)  # type: ignore[arg-type]
        return self if cell == self.cell else replace(self, cell=cell)

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
