"""Hands a design to layout engineers: the page that reads as the export's pipeline."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from arrayopt.chip_layout import ChipLayout, build_chip
from arrayopt.design_file import design_text, read_design
from arrayopt.errors import ArrayoptError
from arrayopt.evaluate import evaluate
from arrayopt.export_plan import plan_text, test_plan
from arrayopt.export_tables import (
    CELLS,
    DRIVE,
    LAYERS,
    Stamp,
    cell_rows,
    csv_text,
    drive_notes,
    drive_rows,
    layer_rows,
    slow_sweep,
)
from arrayopt.gds import write_layouts
from arrayopt.identify import FoundDesign, find_design
from arrayopt.process import Process, read_process
from arrayopt.results import current_results
from arrayopt.rules import RuleError, check_rules
from arrayopt.study import read_study

MANIFEST = "manifest.json"
FORMAT = 1

CARRIER_STEP = 4
"""Bursts are predicted at every fourth frequency of a stored response: each takes long."""


class ExportError(ArrayoptError):
    """An export cannot be made or its files do not belong together."""


@dataclass(frozen=True)
class Exported:
    """What an export left: folder, stamp, files, metal levels, and design status sentences."""

    folder: Path
    stamp: Stamp
    files: tuple[str, ...]
    levels: int
    notes: tuple[str, ...]


def export_design(
    found: FoundDesign, folder: str | os.PathLike[str], *, process: Process | None = None
) -> Exported:
    """Write everything a mask shop and a test lab need of one design.

    Parameters
    ----------
    found : from `load_design`.
    folder : new, or an earlier export, which is replaced as a whole.
    process : None takes the neutral example.

    Returns
    -------
    Exported
        The same design, study and process give the same bytes.

    Raises
    ------
    RuleError, RoutingError : the layout breaks a rule; nothing is written.
    ExportError : the design has no merits, or the folder holds something else.
    """
    process = process or read_process()
    study, designs = found.study, found.designs
    target = Path(folder)
    _check_target(target)
    text = design_text(designs, strategy=found.strategy, description=found.identifier)
    stamp = Stamp(found.identifier, digest_of(study.digest, process.digest, text))
    chip = build_chip(
        designs,
        die=study.chip.die,
        process=process,
        texts=(stamp.identifier, f"digest {stamp.digest}"),
    )
    radius = designs.at_cells("radius")[0].astype(np.float64)
    broken = check_rules(chip, radius=radius, chip_limits=study.chip, process=process)
    if broken:
        raise RuleError(broken)
    predicted = evaluate(designs, study, found.strategy)
    status = int(predicted["status"].values[0])
    if status:
        raise ExportError(f"design {found.identifier} has no merits (status {status})")
    target.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent))
    try:
        part.chmod(0o755)
        (part / "study.toml").write_text(study.text, encoding="utf-8")
        (part / "process.toml").write_text(process.text, encoding="utf-8")
        (part / "design.toml").write_text(text, encoding="utf-8")
        write_layouts(chip, part, name="layout", process=process, note=stamp.text)
        _write_tables(part, chip, predicted, found, process, stamp)
        _write_drawing(part, chip, predicted, found, process, stamp)
        _write_manifest(part, found, process, stamp)
        _put(part, target)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    files = tuple(sorted(path.name for path in target.iterdir()))
    return Exported(target, stamp, files, chip.routing.levels, tuple(_margins(predicted)))


def load_design(directory: str | os.PathLike[str], design: str) -> FoundDesign:
    """A design by identifier from a run directory, or from a design file and a study.

    Parameters
    ----------
    directory : run directory or result file; a study's folder or file if ``design`` is a file.
    design : ``strategy/evaluation``, or the path of a design file (.toml).
    """
    if not design.endswith(".toml"):
        return find_design(current_results(directory), design)
    study = read_study(directory)
    strategy, designs = read_design(design, study)
    return FoundDesign(Path(design).stem, study, strategy, designs)


def digest_of(study: str, process: str, design: str) -> str:
    """Digest (SHA-256) of an export from the digests of study and process and the design's text."""
    return hashlib.sha256("\n".join((study, process, design)).encode()).hexdigest()


def _check_target(target: Path) -> None:
    occupied = target.exists() and (not target.is_dir() or any(target.iterdir()))
    if occupied and not (target / MANIFEST).is_file():
        raise ExportError(f"{target} exists and is not an export; name another folder")


def _put(part: Path, target: Path) -> None:
    """Give the complete folder its name; an earlier export goes as a whole."""
    if target.exists():
        old = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".old", dir=target.parent))
        target.rename(old / "export")
        part.rename(target)
        shutil.rmtree(old, ignore_errors=True)
    else:
        part.rename(target)


