"""Tone bursts: largest amplitude within the burst against its carrier (M8.8, M10.1)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.status import Status
from arrayopt.models.array import ArrayModel, Band, Drive, Envelopes, bursts
from arrayopt.models.bands.read import read_bands
from arrayopt.models.bands.refine import MOST, next_points
from arrayopt.models.cells import without_nonlinearity
from arrayopt.models.excitations.figures import (
    PULSE_DROP,
    PulseFigures,
    chunks,
    driven_groups,
    pulse_figures,
)
from arrayopt.physics.intime.pulse import contiguous_band
from arrayopt.physics.numerics.threads import spread

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from arrayopt.base.arrays import Floats, Ints
    from arrayopt.models.cells import Cells
    from arrayopt.study.model import BurstLength


STEP = 0.8
"""Distance of the first carriers over the rate at which the fastest group builds up (rad/s)."""
EXTENSIONS = 4
"""How often the grid is continued where groups in phase keep a tail above the band's level."""
EXTENSION_POINTS = 8
REACH = 1.25
"""Carriers beyond the outermost resonance, over the distance at which a burst's tail is below
the band's level."""
GRID_LIMIT = 1024
"""Most carriers of one design."""
PASSES = 100
"""Most refinements of a band; a dozen or two are usual."""
SPECTRUM_POINTS = 16
"""Points of a spectrum over those of its pulse."""


@dataclass(frozen=True)
class Burst:
    """A tone burst of some length, its carrier anywhere; see `choose.Excitation`."""

    length: BurstLength

    def band(
        self, model: ArrayModel, level: float, *, small: bool = False, two_way: bool = False
    ) -> Band:
        """Contiguous band of the largest amplitude within a burst, against its carrier.

        ``power`` and ``deflection`` are the largest over all carriers computed, and ``ripple`` is
        taken at them. Peak to 1e-8 and edges to 1e-8 of the carrier, unless the response beats
        within less than an eighth of the grid's step away from where it is near its peak or limit,
        which hard bursts do at the end of a cell's upper branch (M8.14).
        """
        if small:
            model = replace(model, cells=without_nonlinearity(model.cells))  # type: ignore[type-var]
        low, step, count, status = carriers(model.cells, self.length, level)
        designs, groups = model.cells.mass.shape
        columns = np.full((6, designs), np.nan)
        deflection = np.full((designs, groups), np.nan)
        chosen = np.flatnonzero(status == 0)
        if chosen.size:
            search = _Search(model, self.length, two_way, chosen, step[chosen])
            index = np.arange(count[chosen].max())
            grid = low[chosen, None] + step[chosen, None] * index
            search.add(np.where(index < count[chosen, None], grid, np.inf))
            columns[:, chosen] = search.band(level)
            deflection[chosen] = search.deflection
            status[chosen] |= search.status
        columns[:, status != 0] = np.nan
        return Band.of(columns, deflection, status)

    def pulse(self, model: ArrayModel, band: Band) -> PulseFigures:
        """Figures of one burst of each design, its carrier in the middle of the band."""
        return pulse_figures(model, bursts(band.centre, self.length), _spectrum_width)

    def peaks(self, model: ArrayModel, frequency: Floats) -> tuple[Floats, Floats]:
        """Largest and last pressure amplitude of bursts, (design, carrier) [Hz] -> [Pa] (M8.8).

        NaN where a cell escaped.
        """
        design = np.repeat(np.arange(frequency.shape[0]), frequency.shape[1])
        drive = bursts(np.ascontiguousarray(frequency).reshape(-1), self.length)
        out = np.full((2, design.size), np.nan)
        for part in chunks(np.arange(design.size), drive, model.cells.mass.shape[1]):
            found = model.envelopes(design[part], drive.take(part))
            out[:, part] = np.where(found.status == 0, (found.peak, found.end), np.nan)
        peak, end = out.reshape(2, *frequency.shape)
        return peak, end


