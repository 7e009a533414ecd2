"""What one pulse of each design is worth: ring-down, spectrum, dead zone (M8.9 to M8.12)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntFlag
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.models.one_mode.burst import Rows, burst_rows, durations
from arrayopt.physics.transient.pulse import contiguous_band, dead_zone, ring_down_time

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from arrayopt.models.cells import Cells
    from arrayopt.models.one_mode.response import Packed
    from arrayopt.study.model import BurstLength

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

QUIET = 40.0
"""Level below the peak that counts as quiet, dB."""
PULSE_DROP = 6.02
"""Level that bounds the spectrum of a pulse, dB: half of its largest amplitude."""
RUNGS = np.sort(np.concatenate([2 ** np.arange(4, 14), 3 * 2 ** np.arange(3, 13)]))
"""Numbers of cycles that a ring-down is followed for: few, so that designs share batches."""
EXTENSIONS = 3
"""How often a ring-down is followed for twice as long before it is given up."""
SPECTRUM_POINTS = 16
"""Points of a spectrum over those of its pulse."""


class PulseFigureStatus(IntFlag):
    """Why a pulse has no figures; 0 is good."""

    OK = 0
    STILL_RINGING = 1
    """Not quiet after many times the linear decay: groups nearly cancel while they are driven."""
    RUNAWAY = 2
    """A softening cell left its potential well: lower the drive."""
    NO_CARRIER = 4
    """There is no band, and so no carrier at its centre."""
    NO_SPECTRUM = 8
    """The spectrum has no -6 dB band between half and one and a half times the carrier."""


@dataclass(frozen=True)
class PulseFigures:
    """Figures of a batch of pulses, (design,); NaN where ``status`` is not 0."""

    ring_down: Floats
    """Seconds after the drive until the pressure stays 20 dB below its peak."""
    quiet: Floats
    """The same for 40 dB."""
    dead_zone: Floats
    """m"""
    pulse_bandwidth: Floats
    """-6 dB width of the emitted spectrum over its centre."""
    status: Ints


def burst_figures(
    cells: Cells,
    packed: Packed,
    *,
    carrier: Floats,
    length: BurstLength,
    sound_speed: float,
    compute: Rows = burst_rows,
) -> PulseFigures:
    """Ring-down, dead zone and spectrum of one burst of each design.

    Parameters
    ----------
    cells, packed : of one batch, (design, group)
    carrier : array (design,) [Hz]
        NaN for designs without one.
    length : BurstLength
    sound_speed : [m/s]
    compute : how envelopes are computed.

    Returns
    -------
    PulseFigures
        Independent of how designs are divided into batches.
    """
    values = np.full((4, carrier.size), np.nan)
    status = np.where(carrier > 0.0, 0, int(PulseFigureStatus.NO_CARRIER)).astype(np.int64)
    rung = rungs(cells, np.where(carrier > 0.0, carrier, 1.0))
    pending = np.flatnonzero(status == 0)
    for _ in range(EXTENSIONS + 1):
        ringing = []
        for rows, cycles in by_rung(pending, rung):
            found = compute(
                cells,
                packed,
                design=rows,
                frequency=carrier[rows],
                length=length,
                ring_cycles=cycles,
            )
            duration = durations(length, carrier[rows])
            escaped = found.status != 0
            status[rows[escaped]] = int(PulseFigureStatus.RUNAWAY)
            envelope = np.where(escaped[:, None], 0.0, found.pressure)
            for row, drop in ((0, 20.0), (1, QUIET)):
                values[row, rows], late = ring_down_time(
                    found.time, envelope, duration=duration, drop=drop
                )
            values[2, rows] = dead_zone(
                duration, ring_down=values[1, rows], sound_speed=sound_speed
            )
            points = 2 ** np.ceil(np.log2(SPECTRUM_POINTS * (duration * carrier[rows] + cycles)))
            for n in np.unique(points):
                these = points == n
                values[3, rows[these]] = _spectrum_width(envelope[these], found.burst_end, int(n))
            ringing.append(rows[(late != 0) & ~escaped])
        pending = np.concatenate([*ringing, np.empty(0, dtype=np.int64)])
        rung[pending] = np.minimum(2 * rung[pending], RUNGS[-1])
        if pending.size == 0:
            break
    status[pending] = int(PulseFigureStatus.STILL_RINGING)
    status[(status == 0) & np.isnan(values[3])] = int(PulseFigureStatus.NO_SPECTRUM)
    values[:, status != 0] = np.nan
    return PulseFigures(values[0], values[1], values[2], values[3], status)


def rungs(cells: Cells, carrier: Floats) -> Ints:
    """Carrier cycles after which a linear array is quiet, with a margin, (design,).

    The slowest cell needs 2 Q ln(100)/w0; half as long again for groups that partly cancel.
    """
    driven = (cells.drive_amplitude > 0.0) & np.isfinite(cells.quality_factor)
    decay = np.where(driven, cells.quality_factor / (np.pi * cells.natural_frequency), 0.0)
    cycles = 1.5 * np.log(10.0 ** (QUIET / 20.0)) * decay.max(axis=1) * carrier
    rung = np.searchsorted(RUNGS, cycles)
    return np.asarray(RUNGS[np.minimum(rung, RUNGS.size - 1)], dtype=np.int64)


def by_rung(rows: Ints, rung: Ints) -> Iterator[tuple[Ints, int]]:
    """Rows that share a number of cycles, and that number."""
    for cycles in np.unique(rung[rows]):
        yield rows[rung[rows] == cycles], int(cycles)


def _spectrum_width(envelope: NDArray[np.complex128], burst_end: int, points: int) -> Floats:
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
