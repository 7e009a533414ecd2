"""``[waveform]``: the drive of the pulse, checked; samples from a file; limits of the driver."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from arrayopt.base.errors import nearest_name
from arrayopt.base.problems import Reporter
from arrayopt.base.toml_lines import Path
from arrayopt.base.units import format_value
from arrayopt.study.model import Samples, Waveform
from arrayopt.study.schema import StrategyTable, StudyFile, WaveformTable

if TYPE_CHECKING:
    from arrayopt.physics.intime.waveform import Drive

WAVE_NAMES = {
    "pulse_carrier": "carrier",
    "pulse_cycles": "cycles",
    "chirp_start": "start",
    "chirp_end": "end",
    "chirp_duration": "duration",
    "chirp_law": "law",
    "pulse_taper": "taper",
    "tail_cycles": "tail_cycles",
    "tail_amplitude": "tail_amplitude",
    "tail_phase": "tail_phase",
}
"""Glossary names of a waveform's numbers, and how files write them."""
TAIL = ("tail_cycles", "tail_amplitude", "tail_phase")
WAVE_KINDS: Mapping[str, tuple[str, ...]] = {
    "burst": ("pulse_carrier", "pulse_cycles", "pulse_taper", *TAIL),
    "chirp": ("chirp_start", "chirp_end", "chirp_duration", "chirp_law", "pulse_taper", *TAIL),
    "samples": (),
}
"""Numbers of each kind of waveform."""
WAVE_DEFAULTS = {
    "chirp_law": 1.0,
    "pulse_taper": 0.0,
    "tail_cycles": 0.0,
    "tail_amplitude": 0.0,
    "tail_phase": math.pi,
}
"""Of those that need not be given: linear, rectangular, no tail, and a tail against the motion."""
CYCLES = (1.0, 2000.0)
"""Cycles of a whole waveform: at least one, and no more than can be computed at once."""
MOST_SAMPLES = 200_000
LATEST, CLOSEST = 1e3, 1e-12
"""Times of samples, and between two of them [s]."""


def drive_of(numbers: Mapping[str, float], samples: Samples | None) -> Drive:
    """The drive that the numbers of a waveform, by glossary name, or samples make (M13.1)."""
    from arrayopt.physics.intime.waveform import Drive  # compiles: load late

    if samples is not None:
        return Drive(samples.carrier, samples.duration, samples=samples.values)
    if "pulse_carrier" in numbers:
        carrier, end, law = numbers["pulse_carrier"], None, 1.0
        duration = numbers["pulse_cycles"] / carrier
    else:
        end, law = numbers["chirp_end"], numbers["chirp_law"]
        carrier, duration = 0.5 * (numbers["chirp_start"] + end), numbers["chirp_duration"]
    return Drive(
        carrier,
        duration,
        end=end,
        taper=numbers["pulse_taper"],
        law=law,
        tail_cycles=numbers["tail_cycles"],
        tail_amplitude=numbers["tail_amplitude"],
        tail_phase=numbers["tail_phase"],
    )


def build_waveform(
    form: StudyFile,
    table: StrategyTable,
    strategy: Path,
    numbers: tuple[dict[str, Any], dict[str, Any]],
    report: Reporter,
) -> Waveform | None:
    """The waveform of one strategy: its own, or the study's; None where it has none.

    Parameters
    ----------
    numbers : values and bounds of the strategy by glossary name, to which the waveform's are added.
    report : receives what is missing, idle, out of range or beyond the driver's limits.
    """
    own = table.waveform
    given, path = (own, (*strategy, "waveform")) if own else (form.waveform, ("waveform",))
    if given is None:
        return None
    fixed, vary = numbers
    _add_numbers(given, path, fixed, vary, report)
    per_channel = _per_channel(given, path, report)
    samples = _samples(given, form.waveform_content, path, report)
    made = Waveform(given.kind, per_channel, samples, given.max_voltage, given.max_slew)
    if given.kind != "samples" and all(name in {*fixed, *vary} for name in WAVE_KINDS[given.kind]):
        _check_lengths(given.kind, path, fixed, vary, report)
    if not report.problems:
        _check_driver(made, path, fixed, vary, report)
    return made