def carriers(cells: Cells, length: BurstLength, level: float) -> tuple[Floats, Floats, Ints, Ints]:
    """Lowest carrier and step [Hz], number of carriers and status of each design's grid, (design,).

    A burst builds up as F/(2 m w) (1 - e^{-delta T})/delta, at most, which bounds both the width
    of its response (steps of `STEP` over the time constant) and the shift by a cubic spring.
    Carriers reach beyond all resonances until a group's beats are below ``level``.
    """
    w0 = 2.0 * np.pi * cells.natural_frequency
    driven = driven_groups(cells)
    w0 = np.where(driven, w0, 1.0)
    decay = np.where(driven, 0.5 * w0 / cells.quality_factor, 1.0)
    span = -np.expm1(-decay * bursts(w0 / (2.0 * np.pi), length).duration) / decay
    with np.errstate(invalid="ignore"):
        force = np.abs(cells.force_per_volt) * cells.drive_amplitude
        amplitude = 0.5 * force * w0 / cells.stiffness * span
        stiffer = 1.0 + 0.75 * cells.effective_cubic * amplitude**2 / cells.stiffness
    bent = w0 * np.sqrt(np.maximum(np.where(driven, stiffer, 1.0), 0.09))
    reach = REACH * 2.0 / level / span
    low = np.where(driven, np.minimum(w0, bent) - reach, np.inf).min(axis=1)
    high = np.where(driven, np.maximum(w0, bent) + reach, 0.0).max(axis=1)
    step = np.where(driven, STEP / span, np.inf).min(axis=1)
    some = driven.any(axis=1)
    low, high, step = (np.where(some, a, 1.0) for a in (low, high, step))
    low = np.maximum(low, 0.2 * high)
    number = np.ceil((high - low) / step) + 1
    status = np.where(some, 0, int(Status.NOT_DRIVEN))  # or with cells that have no model
    status = np.where(some & (number > GRID_LIMIT), int(Status.GRID_LIMIT), status)
    count = np.where(status == 0, np.minimum(number, GRID_LIMIT), 0).astype(np.int64)
    step = (high - low) / np.maximum(count - 1, 1)
    return low / (2.0 * np.pi), step / (2.0 * np.pi), count, status


