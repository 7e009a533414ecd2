"""The sound of one pulse of every chip, as a trace in time at the target (M13.4 to M13.6)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from arrayopt.base.arrays import Bools, Complex, Floats, Ints
from arrayopt.base.status import Status, translated
from arrayopt.models.rows import EXTENSIONS, QUIET, WORDS, Pace, Rows, driven_cells, rungs
from arrayopt.physics.intime.waveform import Drive, chip_pulses, mean_carrier
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.numerics.threads import each
from arrayopt.physics.sound.path import absorption_constants, path_factors

if TYPE_CHECKING:
    from arrayopt.study.model import Study

PER_CYCLE = 16
"""Samples of a trace in a cycle of the highest frequency of its drive."""
FIRST = 0.5
"""Share of `rungs` that ring-downs are followed for at first: cells apart in frequency, and braked
ones, are quiet before the slowest of them would be."""
MARGIN = 2.0
"""Cycles at a trace's end that its quiet is not looked for in."""

Waves = Sequence[Sequence[Drive]]
"""Drives of each design: one, or one for each wave."""


@dataclass(frozen=True)
class Traces:
    """One pulse of each chip at the target, and what it was driven with.

    Sample k is at k ``step`` from the start of the drive, the shortest way to the target left out.
    """

    step: Floats
    """(design,): between samples [s]."""
    samples: Ints
    """(design,): of its traces; beyond, all is 0."""
    pressure: Complex
    """(design, chip, sample): analytic signal [Pa], its real part the pressure; absorbed at every
    frequency; NaN of chips whose status is not 0."""
    drive: Complex
    """(design, wave, sample): the drives, of unit amplitude, analytic; 0 after they end."""
    drive_end: Floats
    """(design,): when the last drive of a design ends, braking tail included [s]."""
    carrier: Floats
    """(design,): mean of its drives' [Hz]."""
    deflection: Floats
    """(design, chip, cell): largest displacement of the centre [m]."""
    status: Ints
    """(design, chip): `Status`. `Status.STILL_RINGING` keeps its values."""

    def time(self, design: int) -> Floats:
        """Times of one design's samples, (sample,) [s]."""
        return np.asarray(self.step[design] * np.arange(self.samples[design]))

    def of(self, design: int) -> Complex:
        """Traces of one design without what lies beyond, (chip, sample)."""
        return self.pressure[design, :, : self.samples[design]]


class _Moved(NamedTuple):
    """A row of chips: baseband pressure and its step, deflection, status."""

    step: float
    pressure: Complex
    deflection: Floats
    status: Ints


