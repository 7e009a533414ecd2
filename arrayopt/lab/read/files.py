"""Measured sweeps and bursts from messy CSV files: each reading is stated, or refused by line."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Bools, Floats
from arrayopt.base.errors import ArrayoptError, Problem, StudyError, nearest_name
from arrayopt.base.files import read_bytes
from arrayopt.base.problems import Reporter
from arrayopt.base.text import name_problem
from arrayopt.lab.read.clean import clipped_points, merged
from arrayopt.lab.read.header import MeasuredHeader
from arrayopt.lab.read.record import Record, chirp_of, drive_of, record_of, response_of
from arrayopt.lab.read.table import RANGES, Column, Table, read_table
from arrayopt.physics.intime.waveform import Drive
from arrayopt.study.calibration import is_calibration

PARTS = {"peak": 1.0, "rms": math.sqrt(2.0), "peak-to-peak": 0.5}
SIGNAL = ("magnitude", "level", "real", "imag", "value", "phase", "time")


class MeasuredError(ArrayoptError):
    """Measured files cannot be read; ``problems`` lists what is wrong, with file and line."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in problems))


@dataclass(frozen=True)
class Reading:
    """One thing that was read into a file which the file did not say outright."""

    file: str
    line: int | None
    text: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{place}: {self.text}"


def cell_name(cell: str, chip: str) -> str:
    """A cell, and its chip where files name one, as messages call them."""
    return f"chip {chip}, cell {cell}" if chip else f"cell {cell}"


@dataclass(frozen=True)
class Trace:
    """One sweep, one burst level against its carrier, or one waveform: SI units, peak amplitudes.

    ``frequency`` (point,) rising [Hz]; ``magnitude`` (point,) [m, m/s or Pa] and ``phase`` (point,)
    [rad], None where it was not measured; ``use`` (point,) False for points set aside on reading;
    ``line`` the first row's; ``radius``, ``coverage`` and ``ring`` None where not stated, ``chip``
    empty; ``distance`` [m] for pressure; ``burst_cycles`` for bursts. ``record`` of a waveform,
    whose frequencies and magnitudes are the steady response that follows from it where its drive is
    stated, else empty; ``chirp`` that a sweep was made with, None where it was slow.
    """

    file: str
    line: int
    kind: str
    quantity: str
    cell: str
    chip: str
    radius: float | None
    electrode_coverage: float | None
    ring: bool | None
    drive_amplitude: float
    bias: float
    sweep: str | None
    distance: float | None
    cell_count: int
    burst_cycles: float | None
    gain_uncertainty: float
    frequency_drift: float
    frequency: Floats
    magnitude: Floats
    phase: Floats | None
    use: Bools
    record: Record | None = None
    chirp: Drive | None = None

    @property
    def label(self) -> str:
        """How people are told which cell is meant."""
        return cell_name(self.cell, self.chip)

    @property
    def name(self) -> str:
        """How people are told which trace is meant."""
        way = f" {self.sweep}" if self.sweep else ""
        burst = f" burst of {self.burst_cycles:g} cycles" if self.burst_cycles else ""
        burst = " waveform" if self.record is not None else burst
        drive = f"bias {self.bias:g} V, {self.drive_amplitude:g} V"
        return f"{self.label}, {drive}{way}{burst}"

    def displacement(self) -> Floats:
        """Amplitude of the centre displacement where it follows without a model, (point,) [m].

        Raises
        ------
        ValueError : for pressure, which needs the cell's volume and the air.
        """
        if self.quantity == "pressure":
            raise ValueError("pressure needs a cell model to become a displacement")
        turn = 2.0 * np.pi * self.frequency if self.quantity == "velocity" else 1.0
        return np.asarray(self.magnitude / turn)


@dataclass
class _Collector:
    """Problems and readings of one file."""

    file: str
    problems: list[Problem] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)

    def refuse(self, line: int | None, key: str, need: str, value: str | None = None) -> None:
        self.problems.append(Problem(self.file, line, key, value, need))

    def state(self, text: str, line: int | None = None) -> None:
        self.readings.append(Reading(self.file, line, text))


