"""Confirms that the files of an export belong together and that its layout keeps the rules."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from arrayopt.base.errors import ExportError
from arrayopt.base.files import read_bytes, read_text
from arrayopt.base.output import digest
from arrayopt.chip.export.files import (
    CELLS,
    MANIFEST,
    digest_of,
    loaded,
    read_csv,
    read_manifest,
)
from arrayopt.chip.process import NANOMETRE, Process
from arrayopt.chip.readback import CheckLibraryError, ReadLayout
from arrayopt.chip.readback_nets import wrong_connections
from arrayopt.chip.streets import net_of
from arrayopt.design.file import design_text

_STAMPED = (".csv", ".md")
_SHOWN = 10


def check_export(folder: Path) -> list[str]:
    """Check an exported folder.

    Parameters
    ----------
    folder : written by `export.export_design`.

    Returns
    -------
    What was checked, a sentence each.

    Raises
    ------
    ExportError : files are missing, changed, foreign or of another design, or the layout read
        back breaks a rule; the text lists everything found.
    """
    manifest = read_manifest(folder)
    wrong = _files(folder, manifest)
    if wrong:
        raise ExportError("\n".join(f"{folder}: {line}" for line in wrong))
    found, process = loaded(folder, manifest)
    text = read_text(folder / "design.toml")
    if digest_of(found.study.digest, process.digest, text) != manifest["digest"]:
        wrong.append("study, process and design give another digest than the manifest's")
    wrong += _stamps(folder, manifest)
    done = [
        f"{folder}: {len(manifest['files'])} files as listed in {MANIFEST}",
        f"all carry design {manifest['design']}, digest {manifest['digest']}",
    ]
    again = design_text(found.designs, strategy=found.strategy, description=found.identifier)
    if again != text:
        wrong.append("design.toml is not what an export writes; it was edited")
    try:
        wrong += layout_faults(folder, process, manifest)
    except CheckLibraryError as error:
        done.append(f"layout not read back: {error}")
    else:
        done.append(
            "layout.gds and layout.oas read back: width, space, enclosure, overlap, grid and the "
            "connection of every electrode to its pad are right"
        )
    if wrong:
        raise ExportError("\n".join(f"{folder}: {line}" for line in wrong))
    return done


def layout_faults(folder: Path, process: Process, manifest: dict[str, Any]) -> list[str]:
    """What an independent reader finds wrong with the written layouts.

    Electrodes are looked for where the cell table says, pads and test cells at their labels.

    Parameters
    ----------
    folder : an export.
    process : its process.
    manifest : its manifest.
    """
    read, other = (ReadLayout(folder / name, process) for name in ("layout.gds", "layout.oas"))
    found = read.findings()
    wrong = [
        f"layout.gds: rule {f.rule} at ({f.x * 1e6:.3f} um, {f.y * 1e6:.3f} um): "
        f"{f.measured * 1e6:.4g} um, {f.required * 1e6:.4g} um is required"
        for f in found[:_SHOWN]
    ]
    if len(found) > _SHOWN:
        wrong.append(f"layout.gds: and {len(found) - _SHOWN} more")
    wrong += [f"layout.oas: {name} differs from layout.gds" for name in read.differences(other)]
    labels = read.labels()
    electrodes, pads = electrode_points(read_csv(folder / CELLS), labels)
    wrong += [f"layout.gds: {line}" for line in wrong_connections(read.nets(), electrodes, pads)]
    wanted = {str(manifest["design"]), f"digest {manifest['digest']}"}
    for name, texts in (("layout.gds", labels), ("layout.oas", other.labels())):
        if not wanted <= set(texts):
            wrong.append(f"{name} carries another design or digest than {MANIFEST}")
    return wrong


def electrode_points(
    cells: list[dict[str, str]], labels: dict[str, tuple[int, int]]
) -> tuple[dict[str, tuple[str, int, int, int, int]], dict[str, tuple[int, int]]]:
    """Where electrodes and pads should be, from the cell table and the layout's labels.

    Returns
    -------
    For every cell its net, a point on its top electrode and one on its bottom electrode [nm]; and
    the centre of every pad.
    """
    points, aside = {}, {}
    for row in cells:
        inner, outer = (
            float(row[f"drawn_electrode_{part}_radius_m"]) for part in ("inner", "outer")
        )
        aside[row["block"]] = round(0.5 * (inner + outer) / NANOMETRE) if inner > 0.0 else 0
        x, y = (round(float(row[key]) / NANOMETRE) for key in ("x_m", "y_m"))
        net = net_of(int(row["channel"]))
        points[f"cell {row['cell']}"] = (net, x + aside[row["block"]], y, x, y)
    pads = {}
    for text, (x, y) in labels.items():
        test = re.fullmatch(r"(T[0-9]+) (CELL[0-9]+)", text)
        if test is not None:
            points[f"test cell {test[1]}"] = (test[1], x + aside[test[2]], y, x, y)
        elif re.fullmatch(r"CH[0-9]+|T[0-9]+|GND|TEST-GND", text):
            pads[text] = (x, y)
    return points, pads


def _files(folder: Path, manifest: dict[str, Any]) -> list[str]:
    listed, there = manifest["files"], {path.name for path in folder.iterdir()}
    wrong = [f"{name} is missing" for name in sorted(set(listed) - there)]
    extra = sorted(there - set(listed) - {MANIFEST})
    wrong += [f"{name} does not belong to this export" for name in extra]
    for name in sorted(set(listed) & there):
        try:
            if digest(folder / name) != listed[name]["sha256"]:
                wrong.append(f"{name} was changed after the export")
        except OSError as error:
            wrong.append(f"{name} cannot be read: {error.strerror}")
    return wrong


def _stamps(folder: Path, manifest: dict[str, Any]) -> list[str]:
    """Files that name another design or digest inside."""
    design, stamped = str(manifest["design"]), str(manifest["digest"])
    wrong = []
    for name in sorted(manifest["files"]):
        path = folder / name
        if path.suffix in _STAMPED:
            text = read_text(path)
            match = re.search(r"design (\S+) digest ([0-9a-f]{64})", text)
            right = match is not None and (match[1], match[2]) == (design, stamped)
        elif path.suffix in (".svg", ".dxf"):
            text = read_text(path)
            right = stamped[:32] in text and design in text
        elif path.suffix in (".gds", ".pdf"):  # OASIS is compressed: its labels are read back
            right = stamped.encode() in read_bytes(path)
        elif path.suffix == ".nc":
            content = read_bytes(path)
            right = all(
                _netcdf_attribute(key, value) in content
                for key, value in (("design", design), ("digest", stamped))
            )
        else:
            continue
        if not right:
            wrong.append(f"{name} carries another design or digest than {MANIFEST}")
    return wrong


def _netcdf_attribute(name: str, value: str) -> bytes:
    """A text attribute as the classic netCDF format writes it (its specification, ``attr``)."""
    text, length = 2, 4  # nc_type of char; bytes to which everything is filled up
    parts = [part.encode() for part in (name, value)]
    padded = [part + b"\0" * (-len(part) % length) for part in parts]
    counts = [len(part).to_bytes(length, "big") for part in parts]
    return counts[0] + padded[0] + text.to_bytes(length, "big") + counts[1] + padded[1]
