"""Checks of the cells' back: what cavities and necks need, and what does nothing with them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from arrayopt.study_model import Strategy
from arrayopt.study_problems import Reporter
from arrayopt.study_schema import StudyFile
from arrayopt.toml_lines import Path
from arrayopt.units import format_value

NECK_KEYS = ("neck_radius", "neck_length", "neck_count")


def check_back(form: StudyFile, strategies: Sequence[Strategy], report: Reporter) -> None:
    """Report keys of the back side that are missing, idle, too large, or not computed with it."""
    cell = form.cell
    if cell.back != "necked":
        if (cell.back == "sealed") != (cell.cavity_depth is not None):
            need = 'back = "sealed" and cavity_depth belong together'
            given = "cavity_depth" if cell.cavity_depth is not None else "back"
            report.add(("cell", given), need)
        for key in NECK_KEYS:
            if key in cell.model_fields_set:
                report.add(("cell", key), f'does nothing with back = "{cell.back}"')
        return
    for key in ("cavity_depth", "neck_radius", "neck_length"):
        if getattr(cell, key) is None:
            need = 'is missing; back = "necked" needs it'
            report.add(("cell", key), need, show_value=False)
    _check_room(form, strategies, report)
    if form.target.excitation in ("burst", "chirp"):
        need = "necked backs are computed along slow sweeps only, not in bursts and chirps"
        report.add(("target", "excitation"), need)
    elif form.target.burst_length is not None:
        need = "necked backs are computed along slow sweeps only, without bursts beside them"
        report.add(("target", "burst_length"), need)
    if form.calibration is not None:
        need = "calibrations are of cells without necks; leave it out"
        report.add(("calibration",), need, show_value=False)
    _check_merits(form, report)


def _check_room(form: StudyFile, strategies: Sequence[Strategy], report: Reporter) -> None:
    radius = form.cell.neck_radius
    least = [float(s.vary["radius"][0]) for s in strategies if "radius" in s.vary]
    least += [float(s.fixed["radius"]) for s in strategies if "radius" in s.fixed]
    if radius is None or not least:
        return
    if math.sqrt(form.cell.neck_count) * radius > min(least):
        need = f"the smallest diaphragm is {format_value(min(least), 'length')} in radius; "
        need += "the necks together are wider"
        report.add(("cell", "neck_radius"), need)


def _check_merits(form: StudyFile, report: Reporter) -> None:
    """Objectives and limits on reception, which has no neck."""
    need = "two_way_bandwidth is not computed with necked backs"
    for index, row in enumerate(form.objectives):
        if row[0] == "two_way_bandwidth":
            report.add(("objectives", index, 0), need, show_value=False)
    tables: list[tuple[Path, Mapping[str, object]]] = [((), form.limits)]
    tables += [(("strategy", name), table.limits) for name, table in form.strategy.items()]
    for path, limits in tables:
        if "two_way_bandwidth" in limits:
            report.add((*path, "limits", "two_way_bandwidth"), need, show_value=False)