def read_measured(
    paths: Iterable[str | os.PathLike[str]],
) -> tuple[tuple[Trace, ...], tuple[Reading, ...]]:
    """Read measured files.

    Parameters
    ----------
    paths : CSV files. ``name.toml`` beside ``name.csv`` describes it; otherwise comment lines
        ``# key = value`` at its top do (docs/calibration.md).

    Returns
    -------
    traces, readings : all sweeps and bursts, and everything that was read into the files.

    Raises
    ------
    MeasuredError : all files' problems, each with its line.
    """
    traces: list[Trace] = []
    readings: list[Reading] = []
    problems: list[Problem] = []
    for path in paths:
        collector = _Collector(str(path))
        traces += _read_file(Path(path), collector)
        readings += collector.readings
        problems += collector.problems
    if problems:
        raise MeasuredError(problems)
    return tuple(traces), tuple(readings)


def _read_file(path: Path, out: _Collector) -> list[Trace]:
    try:
        raw = read_bytes(path)
    except OSError as error:
        out.refuse(None, "the file", f"cannot be read: {error.strerror}")
        return []
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
        out.state("not UTF-8: read as Latin-1")
    try:
        header = _header(path, text, out)
    except StudyError as error:  # the header does not fit its form
        out.problems += error.problems
        return []
    if out.problems or header is None:
        return []
    table = read_table(text, header, out)
    if out.problems or table is None:
        return []
    traces = []
    for rows in _split(table):
        trace = _trace(header, table, rows, out)
        if trace is not None:
            traces.append(trace)
    return traces


_PAIR = re.compile(r"[#%;!]+\s*([A-Za-z][A-Za-z _]*?)\s*[=:]\s*(.*?)\s*")


def _header(path: Path, text: str, out: _Collector) -> MeasuredHeader | None:
    sidecar = path.with_suffix(".toml")
    if sidecar.exists() and sidecar != path:
        beside = Reporter(sidecar)
        if not is_calibration(beside.text):
            return beside.validate(MeasuredHeader)
        out.state(f"{sidecar.name} is a calibration and not the header of this file: not used")
    known = [f.name for f in fields(MeasuredHeader)]
    found: dict[str, object] = {}
    where: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), 1):
        match = _PAIR.fullmatch(line.strip())
        if match is None:
            continue
        key = match[1].lower().replace(" ", "_")
        if key not in known:
            near = nearest_name(key, known)
            if near is not None:
                out.refuse(number, key, f"is not known; did you mean {near}?")
            else:
                out.state(f"comment '{match[1]}' is no key of the header: ignored", number)
            continue
        if key in found:
            out.refuse(number, key, f"is given twice; line {where[key]} has it too")
            continue
        found[key], where[key] = _plain(match[2].strip("\"'")), number
    report = Reporter(path, "")
    report.data = dict(found)
    report.lines = {(key,): line for key, line in where.items()}
    return report.validate(MeasuredHeader)


def _plain(text: str) -> object:
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


def _split(table: Table) -> list[NDArray[np.int64]]:
    """Rows of each trace: rows that agree in all columns which say how the cell was driven."""
    count = len(table.line)
    keys = [column.text for column in table.columns if column.name not in ("frequency", *SIGNAL)]
    groups: dict[tuple[str, ...], list[int]] = {}
    for row in range(count):
        groups.setdefault(tuple(values[row] for values in keys), []).append(row)
    return [np.array(rows, dtype=np.int64) for rows in groups.values()]


