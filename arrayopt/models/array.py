"""What an array model answers about a batch of designs, whatever computes it, and in which form.

Merits, verification, reports and exports ask it, and nobody else. Rows are chips as made, (design,
chip); cells are cells.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Complex, Floats, Ints
from arrayopt.models.bands import largest_in_time

if TYPE_CHECKING:
    from arrayopt.design.designs import Designs
    from arrayopt.models.made import Made
    from arrayopt.models.rows import Pace, Rows
    from arrayopt.models.traces import Traces, Waves
    from arrayopt.physics.intime.waveform import Drive as Waveform
    from arrayopt.study.model import BurstLength, Study


UP, DOWN, SMALL = 0, 1, 2
"""Sweep codes: slowly upwards, slowly downwards, small signal (cubic term off)."""

TWO_WAY = 4
"""Added to a sweep code: the same array, at small signal, also receives the echo (M10.5)."""

SWEEPS = {"up-sweep": UP, "down-sweep": DOWN, "small-signal": SMALL}


@dataclass(frozen=True)
class Band:
    """Peak and band of a batch of responses; arrays (design, chip) or (design, chip, cell)."""

    peak_pressure: Floats
    peak_frequency: Floats
    lower_edge: Floats
    upper_edge: Floats
    ripple: Floats
    """Depth of the deepest valley inside the band below the lower of its sides, dB."""
    power: Floats
    """Largest mean mechanical power taken by all cells, W."""
    deflection: Floats
    """(design, chip, cell): largest centre amplitude, m."""
    status: Ints
    """`Status` of each; where it is more than `Status.CHIP_BEATS` the others are NaN."""

    @property
    def width(self) -> Floats:
        """Hz."""
        return self.upper_edge - self.lower_edge

    @property
    def centre(self) -> Floats:
        """Middle of the band, Hz."""
        return 0.5 * (self.lower_edge + self.upper_edge)

    @property
    def fractional_width(self) -> Floats:
        """Width of the band over its centre."""
        edges = self.upper_edge + self.lower_edge
        return 2.0 * self.width / edges

    @staticmethod
    def of(columns: Floats, deflection: Floats, status: Ints) -> Band:
        """From an array (6, design) of the first six fields."""
        peak, frequency, lower, upper, ripple, power = np.ascontiguousarray(columns)
        return Band(peak, frequency, lower, upper, ripple, power, deflection, status)

    @staticmethod
    def joined(parts: Sequence[Band]) -> Band:
        """Bands of several batches as one."""
        return parts[0].map(lambda _, *every: np.concatenate(every), *parts[1:])

    def map(self, change: Callable[..., NDArray[np.generic]], *others: Band) -> Band:
        """A band of every field's ``change(name, of this band, of each other one)``."""
        names = Band.__dataclass_fields__
        every = {n: [getattr(band, n) for band in (self, *others)] for n in names}
        return Band(**{n: change(n, *values) for n, values in every.items()})  # type: ignore[arg-type]


@dataclass(frozen=True)
class Drive:
    """Tone bursts or linear chirps from rest, one of each entry; arrays (entry,)."""

    start: Floats
    """Frequency when it begins [Hz]: a burst's carrier."""
    end: Floats
    duration: Floats

    @property
    def cycles(self) -> Floats:
        """Cycles of the drive, (entry,)."""
        return 0.5 * (self.start + self.end) * self.duration

    @property
    def moves(self) -> bool:
        """Whether the frequency changes while it lasts."""
        return bool(np.any(self.start != self.end))

    def frequency(self, time: Floats) -> Floats:
        """Instantaneous frequency at times (entry, time), the last one after the drive [Hz]."""
        share = np.clip(time / self.duration[:, None], 0.0, 1.0)
        return np.asarray(self.start[:, None] + (self.end - self.start)[:, None] * share)

    def take(self, rows: Ints) -> Drive:
        """Some of the entries."""
        return Drive(self.start[rows], self.end[rows], self.duration[rows])


def bursts(frequency: Floats, length: BurstLength) -> Drive:
    """Tone bursts of given carriers (entry,) [Hz]."""
    frequency = np.asarray(frequency, dtype=np.float64)
    lasts = length.value / frequency if length.in_cycles else np.full(frequency.shape, length.value)
    return Drive(frequency, frequency, lasts)