def _add_numbers(
    given: WaveformTable,
    path: Path,
    fixed: dict[str, Any],
    vary: dict[str, Any],
    report: Reporter,
) -> None:
    mine = WAVE_KINDS[given.kind]
    for name, key in WAVE_NAMES.items():
        value = getattr(given, key)
        if name not in mine:
            if value is not None:
                report.add((*path, key), f'does nothing with kind = "{given.kind}"')
        elif isinstance(value, tuple):
            vary[name] = value
        elif value is not None:
            fixed[name] = value
        elif name in WAVE_DEFAULTS:
            fixed[name] = WAVE_DEFAULTS[name]
        else:
            need = f'is missing; kind = "{given.kind}" needs it'
            report.add((*path, key), need, show_value=False)
    tail = [key for key in TAIL if getattr(given, key) is not None]
    for key in ("tail_cycles", "tail_amplitude"):
        if tail and key not in tail and given.kind != "samples":
            need = "is missing; a braking tail has a length and an amplitude"
            report.add((*path, key), need, show_value=False)
    if (given.file is None) == (given.kind == "samples"):
        need = f'does nothing with kind = "{given.kind}"'
        if given.file is None:
            need = 'is missing; kind = "samples" needs it'
        report.add((*path, "file"), need, show_value=False)
    start, end = given.start, given.end
    if isinstance(start, float) and start == end:
        need = "a chirp ends at another frequency than it starts at; a burst has one"
        report.add((*path, "end"), need)


def _per_channel(given: WaveformTable, path: Path, report: Reporter) -> tuple[str, ...]:
    names = {key: name for name, key in WAVE_NAMES.items() if name in WAVE_KINDS[given.kind]}
    found = []
    for index, key in enumerate(given.per_channel):
        where: Path = (*path, "per_channel", index)
        if key not in names:
            nearest = nearest_name(key, names)
            need = f'kind = "{given.kind}" has {", ".join(names) or "no numbers"}'
            report.add(where, need, nearest=f'"{nearest}"' if nearest else None)
        elif not isinstance(getattr(given, key), tuple):
            report.add(where, f"{key} is not varied, so that all channels share it")
        elif names[key] in found:
            report.add(where, "is there twice")
        else:
            found.append(names[key])
    return tuple(name for name in WAVE_NAMES if name in found)


def _ends(name: str, fixed: Mapping[str, Any], vary: Mapping[str, Any]) -> tuple[float, float]:
    return vary[name] if name in vary else (fixed[name], fixed[name])


def _check_lengths(
    kind: str,
    path: Path,
    fixed: Mapping[str, Any],
    vary: Mapping[str, Any],
    report: Reporter,
) -> None:
    key = "cycles" if kind == "burst" else "duration"
    if kind == "burst":
        cycles = np.array(_ends("pulse_cycles", fixed, vary))
    else:
        middle = sum(np.array(_ends(name, fixed, vary)) for name in ("chirp_start", "chirp_end"))
        cycles = 0.5 * middle * np.array(_ends("chirp_duration", fixed, vary))
    whole = cycles + np.array([0.0, _ends("tail_cycles", fixed, vary)[1]])
    least, most = CYCLES
    for count in (cycles[0], whole[1]):
        if not least <= count <= most:
            need = f"{least:g} to {most:g} cycles, with the tail, are needed"
            report.add((*path, key), f"{need}; these are {count:.4g}")
            return


