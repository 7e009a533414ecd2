"""Checks of a study's excitation: what bursts and chirps need, and what does nothing with them."""

from __future__ import annotations

from arrayopt.base.glossary import BURST_MERITS, PULSE_MERITS
from arrayopt.base.problems import Reporter
from arrayopt.base.toml_lines import Path
from arrayopt.study.schema import StudyFile

CYCLES = (1.0, 2000.0)
"""Cycles that a burst or chirp may last: at least one, and no more than can be computed at once."""


def check_excitation(form: StudyFile, report: Reporter) -> None:
    """Report keys of the excitation that are missing, idle or out of range, and idle merits."""
    target = form.target
    excitation, chirp = target.excitation, target.chirp
    if excitation == "burst" and target.burst_length is None:
        need = 'is missing; excitation = "burst" needs it'
        report.add(("target", "burst_length"), need, show_value=False)
    if excitation == "chirp" and chirp is None:
        need = 'is missing; excitation = "chirp" needs start, end and duration'
        report.add(("target", "chirp"), need, show_value=False)
    if excitation != "chirp" and chirp is not None:
        need = f'does nothing with excitation = "{excitation}"'
        report.add(("target", "chirp"), need, show_value=False)
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
    _check_merits(form, report)


def _check_cycles(cycles: float, path: Path, report: Reporter) -> None:
    least, most = CYCLES
    if not least <= cycles <= most:
        report.add(path, f"{least:g} to {most:g} cycles are needed; these are {cycles:.4g}")


def _check_merits(form: StudyFile, report: Reporter) -> None:
    """Objectives and limits on figures of a burst or pulse that the study does not have."""
    named: list[tuple[str, Path]] = [
        (row[0], ("objectives", index, 0)) for index, row in enumerate(form.objectives)
    ]
    named += [(name, ("limits", name)) for name in form.limits]
    for strategy, table in form.strategy.items():
        named += [(name, ("strategy", strategy, "limits", name)) for name in table.limits]
    no_burst = form.target.burst_length is None
    no_pulse = no_burst and form.target.excitation != "chirp"
    for name, path in named:
        if name in BURST_MERITS and no_burst:
            report.add(path, f"{name} needs target.burst_length", show_value=False)
        elif name in PULSE_MERITS and no_pulse:
            need = f'{name} needs target.burst_length, or excitation = "chirp"'
            report.add(path, need, show_value=False)