@dataclass(frozen=True)
class Envelopes:
    """Pressure envelopes of entries (a row of chips and a drive), one sample a drive cycle."""

    time: Floats
    """(entry, time): window centres from the start of the drive, s."""
    pressure: Complex
    """(entry, lane, time): at the target, Pa, the shortest way left out; p = Re(P e^{j phi}), phi
    the drive's phase."""
    burst_end: int
    """Index of the last window inside the drive."""
    deflection: Floats
    """(entry, lane, cell): largest centre displacement, m."""
    power: Floats
    """(entry, lane): at most so much is taken by all cells, as if every force were in phase with
    the fastest motion of its cell; exact of cells at their resonance, W."""
    status: Ints
    """(entry, lane): `Status`; other values are NaN where it is not 0."""

    @cached_property
    def peak(self) -> Floats:
        """Largest amplitude while the drive lasts, (entry, lane), Pa: between windows, too."""
        size = np.abs(self.pressure[..., : self.burst_end + 1])
        return largest_in_time(size.reshape(-1, size.shape[-1])).reshape(size.shape[:-1])

    @property
    def end(self) -> Floats:
        """Amplitude in the last cycle of the drive, (entry, lane), Pa."""
        return np.abs(self.pressure[..., self.burst_end])


ONE_MODE_RANGE = {"deflection_ratio": 1.2, "quadratic_ratio": 0.15}
"""Up to where one mode is trusted: near the 1:3 resonance with (0,2) (M7.10); where one effective
cubic is within 5 % of the frequency shift (M7.5)."""
PLATE_RANGE = {"deflection_ratio": 2.0}
"""Up to where the plate model is trusted at all (M2)."""


class ArrayModel(Protocol):
    """Chips of a batch of designs in one study."""

    @property
    def trusted(self) -> Mapping[str, float]:
        """Merits that say how far the model is trusted, and their largest values."""
        ...

    @property
    def designs(self) -> Designs:
        """The batch."""
        ...

    @property
    def study(self) -> Study:
        """What it is computed for."""
        ...

    @property
    def count(self) -> int:
        """Chips of each design."""
        ...

    @property
    def pace(self) -> Pace:
        """How finely it computes."""
        ...

    @property
    def made(self) -> Made:
        """Coefficients of the chips and, as ``nominal``, those of the designs."""
        ...

    @property
    def rows(self) -> Rows:
        """Chips side by side: chips 0 to 15 of the first design, and so on; the last row of a
        design holds chips beyond ``count``, too."""
        ...

    def shown(self, values: Any) -> Any:
        """Values of (row, lane, ...), or flat, as (design, chip, ...)."""
        ...

    def linear(self) -> ArrayModel:
        """The same chips as if their springs were linear."""
        ...

    def band(self, sweep: int, level: float) -> Band:
        """Contiguous band around the peak of each chip's response (M10.1).

        Parameters
        ----------
        sweep : UP, DOWN or SMALL; with TWO_WAY added the array also receives (M10.5).
        level : limit of the band below the peak as a pressure ratio.
        """
        ...

    def response(self, frequency: Floats, sweep: int) -> Floats:
        """Pressure amplitude at the target (design, chip, frequency) along a sweep [Pa].

        ``frequency`` (design, frequency) [Hz]; NaN outside the sweep. Absorption included.
        """
        ...

    def onset(self, most: Floats | None = None) -> Floats:
        """Drive at which up- and down-sweep of each chip's array part, (design, chip) [V] (M12.15).

        ``most`` (design,) [V]: a design may have NaN whose share of chips has a higher one. See
        `onset.array_onsets`.
        """
        ...

    def motion(self, frequency: Floats, sweep: int) -> Complex:
        """Centre displacement of every cell (design, chip, cell) where a sweep has come to [m].

        ``frequency`` (design,) [Hz]; phasors e^{+jwt}, without what steers.
        """
        ...

    def receive(self, row: Ints, frequency: Floats) -> Floats:
        """Charge received by all channels per pressure at a reflector, (entry, lane) [C/Pa]; M8.11.

        At small signal; ``row`` and ``frequency`` (entry,) [Hz], beyond the sweep that of its end;
        absorbed on the way back.
        """
        ...

    def envelopes(self, row: Ints, drive: Drive, *, ring_cycles: int = 0) -> Envelopes:
        """Envelopes of the pressure at the target of rows of chips, driven from rest (M8, M12.7).

        ``ring_cycles``: cycles of the drive's last frequency followed after it. Independent of what
        other entries are in the call.
        """
        ...

    def pulse(self, waves: Waveform | Waves, wave: Ints | None = None) -> Traces:
        """The sound of one pulse of each chip at the target, in time (M13.4).

        Parameters
        ----------
        waves : drive of all designs, or of each design its drives.
        wave : (cell,): which of its design's drives moves a cell; None: the first.
        """
        ...

    @property
    def sent(self) -> Traces:
        """`pulse` under each design's own waveform; of studies that have one."""
        ...

    @property
    def unbraked(self) -> Traces:
        """The same without braking tails."""
        ...

    @property
    def drawn(self) -> ArrayModel:
        """One chip of each design, made as drawn."""
        ...
