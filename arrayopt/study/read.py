"""Study files: ``read_study(path)`` gives a frozen, validated Study or lists all problems."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

from arrayopt.base.problems import WHOLE_FILES, Reporter
from arrayopt.base.toml import LARGEST_FILE, TOO_LARGE, TomlError, read_text
from arrayopt.base.toml_lines import Path as KeyPath
from arrayopt.base.units import format_value
from arrayopt.physics.sound.air_range import PRESSURE_RANGE, TEMPERATURE_RANGE
from arrayopt.study.back import check_back
from arrayopt.study.build import build_objectives, build_sites, build_stack, build_strategies
from arrayopt.study.calibration import read_calibration, with_correction
from arrayopt.study.echo import check_echo
from arrayopt.study.excitation import check_excitation
from arrayopt.study.model import (
    Limit,
    Objective,
    StackLayer,
    Strategy,
    Study,
    StudyCalibration,
    Target,
)
from arrayopt.study.schema import StudyFile

__all__ = ["Limit", "Objective", "Strategy", "Study", "Target", "read_study"]

STUDY_FILE = "study.toml"
CALIBRATION_CONTENT, WAVEFORM_CONTENT = WHOLE_FILES


def read_study(path: str | os.PathLike[str], *, calibrated: bool = True) -> Study:
    """Read and check a study file.

    Parameters
    ----------
    path : a TOML file, or a folder with a ``study.toml`` in it.
    calibrated : False leaves the calibration that the study includes out.

    Returns
    -------
    Study, in SI units with every default filled in.

    Raises
    ------
    StudyError : all problems of the file, each with line, key, value and what is needed.
    """
    file = study_file(path)
    report = Reporter(file)
    if calibrated:
        _include_calibration(report, file)
    _include_waveforms(report, file)
    return _read(report, file, calibrated)


def study_file(path: str | os.PathLike[str]) -> Path:
    """The file of a study, which may be given as its folder."""
    file = Path(path)
    return file / STUDY_FILE if file.is_dir() else file


def read_study_text(text: str, path: str = STUDY_FILE, *, calibrated: bool = True) -> Study:
    """A study from the text of its file, as results and worker processes keep it.

    Parameters
    ----------
    text : content of the file.
    path : what messages call it.
    calibrated : as in `read_study`.

    Raises
    ------
    StudyError : as `read_study`.
    """
    return _read(Reporter(Path(path), text), Path(path), calibrated)


def _include_calibration(report: Reporter, file: Path) -> None:
    """Add the text of the calibration file to the study's, so that the study is complete."""
    table = report.data.get("calibration")
    name = table.get("file") if isinstance(table, dict) else None
    if not isinstance(name, str) or CALIBRATION_CONTENT in report.data:
        return
    content = _content_beside(report, file, name, ("calibration", "file"))
    report.data[CALIBRATION_CONTENT] = {"text": content}
    report.text += f"\n[{CALIBRATION_CONTENT}]\ntext = {_quoted(content)}\n"
    _check_size(report, ("calibration", "file"))


def _include_waveforms(report: Reporter, file: Path) -> None:
    """Add the text of all files of samples to the study's."""
    if WAVEFORM_CONTENT in report.data:
        return
    tables: list[tuple[KeyPath, Any]] = [(("waveform",), report.data.get("waveform"))]
    strategies = report.data.get("strategy")
    for name, table in strategies.items() if isinstance(strategies, dict) else ():
        if isinstance(table, dict):
            tables.append((("strategy", name, "waveform"), table.get("waveform")))
    found: dict[str, str] = {}
    for path, table in tables:
        name = table.get("file") if isinstance(table, dict) else None
        if isinstance(name, str) and name not in found:
            found[name] = _content_beside(report, file, name, (*path, "file"))
    if not found:
        return
    report.data[WAVEFORM_CONTENT] = found
    lines = [f"{_quoted(name)} = {_quoted(text)}" for name, text in found.items()]
    report.text += f"\n[{WAVEFORM_CONTENT}]\n" + "\n".join(lines) + "\n"
    _check_size(report, ("waveform",))


