"""Plain text tables of stored designs, for reading in a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.glossary import (
    BAND_SUFFIXES,
    MARGIN_PREFIX,
    MERITS,
    heading,
    quantity,
    shown_number,
    words,
)

if TYPE_CHECKING:
    import xarray as xr


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


def front_table(name: str, front: xr.Dataset, *, rows: int) -> str:
    """The members of one front spread evenly over its first objective, at most ``rows``."""
    objectives = [str(o) for o in np.atleast_1d(front.attrs["objectives"])]
    columns = list(dict.fromkeys([*objectives, *_BRIEF]))
    count = front.sizes.get("design", 0)
    if count == 0:
        return f"{name}: no feasible design was found"
    order = np.argsort(-front[objectives[0]].values, kind="stable")
    chosen = order[np.unique(np.linspace(0, count - 1, min(rows, count)).round().astype(int))]
    table = [["design", *(heading(c) for c in columns)]]
    for k in chosen:
        identifier = f"{name}/{int(front['evaluation'].values[k])}"
        table.append([identifier, *(shown_number(c, float(front[c].values[k])) for c in columns)])
    hypervolume = float(front.attrs["hypervolume"])
    return (
        f"{name}: {count} designs after {int(front.attrs['evaluations'])} evaluations, "
        f"hypervolume {hypervolume:.4f}\n" + text_table(table)
    )


_BRIEF = ("centre_frequency", "ripple", "deflection_ratio", "drive_to_onset")


def merit_table(design: xr.Dataset) -> str:
    """All merits of one design (a dataset without the design axis) with their margins."""
    from arrayopt.merits.uncertainty import banded  # with the model: slow to load

    known = banded(design)
    band = ["95 % band"] if known else []
    rows = [["merit", "value", *band, "margin to its limit", "unit"]]
    for name in MERITS:
        if name not in design:
            continue
        margin = MARGIN_PREFIX + name
        rows.append(
            [
                words(name),
                shown_number(name, float(design[name])),
                *([band_text(design, name) if name in known else ""] if known else []),
                shown_number(margin, float(design[margin])) if margin in design else "",
                quantity(margin).shown,
            ]
        )
    for name in ("clearance_margin", "die_margin"):
        value = shown_number(name, float(design[name]))
        label = words(name.removesuffix("_margin"))
        rows.append([label, "", *["" for _ in band], value, quantity(name).shown])
    lost = float(design["draws_lost"]) if "draws_lost" in design else 0.0
    note = f"\n{lost:.0%} of the calibration's draws give no merits: the bands leave them out"
    return text_table(rows) + (note if lost > 0.0 else "")


def band_text(design: xr.Dataset, name: str, *, prefix: str = "") -> str:
    """The band that a calibration leaves on a merit of one design, in units for people."""
    low, high = (float(design[prefix + name + suffix]) for suffix in BAND_SUFFIXES)
    return f"{shown_number(name, low)} to {shown_number(name, high)}"


def group_rows(design: xr.Dataset) -> list[list[str]]:
    """A head, and one row for each group of like cells of one design."""
    group = np.asarray(design["group"].values).astype(int)
    columns = (
        "radius",
        "electrode_coverage",
        "drive_amplitude",
        "drive_phase",
        "bias",
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
