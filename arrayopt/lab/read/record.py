"""Records in time: what was driven and what was read, and the response that follows from both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.lab.read.header import MeasuredHeader
from arrayopt.lab.read.table import Collector
from arrayopt.physics.intime.waveform import Drive

UNEVEN = 0.01
"""Largest deviation of a time step, over the step."""
LEAST = 64
"""Samples of a record."""
HEARD = 0.25
"""Least size of the drive's spectrum, over its largest, where the response is taken from it."""
FINE = 16.0
"""Samples in a cycle from which the drive's spectrum is taken, at least."""
QUIET = 0.05
"""Largest reading in the last tenth of a record, over its largest."""


@dataclass(frozen=True)
class Record:
    """Evenly spaced readings from the start of the drive."""

    step: float
    """s."""
    value: Floats
    """(sample,), instantaneous [m, m/s or Pa]."""
    drive: Drive | None
    """What was driven, of unit amplitude; None: not stated."""


def drive_of(told: MeasuredHeader, line: int, out: Collector) -> Drive | None:
    """The drive that a header states: a burst, a chirp or neither."""
    burst = (told.carrier, told.burst_cycles)
    chirp = (told.chirp_start, told.chirp_end, told.chirp_duration)
    if all(x is None for x in (*burst, *chirp)):
        return None
    if all(x is not None for x in burst) and all(x is None for x in chirp):
        carrier = float(told.carrier or 1.0)
        return Drive(carrier, float(told.burst_cycles or 1.0) / carrier, taper=told.taper)
    if all(x is not None for x in chirp) and all(x is None for x in burst):
        start, end = float(told.chirp_start or 1.0), float(told.chirp_end or 1.0)
        middle = 0.5 * (start + end)
        return Drive(middle, float(told.chirp_duration or 1.0), end=end, taper=told.taper)
    need = (
        "carrier and burst_cycles are needed, or chirp_start, chirp_end and chirp_duration, or "
        "none of them"
    )
    out.refuse(line, "the drive", need)
    return None


def chirp_of(
    told: MeasuredHeader,
    ends: tuple[float, float],
    sweep: str | None,
    line: int,
    out: Collector,
) -> Drive | None:
    """The chirp that a sweep was made with; None: a slow sweep.

    ``ends`` of its rows, rising [Hz], are taken where the header does not say others.
    """
    if told.kind != "sweep" or told.chirp_duration is None:
        if told.kind == "sweep" and (told.chirp_start or told.chirp_end):
            out.refuse(line, "chirp_duration", "is missing; a chirp has a duration")
        return None
    if sweep is None:
        out.refuse(line, "sweep", "is missing; up or down is needed of a chirp")
        return None
    first, last = ends if sweep == "up" else ends[::-1]
    start, end = told.chirp_start or first, told.chirp_end or last
    if (end > start) != (sweep == "up") or start == end:
        out.refuse(line, "chirp_end", f"a chirp {sweep} from {start:g} Hz ends elsewhere")
        return None
    if min(start, end) > ends[0] or max(start, end) < ends[1]:
        out.refuse(line, "chirp_end", "rows lie outside the chirp that the header states")
        return None
    return Drive(0.5 * (start + end), told.chirp_duration, end=end)


def record_of(
    time: Floats, value: Floats, drive: Drive | None, line: int, out: Collector
) -> Record | None:
    """A record from its columns; None when something was refused."""
    if time.size < LEAST:
        out.refuse(line, "the record", f"has {time.size} samples; at least {LEAST} are needed")
        return None
    if not (np.isfinite(time).all() and np.isfinite(value).all()):
        need = "must be complete, without missing or clipped samples"
        out.refuse(line, "the record", need)
        return None
    step = float(time[-1] - time[0]) / (time.size - 1)
    if not step > 0.0 or np.abs(np.diff(time) - step).max() > UNEVEN * step:
        out.refuse(line, "time", "must rise in even steps")
        return None
    mean = float(value.mean())
    if abs(mean) > 1e-3 * float(np.abs(value).max()):
        out.state("mean of the record taken off", line)
    return Record(step, value - mean, drive)


def response_of(
    record: Record, drive: Drive, amplitude: float, line: int, out: Collector
) -> tuple[Floats, Floats] | None:
    """Frequencies [Hz] and amplitude of the steady response (C.6); None when refused.

    Where the drive's spectrum, contiguous around its largest value, is above `HEARD` of that; as of
    a linear cell.
    """
    size = record.value.size
    tail = np.abs(record.value[-(size // 10) :]).max()
    if tail > QUIET * np.abs(record.value).max():
        need = "is not quiet at its end; record until the ring-down is below a twentieth"
        out.refuse(line, "the record", need)
        return None
    if drive.whole > record.step * size:
        out.refuse(line, "the record", "is shorter than the drive that the header states")
        return None
    highest = drive.carrier + abs(drive.last - drive.carrier)
    fine = max(int(np.ceil(FINE * record.step * highest)), 1)
    at = np.linspace(0.0, record.step * size, size * fine, endpoint=False)
    driven = amplitude * np.fft.rfft(drive.at(at).real)[: size // 2 + 1] / fine
    heard = np.abs(driven) > HEARD * np.abs(driven).max()
    top = int(np.abs(driven).argmax())
    first = top - int(np.argmin(heard[top::-1])) + 1 if not heard[: top + 1].all() else 0
    last = top + int(np.argmin(heard[top:])) if not heard[top:].all() else heard.size
    band = slice(max(first, 1), last)
    frequency = np.fft.rfftfreq(size, record.step)[band]
    told = np.abs(np.fft.rfft(record.value)[band] / driven[band])
    return np.asarray(frequency, dtype=np.float64), np.asarray(amplitude * told)