def _trace(
    header: MeasuredHeader, table: Table, rows: NDArray[np.int64], out: _Collector
) -> Trace | None:
    line = int(table.line[rows[0]])
    told = _with_columns(header, table, int(rows[0]), out)
    if told is None:
        return None
    if told.quantity is None:
        out.refuse(line, "quantity", "is missing; displacement, velocity or pressure is needed")
        return None
    if told.drive_amplitude is None:
        out.refuse(line, "drive_amplitude", 'is missing; a voltage is needed, for example "2 V"')
        return None
    if told.quantity == "pressure" and told.distance is None:
        out.refuse(line, "distance", "is missing; pressure was measured at some distance")
        return None
    if told.kind == "burst" and told.burst_cycles is None:
        out.refuse(line, "burst_cycles", "is missing; a burst has a length in cycles")
        return None
    for name, (low, high, unit) in RANGES.items():
        setting = getattr(told, name, None)
        if setting is not None and not low <= setting <= high:
            need = f"{low:g} to {high:g} {unit} is taken; check its unit"
            out.refuse(line, name, need, f"{setting:g} {unit}")
            return None
    for key, label in (("cell", told.cell), ("chip", told.chip)):
        if label is not None and (need_ := name_problem(label)) is not None:
            out.refuse(line, key, need_, label[:40])
            return None
    by_name = {column.name: column for column in table.columns}
    if told.kind == "waveform":
        return _waveform(told, by_name, rows, line, out)
    for key in ("carrier", *(("chirp_duration",) if told.kind == "burst" else ())):
        if getattr(told, key) is not None:
            out.refuse(line, key, "does not go with this kind of file")
            return None
    frequency = by_name["frequency"].values[rows]
    magnitude, phase = _signal(told, by_name, rows, out)
    use = np.isfinite(frequency) & ~np.isnan(magnitude)
    over = np.isinf(magnitude)
    if (missing := int((~use).sum())) > 0:
        lines = ", ".join(str(table.line[k]) for k in rows[~use][:5])
        out.state(f"{missing} rows without a value skipped (lines {lines})", line)
    if not use.any():
        out.refuse(line, "the trace", "has no row with a value")
        return None
    sweep = told.sweep
    if sweep is None and told.kind == "sweep":
        sweep = _direction(frequency[use], line, out)
    steps = np.diff(frequency[use])
    if told.kind == "sweep" and told.sweep and steps.size > 1:
        against = np.all(steps < 0.0) if told.sweep == "up" else np.all(steps > 0.0)
        if against:
            need = "the rows run strictly the other way; correct one of them"
            out.refuse(line, "sweep", need, told.sweep)
            return None
    if np.any(steps > 0) and np.any(steps < 0):
        out.state("frequencies out of order: sorted", line)
    rows, frequency, magnitude = rows[use], frequency[use], magnitude[use]
    over = over[use]
    phase = None if phase is None else phase[use]
    order = np.argsort(frequency, kind="stable")
    frequency, magnitude, over = frequency[order], magnitude[order], over[order]
    phase = None if phase is None else phase[order]
    frequency, magnitude, over, phase = merged(frequency, magnitude, over, phase, line, out)
    for name, top in (
        ("frequency", frequency[-1]),
        ("frequency", frequency[0]),
        (told.quantity, np.where(over, 0.0, magnitude).max()),
    ):
        low, high, unit = RANGES[name]
        if not low <= top <= high and not (over.all() and name == told.quantity):
            what = "readings" if name == told.quantity else "frequency"
            need = f"{low:g} to {high:g} {unit} is taken; check the unit of its column"
            out.refuse(line, what, need, f"{top:g} {unit}")
            return None
    clipped = over | clipped_points(magnitude, told, out, line)
    if clipped.any():
        low, high = frequency[clipped].min(), frequency[clipped].max()
        out.state(
            f"{int(clipped.sum())} clipped points between {low:g} and {high:g} Hz set aside", line
        )
    chirp = chirp_of(told, (float(frequency[0]), float(frequency[-1])), sweep, line, out)
    if out.problems:
        return None
    factor = PARTS[told.amplitude or "peak"]
    return _told(
        told,
        line,
        out,
        sweep=sweep,
        frequency=frequency,
        magnitude=np.where(clipped, 0.0, magnitude) * factor,
        phase=phase,
        use=~clipped,
        chirp=chirp,
    )


def _told(told: MeasuredHeader, line: int, out: _Collector, **values: Any) -> Trace:
    """A trace with what its header says."""
    assert told.quantity is not None
    assert told.drive_amplitude is not None
    return Trace(
        file=out.file,
        line=line,
        kind=told.kind,
        quantity=told.quantity,
        cell=told.cell or Path(out.file).stem,
        chip=told.chip or "",
        radius=told.radius,
        electrode_coverage=told.electrode_coverage,
        ring=None if told.electrode is None else told.electrode == "ring",
        drive_amplitude=told.drive_amplitude,
        bias=told.bias or 0.0,
        distance=told.distance,
        cell_count=told.cell_count,
        burst_cycles=told.burst_cycles if told.kind == "burst" else None,
        gain_uncertainty=told.gain_uncertainty,
        frequency_drift=told.frequency_drift,
        **values,
    )


