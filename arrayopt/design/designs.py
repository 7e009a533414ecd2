"""Designs as arrays, their search vectors, and the room they need on the die."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Bools, Floats, Ints
from arrayopt.study.lattice import ArrayLayout
from arrayopt.study.model import VARIABLES, WAVE_VARIABLES, Strategy, Study

PER_CLASS = ("radius", "electrode_coverage", "electrode")
PER_CHANNEL = ("drive_amplitude", "drive_phase")
# Where the two electrode kinds sit on their 0-to-1 axis: in the middle of the halves that
# rounding gives them.
_DISC, _RING = 0.25, 0.75


@dataclass(frozen=True)
class Designs:
    """A batch of designs on one layout.

    Parameters
    ----------
    layout : sites, classes, channels and groups.
    radius : (design, group) [m].
    electrode_coverage : (design, group) fraction of the radius.
    ring : (design, group) True for ring electrodes, False for discs.
    drive_amplitude : (design, group) peak AC voltage [V].
    drive_phase : (design, group) [rad].
    bias : (design, group) [V].
    pitch : (design,) [m]; 1 where the layout's positions are explicit.
    waveform : numbers of the waveform by name, (design, group) each; none where it has none.
    """

    layout: ArrayLayout
    radius: Floats
    electrode_coverage: Floats
    ring: Bools
    drive_amplitude: Floats
    drive_phase: Floats
    bias: Floats
    pitch: Floats
    waveform: Mapping[str, Floats] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.pitch)

    def positions(self) -> Floats:
        """Cell centres (design, cell, 2) [m] from the array's centre."""
        return self.pitch[:, None, None] * self.layout.unit_position

    def take(self, indices: ArrayLike) -> Designs:
        """The designs at these places, in this order."""
        chosen = np.atleast_1d(np.asarray(indices))
        own = {name: getattr(self, name)[chosen] for name in (*GROUP_ARRAYS, "pitch")}
        return replace(self, **own, waveform={n: x[chosen] for n, x in self.waveform.items()})

    def at_cells(self, name: str) -> NDArray[np.generic]:
        """A (design, group) array repeated for every cell, (design, cell)."""
        held = (*GROUP_ARRAYS, *self.waveform)
        if name not in held:
            raise KeyError(f"{name!r} is not held by group; these are: {', '.join(held)}")
        values: NDArray[np.generic]
        values = self.waveform[name] if name in self.waveform else getattr(self, name)
        return values[:, self.layout.group_of_cell]


GROUP_ARRAYS = ("radius", "electrode_coverage", "ring", "drive_amplitude", "drive_phase", "bias")


