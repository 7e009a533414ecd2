"""A calibration as text: the file that a study includes, and what is said about it."""

from __future__ import annotations

import json
from dataclasses import astuple, fields
from pathlib import Path

import numpy as np

from arrayopt.base.text import one_line
from arrayopt.base.units import format_value
from arrayopt.lab.calibrate import Outcome
from arrayopt.lab.fit.scatter import Making
from arrayopt.study.calibration import stack_digest
from arrayopt.study.model import Correction, Study


def calibration_text(outcome: Outcome, study: Study, *, title: str = "") -> str:
    """The calibration file of an outcome (docs/calibration.md)."""
    physical = outcome.physical
    units = {f.name: f.metadata["units"] for f in fields(Correction)}
    names = list(units)
    value = astuple(physical.value)
    lines = ["format = 1", f"title = {_text(title)}"]
    lines.append(f'nominal_stack = "{stack_digest(study.stack)}"')
    lines.append(f"readings = {_list([str(reading) for reading in outcome.readings])}")
    lines.append(f"findings = {_list(findings(outcome))}")
    lines.append(f"cannot_tell = {_list([*physical.cannot_tell, *outcome.making.cannot_tell])}")
    for index, name in enumerate(names):
        span = physical.intervals[index]
        lines += [
            "",
            f"[parameters.{name}]",
            f"value = {value[index]!r}",
            f"lower = {min(span.lower, value[index])!r}",
            f"upper = {max(span.upper, value[index])!r}",
            f'units = "{units[name]}"',
            f"identified = {str(physical.identified[index]).lower()}",
        ]
    lines += ["", "[draws]", f"names = {_list(names)}", "values = ["]
    lines += [f"    [{', '.join(repr(x) for x in astuple(draw))}]," for draw in physical.draws]
    lines.append("]")
    for name, spread in outcome.making.spreads.items():
        lines += [
            "",
            f"[scatter.{name}]",
            f"value = {spread.value!r}",
            f"lower = {spread.lower!r}",
            f"upper = {spread.upper!r}",
            f"cells = {outcome.making.cells}",
            f"chips = {outcome.making.chips}",
        ]
    for cell in outcome.cells:
        lines += _modal(cell)
        for number, trace in enumerate(cell.traces):
            mine = cell.points.trace == number
            lines += [
                "",
                "[[used]]",
                f"file = {_text(Path(trace.file).name)}",
                f"line = {trace.line}",
                f"trace = {_text(trace.name)}",
                f"points = {int(mine.sum())}",
                f"used = {int((mine & cell.points.use).sum())}",
                f"note = {_text(cell.points.set_aside[number])}",
            ]
    return "\n".join(lines) + "\n"


def _modal(cell: object) -> list[str]:
    from arrayopt.lab.calibrate import CellFit

    assert isinstance(cell, CellFit)
    modal, condition = cell.modal, cell.condition
    out = [
        "",
        "[[modal]]",
        f"cell = {_text(condition.cell)}",
        *([f"chip = {_text(condition.chip)}"] if condition.chip else []),
        f"radius = {_text(format_value(condition.radius, 'length'))}",
        f"bias = {_text(format_value(condition.bias, 'voltage'))}",
    ]
    for name, number, span in zip(
        ("frequency", "quality_factor", "response", "bending"),
        (modal.frequency, modal.quality_factor, modal.response, modal.bending),
        modal.intervals,
        strict=True,
    ):
        out.append(f"{name} = [{number!r}, {span.lower!r}, {span.upper!r}]")
    return out


def summary(outcome: Outcome) -> str:
    """Values, intervals, findings and what cannot be told, as text for a terminal."""
    physical = outcome.physical
    lines = ["", f"{'':18}{'value':>12}{'95 % from':>12}{'to':>12}"]
    for index, field in enumerate(fields(Correction)):
        span, known = physical.intervals[index], physical.identified[index]
        number = astuple(physical.value)[index]
        mark = "" if known else "   not determined by these data"
        unit = field.metadata["units"].replace("1", "")
        ends = f"{number:12.5g}{span.lower:12.5g}{span.upper:12.5g}"
        lines.append(f"{field.name:18}{ends} {unit}{mark}".rstrip())
    span = physical.gain_interval
    lines.append(f"{'instrument gain':18}{physical.gain:12.5g}{span.lower:12.5g}{span.upper:12.5g}")
    lines += ["", *findings(outcome)]
    lines += ["", *scatter_lines(outcome.making)]
    told = (*physical.cannot_tell, *outcome.making.cannot_tell)
    return "\n".join([*lines, *(f"cannot be told: {text}" for text in told)])


def scatter_lines(making: Making) -> list[str]:
    """Scatter of making, one standard deviation a line, with its interval in words."""
    if not making.spreads:
        return []
    chips = f" of {making.chips} chips" if making.chips > 1 else ""
    lines = [f"scatter of making, from {making.cells} cells{chips}"]
    for name, spread in making.spreads.items():
        ends = f"95 % from {100.0 * spread.lower:.2g} % to {100.0 * spread.upper:.2g} %"
        text = f"{100.0 * spread.value:.3g} %, {ends}"
        if spread.value == 0.0:
            text = f"none seen; 95 % at most {100.0 * spread.upper:.2g} %"
        lines.append(f"{name:18}{text}")
    return lines


def findings(outcome: Outcome) -> list[str]:
    """What a person should know before using the calibration, one sentence each."""
    physical = outcome.physical
    out = []
    for cell in outcome.cells:
        where = f"{cell.condition.label} at {cell.condition.bias:g} V bias"
        if not cell.modal.unique:
            out.append(f"{where}: another set of numbers fits as well; measure at lower drive")
        if cell.modal.dispersion > 2.0:
            out.append(
                f"{where}: residuals {np.sqrt(cell.modal.dispersion):.1f} times the noise; "
                "intervals are widened by that"
            )
        way = "softens" if cell.modal.intervals[3].upper < 0.0 else "hardens"
        if cell.modal.intervals[3].lower <= 0.0 <= cell.modal.intervals[3].upper:
            way = "shows no bending of its resonance"
        out.append(f"{where}: {way}, f0 {cell.modal.frequency:.1f} Hz")
    if physical.dispersion > 2.0:
        out.append(
            f"cells differ from one model by {np.sqrt(physical.dispersion):.1f} times what their "
            "intervals and the scatter between cells allow"
        )
    if physical.value.coupling_scale < 0.0:
        out.append("the film is poled against the study's sign of e31f, or the leads are exchanged")
    for name in physical.at_edge:
        out.append(f"{name} ran into the edge of the range searched; its value is a bound")
    for check in outcome.bursts:
        verdict = "supports" if check.good else "contradicts"
        out.append(
            f"burst {check.trace.name}: {check.offset:+.2f} dB, scatter {check.scatter:.2f} dB; "
            f"{verdict} the calibration"
        )
    return out


def _text(value: str) -> str:
    return json.dumps(one_line(value), ensure_ascii=False)


def _list(values: list[str]) -> str:
    if not values:
        return "[]"
    return "[\n" + "".join(f"    {_text(value)},\n" for value in values) + "]"
