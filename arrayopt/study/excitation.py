"""Checks of a study's excitation: what bursts and chirps need, and what does nothing with them."""

from __future__ import annotations

from collections.abc import Sequence

from arrayopt.base.glossary import (
    BURST_MERITS,
    ECHO_MERITS,
    PULSE_MERITS,
    TAIL_MERITS,
    WAVEFORM_MERITS,
)
from arrayopt.base.problems import Reporter
from arrayopt.base.toml_lines import Path
from arrayopt.study.model import Strategy
from arrayopt.study.schema import StudyFile
from arrayopt.study.supported import BESIDE, EXCITATION_KEYS, excitations

CYCLES = (1.0, 2000.0)
"""Cycles that a burst or chirp may last: at least one, and no more than can be computed at once."""


NEEDS = {
    **dict.fromkeys(BURST_MERITS, ("burst",)),
    **dict.fromkeys(PULSE_MERITS, ("waveform", "burst", "chirp")),
    **dict.fromkeys(WAVEFORM_MERITS, ("waveform",)),
    **dict.fromkeys(TAIL_MERITS, ("tail",)),
    **dict.fromkeys(ECHO_MERITS, ("echo",)),
}
"""Merit -> of which one is needed."""
WORDS = {
    **{name: f"target.{key}" for name, key in EXCITATION_KEYS.items()},
    "waveform": "[waveform]",
    "tail": "waveform.tail_cycles",
    "echo": "[waveform] and [echo]",
}


def check_excitation(form: StudyFile, strategies: Sequence[Strategy], report: Reporter) -> None:
    """Report keys of the excitation that are missing, idle or out of range, and idle merits."""
    target = form.target
    excitation, chirp = target.excitation, target.chirp
    for name, key in EXCITATION_KEYS.items():
        given = getattr(target, key) is not None
        if name == excitation and not given:
            need = f'is missing; excitation = "{name}" needs it'
            report.add(("target", key), need, show_value=False)
        elif given and name != excitation and name not in BESIDE:
            need = f'does nothing with excitation = "{excitation}"'
            report.add(("target", key), need, show_value=False)
    if chirp is not None:
        if chirp.start == chirp.end:
            need = "a chirp ends at another frequency than it starts at; a burst has one"
            report.add(("target", "chirp", "end"), need)
        cycles = 0.5 * (chirp.start + chirp.end) * chirp.duration
        _check_cycles(cycles, ("target", "chirp", "duration"), report)
    if target.burst_length is not None:
        length = target.burst_length
        for frequency in target.centre_frequency:
            cycles = length.value if length.in_cycles else length.value * frequency
            _check_cycles(cycles, ("target", "burst_length"), report)
    if excitation == "waveform":
        for strategy in strategies:
            if strategy.waveform is None:
                need = f"needs a table [waveform]; strategy {strategy.name} has none"
                report.add(("target", "excitation"), need)
    _check_merits(form, strategies, report)


def _check_cycles(cycles: float, path: Path, report: Reporter) -> None:
    least, most = CYCLES
    if not least <= cycles <= most:
        report.add(path, f"{least:g} to {most:g} cycles are needed; these are {cycles:.4g}")


def _check_merits(form: StudyFile, strategies: Sequence[Strategy], report: Reporter) -> None:
    """Objectives and limits on figures of a burst or pulse that a strategy does not have."""
    for strategy in strategies:
        table = form.strategy.get(strategy.name)
        own = table.limits if table is not None else {}
        named: list[tuple[str, Path]] = [
            (row[0], ("objectives", index, 0)) for index, row in enumerate(form.objectives)
        ]
        named += [(name, ("limits", name)) for name in form.limits if name not in own]
        named += [(name, ("strategy", strategy.name, "limits", name)) for name in own]
        has = set(excitations(form.target))
        if strategy.waveform is not None:
            has |= {"waveform"} | ({"echo"} if form.echo is not None else set())
        if "tail_cycles" in strategy.vary or strategy.fixed.get("tail_cycles"):
            has.add("tail")
        for name, path in named:
            needs = NEEDS.get(name, ())
            if needs and has.isdisjoint(needs):
                keys = " or ".join(WORDS[x] for x in needs)
                report.add(path, f"{name} needs {keys}", show_value=False)
