"""A design's own waveform: band of the pulse it sends, and what that pulse is worth (M13)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.status import Status
from arrayopt.models.array import ArrayModel, Band
from arrayopt.models.bands import read_bands
from arrayopt.models.excitations.figures import PULSE_DROP, PulseFigures
from arrayopt.models.rows import QUIET
from arrayopt.physics.intime.pulse import (
    compressed,
    compressed_figures,
    dead_zone,
    energy_density,
    ring_down_time,
    span_above,
)
from arrayopt.physics.numerics.lanes import LANES

if TYPE_CHECKING:
    from arrayopt.base.arrays import Bools, Floats
    from arrayopt.models.traces import Traces

LENGTH_DROP = 20.0
"""Level below the peak between whose first and last crossing a pulse lasts, dB."""
FINER = 8
"""Points of a spectrum over those of its trace."""
HIGHEST = 3.0
"""Highest frequency of a spectrum over the carrier."""


@dataclass(frozen=True)
class Sent:
    """The design's own waveform; see `choose.Excitation`."""

    def band(
        self, model: ArrayModel, level: float, *, small: bool = False, two_way: bool = False
    ) -> Band:
        """Contiguous band of the pulse's spectrum; its peak is the largest amplitude in time.

        ``power`` is at most what all cells take at the carrier, as that of bursts.
        """
        model = model.linear() if small else model
        found = model.sent
        shape = found.status.shape
        columns = np.full((6, *shape), np.nan)
        status = found.status.copy()
        for d in range(shape[0]):
            frequency, size = spectrum(found, d)
            if two_way:
                size = size * _heard(model, d, frequency)
            columns[:5, d], off = _read(frequency, size, level)
            status[d] |= np.where(off & (status[d] == 0), int(Status.NO_SPECTRUM), 0)
            columns[0, d] = np.abs(found.of(d)).max(axis=1)
        arrays = model.made.arrays
        push = np.hypot(arrays.force_re, arrays.force_im)[:, : shape[1]]
        w = 2.0 * np.pi * found.carrier[:, None]
        columns[5] = 0.5 * w * (push * found.deflection).sum(axis=-1)
        columns[:, status != 0] = np.nan
        deflection = np.where((status == 0)[..., None], found.deflection, np.nan)
        return Band.of(columns, deflection, status)

    def pulse(self, model: ArrayModel, band: Band) -> PulseFigures:
        """Ring-down, dead zone and spectrum of the waveform."""
        found = model.sent
        ring, quiet = ring_downs(found)
        speed = model.study.air_state.sound_speed
        zone = dead_zone(found.drive_end[:, None], ring_down=quiet, sound_speed=speed)
        return PulseFigures(ring, quiet, zone, spectrum_width(found), found.status)


def spectrum(found: Traces, design: int) -> tuple[Floats, Floats]:
    """Frequencies (point,) [Hz] and sizes (chip, point) [Pa/Hz] of the pulses of one design."""
    n, step = int(found.samples[design]), found.step[design]
    points = FINER * n
    most = int(HIGHEST * found.carrier[design] * points * step)
    size = np.abs(np.fft.fft(found.of(design), points)[:, :most]) * step
    return np.arange(most) / (points * step), size


def spectrum_width(found: Traces) -> Floats:
    """-6 dB width of the spectrum over its centre, (design, chip); NaN where it has none."""
    out = np.full(found.status.shape, np.nan)
    for d in range(len(out)):
        frequency, size = spectrum(found, d)
        _, _, low, high, _ = _read(frequency, size, 10.0 ** (-PULSE_DROP / 20.0))[0]
        out[d] = 2.0 * (high - low) / (high + low)
    return out


def _read(frequency: Floats, size: Floats, level: float) -> tuple[Floats, Bools]:
    """`read_bands` of spectra (chip, point), of chips without a pulse NaN."""
    good = np.logical_and(np.isfinite(size).all(axis=1), (size > 0.0).any(axis=1))
    many = np.repeat(frequency[None], len(size), axis=0)
    points = np.where(good, frequency.size, 0)
    return read_bands(many, np.where(good[:, None], size, 0.0), points, level)


def ring_downs(found: Traces) -> tuple[Floats, Floats]:
    """Seconds after the drive until a pulse stays 20 and 40 dB below its peak, (design, chip)."""
    out = np.full((2, *found.status.shape), np.nan)
    for d in range(found.status.shape[0]):
        for k, drop in enumerate((LENGTH_DROP, QUIET)):
            end = found.drive_end[d]
            out[k, d], _ = ring_down_time(found.time(d), found.of(d), duration=end, drop=drop)
    out[:, found.status != 0] = np.nan
    return out[0], out[1]


def lengths(found: Traces) -> Floats:
    """From the first to the last time 20 dB below the peak, (design, chip) [s] (M13.5)."""
    out = np.full(found.status.shape, np.nan)
    for d in range(len(out)):
        first, last = span_above(found.of(d), step=found.step[d], drop=LENGTH_DROP)
        out[d] = last - first
    return out


def energies(found: Traces, *, density: float, sound_speed: float) -> Floats:
    """Sound energy per area at the target, (design, chip) [J/m2] (M13.6)."""
    step = found.step[:, None]
    return energy_density(found.pressure, step=step, density=density, sound_speed=sound_speed)


def compressions(found: Traces, replica: Traces | None) -> tuple[Floats, Floats]:
    """Width [s] and side lobes [dB] once compressed, each (design, chip) (M13.7, M13.8).

    ``replica``: one pulse of each design for all of its chips; None: each chip's own.
    """
    out = np.full((2, *found.status.shape), np.nan)
    for d in range(found.status.shape[0]):
        trace = found.of(d)
        other = trace if replica is None else replica.of(d)
        n = max(trace.shape[1], other.shape[1])
        both = (np.pad(x, ((0, 0), (0, n - x.shape[1]))) for x in (trace, other))
        out[:, d] = compressed_figures(compressed(*both), step=found.step[d])
    return out[0], out[1]


def _heard(model: ArrayModel, design: int, frequency: Floats) -> Floats:
    """What the array itself receives at the frequencies of a spectrum, (chip, point)."""
    mine = np.flatnonzero(model.rows.design == design)
    coarse = np.linspace(frequency[1], frequency[-1], 512)
    row, at = np.repeat(mine, coarse.size), np.tile(coarse, mine.size)
    size = model.receive(row, at).reshape(mine.size, coarse.size, LANES)
    whole = size.swapaxes(1, 2).reshape(-1, coarse.size)[: model.count]
    return np.stack([np.interp(frequency, coarse, one) for one in whole])
