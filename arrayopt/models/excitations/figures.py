"""What one pulse of each design is worth: ring-down, spectrum, dead zone (M8.9 to M8.12)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.status import Status
from arrayopt.models.array import ArrayModel, Drive, Envelopes
from arrayopt.physics.intime.pulse import dead_zone, ring_down_time

if TYPE_CHECKING:
    from arrayopt.base.arrays import Bools, Floats, Ints
    from arrayopt.models.cells import Cells


CHUNK = 2**21
"""Oscillators times drive cycles computed at once (32 MiB for each array of envelopes)."""
QUIET = 40.0
"""Level below the peak that counts as quiet, dB."""
PULSE_DROP = 6.02
"""Level that bounds the spectrum of a pulse, dB: half of its largest amplitude."""
RUNGS = np.sort(np.concatenate([2 ** np.arange(4, 14), 3 * 2 ** np.arange(3, 13)]))
"""Numbers of cycles that a ring-down is followed for: few, so that designs share batches."""
EXTENSIONS = 3
"""How often a ring-down is followed for twice as long before it is given up."""

Spectrum = Callable[[Envelopes, Drive, int], "Floats"]
"""Fractional -6 dB width of the spectrum of some entries: envelopes, their drive, cycles after."""


@dataclass(frozen=True)
class PulseFigures:
    """Figures of a batch of pulses, (design,); NaN where ``status`` is not 0."""

    ring_down: Floats
    """Seconds after the drive until the pressure stays 20 dB below its peak."""
    quiet: Floats
    """The same for 40 dB."""
    dead_zone: Floats
    """m"""
    spectrum: Floats
    """-6 dB width of the emitted spectrum over its centre."""
    status: Ints


def pulse_figures(model: ArrayModel, drive: Drive, spectrum: Spectrum) -> PulseFigures:
    """Ring-down, dead zone and spectrum of one pulse of each design.

    Parameters
    ----------
    model : any array model.
    drive : of each design; its frequencies are NaN for designs without a pulse.
    spectrum : width of spectra.

    Returns
    -------
    PulseFigures
        Independent of how designs are divided into batches.
    """
    speed = model.study.air_state.sound_speed
    values = np.full((4, drive.end.size), np.nan)
    status = np.where(drive.end > 0.0, 0, int(Status.NO_CARRIER)).astype(np.int64)
    rung = rungs(model.cells, np.where(drive.end > 0.0, drive.end, 1.0))
    pending = np.flatnonzero(status == 0)
    for _ in range(EXTENSIONS + 1):
        ringing = []
        for shared, cycles in by_rung(pending, rung):
            for rows in chunks(shared, drive, model.cells.mass.shape[1], cycles):
                mine = drive.take(rows)
                found = model.envelopes(rows, mine, ring_cycles=cycles)
                escaped = found.status != 0
                status[rows[escaped]] = int(Status.PULSE_RUNAWAY)
                found = found.silenced(escaped)
                for row, drop in ((0, 20.0), (1, QUIET)):
                    values[row, rows], late = ring_down_time(
                        found.time, found.pressure, duration=mine.duration, drop=drop
                    )
                values[2, rows] = dead_zone(
                    mine.duration, ring_down=values[1, rows], sound_speed=speed
                )
                values[3, rows] = spectrum(found, mine, cycles)
                ringing.append(rows[(late != 0) & ~escaped])
        pending = np.concatenate([*ringing, np.empty(0, dtype=np.int64)])
        rung[pending] = np.minimum(2 * rung[pending], RUNGS[-1])
        if pending.size == 0:
            break
    status[pending] = int(Status.STILL_RINGING)
    status[(status == 0) & np.isnan(values[3])] = int(Status.NO_SPECTRUM)
    values[:, status != 0] = np.nan
    ring_down, quiet, dead, spectrum_width = values
    return PulseFigures(ring_down, quiet, dead, spectrum_width, status)


def chunks(rows: Ints, drive: Drive, groups: int, ring_cycles: int = 0) -> list[Ints]:
    """Designs that are computed at once: calls of bounded size."""
    windows = np.ceil(drive.cycles[rows]) + 1.0 + ring_cycles
    cost = np.cumsum(windows * groups)
    return np.split(rows, np.flatnonzero(np.diff(cost // CHUNK)) + 1) if rows.size else []


def driven_groups(cells: Cells) -> Bools:
    """Which groups are driven, (design, group); none where one of them has no coefficients."""
    driven = cells.drive_amplitude > 0.0
    known = np.isfinite(cells.natural_frequency) & np.isfinite(cells.quality_factor)
    return np.asarray(driven & np.all(known | ~driven, axis=1, keepdims=True))


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