def traces(rows: Rows, pace: Pace, study: Study, waves: Waves, wave: Ints, shown: int) -> Traces:
    """Every chip's pulse under its design's drives, from rest, until it is quiet (M13.4).

    Parameters
    ----------
    rows : chips side by side, see `ArrayModel.rows`.
    waves, wave : drives of every design, and which of them moves a cell, (cell,).
    shown : chips of each design.

    Returns
    -------
    Traces
        Followed until 40 dB below the peak; `Status.STILL_RINGING` where that takes longer than
        many times the linear decay. Independent of what other designs are in the call, and a chip's
        of how many there are up to the rate of decay of the slowest.
    """
    designs = len(waves)
    carrier = np.array([mean_carrier(some) for some in waves])
    highest = np.array(
        [
            max(max(one.carrier, one.last, 2.0 * one.carrier - one.last) for one in some)
            for some in waves
        ]
    )
    ends = np.array([max(one.whole for one in some) for some in waves])
    step = 1.0 / (PER_CYCLE * highest)
    cycles = rungs(rows, carrier[rows.design])
    still = np.logical_not(driven_cells(rows).any(axis=2))

    def moved(row: int) -> _Moved:
        d = int(rows.design[row])
        some = rows.take(np.array([row]))
        status = np.where(still[row], int(Status.NOT_DRIVEN), 0).astype(np.int64)
        for number in range(EXTENSIONS + 2):
            found = chip_pulses(
                some.arrays,
                quadratic=some.quadratic,
                cubic=some.cubic,
                modal=some.modal,
                drives=[waves[d]],
                wave=wave,
                ring=(cycles[row] * FIRST * 2.0**number + MARGIN) / carrier[d],
                tolerance=pace.pulse,
                single=pace.single,
            )
            mine = status | translated(found.status[0], _WORDS)
            pressure = _pressure(found.acceleration[0], float(found.step[0]), study)
            ringing = _rings(pressure, MARGIN / (carrier[d] * found.step[0])) & (mine == 0)
            if not ringing.any():
                break
        at = found.step[0] * np.arange(pressure.shape[1])
        base = pressure * np.exp(-2j * np.pi * carrier[d] * at)
        mine |= np.where(ringing, int(Status.STILL_RINGING), 0)
        return _Moved(float(found.step[0]), base, found.deflection[0], mine)

    found = each(moved, range(rows.design.size))
    length = np.zeros(designs, dtype=np.int64)
    for row, one in enumerate(found):
        d = rows.design[row]
        count = int(one.step * (one.pressure.shape[1] - 1) / step[d]) + 1
        length[d] = max(length[d], count)
    shape = (rows.design.size, LANES)
    pressure = np.zeros((*shape, int(length.max(initial=0))), dtype=np.complex128)
    for row, one in enumerate(found):
        d = rows.design[row]
        known = one.step * np.arange(one.pressure.shape[1])
        at = step[d] * np.arange(length[d])
        inside = at <= known[-1]
        curve = CubicSpline(known, np.nan_to_num(one.pressure), axis=1)(at[inside])
        pressure[row, :, : curve.shape[1]] = curve * np.exp(2j * np.pi * carrier[d] * at[inside])
        pressure[row, one.status & ~int(Status.STILL_RINGING) != 0] = np.nan
    drive = np.zeros((designs, max(map(len, waves)), pressure.shape[2]), dtype=np.complex128)
    for d, some in enumerate(waves):
        for k, one_drive in enumerate(some):
            drive[d, k, : length[d]] = one_drive.at(step[d] * np.arange(length[d]))

    def whole(values: NDArray[Any]) -> Any:  # rows to (design, chip)
        return values.reshape(designs, -1, *values.shape[2:])[:, :shown]

    return Traces(
        step=step,
        samples=length,
        pressure=whole(pressure),
        drive=drive,
        drive_end=ends,
        carrier=carrier,
        deflection=whole(np.stack([one.deflection for one in found])),
        status=whole(np.stack([one.status for one in found])),
    )


_WORDS = {**WORDS, next(k for k in WORDS if WORDS[k] == Status.RUNAWAY): Status.PULSE_RUNAWAY}
"""What the physics says of chips in a pulse."""


def _pressure(acceleration: Floats, step: float, study: Study) -> Complex:
    """Analytic pressure at the target of volume accelerations (..., sample) (M13.4).

    Twice the positive frequencies, each weakened by its own absorption.
    """
    count = acceleration.shape[-1]
    room = 2 * count  # the other half is silence: nothing wraps
    w = 2.0 * np.pi * np.asarray(np.fft.rfftfreq(room, step)[1:], dtype=np.float64)
    air, distance = study.air_state, study.target.distance
    whole = np.zeros((*acceleration.shape[:-1], room), dtype=np.complex128)
    spectrum = np.fft.rfft(acceleration, room)[..., 1:]
    path = path_factors(air.density, distance, absorption_constants(air), w) / w**2
    whole[..., 1 : w.size + 1] = 2.0 * path * spectrum
    return np.asarray(np.fft.ifft(whole)[..., :count])


def _rings(pressure: Complex, margin: float) -> Bools:
    """Whether a trace (chip, sample) is above the quiet level just before its end, (chip,)."""
    size = np.abs(pressure)
    last = size.shape[1] - max(int(margin), 1)
    floor = 10.0 ** (-QUIET / 20.0) * size.max(axis=1)
    return np.asarray((size[:, last - 2 * max(int(margin), 1) : last] > floor[:, None]).any(axis=1))