class DesignSpace:
    """The search vectors of one strategy: 0 to 1 in every variable.

    Radius and electrode vary by radius class, drive amplitude and phase by drive channel, bias and
    pitch once for the whole array; numbers of the waveform once, or by drive channel.

    Parameters
    ----------
    study, strategy : the strategy is one of the study's.

    Attributes
    ----------
    names : name of every variable, ``radius[2]`` for class 2, ``drive_phase[0]`` for channel 0.
    n_variables : their number.
    families : numbers of the variables of each varied quantity, (class,) or (channel,) each.
    """

    def __init__(self, study: Study, strategy: Strategy) -> None:
        self.study = study
        self.strategy = strategy
        self._columns: dict[str, slice] = {}
        names: list[str] = []
        for name in (*VARIABLES, *WAVE_VARIABLES):
            if name in strategy.vary:
                count = self._count(name)
                self._columns[name] = slice(len(names), len(names) + count)
                names += (
                    [f"{name}[{index}]" for index in range(count)] if self.grouped(name) else [name]
                )
        self.names = tuple(names)
        self.n_variables = len(names)
        every = np.arange(len(names), dtype=np.int64)
        self.families = tuple(every[columns] for columns in self._columns.values())

    def decode(self, vectors: ArrayLike) -> Designs:
        """Designs from search vectors.

        Parameters
        ----------
        vectors : (design, variable), 0 to 1.

        Raises
        ------
        ValueError : wrong number of variables, or a value outside 0 to 1.
        """
        X = np.atleast_2d(np.asarray(vectors, dtype=np.float64))
        if X.ndim != 2 or X.shape[1] != self.n_variables:
            raise ValueError(f"vectors have shape {X.shape}; (design, {self.n_variables}) needed")
        if not bool(np.all((X >= 0.0) & (X <= 1.0))):
            raise ValueError("search variables must lie between 0 and 1")
        values = {name: self._values(name, X) for name in VARIABLES}
        wave = [n for n in WAVE_VARIABLES if n in {*self.strategy.fixed, *self.strategy.vary}]
        return Designs(
            layout=self.strategy.layout,
            radius=values["radius"],
            electrode_coverage=values["electrode_coverage"],
            ring=values["electrode"] > 0.5,
            drive_amplitude=values["drive_amplitude"],
            drive_phase=values["drive_phase"],
            bias=values["bias"],
            pitch=np.ascontiguousarray(values["pitch"][:, 0]),
            waveform={name: self._values(name, X) for name in wave},
        )

    def encode(self, designs: Designs) -> Floats:
        """Search vectors (design, variable) of designs on this strategy's grouping.

        Values outside the bounds move to the nearest bound. Of cells that this strategy ties
        together, the first group's value is taken, so ``decode(encode(d))`` equals ``d`` (up to
        rounding) exactly when ``d`` lies in this design space.

        Raises
        ------
        ValueError : the designs have another number of groups.
        """
        layout = self.strategy.layout
        if designs.layout.n_groups != layout.n_groups:
            raise ValueError(
                f"designs have {designs.layout.n_groups} groups; "
                f"strategy {self.strategy.name} has {layout.n_groups}"
            )
        X = np.empty((len(designs), self.n_variables))
        for name, columns in self._columns.items():
            if name == "electrode":
                unit = np.where(designs.ring, _RING, _DISC)
            else:
                values = designs.pitch[:, None] if name == "pitch" else _held(designs, name)
                low, high = self._bounds(name)
                unit = np.clip((values - low) / (high - low), 0.0, 1.0)
            owner = self._owner(name)
            first = np.unique(owner, return_index=True)[1]
            X[:, columns] = unit[:, :1] if name == "pitch" else unit[:, first]
        return X

    def grouped(self, name: str) -> bool:
        """Whether classes or channels have values of their own."""
        wave = self.strategy.waveform
        return name in (*PER_CLASS, *PER_CHANNEL, *(wave.per_channel if wave else ()))

    def _bounds(self, name: str) -> tuple[float, float]:
        low, high = self.strategy.vary[name]
        return float(low), float(high)

    def _count(self, name: str) -> int:
        return int(self._owner(name).max()) + 1

    def _owner(self, name: str) -> Ints:
        """Which of the variable's values each group takes, (group,)."""
        layout = self.strategy.layout
        if name in PER_CLASS:
            return layout.group_class
        if self.grouped(name):
            return layout.group_channel
        return np.zeros(layout.n_groups, dtype=np.int64)

    def _values(self, name: str, X: Floats) -> Floats:
        shape = (len(X), self.strategy.layout.n_groups)
        if name not in self._columns:
            value = self.strategy.fixed[name]
            number = float(value == "ring") if isinstance(value, str) else value
            return np.full(shape, number)
        unit = X[:, self._columns[name]][:, self._owner(name)]
        if name == "electrode":
            return np.rint(unit)
        low, high = self._bounds(name)
        # the end points exactly, and never past them by rounding
        return np.clip(low + unit * (high - low), low, high)


def _held(designs: Designs, name: str) -> Floats:
    found: Floats = designs.waveform[name] if name in WAVE_VARIABLES else getattr(designs, name)
    return found


def clearance_margin(designs: Designs, study: Study) -> Floats:
    """Smallest gap between two diaphragms less the required clearance, (design,) [m].

    Exact for circles: centre distance less both radii. An array of one cell has no gap; the larger
    side of the die, which no gap can exceed, stands in for it.
    """
    radius = designs.radius
    centres = designs.pitch[:, None, None] * designs.layout.group_distance
    gaps = centres - radius[:, :, None] - radius[:, None, :]
    gap = np.minimum(gaps.min(axis=(1, 2)), max(study.chip.die))
    return gap - study.chip.clearance


def occupied(designs: Designs, study: Study) -> Floats:
    """Sides (design, 2) [m] of the smallest centred die: cells and the edge margin around them."""
    centre = designs.pitch[:, None, None] * designs.layout.group_extent
    reach = (centre + designs.radius[:, :, None]).max(axis=1)
    return 2.0 * (reach + study.chip.edge_margin)


def die_margin(designs: Designs, study: Study) -> Floats:
    """Room left at the tighter pair of die edges, each side, (design,) [m]; negative: too large."""
    return 0.5 * (np.array(study.chip.die) - occupied(designs, study)).min(axis=1)
