"""Tone bursts: largest amplitude within the burst against its carrier (M8.8, M8.14, M10.1)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import Akima1DInterpolator

from arrayopt.base.shares import spread
from arrayopt.base.status import Status
from arrayopt.models.array import ArrayModel, Band, Drive, Envelopes, bursts
from arrayopt.models.bands import all_places, read_bands
from arrayopt.models.excitations.figures import (
    PULSE_DROP,
    PulseFigures,
    chunks,
    pulse_figures,
)
from arrayopt.models.rows import NOWHERE, driven_cells
from arrayopt.physics.intime.pulse import contiguous_band
from arrayopt.physics.intime.slow_flow import linear_figures
from arrayopt.physics.numerics.lanes import LANES

if TYPE_CHECKING:
    from arrayopt.base.arrays import Complex, Floats, Ints
    from arrayopt.models.rows import Rows
    from arrayopt.study.model import BurstLength


REACH = 1.25
"""Carriers beyond the outermost resonance, over the distance at which a burst's tail is below
the band's level."""
EXTENSIONS = 3
"""How often the carriers are continued where a chip's tail is above the band's level."""
EXTENSION_POINTS = 4
FINER = 2
"""How often the intervals around peaks, edges and near valleys are halved."""
NEAR = 0.1
"""Valleys and second peaks that come so near to the limit and the peak are looked at, too."""
GRID_LIMIT = 256
"""Most first carriers of a row of chips."""
BETWEEN = 16
"""Points of the curve through the carriers in each of its intervals."""
SHOWN = 48
"""Carriers that a whole response is drawn through."""
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

        All chips of a row share carriers; between them the response is Akima's curve. ``power`` and
        ``deflection`` are the largest over all carriers computed.
        """
        search = _Search(model.linear() if small else model, self.length, two_way)
        return search.band(level).map(lambda _, x: model.shown(x))

    def pulse(self, model: ArrayModel, band: Band) -> PulseFigures:
        """Figures of one burst, its carrier the median of the chips' middles of the band."""
        return pulse_figures(model, bursts(spread(band.centre)[1], self.length), _spectrum_width)

    def peaks(self, model: ArrayModel, frequency: Floats) -> tuple[Floats, Floats]:
        """Largest and last pressure amplitude of bursts, each (design, chip, carrier) [Pa] (M8.8).

        ``frequency`` (design, carrier), ascending [Hz]; beyond `SHOWN` of them on Akima's curve
        through so many between the first and the last. NaN where a cell escaped.
        """
        asked = frequency[model.rows.design]
        share = np.linspace(0.0, 1.0, SHOWN)
        at = asked if asked.shape[1] <= SHOWN else asked[:, :1] + np.ptp(asked, 1)[:, None] * share
        row, drive = np.repeat(np.arange(len(at)), at.shape[1]), bursts(at.ravel(), self.length)
        out = np.full((2, row.size, LANES), np.nan)
        for part in chunks(np.arange(row.size), drive):
            found = model.envelopes(row[part], drive.take(part))
            out[:, part] = found.peak, found.end
        sizes = out.reshape(2, *at.shape, LANES)
        if at is not asked:
            sizes = np.stack(
                [
                    [_curve(f, y, g) for f, y, g in zip(at, size, asked, strict=True)]
                    for size in sizes
                ]
            )
        largest, last = (model.shown(size.swapaxes(1, 2)) for size in sizes)
        return largest, last