def _content_beside(report: Reporter, file: Path, name: str, path: KeyPath) -> str:
    """Text of a file in the study's folder; ends with the problem where there is none."""
    folder = file.resolve().parent
    try:
        target = (folder / name).resolve()
        inside = target.is_relative_to(folder)
    except (ValueError, OSError, RuntimeError):  # NUL or too long; links that lead in circles
        inside = False
    if not inside:
        report.add(path, "a file in the study's folder is needed")
        report.finish()
    try:
        return read_text(target)
    except TomlError as error:
        report.add(path, error.need)
        report.finish()
    raise AssertionError("finish raises after add")


def _quoted(text: str) -> str:
    """A TOML basic string: a JSON string, but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _check_size(report: Reporter, path: KeyPath) -> None:
    if len(report.text) > LARGEST_FILE:
        report.add(path, f"study and the files it names together: {TOO_LARGE}")
        report.finish()


def _calibration(
    form: StudyFile, report: Reporter, stack: tuple[StackLayer, ...]
) -> StudyCalibration | None:
    content, table = form.calibration_content, form.calibration
    if content is None or table is None:
        if (content is None) != (table is None):
            need = "calibration.file and calibration_content.text belong together"
            given = "calibration" if content is None else CALIBRATION_CONTENT
            report.add((given,), need, show_value=False)
        return None
    quality = form.cell.quality_factor
    return read_calibration(
        content.text,
        file=table.file,
        stack=stack,
        quality_factor=quality,
        stated=report.data.get("fabrication", {}),
    )


def _read(report: Reporter, file: Path, calibrated: bool) -> Study:
    form = report.validate(StudyFile)
    stack = build_stack(form, report)
    sites = build_sites(form.array, report)
    strategies = build_strategies(form, sites, report)
    objectives = build_objectives(form, report)
    _check_settings(form, report)
    check_excitation(form, strategies, report)
    check_echo(form, strategies, report)
    check_back(form, strategies, report)
    calibration = _calibration(form, report, stack) if calibrated and not report.problems else None
    report.finish()
    scatter: dict[str, Any] = {} if calibration is None else dict(calibration.scatter)
    study = Study(
        path=str(file),
        text=report.text,
        digest=_digest(report.data, calibration),
        title=form.title or file.resolve().parent.name,
        question=form.question,
        seed=form.seed,
        air=form.air,
        stack=stack,
        cell=form.cell,
        chip=form.array,
        drive=form.drive,
        target=form.target,
        objectives=objectives,
        search=form.search,
        model=form.model,
        verify=form.verify,
        strategies=strategies,
        fabrication=replace(form.fabrication, **scatter),
        echo=form.echo,
        calibration=calibration,
        waveform=strategies[0].waveform,
    )
    return study if calibration is None else with_correction(study, calibration.value)


def _check_settings(form: StudyFile, report: Reporter) -> None:
    for key, value, kind, (least, most) in (
        ("temperature", form.air.temperature, "temperature", TEMPERATURE_RANGE),
        ("pressure", form.air.pressure, "pressure", PRESSURE_RANGE),
    ):
        if not least <= value <= most:
            need = f"the air model holds from {format_value(least, kind)}"
            report.add(("air", key), f"{need} to {format_value(most, kind)}")
    low, high = form.target.centre_frequency
    if not low < high:
        report.add(("target", "centre_frequency"), "the lower end must come first and be smaller")
    if form.search.population * form.search.islands > form.search.evaluations:
        if form.search.islands == 1:
            report.add(("search", "population"), "it is more than search.evaluations")
        else:
            need = "search.islands times search.population is more than search.evaluations"
            report.add(("search", "islands"), need)
    if form.search.migrants > form.search.population:
        report.add(("search", "migrants"), "it is more than search.population")
    if (form.search.seeded_designs or 0) > form.search.population:
        report.add(("search", "seeded_designs"), "it is more than search.population")


def _digest(data: dict[str, Any], calibration: StudyCalibration | None) -> str:
    """Digest (SHA-256) of what can change results."""
    untold = ("title", "question", "calibration", CALIBRATION_CONTENT)
    told = {key: value for key, value in data.items() if key not in untold}
    if calibration is not None:
        told["calibration"] = calibration.digest
        if calibration.scatter:
            told["scatter"] = dict(calibration.scatter)
    if "strategy" in told:
        told["strategy"] = {
            name: {key: value for key, value in table.items() if key != "description"}
            for name, table in told["strategy"].items()
        }
    normal = json.dumps(told, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(normal.encode()).hexdigest()
