"""The table of a measured CSV file: delimiter, decimal sign, columns with units, numbers."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats
from arrayopt.base.errors import nearest_name
from arrayopt.base.units import KINDS
from arrayopt.lab.read.header import MeasuredHeader

SIGNAL_UNITS: dict[str, dict[str, float]] = {
    "displacement": {"pm": 1e-12, "nm": 1e-9, "um": 1e-6, "mm": 1e-3, "m": 1.0},
    "velocity": {"um/s": 1e-6, "mm/s": 1e-3, "m/s": 1.0},
    "pressure": {"uPa": 1e-6, "mPa": 1e-3, "Pa": 1.0, "kPa": 1e3},
}
SIGNALS = ("magnitude", "real", "imag", "level", "value")
SETTINGS = {
    "drive_amplitude": "voltage",
    "bias": "voltage",
    "radius": "length",
    "distance": "length",
    "electrode_coverage": "ratio",
    "burst_cycles": "ratio",
    "cell": None,
    "chip": None,
    "sweep": None,
    "electrode": None,
}
"""Columns that say how a row was measured; rows that agree in them form one trace."""
RANGES = {
    "frequency": (1.0, 1e9, "Hz"),
    "displacement": (1e-18, 1e-2, "m"),
    "velocity": (1e-12, 1e4, "m/s"),
    "pressure": (1e-9, 1e7, "Pa"),
    "drive_amplitude": (1e-9, 1e5, "V"),
    "bias": (-1e5, 1e5, "V"),
    "radius": (1e-7, 1.0, "m"),
    "distance": (1e-6, 1e4, "m"),
    "electrode_coverage": (1e-6, 1.0, "1"),
    "burst_cycles": (1e-3, 1e6, "1"),
    "carrier": (1.0, 1e9, "Hz"),
    "chirp_start": (1.0, 1e9, "Hz"),
    "chirp_end": (1.0, 1e9, "Hz"),
    "chirp_duration": (1e-7, 1e4, "s"),
    "cell_count": (1, 1e6, "1"),
}
"""What a laboratory can have measured; beyond it a unit is wrong. Readings: the largest one."""
MISSING = {"", "nan", "na", "n/a", "-", "--", "null", "none"}
OVERLOAD = {"ovl", "ol", "over", "overload", "inf", "+inf", "clip", "clipped"}
DELIMITERS = {"tab": "\t", "space": None, ",": ",", ";": ";"}

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_NAME = re.compile(r"\s*([A-Za-z][A-Za-z _]*?)\s*(?:[\[(]\s*(.*?)\s*[\])])?\s*")
_NAMES = re.compile(r"[A-Za-z_]+(?:\s*\[[^\]]*\])?")
_LEVEL = re.compile(r"dB(?:\s+re\s+([\d.eE+-]+)\s*(\S+))?")


class Collector(Protocol):
    """Where problems and readings go."""

    def refuse(self, line: int | None, key: str, need: str, value: str | None = None) -> None:
        """Record what makes the file unusable."""

    def state(self, text: str, line: int | None = None) -> None:
        """Record what was read into the file."""


@dataclass(frozen=True)
class Column:
    """One column: ``values`` in SI (nan = missing, inf = overload), ``text`` as it stands.

    ``unit`` is None for columns of words; ``per_volt`` True where the unit ends in /V.
    """

    name: str
    unit: str | None
    per_volt: bool
    values: Floats
    text: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """Columns of equal length and the line of each row in the file."""

    columns: tuple[Column, ...]
    line: NDArray[np.int64]


def read_table(text: str, header: MeasuredHeader, out: Collector) -> Table | None:
    """The rows of a file as columns in SI; None when something was refused."""
    lines = [
        (number, line.strip())
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and line.strip()[0] not in "#%!"
    ]
    if not lines:
        out.refuse(None, "the file", "holds no rows")
        return None
    delimiter, decimal = _format(lines, header, out)
    rows = [(number, _fields(line, delimiter)) for number, line in lines]
    names = header.columns
    first_number, first = rows[0]
    if not any(_is_number(item, decimal) for item in first):
        if names is not None:
            out.state("columns as the header states; the row of names is ignored", first_number)
        else:
            names = first
        rows = rows[1:]
    if names is None:
        need = 'is missing; name the columns, for example "frequency [kHz], magnitude [nm]"'
        out.refuse(first_number, "columns", need)
        return None
    if not rows:
        out.refuse(first_number, "the file", "has names but no rows")
        return None
    plan = _plan(names, header, first_number, out)
    if plan is None:
        return None
    for number, row in rows:
        if len(row) != len(names):
            need = f"has {len(row)} fields; {len(names)} columns are named"
            out.refuse(number, "the row", need)
            return None
    line = np.array([number for number, _ in rows], dtype=np.int64)
    columns = []
    for place, (name, unit, factor) in enumerate(plan):
        if name == "ignored":
            continue
        words = tuple(row[place].strip() for _, row in rows)
        if factor is None:
            columns.append(Column(name, None, False, np.full(len(rows), np.nan), words))
            continue
        values = _numbers(words, name, line, decimal, out)
        if values is None:
            return None
        columns.append(
            Column(name, unit, bool(unit and unit.endswith("/V")), factor(values), words)
        )
    table = Table(tuple(columns), line)
    return table if _sensible(table, out) else None


def _format(
    lines: list[tuple[int, str]], header: MeasuredHeader, out: Collector
) -> tuple[str | None, str]:
    """Field delimiter (None: blanks) and decimal sign."""
    sample = [line for _, line in lines[1:40]] or [lines[0][1]]
    if header.delimiter is not None:
        delimiter = DELIMITERS[header.delimiter]
    else:
        delimiter = next(
            (d for d in (";", "\t") if all(d in line for line in sample)),
            "," if all("," in line for line in sample) and header.decimal != "," else None,
        )
        if delimiter == "," and all(re.search(r"\d,\d+\s+[-+\d]", line) for line in sample):
            delimiter = None
    if header.decimal is not None:
        return delimiter, header.decimal
    comma = delimiter != "," and any(re.search(r"\d,\d", line) for line in sample)
    point = any(re.search(r"\d\.\d", line) for line in sample)
    if comma and point:
        number = next(n for n, line in lines if re.search(r"\d,\d", line))
        need = "numbers with a comma and numbers with a point; state decimal in the header"
        out.refuse(number, "decimal", need)
    if comma:
        out.state("decimal commas read as decimal points")
    return delimiter, "," if comma else "."


def _fields(line: str, delimiter: str | None) -> list[str]:
    if delimiter is not None:
        return [item.strip() for item in line.split(delimiter)]
    named = _NAMES.findall(line)  # units in brackets may hold blanks
    return named if "[" in line and named else line.split()


def _is_number(item: str, decimal: str) -> bool:
    return _NUMBER.fullmatch(item.strip().replace(decimal, ".")) is not None


Factor = Callable[[Floats], Floats]


def _plan(
    names: list[str], header: MeasuredHeader, line: int, out: Collector
) -> list[tuple[str, str | None, Factor | None]] | None:
    """Name, unit and conversion of each column; None as conversion for columns of words."""
    known = ["frequency", "time", *SIGNALS, "phase", *SETTINGS]
    plan: list[tuple[str, str | None, Factor | None]] = []
    for raw in names:
        match = _NAME.fullmatch(raw.strip().strip('"'))
        name = match[1].lower().replace(" ", "_") if match else ""
        unit = (match[2] or "").translate({0xB5: "u", 0x3BC: "u"}) if match else ""
        if name not in known:
            near = nearest_name(name, known)
            if near is not None:
                out.refuse(line, "column", f"is not known; did you mean {near}?", repr(raw))
                return None
            out.state(f"column {raw!r} is not known: ignored", line)
            plan.append(("ignored", None, None))
            continue
        if any(name == other for other, _, _ in plan):
            out.refuse(line, "column", "is there twice", repr(raw))
            return None
        if name in SETTINGS and SETTINGS[name] is None:
            plan.append((name, None, None))
            continue
        found = _factor(name, unit, header, line, raw, out)
        if found is None:
            return None
        plan.append((name, unit, found))
    have = {name for name, _, _ in plan}
    if header.kind == "waveform":
        if not {"time", "value"} <= have or have & {"frequency", "phase", *SIGNALS} != {"value"}:
            out.refuse(line, "columns", "of a waveform are time and value")
            return None
        return plan
    if have & {"time", "value"}:
        out.refuse(line, "columns", 'time and value go with "# kind = waveform"')
        return None
    if "frequency" not in have:
        out.refuse(line, "columns", "hold no frequency")
        return None
    if not ({"magnitude"} <= have or {"level"} <= have or {"real", "imag"} <= have):
        out.refuse(line, "columns", "hold no magnitude, level, or real and imag")
        return None
    if len(have & {"magnitude", "level", "real"}) > 1:
        need = "give the signal twice; keep one of magnitude, level, or real and imag"
        out.refuse(line, "columns", need)
        return None
    return plan


def _factor(
    name: str, unit: str, header: MeasuredHeader, line: int, raw: str, out: Collector
) -> Factor | None:
    kind = {"frequency": "frequency", "phase": "angle", "time": "time"}.get(name) or SETTINGS.get(
        name
    )
    if kind == "ratio":
        share = 0.01 if unit == "%" else 1.0
        return lambda values: values * share
    units = KINDS[kind].units if kind else SIGNAL_UNITS.get(header.quantity or "", {})
    if name in SIGNALS and not units:
        out.refuse(line, "quantity", "is missing; displacement, velocity or pressure is needed")
        return None
    if name == "level":
        return _level(unit, units, header, line, raw, out)
    bare = unit.removesuffix("/V") if name in SIGNALS else unit
    if bare not in units:
        need = f"one of the units {', '.join(units)} is needed in [ ]"
        out.refuse(line, "column", need, repr(raw))
        return None
    factor = units[bare]

    def in_si(values: Floats) -> Floats:
        with np.errstate(over="ignore"):  # refused with its range
            return values * factor

    return in_si


def _level(
    unit: str,
    units: dict[str, float],
    header: MeasuredHeader,
    line: int,
    raw: str,
    out: Collector,
) -> Factor | None:
    match = _LEVEL.fullmatch(unit)
    if match is None or match[2] not in units:
        need = f"a reference is needed, for example [dB re 1 {next(iter(units))}]"
        out.refuse(line, "column", need, repr(raw))
        return None
    reference = float(match[1]) * units[match[2]]
    part = 1.0
    if header.amplitude is None and header.quantity == "pressure":
        out.state("sound level without a statement: of the rms value, as levels are", line)
        part = math.sqrt(2.0)
    out.state(f"level in dB re {match[1]} {match[2]} turned into a magnitude", line)

    def magnitude(values: Floats) -> Floats:
        with np.errstate(over="ignore"):  # an infinite magnitude is read as overload
            return np.asarray(part * reference * 10.0 ** (values / 20.0))

    return magnitude


def _numbers(
    words: tuple[str, ...],
    name: str,
    line: NDArray[np.int64],
    decimal: str,
    out: Collector,
) -> Floats | None:
    values = np.empty(len(words))
    for place, word in enumerate(words):
        lower = word.strip('"').lower()
        if lower in MISSING:
            values[place] = np.nan
        elif lower in OVERLOAD and name in SIGNALS:
            values[place] = np.inf
        elif _is_number(lower, decimal):
            values[place] = float(lower.replace(decimal, "."))
        else:
            sign = "comma" if decimal == "," else "point"
            need = f"a number with a decimal {sign} is needed"
            out.refuse(int(line[place]), name, need, repr(word))
            return None
    return values


def _sensible(table: Table, out: Collector) -> bool:
    for column in table.columns:
        if column.unit is None and column.name != "frequency":
            continue
        if column.name == "frequency":
            wrong = ~np.isnan(column.values) & ~(column.values > 0.0)
        elif column.name == "magnitude":
            wrong = column.values < 0.0
        else:
            continue
        if wrong.any():
            place = int(np.argmax(wrong))
            need = "must be above zero" if column.name == "frequency" else "must not be negative"
            out.refuse(int(table.line[place]), column.name, need, column.text[place])
            return False
    return True
