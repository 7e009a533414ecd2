"""Tone bursts and chirps of chips as made: envelopes of the pressure at the target (M8, M12.7)."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline

from arrayopt.base.arrays import Complex, Floats, Ints
from arrayopt.base.status import translated
from arrayopt.models.array import Drive, Envelopes
from arrayopt.models.rows import WORDS, Pace, Rows
from arrayopt.physics.intime.waveform import Drive as Waveform
from arrayopt.physics.intime.waveform import chip_pulses
from arrayopt.physics.numerics.threads import each
from arrayopt.physics.sound.path import absorption_constants, path_factors
from arrayopt.study.model import Study


def envelopes(
    rows: Rows, pace: Pace, study: Study, row: Ints, drive: Drive, ring_cycles: int = 0
) -> Envelopes:
    """Every chip of a row under its entry's drive, from rest; see `ArrayModel.envelopes`.

    Every entry is moved for itself: its time step is that of its row's chips alone. A window is a
    cycle of the drive, counted back from its end (M8.3).
    """
    before = int(np.ceil(drive.cycles - 1e-9).max(initial=1.0))
    window = np.arange(before + ring_cycles + 1)
    edge = np.stack([_at(drive, c) for c in drive.cycles - (before - window)[:, None]], axis=1)
    middle = drive.cycles - (before - window[:-1] - 0.5)[:, None]
    time = np.stack([_at(drive, c) for c in middle], axis=1)
    w = 2.0 * np.pi * drive.frequency(time)
    air, distance = study.air_state, study.target.distance
    path = path_factors(air.density, distance, absorption_constants(air), w) / w**2

    def moved(entry: int) -> tuple[Complex, Floats, Ints]:
        mine = drive.take(np.array([entry]))
        some = rows.take(row[entry : entry + 1])
        middle = 0.5 * (mine.start[0] + mine.end[0])
        found = chip_pulses(
            some.arrays,
            quadratic=some.quadratic,
            cubic=some.cubic,
            modal=some.modal,
            drives=Waveform(middle, mine.duration[0], end=mine.end[0] if mine.moves else None),
            ring=(ring_cycles + 1.0) / mine.end[0],
            tolerance=pace.pulse,
            single=pace.single,
        )
        good = found.status[0] == 0
        sound = np.where(good[:, None], found.acceleration[0], 0.0)
        at = found.step[0] * np.arange(sound.shape[1])
        turning = sound * np.exp(-2j * np.pi * _cycles(mine, at))
        whole = CubicSpline(at, turning, axis=1).antiderivative()(np.maximum(edge[entry], 0.0))
        mean = 2.0 * np.diff(whole, axis=1) / np.diff(edge[entry])
        mean[~good] = np.nan
        return mean * path[entry], found.deflection[0], found.status[0]

    pressure, deflection, status = (
        np.stack(part) for part in zip(*each(moved, range(row.size)), strict=True)
    )
    push = np.hypot(rows.arrays.force_re, rows.arrays.force_im)[row]
    fastest = 2.0 * np.pi * np.maximum(drive.start, drive.end)
    return Envelopes(
        time=time,
        pressure=pressure,
        burst_end=before - 1,
        deflection=deflection,
        power=0.5 * fastest[:, None] * (push * deflection).sum(axis=-1),
        status=translated(status, WORDS),
    )


def _cycles(drive: Drive, time: Floats) -> Floats:
    """Cycles of one entry's drive at times from its start, the last frequency going on."""
    start, end, lasts = drive.start[0], drive.end[0], drive.duration[0]
    inside = np.minimum(time, lasts)
    rising = start * inside + 0.5 * (end - start) / lasts * inside**2
    return np.asarray(rising + end * (time - inside))


def _at(drive: Drive, cycles: Floats) -> Floats:
    """Times (entry,) at which so many cycles are over: `_cycles` turned round; before the drive the
    first frequency."""
    inside = np.clip(cycles, 0.0, drive.cycles)
    rate = (drive.end - drive.start) / drive.duration
    root = np.sqrt(np.maximum(drive.start**2 + 2.0 * rate * inside, 0.0))
    time = 2.0 * inside / (drive.start + root)
    after = np.where(cycles > drive.cycles, drive.duration, time)
    return np.asarray(
        after
        + np.maximum(cycles - drive.cycles, 0.0) / drive.end
        + np.minimum(cycles, 0.0) / drive.start
    )
