"""What one pulse of each chip is worth: ring-down, spectrum, dead zone (M8.9 to M8.12)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.status import Status
from arrayopt.models.array import ArrayModel, Drive, Envelopes
from arrayopt.models.rows import EXTENSIONS, QUIET, RUNGS, driven_cells, rungs
from arrayopt.physics.intime.pulse import dead_zone, ring_down_time
from arrayopt.physics.numerics.lanes import LANES

if TYPE_CHECKING:
    from arrayopt.base.arrays import Floats, Ints


CHUNK = 2**21
"""Chips times drive cycles computed at once (32 MiB for each array of envelopes)."""
PULSE_DROP = 6.02
"""Level that bounds the spectrum of a pulse, dB: half of its largest amplitude."""

Spectrum = Callable[[Envelopes, Drive, int], "Floats"]
"""Fractional -6 dB width of the spectrum of some entries: envelopes, their drive, cycles after;
(entry, lane)."""


@dataclass(frozen=True)
class PulseFigures:
    """Figures of a batch of pulses, (design, chip); NaN where ``status`` is not 0."""

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
    """Ring-down, dead zone and spectrum of one pulse of each chip.

    Parameters
    ----------
    model : any array model.
    drive : (design,): the same of all chips of a design; NaN for designs without a pulse.
    spectrum : width of spectra.

    Returns
    -------
    PulseFigures
        Independent of how designs are divided into batches.
    """
    speed, rows = model.study.air_state.sound_speed, model.rows
    drive = drive.take(rows.design)
    known, size = drive.end > 0.0, (rows.design.size, LANES)
    values = np.full((4, *size), np.nan)
    status = np.where(driven_cells(rows).any(axis=2), 0, int(Status.NO_CARRIER)).astype(np.int64)
    status[~known] = int(Status.NO_CARRIER)
    rung = rungs(rows, np.where(known, drive.end, 1.0))
    pending = np.flatnonzero((status == 0).any(axis=1))
    for _ in range(EXTENSIONS + 1):
        ringing = np.zeros(size, dtype=np.bool_)
        for shared, cycles in by_rung(pending, rung):
            for some in chunks(shared, drive, cycles):
                mine = drive.take(some)
                found = model.envelopes(some, mine, ring_cycles=cycles)
                escaped = found.status != 0
                status[some] |= np.where(escaped, int(Status.PULSE_RUNAWAY), 0)
                for k, drop in ((0, 20.0), (1, QUIET)):
                    values[k, some], late = ring_down_time(
                        found.time[:, None],
                        found.pressure,
                        duration=mine.duration[:, None],
                        drop=drop,
                    )
                values[2, some] = dead_zone(
                    mine.duration[:, None], ring_down=values[1, some], sound_speed=speed
                )
                values[3, some] = spectrum(found, mine, cycles)
                ringing[some] = (late != 0) & (status[some] == 0)
        pending = np.flatnonzero(ringing.any(axis=1))
        if pending.size == 0:
            break
        rung[pending] = np.minimum(2 * rung[pending], RUNGS[-1])
    status[ringing] = int(Status.STILL_RINGING)
    status[(status == 0) & np.isnan(values[3])] = int(Status.NO_SPECTRUM)
    values[:, status != 0] = np.nan
    return PulseFigures(*map(model.shown, (*values, status)))


def chunks(rows: Ints, drive: Drive, ring_cycles: int = 0) -> list[Ints]:
    """Entries that are computed at once: calls of bounded size."""
    windows = np.ceil(drive.cycles[rows]) + 1.0 + ring_cycles
    cost = np.cumsum(windows * LANES)
    return np.split(rows, np.flatnonzero(np.diff(cost // CHUNK)) + 1) if rows.size else []


def by_rung(rows: Ints, rung: Ints) -> Iterator[tuple[Ints, int]]:
    """Rows that share a number of cycles, and that number."""
    for cycles in np.unique(rung[rows]):
        yield rows[rung[rows] == cycles], int(cycles)
