"""Checks of the cells' back: what cavities and necks need, and what does nothing with them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from arrayopt.base.problems import Reporter
from arrayopt.base.toml_lines import Path
from arrayopt.base.units import format_value
from arrayopt.study.model import Back, Strategy
from arrayopt.study.schema import StudyFile

NECK_KEYS = ("neck_radius", "neck_length", "neck_count")


def check_back(form: StudyFile, strategies: Sequence[Strategy], report: Reporter) -> None:
    """Report keys of the back side that are missing, idle, too large, or not computed with it."""
    own = {s.name: form.strategy[s.name].cell for s in strategies if s.name in form.strategy}
    necked = form.cell.back == "necked"
    _check_keys(form.cell, ("cell",), report)
    _check_room(form.cell, ("cell",), [s for s in strategies if own.get(s.name) is None], report)
    for strategy in strategies:
        back = own.get(strategy.name)
        if back is not None:
            path: Path = ("strategy", strategy.name, "cell")
            necked |= back.back == "necked"
            _check_keys(back, path, report)
            _check_room(back, path, [strategy], report)
    if necked:
        _check_rest(form, report)


def _check_keys(back: Back, path: Path, report: Reporter) -> None:
    if back.back == "necked":
        for key in ("cavity_depth", "neck_radius", "neck_length"):
            if getattr(back, key) is None:
                need = 'is missing; back = "necked" needs it'
                report.add((*path, key), need, show_value=False)
        return
    if (back.back == "sealed") != (back.cavity_depth is not None):
        need = 'back = "sealed" and cavity_depth belong together'
        given = "cavity_depth" if back.cavity_depth is not None else "back"
        report.add((*path, given), need)
    for key in NECK_KEYS:
        if report.value((*path, key)) is not None:
            report.add((*path, key), f'does nothing with back = "{back.back}"')


def _check_room(back: Back, path: Path, strategies: Sequence[Strategy], report: Reporter) -> None:
    least = [float(s.vary["radius"][0]) for s in strategies if "radius" in s.vary]
    least += [float(s.fixed["radius"]) for s in strategies if "radius" in s.fixed]
    if back.back != "necked" or back.neck_radius is None or not least:
        return
    if math.sqrt(back.neck_count) * back.neck_radius > min(least):
        need = f"the smallest diaphragm is {format_value(min(least), 'length')} in radius; "
        need += "the necks together are wider"
        report.add((*path, "neck_radius"), need)


def _check_rest(form: StudyFile, report: Reporter) -> None:
    """What else a study with necks cannot ask for."""
    if form.target.excitation in ("burst", "chirp"):
        need = "necked backs are computed along slow sweeps only, not in bursts and chirps"
        report.add(("target", "excitation"), need)
    elif form.target.burst_length is not None:
        need = "necked backs are computed along slow sweeps only, without bursts beside them"
        report.add(("target", "burst_length"), need)
    if form.calibration is not None:
        need = "calibrations are of cells without necks; leave it out"
        report.add(("calibration",), need, show_value=False)
