"""Finite chirps: pressure against the instantaneous frequency (M8.7)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.status import Status
from arrayopt.models.array import ArrayModel, Band, Drive, Envelopes
from arrayopt.models.bands import largest_in_time, ripples
from arrayopt.models.excitations.figures import (
    PULSE_DROP,
    PulseFigures,
    chunks,
    pulse_figures,
)
from arrayopt.models.rows import driven_cells
from arrayopt.physics.intime.pulse import contiguous_band, pulse_spectrum
from arrayopt.physics.numerics.lanes import LANES

if TYPE_CHECKING:
    from arrayopt.base.arrays import Floats, Ints
    from arrayopt.study.model import Chirp


OVERSAMPLING = 4.0
"""Samples of a trace over the chirp's highest frequency."""


@dataclass(frozen=True)
class Chirped:
    """A linear chirp; see `choose.Excitation`."""

    chirp: Chirp

    def drive(self, count: int) -> Drive:
        """The chirp, for some entries."""
        chirp = self.chirp
        return Drive(*(np.full(count, x) for x in (chirp.start, chirp.end, chirp.duration)))

    def band(
        self, model: ArrayModel, level: float, *, small: bool = False, two_way: bool = False
    ) -> Band:
        """Contiguous band of the pressure against the chirp's instantaneous frequency.

        Sampled once a drive cycle, edges linear between samples. Where the pressure is still above
        the limit when the chirp ends, the band ends there too, since nothing is emitted beyond.
        """
        model = model.linear() if small else model
        rows = model.rows
        size = (rows.design.size, LANES)
        out = np.full((6, *size), np.nan)
        deflection = np.full((*size, rows.arrays.mass.shape[2]), np.nan)
        still = ~driven_cells(rows).any(axis=2)
        status = np.where(still, int(Status.NOT_DRIVEN), 0).astype(np.int64)
        drive = self.drive(size[0])
        for some in chunks(np.arange(size[0]), drive):
            mine = drive.take(some)
            found = model.envelopes(some, mine)
            inside = slice(int(np.argmax(found.time[0] > 0.0)), found.burst_end + 1)
            amplitude = np.abs(found.pressure[..., inside])
            frequency = mine.frequency(found.time)[:, inside]
            if two_way:
                heard = model.receive(np.repeat(some, frequency.shape[1]), frequency.ravel())
                amplitude *= heard.reshape(*frequency.shape, LANES).swapaxes(1, 2)
            status[some] |= found.status
            amplitude[status[some] != 0] = 1.0
            flat = amplitude.reshape(-1, amplitude.shape[2])
            band = _band_in_time(flat, frequency[0], self.chirp, level)
            out[:5, some] = band.reshape(5, some.size, LANES)
            out[5, some], deflection[some] = found.power, found.deflection
        out[:, status != 0], deflection[status != 0] = np.nan, np.nan
        return Band.of(out, deflection, status).map(lambda _, x: model.shown(x))

    def pulse(self, model: ArrayModel, band: Band) -> PulseFigures:
        """Figures of the chirp; those of its trace, P linear between windows."""
        return pulse_figures(model, self.drive(len(model.designs)), self._width)

    def _width(self, found: Envelopes, drive: Drive, ring_cycles: int) -> Floats:
        """See `figures.Spectrum`: of Re(P e^{j phi})."""
        chirp, time, envelope = self.chirp, found.time[0], found.pressure
        step = 1.0 / (OVERSAMPLING * max(chirp.start, chirp.end))
        t = np.arange(int(time[-1] / step)) * step
        inside = np.minimum(t, chirp.duration)
        rate = (chirp.end - chirp.start) / chirp.duration
        cycles = chirp.start * inside + 0.5 * rate * inside**2 + chirp.end * (t - inside)
        after = np.clip(np.searchsorted(time, t), 1, time.size - 1)
        share = np.clip((t - time[after - 1]) / (time[after] - time[after - 1]), 0.0, 1.0)
        at = envelope[..., after - 1] * (1.0 - share) + envelope[..., after] * share
        points = 2 ** int(np.ceil(np.log2(4 * t.size)))
        trace = (at * np.exp(2j * np.pi * cycles)).real
        frequency, density = pulse_spectrum(trace, time_step=step, points=points)
        return contiguous_band(frequency, np.sqrt(density), drop=PULSE_DROP).fractional_bandwidth


def _band_in_time(amplitude: Floats, frequency: Floats, chirp: Chirp, level: float) -> Floats:
    """Peak, its frequency, lower and upper edge, ripple; each (design,)."""
    peak = largest_in_time(amplitude)
    limit = (level * peak)[:, None]
    top = amplitude.argmax(axis=1)[:, None]
    n = frequency.size
    index = np.arange(n)
    below = amplitude < limit
    first = np.where(below & (index < top), index, -1).max(axis=1)
    last = np.where(below & (index > top), index, n).min(axis=1)

    def crossing(outside: Ints, inside: Ints, beyond: float) -> Floats:
        rows, off = np.arange(first.size), (outside < 0) | (outside >= n)
        outside = np.clip(outside, 0, n - 1)
        a0, a1 = amplitude[rows, outside], amplitude[rows, inside]
        share = (limit[:, 0] - a0) / np.where(off, 1.0, a1 - a0)
        edge = frequency[outside] + (frequency[inside] - frequency[outside]) * share
        return np.where(off, beyond, edge)

    begin = crossing(first, first + 1, chirp.start)
    end = crossing(last, last - 1, chirp.end)
    ripple = ripples(amplitude, first + 1, last - 1)
    edges = np.minimum(begin, end), np.maximum(begin, end)
    return np.stack([peak, frequency[top[:, 0]], *edges, ripple])