class _Search:
    """Carriers computed so far of some designs of a batch, and what was found at them."""

    def __init__(
        self, model: ArrayModel, length: BurstLength, two_way: bool, rows: Ints, step: Floats
    ) -> None:
        self.model, self.length, self.two_way = model, length, two_way
        self.rows, self.step = rows, step
        self.groups = model.cells.mass.shape[1]
        self.frequency = np.empty((rows.size, 0))
        """(design, carrier): ascending, filled up with inf."""
        self.amplitude = np.empty((rows.size, 0))
        self.alone = np.empty((rows.size, self.groups, 0))
        """(design, group, carrier): largest pressure of each group by itself."""
        self.deflection = np.zeros((rows.size, self.groups))
        self.power = np.zeros(rows.size)
        self.status = np.zeros(rows.size, dtype=np.int64)

    def evaluate(self, frequency: Floats) -> tuple[Floats, Floats]:
        """Amplitudes at (design, carrier) and of each group alone; 0 where the carrier is inf."""
        at = np.isfinite(frequency)
        (local, column), drive = np.nonzero(at), bursts(frequency[at], self.length)
        amplitude, alone = np.zeros(frequency.shape), np.zeros((len(at), self.groups, at.shape[1]))
        for part in chunks(np.arange(local.size), drive, self.groups):
            rows, columns = local[part], column[part]
            amplitude[rows, columns], alone[rows, :, columns] = self._chunk(rows, drive.take(part))
        return amplitude, alone

    def _chunk(self, local: Ints, drive: Drive) -> tuple[Floats, Floats]:
        design = self.rows[local]
        found = self.model.envelopes(design, drive)
        heard = np.ones(local.size)
        if self.two_way:
            heard = self.model.receive(design, drive.start)
        escaped = found.status != 0
        np.bitwise_or.at(self.status, local[escaped], int(Status.RUNAWAY))
        np.maximum.at(self.power, local, np.where(escaped, 0.0, found.power))
        np.maximum.at(self.deflection, local, np.where(escaped[:, None], 0.0, found.deflection))
        amplitude = np.where(escaped, 0.0, found.peak * heard)
        return amplitude, np.where(escaped[:, None], 0.0, found.alone * heard[:, None])

    def add(self, frequency: Floats) -> None:
        """Compute carriers (design, carrier; inf for none) and sort them in."""
        amplitude, alone = self.evaluate(frequency)
        frequency = np.concatenate([self.frequency, frequency], axis=1)
        order = np.argsort(frequency, axis=1, kind="stable")
        order = order[:, : np.isfinite(frequency).sum(axis=1).max(initial=0)]
        self.frequency = np.take_along_axis(frequency, order, 1)
        amplitude = np.concatenate([self.amplitude, amplitude], axis=1)
        self.amplitude = np.take_along_axis(amplitude, order, 1)
        alone = np.concatenate([self.alone, alone], axis=2)
        self.alone = np.take_along_axis(alone, order[:, None, :], 2)

    def band(self, level: float) -> tuple[Floats, ...]:
        """Peak, its carrier, lower and upper edge, ripple and power of each design."""
        for number in range(EXTENSIONS):
            self.add(self._beyond(level, 2.0**number))
        self._refine(level)
        known = np.isfinite(self.frequency).sum(axis=1)
        found, off = read_bands(self.frequency, self.amplitude, known, level)
        self.status |= np.where(off, int(Status.OFF_GRID), 0)
        return (*found, self.power)

    def _beyond(self, level: float, stride: float) -> Floats:
        """Carriers (design, 2 x any) that continue a side where the amplitude is not low enough."""
        rows = np.arange(self.rows.size)
        last = np.isfinite(self.frequency).sum(axis=1) - 1
        limit = level * self.amplitude.max(axis=1)
        ahead = stride * np.arange(1, EXTENSION_POINTS + 1)
        sides = []
        for end, inner in ((0 * last, 0 * last + 1), (last, last - 1)):
            first = self.frequency[rows, end]
            step = first - self.frequency[rows, inner]
            new = first[:, None] + step[:, None] * ahead
            high = self.amplitude[rows, end] >= limit
            sides.append(np.where(high[:, None] & (new > 0.2 * first[:, None]), new, np.inf))
        added = np.concatenate(sides, axis=1)
        return added if np.isfinite(added).any() else added[:, :0]

    def _refine(self, level: float) -> None:
        """Add carriers until neither the peak nor an edge can hide between them."""
        for _ in range(PASSES):
            new = np.full((self.rows.size, MOST), np.inf)
            known = np.isfinite(self.frequency).sum(axis=1)
            spread(
                next_points,
                self.rows.size,
                self.frequency,
                self.amplitude,
                self.alone,
                known,
                self.step,
                level,
                new,
            )
            new.sort(axis=1)
            count = int(np.isfinite(new).sum(axis=1).max(initial=0))
            if count == 0:
                return
            self.add(new[:, :count])
        self.status |= np.where(np.isfinite(new[:, 0]), int(Status.GRID_LIMIT), 0)


def _spectrum_width(found: Envelopes, drive: Drive, ring_cycles: int) -> Floats:
    """See `figures.Spectrum`: as many points as each burst needs whatever the batch."""
    out = np.empty(drive.start.size)
    points = 2 ** np.ceil(np.log2(SPECTRUM_POINTS * (drive.duration * drive.start + ring_cycles)))
    for n in np.unique(points):
        these = points == n
        out[these] = _width_of(found.pressure[these], found.burst_end, int(n))
    return out


def _width_of(envelope: NDArray[np.complex128], burst_end: int, points: int) -> Floats:
    """Fractional -6 dB width of the spectrum of envelopes sampled once a carrier cycle (M8.10).

    Samples are placed so that the drive ends at the same point whatever the batch begins with.
    """
    placed = np.zeros((envelope.shape[0], points), dtype=np.complex128)
    after = envelope.shape[1] - burst_end - 1
    before = min(burst_end + 1, points - after)
    placed[:, :after] = envelope[:, burst_end + 1 :]
    placed[:, points - before :] = envelope[:, burst_end + 1 - before : burst_end + 1]
    offset = np.fft.fftshift(np.fft.fftfreq(points))
    density = np.abs(np.fft.fftshift(np.fft.fft(placed, axis=1), axes=1)) / np.sinc(offset)
    band = contiguous_band(1.0 + offset, density, drop=PULSE_DROP)
    return np.asarray(band.fractional_bandwidth)