def _write_tables(
    part: Path,
    chip: ChipLayout,
    predicted: xr.Dataset,
    found: FoundDesign,
    process: Process,
    stamp: Stamp,
) -> None:
    study = found.study
    notes = drive_notes(predicted, study)
    drive = drive_rows(chip, predicted, study)
    carriers = predicted["frequency"].values[0, ::CARRIER_STEP]
    plan = test_plan(found.designs, study, process.tolerances, stamp, carriers=carriers)
    tests = [text for text, _, _ in chip.coupon.texts]
    for name, content in (
        (CELLS, csv_text(stamp, cell_rows(chip, predicted, study), [_rounding(process)])),
        (DRIVE, csv_text(stamp, drive, notes)),
        (LAYERS, csv_text(stamp, layer_rows(chip, study, process), [f"process: {process.title}"])),
        ("limits.csv", csv_text(stamp, plan.limits)),
        ("predicted.csv", _curve_text(stamp, plan.curves, "frequency")),
        (
            "test-plan.md",
            plan_text(
                plan,
                stamp,
                study=study,
                tolerances=process.tolerances,
                drive=drive,
                sweep=slow_sweep(predicted),
                test_cells=tests,
                notes=notes,
            ),
        ),
    ):
        (part / name).write_text(content, encoding="utf-8")
    # the classic format holds no times of writing, so the bytes repeat
    plan.curves.to_netcdf(part / "predicted.nc", engine="scipy", format="NETCDF3_64BIT")
    if "carrier" in plan.curves:
        text = _curve_text(stamp, plan.curves, "carrier")
        (part / "predicted-bursts.csv").write_text(text, encoding="utf-8")


def _curve_text(stamp: Stamp, curves: xr.Dataset, along: str) -> str:
    names = [along, *(str(name) for name, v in curves.data_vars.items() if v.dims == (along,))]
    rows = [
        dict(zip(names, (float(v) for v in row), strict=True))
        for row in np.stack([curves[name].values for name in names], axis=1)
    ]
    return csv_text(stamp, rows, [f"pressures [Pa], {along} [Hz]"])


def _rounding(process: Process) -> str:
    away = process.grid / np.sqrt(2.0) * 1e9
    return f"x_m and y_m are on the grid, up to {away:.2g} nm from the designed centres"


def _write_drawing(
    part: Path,
    chip: ChipLayout,
    predicted: xr.Dataset,
    found: FoundDesign,
    process: Process,
    stamp: Stamp,
) -> None:
    from arrayopt.plot_drawing import TitleBlock, draw_chip, drawing_files  # slow to load

    one = predicted.isel(design=0)
    rows = (
        ("design", stamp.identifier),
        ("digest", stamp.digest[:32]),
        ("", stamp.digest[32:]),
        ("study", found.study.title),
        ("process", process.title),
        ("cells", f"{chip.position.shape[0]}, metal levels {chip.routing.levels}"),
        ("lengths", "mm unless said; as drawn, before making"),
    )
    block = TitleBlock(f"Chip drawing: {found.study.title}", rows, _class_table(one))
    figure = draw_chip(chip, process=process, block=block)
    pdf, svg = drawing_files(figure, subject=stamp.text)
    (part / "drawing.pdf").write_bytes(pdf)
    (part / "drawing.svg").write_text(svg, encoding="utf-8")


def _class_table(one: xr.Dataset, most: int = 10) -> list[tuple[str, ...]]:
    """Groups of cells with their sizes and predictions, as text."""
    group = one["group"].values
    numbers, first, count = np.unique(group, return_index=True, return_counts=True)
    table: list[tuple[str, ...]] = [("channel", "cells", "a (µm)", "c", "f0 (kHz)", "onset (V)")]
    for _, cell, cells in list(zip(numbers, first, count, strict=True))[:most]:
        table.append(
            (
                str(int(one["channel"].values[cell])),
                str(int(cells)),
                f"{float(one['radius'].values[cell]) * 1e6:.2f}",
                f"{float(one['electrode_coverage'].values[cell]):.3f}",
                f"{float(one['cell_frequency'].values[cell]) / 1e3:.3f}",
                f"{float(one['cell_onset_voltage'].values[cell]):.3g}",
            )
        )
    if len(numbers) > most:
        table.append((f"and {len(numbers) - most} more", "", "", "", "", ""))
    return table


def _write_manifest(part: Path, found: FoundDesign, process: Process, stamp: Stamp) -> None:
    files = {
        path.name: {"bytes": path.stat().st_size, "sha256": file_digest(path)}
        for path in sorted(part.iterdir())
    }
    content: dict[str, Any] = {
        "format": FORMAT,
        "design": stamp.identifier,
        "strategy": found.strategy.name,
        "digest": stamp.digest,
        "study_digest": found.study.digest,
        "process_digest": process.digest,
        "files": files,
    }
    text = json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False)
    (part / MANIFEST).write_text(text + "\n", encoding="utf-8")


def file_digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _margins(predicted: xr.Dataset) -> Sequence[str]:
    """Limits of the study that the design does not keep."""
    return [
        f"limit on {str(name).removeprefix('margin_')} is passed by {-float(value.values[0]):.3g} "
        f"{value.attrs.get('units', '')}"
        for name, value in predicted.data_vars.items()
        if str(name).startswith("margin_") and float(value.values[0]) < 0.0
    ]


def loaded(folder: Path) -> tuple[FoundDesign, Process, dict[str, Any]]:
    """Design, process and manifest of an export, from its own files."""
    manifest = read_manifest(folder)
    study = read_study(folder / "study.toml")
    strategy, designs = read_design(folder / "design.toml", study)
    found = FoundDesign(str(manifest["design"]), study, strategy, designs)
    return found, read_process(folder / "process.toml"), manifest


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of an export.

    Raises
    ------
    ExportError : there is none, or it is of a newer format.
    """
    try:
        content: dict[str, Any] = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        newer = int(content["format"]) > FORMAT
        content["files"], content["design"], content["digest"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ExportError(f"{folder} is not an export: {MANIFEST} cannot be read") from error
    if newer:
        raise ExportError(f"{folder} has export format {content['format']}; update arrayopt")
    return content
