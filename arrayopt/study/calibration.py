"""What measurements change in a study's model: five numbers, their intervals and their draws."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Collection, Sequence
from dataclasses import astuple, dataclass, field, fields, make_dataclass, replace
from pathlib import Path
from typing import Any, Literal, get_type_hints

from arrayopt.base.forms import Finite, Natural
from arrayopt.base.problems import Reporter
from arrayopt.study.model import Correction, Scatter, StackLayer, Study, StudyCalibration


@dataclass(frozen=True)
class Parameter:
    """One fitted number of a calibration with its 95 % interval."""

    value: Finite
    lower: Finite
    upper: Finite
    units: str
    identified: bool
    remark: str = ""


Parameters = make_dataclass("Parameters", [(f.name, Parameter) for f in fields(Correction)])
"""``[parameters]``: everything a calibration changes in the model."""


@dataclass(frozen=True)
class DrawsTable:
    """``[draws]``: parameter sets as likely as the data make them, for bands on predictions."""

    names: list[str]
    values: list[list[Finite]]


@dataclass(frozen=True)
class Used:
    """``[[used]]``: what became of one trace."""

    file: str
    line: int
    trace: str
    points: int
    used: int
    note: str = ""


def _scatter_row(name: str, value: Any) -> type:
    """``[scatter.NAME]``: a standard deviation as a study takes it, and its 95 % interval."""
    words = [("value", value), ("lower", value), ("upper", Finite)]
    counts = [("cells", Natural, 0), ("chips", Natural, 0)]
    return make_dataclass(f"Scatter_{name}", [*words, *counts])


SCATTER = (
    "cell_radius",
    "cell_quality",
    "cell_coupling",
    "chip_thickness",
    "chip_quality",
    "chip_coupling",
)
"""Keys of ``[fabrication]`` that measurements of several cells, or of several chips, tell."""
ScatterTable = make_dataclass(
    "ScatterTable",
    [
        (name, _scatter_row(name, get_type_hints(Scatter, include_extras=True)[name]) | None, None)
        for name in SCATTER
    ],
)
"""``[scatter]``: standard deviations of making that were measured."""


@dataclass(frozen=True, kw_only=True)
class CalibrationFile:
    """A whole calibration file; only ``parameters``, ``draws`` and ``scatter`` change results."""

    format: Literal[1]
    title: str = ""
    nominal_stack: str
    parameters: Parameters  # type: ignore[valid-type]
    draws: DrawsTable
    scatter: ScatterTable = field(default_factory=ScatterTable)  # type: ignore[valid-type]
    used: list[Used] = field(default_factory=list)
    modal: list[dict[str, Any]] = field(default_factory=list)
    readings: list[str] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)
    cannot_tell: list[str] = field(default_factory=list)


def corrected_stack(stack: Sequence[StackLayer], correction: Correction) -> tuple[StackLayer, ...]:
    """The layers of a stack with the corrections of thickness, tension and coupling.

    The default corrections leave every number as it is, bit for bit.
    """
    scale = correction.thickness_scale
    whole = sum(layer.thickness * scale for layer in stack if not layer.patterned)
    stress = correction.film_tension / whole
    return tuple(
        replace(
            layer,
            thickness=layer.thickness * scale,
            residual_stress=layer.residual_stress + (0.0 if layer.patterned else stress),
            e31f=layer.e31f * correction.coupling_scale,
        )
        for layer in stack
    )


def with_correction(study: Study, correction: Correction) -> Study:
    """The study with other corrections on its nominal stack; file, text and digest stay."""
    old = study.calibration
    stack = study.stack if old is None else old.nominal_stack
    quality = study.cell.quality_factor if old is None else old.nominal_quality
    changed = StudyCalibration(
        file="" if old is None else old.file,
        text="" if old is None else old.text,
        value=correction,
        lower=correction if old is None else old.lower,
        upper=correction if old is None else old.upper,
        draws=() if old is None else old.draws,
        nominal_stack=stack,
        nominal_quality=quality,
        digest="" if old is None else old.digest,
        scatter={} if old is None else old.scatter,
    )
    return replace(
        study,
        stack=corrected_stack(stack, correction),
        cell=replace(study.cell, quality_factor=correction.quality_factor),
        calibration=changed,
    )


def stack_digest(stack: Sequence[StackLayer]) -> str:
    """Short digest of a nominal stack: a calibration belongs to one."""
    rows = [[float(x) if isinstance(x, float) else str(x) for x in astuple(s)] for s in stack]
    return hashlib.sha256(json.dumps(rows).encode()).hexdigest()[:16]


def is_calibration(text: str) -> bool:
    """Is this the text of a calibration file, of whatever format and however damaged inside?"""
    try:
        return "nominal_stack" in tomllib.loads(text)
    except (ValueError, RecursionError):
        return False


def read_calibration(
    text: str,
    *,
    file: str,
    stack: tuple[StackLayer, ...],
    quality_factor: float,
    stated: Collection[str] = (),
) -> StudyCalibration:
    """A calibration from the text of its file.

    Parameters
    ----------
    text, file : content, and what messages call it.
    stack, quality_factor : the nominal ones of the study that includes it.
    stated : keys of ``[fabrication]`` that the study sets itself.

    Raises
    ------
    StudyError : all problems of the file, a calibration of another stack among them.
    """
    report = Reporter(Path(file), text)
    form = report.validate(CalibrationFile)
    parts = {f.name: f.metadata for f in fields(Correction)}
    names = list(parts)
    if form.nominal_stack != stack_digest(stack):
        need = "belongs to another layer stack; calibrate again for this study"
        report.add(("nominal_stack",), need)
    if form.draws.names != names:
        report.add(("draws", "names"), f"these names are needed, in order: {', '.join(names)}")
    for row, values in enumerate(form.draws.values):
        wrong = len(values) != len(names) or any(
            not part["least"] <= value <= part["most"]
            for part, value in zip(parts.values(), values, strict=True)
        )
        if wrong:
            report.add(("draws", "values", row), "is no usable set of parameters")
    ends: dict[str, list[float]] = {"value": [], "lower": [], "upper": []}
    for name, part in parts.items():
        table = getattr(form.parameters, name)
        low, high, unit = part["least"], part["most"], part["units"]
        if table.units != unit:
            report.add(("parameters", name, "units"), f'"{unit}" is needed')
        if not low <= table.value <= high:
            report.add(("parameters", name, "value"), f"{low:g} to {high:g} is needed")
        if not table.lower <= table.value <= table.upper:
            report.add(("parameters", name, "lower"), "lower <= value <= upper is needed")
        for end, values in ends.items():
            values.append(getattr(table, end))
    scatter = {}
    for name in SCATTER:
        if (row := getattr(form.scatter, name)) is None:
            continue
        if not row.lower <= row.value <= row.upper:
            report.add(("scatter", name, "lower"), "lower <= value <= upper is needed")
        # where no scatter was seen, only its upper bound is known
        usual = getattr(Scatter, name)
        if name not in stated:
            scatter[name] = row.value if row.value > 0.0 else min(usual, row.upper)
    report.finish()
    told = json.dumps([form.nominal_stack, *ends.values(), form.draws.values])
    return StudyCalibration(
        file=file,
        text=text,
        value=Correction(*ends["value"]),
        lower=Correction(*ends["lower"]),
        upper=Correction(*ends["upper"]),
        draws=tuple(Correction(*values) for values in form.draws.values),
        nominal_stack=stack,
        nominal_quality=quality_factor,
        digest=hashlib.sha256(told.encode()).hexdigest(),
        scatter=scatter,
    )