def _waveform(
    told: MeasuredHeader,
    by_name: dict[str, Column],
    rows: NDArray[np.int64],
    line: int,
    out: _Collector,
) -> Trace | None:
    """A record in time."""
    drive = drive_of(told, line, out)
    if out.problems:
        return None
    assert told.drive_amplitude is not None
    value = by_name["value"].values[rows]
    if by_name["value"].per_volt:
        value = value * told.drive_amplitude
    record = record_of(by_name["time"].values[rows], value, drive, line, out)
    if record is None:
        return None
    top = float(np.abs(record.value).max())
    low, high, unit = RANGES[str(told.quantity)]
    if not low <= top <= high:
        need = f"{low:g} to {high:g} {unit} is taken; check the unit of its column"
        out.refuse(line, "readings", need, f"{top:g} {unit}")
        return None
    frequency = magnitude = np.empty(0)
    if drive is not None:
        found = response_of(record, drive, told.drive_amplitude, line, out)
        if found is None:
            return None
        frequency, magnitude = found
        ends = f"{frequency[0]:.5g} to {frequency[-1]:.5g} Hz, {frequency.size} points"
        out.state(f"response from the record, as of a linear cell: {ends}", line)
    return _told(
        told,
        line,
        out,
        sweep=None,
        frequency=frequency,
        magnitude=magnitude,
        phase=None,
        use=np.ones(frequency.size, dtype=bool),
        record=record,
    )


def _with_columns(
    header: MeasuredHeader, table: Table, row: int, out: _Collector
) -> MeasuredHeader | None:
    """The header with what columns say about this row."""
    given: dict[str, object] = {}
    for column in table.columns:
        if column.name in ("frequency", *SIGNAL):
            continue
        given[column.name] = column.text[row] if column.unit is None else column.values[row]
    if not given:
        return header
    line = int(table.line[row])
    for name, value in given.items():
        if isinstance(value, float) and not math.isfinite(value):
            out.refuse(line, name, "has no value in this row")
            return None
    sweep = given.get("sweep")
    if sweep is not None and sweep not in ("up", "down"):
        out.refuse(line, "sweep", "up or down is needed", str(sweep))
        return None
    electrode = given.get("electrode")
    if electrode is not None and electrode not in ("disc", "ring"):
        out.refuse(line, "electrode", "disc or ring is needed", str(electrode))
        return None
    for name in ("drive_amplitude", "radius", "distance", "burst_cycles"):
        if name in given and not float(str(given[name])) > 0.0:
            out.refuse(line, name, "a number above zero is needed", str(given[name]))
            return None
    return replace(header, **given)  # type: ignore[arg-type]


def _signal(
    told: MeasuredHeader, by_name: dict[str, Column], rows: NDArray[np.int64], out: _Collector
) -> tuple[Floats, Floats | None]:
    """Magnitude and phase in SI, as the columns give them."""
    per_volt = told.drive_amplitude or 1.0

    def scaled(name: str) -> Floats:
        column = by_name[name]
        return column.values[rows] * (per_volt if column.per_volt else 1.0)

    phase = by_name["phase"].values[rows] if "phase" in by_name else None
    if "real" in by_name:
        re_, im = scaled("real"), scaled("imag")
        return np.hypot(re_, im), np.arctan2(im, re_)
    return scaled("level" if "level" in by_name else "magnitude"), phase


def _direction(frequency: Floats, line: int, out: _Collector) -> Literal["up", "down"] | None:
    steps = np.diff(frequency)
    way: Literal["up", "down"] | None = None
    if steps.size and np.all(steps > 0):
        way = "up"
    elif steps.size and np.all(steps < 0):
        way = "down"
    if way:
        out.state(f"sweep direction not stated: {way}, as the rows run", line)
    return way
