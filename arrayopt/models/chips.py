"""Chips made after a batch of designs, every cell apart, along slow sweeps (M11, M12)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import ClassVar, NamedTuple

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.status import Status, translated
from arrayopt.design.chips import draw_chips
from arrayopt.design.designs import Designs
from arrayopt.models.array import DOWN, ONE_MODE_RANGE, SMALL, UP, Band
from arrayopt.models.bands.read import read_bands
from arrayopt.models.made import Made, made_chips
from arrayopt.models.one_mode.grid import MARGIN_LINEWIDTHS
from arrayopt.models.one_mode.response import absorption_constants
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.slow_flow import ChipStatus, chip_sweep, linear_figures
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.numerics.threads import thread_count
from arrayopt.physics.sound.path import path_factors
from arrayopt.study.model import Study

PER_CHIP = frozenset(ChipArrays._fields[: ChipArrays._fields.index("nominal")])
SHARED = frozenset({"pair", "distance", "neck", "sine", "density", "sound_speed"})
"""Fields of `ChipArrays` with a chip axis, and without any; the rest have a design axis."""

NOWHERE = (1e5, 1.1e5)
"""Sweep of what has no resonance (Hz); its status says why."""

WORDS = {
    ChipStatus.BEATS: Status.CHIP_BEATS,
    ChipStatus.ESCAPED: Status.RUNAWAY,
    ChipStatus.KA_RANGE: Status.MUTUAL_OUT_OF_RANGE,
    ChipStatus.OVERLAP: Status.CELLS_OVERLAP,
}


class ChipCells(NamedTuple):
    """What merits ask of the cells of chips; (design, chip, cell), chip 1 where all are alike."""

    stiffness: Floats
    quadratic: Floats
    static_deflection: Floats
    """Of the design: what making changes in it is left out."""
    status: Ints
    """`Status` of the design's cells."""


