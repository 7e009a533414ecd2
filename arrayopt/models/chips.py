"""Chips made after a batch of designs, every cell apart, in time: the array model (M11, M12)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from arrayopt.base.arrays import Complex, Floats, Ints
from arrayopt.base.status import Status, translated
from arrayopt.design.chips import NOMINAL, draw_chips
from arrayopt.design.designs import Designs
from arrayopt.models.array import (
    DOWN,
    ONE_MODE_RANGE,
    PLATE_RANGE,
    SMALL,
    TWO_WAY,
    UP,
    Band,
    Drive,
    Envelopes,
)
from arrayopt.models.bands import read_bands
from arrayopt.models.made import Made, made_chips
from arrayopt.models.onset import array_onsets
from arrayopt.models.pulses import envelopes
from arrayopt.models.rows import QUICK, WORDS, Pace, Rows, ends_of, flow, rows_of
from arrayopt.models.traces import Traces, Waves, traces
from arrayopt.models.waves import driven
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.slow_flow import ChipSweep
from arrayopt.physics.intime.waveform import Drive as Waveform
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.numerics.threads import thread_count
from arrayopt.physics.sound.path import absorption_constants, path_factors
from arrayopt.study.model import Study

KEPT = 4096
"""Most chips whose curves are kept in memory, to be asked again; and most that are made at once."""


class Curves(NamedTuple):
    """Some rows of chips along a sweep, by ascending frequency; windows beyond the last are NaN."""

    frequency: Floats
    """(row, window) [Hz]."""
    known: Ints
    """(row,): windows."""
    volume: Floats
    """(row, chip, window): size of the volume displacement towards the target (m3)."""
    power: Floats
    """(row, chip): largest (W)."""
    deflection: Floats
    """(row, chip, cell) [m]."""
    status: Ints
    """(row, chip): `Status`."""

    def row(self, k: int) -> Curves:
        """One of them."""
        return Curves._make(x[k : k + 1] for x in self)


@dataclass(frozen=True)
class Chips:
    """The chips of a batch of designs in one study; see `ArrayModel`.

    Parameters
    ----------
    designs, study : the batch; the study's ``fabrication`` says how chips differ.
    count : chips of each design; chip k is the same however many there are.
    use : which draws, see `draw_chips`.
    modes : of each cell; None for the study's.
    pace : how finely sweeps are computed.
    told : called with the number of chips just computed.
    bends : False leaves springs linear.
    first : number of the first chip.
    """

    designs: Designs
    study: Study
    count: int
    use: str = "choose"
    modes: int | None = None
    pace: Pace = QUICK
    told: Callable[[int], object] = field(default=lambda done: None, compare=False)
    bends: bool = True
    first: int = 0

    @property
    def trusted(self) -> Mapping[str, float]:
        """See `ArrayModel`."""
        return ONE_MODE_RANGE if self._modes == 1 else PLATE_RANGE

    @property
    def _modes(self) -> int:
        return self.study.model.modes if self.modes is None else self.modes

    @cached_property
    def made(self) -> Made:
        """Their coefficients; chips fill whole rows of lanes, the last ones are not shown."""
        draws = draw_chips(
            self.study.fabrication,
            chips=-(-self.count // LANES) * LANES,
            first=self.first,
            position=self.designs.layout.unit_position,
            seed=self.study.seed,
            use=self.use,
            calibration=self.study.calibration,
        )
        return made_chips(self.designs, self.study, draws, n_modes=self._modes)

    def blocks(self) -> Iterator[Chips]:
        """The same chips in models of at most `KEPT`, so that memory is bounded."""
        if self.count <= KEPT:
            yield self
            return
        for first in range(0, self.count, KEPT):
            count = min(KEPT, self.count - first)
            yield replace(self, count=count, first=self.first + first)

    def take(self, rows: Ints) -> Chips:
        """The chips of some of the designs, with the sweeps that are known of them."""
        other = replace(self, designs=self.designs.take(rows))
        each = -(-self.count // LANES)
        for sweep, parts in self._kept.items():
            single = [part.row(k) for part in parts for k in range(len(part.known))]
            other._kept[sweep] = [single[each * d + k] for d in rows for k in range(each)]
        return other

    def linear(self) -> Chips:
        """See `ArrayModel`."""
        other = replace(self, bends=False)
        vars(other)["made"] = self.made
        return other

    @cached_property
    def _kept(self) -> dict[tuple[int, bool], list[Curves]]:
        return {}

    def band(self, sweep: int, level: float) -> Band:
        """See `ArrayModel.band`.

        Chips whose status is `Status.CHIP_BEATS` alone keep their values: means over the beat.
        Peak, edges and ripple are read at the sweep's windows, at least 60 a linewidth. A chip's
        values do not depend on ``count``.
        """
        parts = []
        two_way = sweep & TWO_WAY != 0
        heard = iter(self._curves(SMALL, unit=True)) if two_way else None
        for curves in self._curves(sweep & ~TWO_WAY):
            parts.append(self._banded(curves, level, None if heard is None else next(heard)))
        return Band.joined(parts).map(lambda _, x: self.shown(x))

    def response(self, frequency: Floats, sweep: int) -> Floats:
        """See `ArrayModel.response`: linear between the sweep's windows."""
        out = np.full((len(self.designs), self.count, frequency.shape[1]), np.nan)
        self._interpolated(self._curves(sweep), frequency, out)
        return np.asarray(out * self._path(2.0 * np.pi * frequency)[:, None])

    def receive(self, row: Ints, frequency: Floats) -> Floats:
        """See `ArrayModel.receive`: by reciprocity what one volt on every channel moves."""
        out, first = np.empty((row.size, LANES)), 0
        for curves in self._curves(SMALL, unit=True):
            for k, n in enumerate(curves.known):
                mine = row == first + k
                for c in range(LANES if mine.any() else 0):
                    size = curves.volume[k, c, :n]
                    out[mine, c] = np.interp(frequency[mine], curves.frequency[k, :n], size)
            first += curves.known.size
        return out * self._way_back(2.0 * np.pi * frequency)[:, None]

    def onset(self, most: Floats | None = None) -> Floats:
        """See `ArrayModel.onset`."""
        drive, count, measured = self.designs.drive_amplitude, self.count, self.pace.measured
        share = self.study.fabrication.share
        return array_onsets(
            self.made, drive, count, measured, None if most is None else (most, share)
        )

    def motion(self, frequency: Floats, sweep: int) -> Complex:
        """See `ArrayModel.motion`."""
        rows = self._rows(linear=sweep == SMALL or not self.bends)
        low, high = self._ends
        each = len(low) // len(self.designs)
        stop = np.repeat(np.nan_to_num(frequency, nan=1.0), each)
        start = np.minimum(high, 2.0 * stop) if sweep == DOWN else np.maximum(low, 0.5 * stop)
        start = np.where(start == stop, 1.001 * stop, start)
        found = flow(rows, self.pace, start, stop)
        turn = np.exp(2j * np.pi * stop[:, None] * rows.arrays.lead)[:, None, :]
        return self.shown(found.settled * turn)

    def envelopes(self, row: Ints, drive: Drive, *, ring_cycles: int = 0) -> Envelopes:
        """See `ArrayModel.envelopes`."""
        return envelopes(self.rows, self.pace, self.study, row, drive, ring_cycles)

    def pulse(self, waves: Waveform | Waves, wave: Ints | None = None) -> Traces:
        """See `ArrayModel.pulse`."""
        each = [[waves]] * len(self.designs) if isinstance(waves, Waveform) else waves
        cells = self.designs.layout.n_cells
        owner = np.zeros(cells, dtype=np.int64) if wave is None else wave
        self.told(LANES * self.rows.design.size)
        return traces(self.rows, self.pace, self.study, each, owner, self.count)

    @cached_property
    def sent(self) -> Traces:
        """See `ArrayModel.sent`."""
        found = driven(self.designs, self.study)
        return self.pulse(found.waves, found.wave)

    @cached_property
    def unbraked(self) -> Traces:
        """See `ArrayModel.unbraked`."""
        found = driven(self.designs, self.study)
        return self.pulse(found.unbraked.waves, found.wave) if found.braked else self.sent

    @cached_property
    def drawn(self) -> Chips:
        """See `ArrayModel.drawn`."""
        if self.use == NOMINAL:
            return self
        return replace(self, use=NOMINAL, count=1, first=0)

    def shown(self, values: Any) -> Any:
        """See `ArrayModel.shown`."""
        whole = values.reshape(len(self.designs), -1, *values.shape[2:])
        return whole[:, : self.count]

    def _path(self, w: Floats) -> Floats:
        """Pressure amplitude at the target per volume displacement [Pa/m3]."""
        air, distance = self.study.air_state, self.study.target.distance
        return path_factors(air.density, distance, absorption_constants(air), w)

    def _way_back(self, w: Floats) -> Floats:
        """What absorption leaves on the way back."""
        air, distance = self.study.air_state, self.study.target.distance
        spread = air.density * w**2 / (2.0 * np.pi * distance)
        return np.asarray(self._path(w) / spread)

    def _interpolated(self, parts: list[Curves], frequency: Floats, out: Floats) -> None:
        """Sizes of volumes at ascending frequencies (design, point), into (design, chip, point)."""
        each, row = -(-self.count // LANES), 0
        for curves in parts:
            for k, n in enumerate(curves.known):
                d, first = row // each, row % each * LANES
                for c in range(min(LANES, self.count - first)):
                    out[d, first + c] = np.interp(
                        frequency[d],
                        curves.frequency[k, :n],
                        curves.volume[k, c, :n],
                        left=np.nan,
                        right=np.nan,
                    )
                row += 1

    def _rows(self, *, linear: bool, unit: bool = False) -> Rows:
        """Every ``LANES`` chips of a design as a row.

        A sweep's steps and ends are those of its slowest and fastest chips: so they are not another
        number of chips' business.
        """
        each = -(-self.count // LANES)
        design = np.repeat(np.arange(len(self.designs)), each)
        first = LANES * np.tile(np.arange(each), len(self.designs))
        return rows_of(
            self.made, design, first[:, None] + np.arange(LANES), linear=linear, unit=unit
        )

    @cached_property
    def rows(self) -> Rows:
        """See `ArrayModel.rows`."""
        return self._rows(linear=not self.bends)

    @cached_property
    def _ends(self) -> tuple[Floats, Floats]:
        """Sweep that holds all resonances and backbones of each row of chips, (row,) [Hz]."""
        return ends_of(self.rows, self.made.nominal)

    def _curves(self, sweep: int, *, unit: bool = False) -> list[Curves]:
        """The chips along a sweep, in rows; kept where they are few."""
        if sweep not in (UP, DOWN, SMALL):
            raise ValueError(f"sweep {sweep}: UP, DOWN or SMALL.")
        if not self.bends:
            sweep = SMALL
        if (sweep, unit) in self._kept:
            return self._kept[sweep, unit]
        rows = self._rows(linear=sweep == SMALL, unit=unit)
        low, high = self._ends
        at_once = max(2 * thread_count(), 1)
        parts = []
        for first in range(0, len(low), at_once):
            part = slice(first, first + at_once)
            some = rows.take(part)
            ends = (high, low) if sweep == DOWN else (low, high)
            found = flow(some, self.pace, *(end[part] for end in ends))
            parts.append(_ascending(found, some.arrays, falls=sweep == DOWN))
            self.told(LANES * len(low[part]))
        if len(self.designs) * self.count <= KEPT:
            self._kept[sweep, unit] = parts
        return parts

    def _banded(self, curves: Curves, level: float, heard: Curves | None) -> Band:
        """Bands of some rows, (row, chip)."""
        shape = curves.status.shape
        frequency = np.nan_to_num(curves.frequency, nan=1.0)
        pressure = curves.volume * self._path(2.0 * np.pi * frequency)[:, None]
        if heard is not None:
            back = self._way_back(2.0 * np.pi * frequency)
            for k, n in enumerate(curves.known):
                at = heard.frequency[k, : heard.known[k]]
                for c in range(shape[1]):
                    size = heard.volume[k, c, : at.size]
                    pressure[k, c, :n] *= np.interp(frequency[k, :n], at, size) * back[k, :n]
        flat = pressure.reshape(-1, pressure.shape[2])
        alive = np.isfinite(flat[:, 0]) & (flat > 0.0).any(axis=1)
        points = np.where(alive, np.repeat(curves.known, shape[1]), 0)
        columns, off = read_bands(np.repeat(frequency, shape[1], axis=0), flat, points, level)
        status = curves.status.ravel().copy()
        off &= status & ~int(Status.CHIP_BEATS) == 0
        status |= np.where(off, int(Status.OFF_GRID), 0)
        every = np.concatenate([columns, curves.power.reshape(1, -1)])
        deflection = curves.deflection.reshape(-1, curves.deflection.shape[2]).copy()
        lost = status & ~int(Status.CHIP_BEATS) != 0
        every[:, lost], deflection[lost] = np.nan, np.nan
        band = Band.of(every, deflection, status)
        return band.map(lambda _, x: x.reshape(*shape, *x.shape[1:]))


def _ascending(found: ChipSweep, rows: ChipArrays, *, falls: bool) -> Curves:
    known = np.isfinite(found.frequency).sum(axis=1)
    frequency, volume = found.frequency, np.abs(found.volume)
    if falls:
        for k, n in enumerate(known):
            frequency[k, :n] = frequency[k, :n][::-1].copy()
            volume[k, :, :n] = volume[k, :, :n][:, ::-1].copy()
    status = translated(found.status, WORDS)
    driven = np.hypot(rows.force_re, rows.force_im).max(axis=2) > 0.0
    status |= np.where(driven, 0, int(Status.NOT_DRIVEN))
    power = np.fmax.reduce(found.power, axis=2)
    return Curves(frequency, known, volume, power, found.deflection, status)