def _check_driver(
    made: Waveform,
    path: Path,
    fixed: Mapping[str, Any],
    vary: Mapping[str, Any],
    report: Reporter,
) -> None:
    """What no design could keep: the least amplitude under a waveform that is not varied."""
    if made.max_voltage is None and made.max_slew is None:
        return
    if made.max_slew is not None and vary.get("pulse_taper", (1.0,))[0] == 0.0:
        need = "a lowest taper above 0 is needed; without any no slew rate follows the jump"
        report.add((*path, "taper"), need)
    least = _ends("drive_amplitude", fixed, vary)[0]
    mine = WAVE_KINDS[made.kind]
    if any(name in vary for name in mine) or not least > 0.0:
        return
    drive = drive_of({name: float(fixed[name]) for name in mine}, made.samples)
    phases = np.linspace(0.0, np.pi, 8, endpoint=False)
    if "drive_phase" not in vary:
        phases = np.array([float(fixed["drive_phase"])])
    voltage, slew = (least * float(x.min()) for x in drive.extremes(phases))
    for key, limit, value, kind in (
        ("max_voltage", made.max_voltage, voltage, "voltage"),
        ("max_slew", made.max_slew, slew, "slew"),
    ):
        if limit is None or value <= limit:
            continue
        if math.isinf(value):
            need = "the waveform jumps at an end, which no slew rate follows"
            need += "; give it a taper" if made.kind != "samples" else ""
        else:
            low = format_value(least, "voltage", 6)
            need = f"the waveform at an amplitude of {low} needs {format_value(value, kind, 4)}"
        report.add((*path, key), need)


def _samples(
    given: WaveformTable, content: Mapping[str, str], path: Path, report: Reporter
) -> Samples | None:
    if given.kind != "samples" or given.file is None or given.file not in content:
        return None
    try:
        return read_samples(content[given.file])
    except ValueError as error:
        report.add((*path, "file"), str(error))
        return None


def read_samples(text: str) -> Samples:
    """Samples of a drive from a table of time [s] and voltage [V].

    Parameters
    ----------
    text : lines of two numbers with a comma between them; one line of headings may come first.

    Raises
    ------
    ValueError : what is wrong with it, in a sentence, with the line.
    """
    rows: list[tuple[float, float]] = []
    for number, line in enumerate(text.lstrip("\ufeff").splitlines(), 1):
        if not line.strip():
            continue
        parts = line.split(",")
        try:
            first, second = (float(part) for part in parts)
        except ValueError:
            if not rows and number == 1:
                continue
            need = "time in s, a comma and a voltage in V are needed"
            raise ValueError(f"line {number}: {need}") from None
        if not (math.isfinite(first) and math.isfinite(second)):
            raise ValueError(f"line {number}: finite numbers are needed")
        if rows and not first > rows[-1][0]:
            raise ValueError(f"line {number}: times must rise from line to line")
        rows.append((first, second))
    if not 8 <= len(rows) <= MOST_SAMPLES:
        raise ValueError(f"8 to {MOST_SAMPLES} samples are needed; there are {len(rows)}")
    time, voltage = np.array(rows).T
    size = np.abs(voltage).max()
    if not size > 0.0:
        raise ValueError("all voltages are 0")
    if np.abs(time).max() > LATEST or np.diff(time).min() < CLOSEST:
        raise ValueError(f"times up to {LATEST:g} s and {CLOSEST:g} s apart or more are needed")
    duration = float(time[-1] - time[0])
    count = round(duration / float(np.diff(time).min())) + 1
    if count > MOST_SAMPLES:
        need = f"evenly spaced like the closest two, more than {MOST_SAMPLES} samples are needed"
        raise ValueError(f"{need}; space them more evenly")
    even = np.interp(np.linspace(time[0], time[-1], count), time, voltage / size)
    power = np.abs(np.fft.rfft(even, 4 * count)) ** 2
    frequency = np.fft.rfftfreq(4 * count, duration / (count - 1))
    carrier = float((power * frequency).sum() / power.sum())
    if not CYCLES[0] <= carrier * duration <= CYCLES[1]:
        need = f"{CYCLES[0]:g} to {CYCLES[1]:g} cycles are needed"
        raise ValueError(f"{need}; it lasts {carrier * duration:.4g} of its middle frequency")
    return Samples(tuple(even.tolist()), duration, carrier)