def carriers(
    rows: Rows, length: BurstLength, level: float, spacing: float
) -> tuple[Floats, Floats, Ints, Ints]:
    """Lowest carrier and step [Hz], number of carriers and status of each row's grid, (row,).

    A burst builds up as F/(2 m w) (1 - e^{-delta T})/delta, at most, which bounds both the width
    of its response (steps of ``spacing`` over the time constant) and the shift by a cubic spring.
    Carriers reach beyond all resonances until a cell's beats are below ``level``.
    """
    linear, driven, arrays = linear_figures(rows.arrays), driven_cells(rows), rows.arrays
    w0, decay = np.where(driven, linear.resonance, 1.0), np.where(driven, linear.decay, 1.0)
    span = -np.expm1(-decay * bursts(w0 / (2.0 * np.pi), length).duration) / decay
    with np.errstate(invalid="ignore"):
        force = np.hypot(arrays.force_re, arrays.force_im)
        amplitude = 0.5 * force * w0 / arrays.stiffness * span
        stiffer = 1.0 + 0.75 * arrays.cubic * amplitude**2 / arrays.stiffness
    bent = w0 * np.sqrt(np.maximum(np.where(driven, stiffer, 1.0), 0.09))
    reach = REACH * 2.0 / level / span
    all_cells = (1, 2)
    low = np.where(driven, np.minimum(w0, bent) - reach, np.inf).min(axis=all_cells)
    high = np.where(driven, np.maximum(w0, bent) + reach, 0.0).max(axis=all_cells)
    step = np.where(driven, spacing / span, np.inf).min(axis=all_cells)
    some = driven.any(axis=all_cells)
    nowhere = 2.0 * np.pi * np.array(NOWHERE)
    low, high = np.where(some, low, nowhere[0]), np.where(some, high, nowhere[1])
    step, low = np.where(some, step, high - low), np.maximum(low, 0.2 * high)
    number = np.ceil((high - low) / step) + 1
    status = np.where(number > GRID_LIMIT, int(Status.GRID_LIMIT), 0)
    count = np.clip(number, 2, np.where(number > GRID_LIMIT, 2, GRID_LIMIT)).astype(np.int64)
    step = (high - low) / (count - 1)
    return low / (2.0 * np.pi), step / (2.0 * np.pi), count, status


