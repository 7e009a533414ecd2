"""Checks of the cells' back: what cavities and necks need, and what does nothing with them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from arrayopt.base.problems import Reporter
from arrayopt.base.toml_lines import Path
from arrayopt.base.units import format_value
from arrayopt.study.model import Back, Strategy
from arrayopt.study.schema import StudyFile
from arrayopt.study.supported import BACK_KEYS, CALIBRATED, refused


def check_back(form: StudyFile, strategies: Sequence[Strategy], report: Reporter) -> None:
    """Report keys of the back side that are missing, idle, too large, or not computed with it."""
    own = {s.name: form.strategy[s.name].cell for s in strategies if s.name in form.strategy}
    backs = {form.cell.back}
    _check_keys(form.cell, ("cell",), report)
    _check_room(form.cell, ("cell",), [s for s in strategies if own.get(s.name) is None], report)
    for strategy in strategies:
        back = own.get(strategy.name)
        if back is not None:
            path: Path = ("strategy", strategy.name, "cell")
            backs.add(back.back)
            _check_keys(back, path, report)
            _check_room(back, path, [strategy], report)
    wave = form.waveform is not None or any(table.waveform for table in form.strategy.values())
    refusals = [refused(form.target, kind, wave) for kind in sorted(backs)]
    for key, need in {key: need for some in refusals for key, need in some}.items():
        report.add(key, need, show_value=key[0] == "target")
    if form.calibration is not None and not backs <= CALIBRATED:
        need = "calibrations are of cells without necks; leave it out"
        report.add(("calibration",), need, show_value=False)


def _check_keys(back: Back, path: Path, report: Reporter) -> None:
    needed = BACK_KEYS[back.back]
    for key in dict.fromkeys(key for keys in BACK_KEYS.values() for key in keys):
        if key in needed and getattr(back, key) is None:
            need = f'is missing; back = "{back.back}" needs it'
            report.add((*path, key), need, show_value=False)
        elif key not in needed and report.value((*path, key)) is not None:
            report.add((*path, key), f'does nothing with back = "{back.back}"')


def _check_room(back: Back, path: Path, strategies: Sequence[Strategy], report: Reporter) -> None:
    least = [float(s.vary["radius"][0]) for s in strategies if "radius" in s.vary]
    least += [float(s.fixed["radius"]) for s in strategies if "radius" in s.fixed]
    if back.neck_radius is None or not least:
        return
    if math.sqrt(back.neck_count) * back.neck_radius > min(least):
        need = f"the smallest diaphragm is {format_value(min(least), 'length')} in radius; "
        need += "the necks together are wider"
        report.add((*path, "neck_radius"), need)
