"""Hands a design to layout engineers: the page that reads as the export's pipeline."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from arrayopt.base.errors import ExportError
from arrayopt.base.files import fill, unwritable
from arrayopt.base.glossary import MARGIN_PREFIX, attrs
from arrayopt.base.status import trouble
from arrayopt.chip.export.files import (
    CELLS,
    DRIVE,
    LAYERS,
    MANIFEST,
    Arrays,
    Stamp,
    csv_text,
    digest_of,
    export_files,
    manifest_content,
)
from arrayopt.chip.export.writer import LayoutWriter, Order, Words
from arrayopt.chip.layout import ChipLayout, build_chip
from arrayopt.chip.process import Process, read_process
from arrayopt.chip.rules import RuleError, check_rules
from arrayopt.design.file import design_text, read_design
from arrayopt.design.stored import FoundDesign, find_design
from arrayopt.study.read import read_study

CARRIER_STEP = 4
"""Bursts are predicted at every fourth frequency of a stored response: each takes long."""


@dataclass(frozen=True)
class Exported:
    """What an export left: folder, stamp, files, metal levels, and design status sentences.

    ``kept`` are files of other origin that the folder also holds.
    """

    folder: Path
    stamp: Stamp
    files: tuple[str, ...]
    levels: int
    notes: tuple[str, ...]
    kept: tuple[str, ...] = ()


def export_design(
    found: FoundDesign,
    folder: str | os.PathLike[str],
    *,
    process: Process | None = None,
    replace: bool = False,
) -> Exported:
    """Write everything a mask shop and a test lab need of one design.

    Parameters
    ----------
    found : from `load_design`.
    folder : new or empty.
    process : None takes the neutral example.
    replace : `folder` may hold an earlier export; its files, if unchanged since, are replaced and
        all others left.

    Returns
    -------
    Exported
        The same design, study and process give the same bytes.

    Raises
    ------
    RuleError, RoutingError : the layout breaks a rule; nothing is written.
    ExportError : the design has no merits, or the folder holds something else.
    ResultsError : the folder cannot be written, or files of the export in it were changed.
    """
    process = process or read_process()
    study, designs = found.study, found.designs
    target = Path(folder)
    files = export_files(target, replace=replace)
    text = design_text(designs, strategy=found.strategy, description=found.identifier)
    stamp = Stamp(found.identifier, digest_of(study.digest, process.digest, text))
    with LayoutWriter(designs.layout.n_groups) as writer:
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
        try:
            with files.staged() as part, writer:
                writer.layouts(Order(chip, part, process, stamp.text))
                one = _predicted(found)
                writer.drawing(_words(chip, one, found, process, stamp))
                for name, content in (
                    ("study.toml", study.text),
                    ("process.toml", process.text),
                    ("design.toml", text),
                ):
                    fill(part / name, content.encode())
                _write_tables(part, chip, one, found, process, stamp)
                writer.finish()
                written = (*(path.name for path in part.iterdir()), MANIFEST)
                files.put(part, manifest_content(found, process, stamp))
        except OSError as error:
            raise unwritable(target, error) from error
    return Exported(
        target,
        stamp,
        tuple(sorted(written)),
        chip.routing.levels,
        tuple(_margins(one)),
        tuple(name for name in files.others() if name not in written),
    )


def _predicted(found: FoundDesign) -> Arrays:
    """The model's figures of a design, without the axis of designs."""
    from arrayopt.merits.evaluate import (
        evaluated,  # slow to load, so only once layouts are being written
    )

    predicted = evaluated(found.designs, found.study, found.strategy)
    one = {name: values[0] for name, values in predicted.items()}
    if one["status"]:
        raise ExportError(f"design {found.identifier}: {' '.join(trouble(one))}")
    return one


def load_design(directory: str | os.PathLike[str], design: str) -> FoundDesign:
    """A design by identifier from a run directory, or from a design file and a study.

    Parameters
    ----------
    directory : run directory or result file; a study's folder or file if ``design`` is a file.
    design : ``strategy/evaluation``, or the path of a design file (.toml).
    """
    if not design.endswith(".toml"):
        from arrayopt.results.read import current_results  # slow to load

        return find_design(current_results(directory), design)
    study = read_study(directory)
    strategy, designs = read_design(design, study)
    return FoundDesign(Path(design).stem, study, strategy, designs)