class _Search:
    """Carriers computed so far of some rows of chips, and what was found at them."""

    def __init__(self, model: ArrayModel, length: BurstLength, two_way: bool) -> None:
        self.model, self.length, self.two_way = model, length, two_way
        rows, cells = model.rows.design.size, model.rows.arrays.mass.shape[2]
        self.frequency = np.empty((rows, 0))
        """(row, carrier): ascending, filled up with inf."""
        self.amplitude = np.empty((rows, 0, LANES))
        self.deflection = np.zeros((rows, LANES, cells))
        self.power = np.zeros((rows, LANES))
        still = ~driven_cells(model.rows).any(axis=2)
        self.status = np.where(still, int(Status.NOT_DRIVEN), 0).astype(np.int64)

    def add(self, frequency: Floats) -> None:
        """Compute carriers (row, carrier; inf for none) and sort them in."""
        at = np.isfinite(frequency)
        (row, column), drive = np.nonzero(at), bursts(frequency[at], self.length)
        new = np.zeros((*frequency.shape, LANES))
        for part in chunks(np.arange(row.size), drive):
            mine = row[part]
            found = self.model.envelopes(mine, drive.take(part))
            good = found.status == 0
            np.bitwise_or.at(self.status, mine, found.status)
            np.maximum.at(self.power, mine, np.where(good, found.power, 0.0))
            moved = np.where(good[..., None], found.deflection, 0.0)
            np.maximum.at(self.deflection, mine, moved)
            new[mine, column[part]] = np.where(good, found.peak, 0.0)
        if self.two_way:
            new[at] *= self.model.receive(row, frequency[at])
        frequency = np.concatenate([self.frequency, frequency], axis=1)
        order = np.argsort(frequency, axis=1, kind="stable")
        order = order[:, : np.isfinite(frequency).sum(axis=1).max(initial=0)]
        self.frequency = np.take_along_axis(frequency, order, 1)
        amplitude = np.concatenate([self.amplitude, new], axis=1)
        self.amplitude = np.take_along_axis(amplitude, order[..., None], 1)

    def band(self, level: float) -> Band:
        """Of every chip, (row, lane)."""
        rows, spacing = self.model.rows, self.model.pace.carriers
        low, step, count, status = carriers(rows, self.length, level, spacing)
        self.status |= status[:, None]
        index = np.arange(count.max(initial=2))
        self.add(np.where(index < count[:, None], low[:, None] + step[:, None] * index, np.inf))
        for number in range(EXTENSIONS):
            self.add(self._beyond(level, 2.0**number))
        for _ in range(FINER):
            self.add(self._between(level))
        size = self.status.shape
        columns, off = np.full((5, *size), np.nan), np.zeros(size, dtype=np.bool_)
        for r in range(len(off)):
            fine, curve = self._fine(r)
            many, points = np.repeat(fine[None], LANES, axis=0), np.full(LANES, fine.size)
            columns[:, r], off[r] = read_bands(many, curve.T, points, level)
        self.status |= np.where(off & (self.status == 0), int(Status.OFF_GRID), 0)
        every = np.concatenate([columns, self.power[None]])
        every[:, self.status != 0], self.deflection[self.status != 0] = np.nan, np.nan
        return Band.of(every, self.deflection, self.status)

    def _fine(self, r: int) -> tuple[Floats, Floats]:
        """Frequencies and Akima's curve of a row, (point,) and (point, lane)."""
        known = np.isfinite(self.frequency[r])
        f = self.frequency[r, known]
        share = np.arange(BETWEEN) / BETWEEN
        fine = np.append((f[:-1, None] + np.diff(f)[:, None] * share).ravel(), f[-1])
        return fine, np.maximum(_curve(f, self.amplitude[r, known], fine), 0.0)

    def _beyond(self, level: float, stride: float) -> Floats:
        """Carriers (row, 2 x any) that continue a side where a chip's amplitude is not low
        enough."""
        rows = np.arange(len(self.frequency))
        last = np.isfinite(self.frequency).sum(axis=1) - 1
        limit = level * self.amplitude.max(axis=1)
        ahead = stride * np.arange(1, EXTENSION_POINTS + 1)
        sides = []
        for end, inner in ((0 * last, 0 * last + 1), (last, last - 1)):
            first = self.frequency[rows, end]
            step = first - self.frequency[rows, inner]
            new = first[:, None] + step[:, None] * ahead
            above = (self.amplitude[rows, end] >= limit) & (self.status == 0)
            wanted = above.any(axis=1)[:, None] & (new > 0.2 * first[:, None])
            sides.append(np.where(wanted, new, np.inf))
        return _whole(np.concatenate(sides, axis=1))

    def _between(self, level: float) -> Floats:
        """Middles (row, any) of the intervals on which a chip's band hangs."""
        new = np.full((len(self.frequency), self.frequency.shape[1] - 1), np.inf)
        for r in map(int, np.flatnonzero((self.status == 0).any(axis=1))):
            _, size = self._fine(r)
            wanted = np.zeros((len(size) - 1) // BETWEEN, dtype=np.bool_)
            curves = size.T[self.status[r] == 0]
            found = all_places(curves, np.full(len(curves), len(size)), level)
            for a, top, first, last in zip(curves, *found, strict=True):
                part, slope = a[first : last + 1], np.diff(a[first : last + 1]) > 0.0
                near = (part < (1.0 + NEAR) * level * a[top]) | (part > (1.0 - NEAR) * a[top])
                turn = first + 1 + np.flatnonzero(near[1:-1] & (slope[1:] != slope[:-1]))
                points = np.concatenate([turn, turn - 1, [first - 1, last, top, top - 1]])
                wanted[np.clip(points // BETWEEN, 0, wanted.size - 1)] = True
            f = self.frequency[r, : wanted.size + 1]
            new[r, : wanted.size] = np.where(wanted, 0.5 * (f[1:] + f[:-1]), np.inf)
        return _whole(new)


def _whole(new: Floats) -> Floats:
    """Carriers (row, any) without columns that hold none."""
    new = np.sort(new, axis=1)
    return new[:, np.isfinite(new).any(axis=0)]


def _curve(frequency: Floats, size: Floats, at: Floats) -> Floats:
    """Akima's curve through (carrier, lane), steady beside cliffs; NaN of lanes that hold any."""
    good = np.isfinite(size).all(axis=0)
    found = Akima1DInterpolator(frequency, np.where(good, size, 0.0), method="makima")(at)
    return np.where(good, found, np.nan)


def _spectrum_width(found: Envelopes, drive: Drive, ring_cycles: int) -> Floats:
    """See `figures.Spectrum`: as many points as each burst needs whatever the batch."""
    out = np.empty(found.status.shape)
    points = 2 ** np.ceil(np.log2(SPECTRUM_POINTS * (drive.duration * drive.start + ring_cycles)))
    for n in np.unique(points):
        these = points == n
        out[these] = _width_of(found.pressure[these], found.burst_end, int(n))
    return out


def _width_of(envelope: Complex, burst_end: int, points: int) -> Floats:
    """Fractional -6 dB width of the spectrum of envelopes sampled once a carrier cycle (M8.10).

    Samples are placed so that the drive ends at the same point whatever the batch begins with.
    """
    placed = np.zeros((*envelope.shape[:2], points), dtype=np.complex128)
    after = envelope.shape[2] - burst_end - 1
    before = min(burst_end + 1, points - after)
    placed[..., :after] = envelope[..., burst_end + 1 :]
    placed[..., points - before :] = envelope[..., burst_end + 1 - before : burst_end + 1]
    offset = np.fft.fftshift(np.fft.fftfreq(points))
    density = np.abs(np.fft.fftshift(np.fft.fft(placed), axes=-1)) / np.sinc(offset)
    band = contiguous_band(1.0 + offset, density, drop=PULSE_DROP)
    return np.asarray(band.fractional_bandwidth)
