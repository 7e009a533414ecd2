"""Confirms that the files of an export belong together and that its layout keeps the rules."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import xarray as xr

from arrayopt.chip_layout import ChipLayout, build_chip
from arrayopt.design_file import design_text
from arrayopt.export import MANIFEST, ExportError, digest_of, file_digest, loaded, read_manifest
from arrayopt.process import NANOMETRE, Process
from arrayopt.readback import CheckLibraryError, ReadLayout, wrong_connections
from arrayopt.routing_streets import net_of

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
    found, process, _ = loaded(folder)
    text = (folder / "design.toml").read_text(encoding="utf-8")
    digest = digest_of(found.study.digest, process.digest, text)
    if digest != manifest["digest"]:
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
        chip = build_chip(found.designs, die=found.study.chip.die, process=process)
        broken = layout_faults(folder, chip, process, found.designs.layout.channel_of_cell)
        broken += _labels(folder, process, manifest)
    except CheckLibraryError as error:
        done.append(f"layout not read back: {error}")
    else:
        wrong += broken
        done.append(
            "layout.gds and layout.oas read back: width, space, enclosure, grid and the "
            "connection of every electrode to its pad are right"
        )
    if wrong:
        raise ExportError("\n".join(f"{folder}: {line}" for line in wrong))
    return done


def layout_faults(folder: Path, chip: ChipLayout, process: Process, channel: Any) -> list[str]:
    """What an independent reader finds wrong with the written layouts.

    Parameters
    ----------
    folder : with layout.gds and layout.oas.
    chip : where cells, electrodes and pads should be.
    process : Process
    channel : (cell,) drive channels.
    """
    wrong: list[str] = []
    for name in ("layout.gds", "layout.oas"):
        read = ReadLayout(folder / name, process)
        found = read.findings()
        wrong += [
            f"{name}: rule {f.rule} at ({f.x * 1e6:.3f} um, {f.y * 1e6:.3f} um): "
            f"{f.measured * 1e6:.4g} um, {f.required * 1e6:.4g} um is required"
            for f in found[:_SHOWN]
        ]
        electrodes = electrode_points(chip, channel)
        pads = {p.net: (round(p.x / NANOMETRE), round(p.y / NANOMETRE)) for p in chip.pads}
        wrong += [f"{name}: {line}" for line in wrong_connections(read, electrodes, pads)]
    return wrong


def _labels(folder: Path, process: Process, manifest: dict[str, Any]) -> list[str]:
    wanted = {str(manifest["design"]), f"digest {manifest['digest']}"}
    return [
        f"{name} carries another design or digest than {MANIFEST}"
        for name in ("layout.gds", "layout.oas")
        if not wanted <= set(ReadLayout(folder / name, process).labels())
    ]


def electrode_points(chip: ChipLayout, channel: Any) -> dict[str, tuple[str, int, int, int, int]]:
    """For every cell: net, a point on its top electrode and one on its bottom electrode [nm]."""
    first = {name: cell for cell, name in reversed(list(enumerate(chip.block_of_cell)))}
    nets = {
        i: f"T{k}"
        for k, i in enumerate(
            i for i, place in enumerate(chip.placements) if place.cell < 0 and place.block in first
        )
    }
    points = {}
    for index, place in enumerate(chip.placements):
        if place.block not in first:
            continue
        cell = first[place.block]
        inner, outer = (float(r[cell]) for r in (chip.drawn.top_inner, chip.drawn.top_outer))
        aside = round(0.5 * (inner + outer) / NANOMETRE) if inner > 0.0 else 0
        array = place.cell >= 0
        net = net_of(int(channel[place.cell])) if array else nets[index]
        name = f"cell {place.cell}" if array else f"test cell {net}"
        points[name] = (net, place.x + aside, place.y, place.x, place.y)
    return points


def _files(folder: Path, manifest: dict[str, Any]) -> list[str]:
    listed, there = manifest["files"], {path.name for path in folder.iterdir()}
    wrong = [f"{name} is missing" for name in sorted(set(listed) - there)]
    extra = sorted(there - set(listed) - {MANIFEST})
    wrong += [f"{name} does not belong to this export" for name in extra]
    wrong += [
        f"{name} was changed after the export"
        for name in sorted(set(listed) & there)
        if file_digest(folder / name) != listed[name]["sha256"]
    ]
    return wrong


def _stamps(folder: Path, manifest: dict[str, Any]) -> list[str]:
    """Files that name another design or digest inside."""
    design, digest = str(manifest["design"]), str(manifest["digest"])
    wrong = []
    for name in sorted(manifest["files"]):
        path = folder / name
        if path.suffix in _STAMPED:
            text = path.read_text(encoding="utf-8")
            match = re.search(r"design (\S+) digest ([0-9a-f]{64})", text)
            right = match is not None and (match[1], match[2]) == (design, digest)
        elif path.suffix in (".svg", ".dxf"):
            text = path.read_text(encoding="utf-8")
            right = digest[:32] in text and design in text
        elif path.suffix in (".gds", ".pdf"):  # OASIS is compressed: its labels are read back
            right = digest.encode() in path.read_bytes()
        elif path.suffix == ".nc":
            with xr.open_dataset(path, engine="netcdf4") as curves:
                right = (curves.attrs["design"], curves.attrs["digest"]) == (design, digest)
        else:
            continue
        if not right:
            wrong.append(f"{name} carries another design or digest than {MANIFEST}")
    return wrong