@dataclass(frozen=True)
class Chips:
    """The chips of a batch of designs in one study: a model whose rows are (design, chip).

    One mode a cell, mutual radiation in full, whatever the study's search computes.

    Parameters
    ----------
    designs, study : the batch; the study's ``fabrication`` says how chips differ.
    count : chips of each design; chip k is the same however many there are.
    use : which draws, see `draw_chips`.
    told : called with the number of chips just computed.
    """

    designs: Designs
    study: Study
    count: int
    use: str = "choose"
    told: Callable[[int], object] = field(default=lambda done: None, compare=False)

    trusted: ClassVar = ONE_MODE_RANGE

    @cached_property
    def made(self) -> Made:
        """Their coefficients; chips fill whole rows of lanes, the last ones are not shown."""
        draws = draw_chips(
            self.study.fabrication,
            chips=-(-self.count // LANES) * LANES,
            position=self.designs.layout.unit_position,
            seed=self.study.seed,
            use=self.use,
        )
        return made_chips(self.designs, self.study, draws)

    @cached_property
    def cells(self) -> ChipCells:
        """Of the chips."""
        nominal, group = self.made.nominal, self.designs.layout.group_of_cell
        of_designs = (nominal.static_deflection, nominal.status)
        return ChipCells(
            self.made.arrays.stiffness[:, : self.count],
            self.made.quadratic[:, : self.count],
            *(value[:, None, group] for value in of_designs),  # type: ignore[arg-type]
        )

    def band(self, sweep: int, level: float) -> Band:
        """Contiguous band around the peak of each chip's response; (design, chip).

        Parameters
        ----------
        sweep : UP, DOWN or SMALL.
        level : limit of the band below the peak as a pressure ratio.

        Returns
        -------
        Band
            ``deflection`` (design, chip, cell). Chips whose status is `Status.CHIP_BEATS` alone
            keep their values: means over the beat. Peak, edges and ripple are read at the sweep's
            windows, at least 60 a linewidth. A chip's values do not depend on ``count``.
        """
        if sweep not in (UP, DOWN, SMALL):
            raise ValueError(f"sweep {sweep}: chips are computed one way, UP, DOWN or SMALL.")
        rows = _rows(self.made.arrays)
        if sweep == SMALL:
            rows = rows._replace(cubic=np.zeros_like(rows.cubic))
        low, high = self._ends(rows)
        at_once = max(2 * thread_count(), 1)
        parts = []
        for first in range(0, len(low), at_once):
            part = slice(first, first + at_once)
            taken = rows._replace(
                **{name: getattr(rows, name)[part] for name in set(rows._fields) - SHARED}
            )
            parts.append(self._swept(taken, low[part], high[part], sweep, level))
            self.told(LANES * len(low[part]))
        shape = (len(self.designs), -1)
        every = Band.joined(parts).map(lambda _, x: x.reshape(*shape, *x.shape[1:]))
        return every.map(lambda _, x: x[:, : self.count])

    def _path(self, w: Floats) -> Floats:
        """Pressure amplitude at the target per volume displacement [Pa/m3]."""
        air, distance = self.study.air_state, self.study.target.distance
        return path_factors(air.density, distance, absorption_constants(air), w)

    def _ends(self, rows: ChipArrays) -> tuple[Floats, Floats]:
        """Sweep that holds all resonances and backbones of each row of chips, (row,) [Hz]."""
        linear = linear_figures(rows)
        force = np.hypot(rows.force_re, rows.force_im)
        square = linear.resonance**2
        mass = (rows.stiffness + rows.cavity * rows.volume**2) / square
        # w^2 = w0^2 + 3/4 g (F / (2 w m decay))^2 / m, losses those at resonance (M7.6)
        bend = 0.75 * rows.cubic * (0.5 * force / (mass * linear.decay)) ** 2 / mass
        end = np.sqrt(0.5 * (square + np.sqrt(np.maximum(square**2 + 4.0 * bend, 0.0))))
        margin = 2.0 * MARGIN_LINEWIDTHS * linear.decay
        unused = ~((force > 0.0) & np.isfinite(end))
        low = np.where(unused, np.inf, np.minimum(linear.resonance, end) - margin)
        high = np.where(unused, 0.0, np.maximum(linear.resonance, end) + margin)
        low, high = low.min(axis=(1, 2)), high.max(axis=(1, 2))
        low = np.maximum(low, 0.02 * high)
        found = self.made.nominal.necked
        if found is not None:  # two resonances a cell, which move as the diaphragm's do
            own = 2.0 * np.pi * self.made.nominal.natural_frequency
            each = len(low) // len(self.designs)
            shift = linear.resonance.reshape(len(low), -1)
            first, last = (np.repeat(f(own, axis=1), each) for f in (np.nanmin, np.nanmax))
            ends = np.fmin(found.low, found.driven_low), np.fmax(found.high, found.driven_high)
            lowest = np.repeat(np.nanmin(ends[0], axis=1), each) * shift.min(axis=1) / first
            highest = np.repeat(np.nanmax(ends[1], axis=1), each) * shift.max(axis=1) / last
            low, high = np.fmin(low, lowest), np.fmax(high, highest)
        sound = np.isfinite(low) & (high > low)
        ends = (
            np.where(sound, low / (2.0 * np.pi), NOWHERE[0]),
            np.where(sound, high / (2.0 * np.pi), NOWHERE[1]),
        )
        return ends

    def _swept(self, rows: ChipArrays, low: Floats, high: Floats, sweep: int, level: float) -> Band:
        """Bands of some rows of chips, (row * chip,)."""
        start, stop = (high, low) if sweep == DOWN else (low, high)
        found = chip_sweep(rows, start=start, stop=stop)
        known = np.isfinite(found.frequency).sum(axis=1)
        frequency = np.nan_to_num(found.frequency, nan=1.0)
        way = self._path(2.0 * np.pi * frequency)
        pressure = np.abs(found.volume) * way[:, None]
        if sweep == DOWN:
            for k, n in enumerate(known):
                frequency[k, :n] = frequency[k, n - 1 :: -1][:n]
                pressure[k, :, :n] = pressure[k, :, :n][:, ::-1]
        size = found.status.shape
        flat = pressure.reshape(-1, pressure.shape[2])
        alive = np.isfinite(flat[:, 0]) & (flat > 0.0).any(axis=1)
        points = np.where(alive, np.repeat(known, size[1]), 0)
        columns, off = read_bands(np.repeat(frequency, size[1], axis=0), flat, points, level)
        status = translated(found.status, WORDS).ravel()
        force = np.hypot(rows.force_re, rows.force_im).max(axis=2).ravel()
        status |= np.where(force == 0.0, int(Status.NOT_DRIVEN), 0)
        off &= status & ~int(Status.CHIP_BEATS) == 0
        status |= np.where(off, int(Status.OFF_GRID), 0)
        power = np.fmax.reduce(found.power, axis=2).ravel()
        every = np.concatenate([columns, power[None]])
        deflection = found.deflection.reshape(-1, found.deflection.shape[2])
        lost = status & ~int(Status.CHIP_BEATS) != 0
        every[:, lost], deflection[lost] = np.nan, np.nan
        return Band.of(every, deflection, status)


def _rows(arrays: ChipArrays) -> ChipArrays:
    """Every ``LANES`` chips of a design as a design of their own.

    A sweep's steps and ends are those of its slowest and fastest chips: so they are not another
    number of chips' business.
    """
    designs, chips, cells = arrays.mass.shape
    each = chips // LANES
    changed = {}
    for name in set(arrays._fields) - SHARED:
        value = getattr(arrays, name)
        if name in PER_CHIP:
            changed[name] = value.reshape(designs * each, LANES, cells)
        else:
            changed[name] = np.repeat(value, each, axis=0)
    return arrays._replace(**changed)
