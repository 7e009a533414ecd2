"""Plain text tables of stored designs, for reading in a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.base.glossary import (
    CHIPS_SUFFIX,
    KEPT_PREFIX,
    MARGIN_PREFIX,
    MERITS,
    NOMINAL_SUFFIX,
    VERIFIED_PREFIX,
    heading,
    quantity,
    shown_number,
    words,
)
from arrayopt.base.shares import spread
from arrayopt.base.status import Status
from arrayopt.study.model import WAVE_VARIABLES

if TYPE_CHECKING:
    import xarray as xr


LIMITED = ("margin to its limit", "chips that keep it")


def text_table(rows: Sequence[Sequence[str]]) -> str:
    """Rows of cells in aligned columns; the first row is the head, the first column flush left."""
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines = []
    for number, row in enumerate(rows):
        cells = [
            cell.ljust(width) if k == 0 else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
        if number == 0:
            lines.append("  ".join("-" * width for width in widths))
    return "\n".join(lines)


def binding_of(front: xr.Dataset) -> list[str]:
    """What an empty front says of the limits that bind."""
    return [str(text) for text in np.atleast_1d(front.attrs.get("binding", []))]


def front_table(name: str, front: xr.Dataset, *, rows: int) -> str:
    """The members of one front spread evenly over its first objective, at most ``rows``."""
    objectives = [str(o) for o in np.atleast_1d(front.attrs["objectives"])]
    columns = list(dict.fromkeys([*objectives, *_BRIEF]))
    count = front.sizes.get("design", 0)
    if count == 0:
        return "\n  ".join([f"{name}: no feasible design was found", *binding_of(front)])
    verified = is_verified(front)

    def values(name: str) -> Floats:
        held = VERIFIED_PREFIX + name
        return np.asarray(front[held if verified and held in front else name], dtype=np.float64)

    order = np.argsort(-values(objectives[0]), kind="stable")
    chosen = order[np.unique(np.linspace(0, count - 1, min(rows, count)).round().astype(int))]
    table = [["design", *(heading(c) for c in columns)]]
    shown = {c: values(c) for c in columns}
    for k in chosen:
        identifier = f"{name}/{int(front['evaluation'].values[k])}"
        table.append([identifier, *(shown_number(c, float(shown[c][k])) for c in columns)])
    volume, told = float(front.attrs["hypervolume"]), "not verified (arrayopt verify)"
    if verified:
        volume = float(front.attrs["verified_hypervolume"])
        told = f"verified on {int(front['verify_chips'].values[0])} other chips each"
    return (
        f"{name}: {count} designs after {int(front.attrs['evaluations'])} evaluations, {told}, "
        f"hypervolume {volume:.4f}\n" + text_table(table)
    )


def is_verified(front: xr.Dataset) -> bool:
    """Whether every member of a front was verified, and the front is one of verified values."""
    return bool(front.attrs.get("verified", 0))


_BRIEF = ("yield", "centre_frequency", "ripple", "deflection_ratio", "drive_to_onset")


def merit_table(design: xr.Dataset) -> str:
    """All merits of one design (a dataset without the design axis) with their margins."""
    reach = "reached"
    rows = [["merit", reach, "lowest chip", "median", "highest", "as drawn", *LIMITED, "unit"]]
    for name in MERITS:
        if name not in design:
            continue
        margin = MARGIN_PREFIX + name
        rows.append(
            [
                words(name),
                shown_number(name, float(design[name])),
                *chip_cells(design, name),
                shown_number(margin, float(design[margin])) if margin in design else "",
                kept_text(design, name),
                quantity(margin).shown,
            ]
        )
    for name in ("clearance_margin", "die_margin"):
        value = shown_number(name, float(design[name]))
        label = words(name.removesuffix("_margin"))
        rows.append([label, *[""] * 5, value, "", quantity(name).shown])
    return "\n".join([text_table(rows), *chip_notes(design)])


def chip_cells(design: xr.Dataset, name: str) -> list[str]:
    """Lowest, median and highest chip and the chip as drawn of a merit, empty where it has none."""
    every = name + CHIPS_SUFFIX
    found = spread(np.asarray(design[every].values)) if every in design else ()
    cells = [shown_number(name, float(x)) for x in found] or [""] * 3
    drawn = name + NOMINAL_SUFFIX
    return [*cells, shown_number(name, float(design[drawn])) if drawn in design else ""]


def kept_text(design: xr.Dataset, name: str) -> str:
    """Share of chips that keep the limits on a merit; empty where there is none."""
    share = KEPT_PREFIX + name
    return f"{shown_number(share, float(design[share]))} %" if share in design else ""


def chip_notes(design: xr.Dataset) -> list[str]:
    """How many chips there are, and what is wrong with some of them, a sentence each."""
    if "chip_status" not in design:
        return []
    status = np.asarray(design["chip_status"].values).astype(np.int64)
    beats = int((status & int(Status.CHIP_BEATS) != 0).sum())
    flags = status & ~int(Status.CHIP_BEATS)
    notes = [f"{status.size} chips made with the study's scatter, every cell apart."]
    if beats:
        notes.append(f"{beats} of {status.size}: {Status.CHIP_BEATS.sentence}.")
    if lost := int((flags != 0).sum()):
        notes.append(f"{lost} of {status.size} have no values, and count as reaching nothing:")
        told = Status.sentences(int(np.bitwise_or.reduce(flags)))
        notes += [f"  {sentence}." for sentence in told]
    return notes


def group_rows(design: xr.Dataset) -> list[list[str]]:
    """A head, and one row for each group of like cells of one design."""
    group = np.asarray(design["group"].values).astype(int)
    columns = (
        "radius",
        "electrode_coverage",
        "drive_amplitude",
        "drive_phase",
        "bias",
        *(name for name in WAVE_VARIABLES if name in design),
        "cell_frequency",
        "cell_quality_factor",
        "cell_onset_voltage",
        "cell_static_deflection",
    )
    rows = [["group", "cells", "electrode", *(heading(c) for c in columns)]]
    numbers, first, counts = np.unique(group, return_index=True, return_counts=True)
    for number, k, count in zip(numbers, first, counts, strict=True):
        rows.append(
            [
                str(number),
                str(count),
                "ring" if bool(design["ring"].values[k]) else "disc",
                *(shown_number(c, float(design[c].values[k])) for c in columns),
            ]
        )
    return rows