def _write_tables(
    part: Path,
    chip: ChipLayout,
    one: Arrays,
    found: FoundDesign,
    process: Process,
    stamp: Stamp,
) -> None:
    from arrayopt.chip.export.curves import curve_text, write_curves  # with the model: slow to load
    from arrayopt.chip.export.plan import CHIPS, plan_text, test_plan
    from arrayopt.chip.export.tables import (
        cell_rows,
        drive_notes,
        drive_rows,
        layer_rows,
        slow_sweep,
        waveform_rows,
    )
    from arrayopt.models.chips import Chips

    study = found.study
    notes = drive_notes(one, study)
    drive = drive_rows(chip, one, study)
    carriers = one["frequency"][::CARRIER_STEP]
    model = Chips(found.designs, study.of(found.strategy), CHIPS, use="verify")
    plan = test_plan(model, frequency=one["frequency"], carriers=carriers)
    tests = [text for text, _, _ in chip.coupon.texts]
    for name, content in (
        (CELLS, csv_text(stamp, cell_rows(chip, one, study), [_rounding(process)])),
        (DRIVE, csv_text(stamp, drive, notes)),
        (LAYERS, csv_text(stamp, layer_rows(chip, study, process), [f"process: {process.title}"])),
        ("limits.csv", csv_text(stamp, plan.limits)),
        ("predicted.csv", curve_text(stamp, plan.curves, "frequency")),
        (
            "test-plan.md",
            plan_text(
                plan,
                stamp,
                study=study,
                drive=drive,
                sweep=slow_sweep(one),
                test_cells=tests,
                notes=notes,
            ),
        ),
    ):
        fill(part / name, content.encode())
    write_curves(part / "predicted.nc", plan.curves, stamp)
    if "carrier" in plan.curves:
        text = curve_text(stamp, plan.curves, "carrier")
        fill(part / "predicted-bursts.csv", text.encode())
    if "pulse_time" in plan.curves:
        text = curve_text(stamp, plan.curves, "pulse_time")
        fill(part / "predicted-pulse.csv", text.encode())
        rows = waveform_rows(found.designs, model.study)
        fill(part / "waveform.csv", csv_text(stamp, rows, ["time [s], voltages [V]"]).encode())


def _rounding(process: Process) -> str:
    away = process.grid / np.sqrt(2.0) * 1e9
    return f"x_m and y_m are on the grid, up to {away:.2g} nm from the designed centres"


def _words(
    chip: ChipLayout, one: Arrays, found: FoundDesign, process: Process, stamp: Stamp
) -> Words:
    """The drawing's title block."""
    rows = (
        ("design", stamp.identifier),
        ("digest", stamp.digest[:32]),
        ("", stamp.digest[32:]),
        ("study", found.study.title),
        ("process", process.title),
        ("cells", f"{chip.position.shape[0]}, metal levels {chip.routing.levels}"),
        ("lengths", "mm unless said; as drawn, before making"),
    )
    return Words(f"Chip drawing: {found.study.title}", rows, _class_table(one))


def _class_table(one: Arrays, most: int = 10) -> list[tuple[str, ...]]:
    """Groups of cells with their sizes and predictions, as text."""
    group = one["group"]
    numbers, first, count = np.unique(group, return_index=True, return_counts=True)
    table: list[tuple[str, ...]] = [("channel", "cells", "a (µm)", "c", "f0 (kHz)", "onset (V)")]
    for _, cell, cells in list(zip(numbers, first, count, strict=True))[:most]:
        table.append(
            (
                str(int(one["channel"][cell])),
                str(int(cells)),
                f"{float(one['radius'][cell]) * 1e6:.2f}",
                f"{float(one['electrode_coverage'][cell]):.3f}",
                f"{float(one['cell_frequency'][cell]) / 1e3:.3f}",
                f"{float(one['cell_onset_voltage'][cell]):.3g}",
            )
        )
    if len(numbers) > most:
        table.append((f"and {len(numbers) - most} more", "", "", "", "", ""))
    return table


def _margins(one: Arrays) -> Sequence[str]:
    """Limits of the study that the design does not keep."""
    return [
        f"limit on {name.removeprefix(MARGIN_PREFIX)} is passed by {-float(value):.3g} "
        f"{attrs(name)['units']}"
        for name, value in one.items()
        if name.startswith(MARGIN_PREFIX) and float(value) < 0.0
    ]
