"""Plain text tables of stored designs, for reading in a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.quantities import BAND_SUFFIXES, MARGIN_PREFIX, MERITS, quantity

if TYPE_CHECKING:
    import xarray as xr

# Stored unit -> (unit for people, factor); levels, voltages and angles in degrees stay as stored.
SHOWN = {
    "Hz": ("kHz", 1e-3),
    "m": ("um", 1e6),
    "m2": ("mm2", 1e6),
    "Pa": ("Pa", 1.0),
    "V/m": ("V/um", 1e-6),
    "W": ("mW", 1e3),
    "s": ("ms", 1e3),
    "rad": ("deg", 180.0 / np.pi),
    "1": ("", 1.0),
}
PERCENT = {
    "fractional_bandwidth",
    "small_signal_bandwidth",
    "two_way_bandwidth",
    "swept_bandwidth",
    "burst_bandwidth",
    "pulse_bandwidth",
}
MILLIMETRES = {"range_resolution", "pitch", "dead_zone"}
MEGAPASCAL = {"film_stress"}


def shown_change(name: str, value: float, base: float) -> str:
    """How far a value lies from another one: of quantities in dB the difference, else in per cent.

    ``-`` where either is unknown, or there is nothing to compare with.
    """
    if quantity(name).units == "dB":
        return f"{value - base:+.2f} dB" if np.isfinite(value - base) else "-"
    ratio = (value - base) / abs(base) if base else np.nan
    return f"{100.0 * ratio:+.1f} %" if np.isfinite(ratio) else "-"


def shown_unit(name: str) -> tuple[str, float]:
    """(unit for people, factor from the stored value) of a quantity."""
    plain = name.removeprefix(MARGIN_PREFIX)
    if plain in PERCENT:
        return "%", 100.0
    if plain in MILLIMETRES:
        return "mm", 1e3
    if plain in MEGAPASCAL:
        return "MPa", 1e-6
    units = quantity(name).units
    return SHOWN.get(units, (units, 1.0))


def shown_value(name: str, value: float) -> str:
    """A value for people without its unit; ``-`` where there is none."""
    if not np.isfinite(value):
        return "-" if np.isnan(value) else ("never" if value > 0 else "-inf")
    return f"{value * shown_unit(name)[1]:.4g}"


def heading(name: str) -> str:
    """A name with its unit in brackets."""
    unit, _ = shown_unit(name)
    label = name.replace("_", " ")
    return f"{label} [{unit}]" if unit else label


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
        table.append([identifier, *(shown_value(c, float(front[c].values[k])) for c in columns)])
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
                name.replace("_", " "),
                shown_value(name, float(design[name])),
                *([band_text(design, name) if name in known else ""] if known else []),
                shown_value(margin, float(design[margin])) if margin in design else "",
                shown_unit(name)[0],
            ]
        )
    for name in ("clearance_margin", "die_margin"):
        value = shown_value(name, float(design[name]))
        label = name.removesuffix("_margin").replace("_", " ")
        rows.append([label, "", *["" for _ in band], value, "um"])
    lost = float(design["draws_lost"]) if "draws_lost" in design else 0.0
    note = f"\n{lost:.0%} of the calibration's draws give no merits: the bands leave them out"
    return text_table(rows) + (note if lost > 0.0 else "")


def band_text(design: xr.Dataset, name: str, *, prefix: str = "") -> str:
    """The band that a calibration leaves on a merit of one design, in units for people."""
    low, high = (float(design[prefix + name + suffix]) for suffix in BAND_SUFFIXES)
    return f"{shown_value(name, low)} to {shown_value(name, high)}"


def group_table(design: xr.Dataset) -> str:
    """One line for each group of like cells of one design."""
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
    for number in np.unique(group):
        k = int(np.argmax(group == number))
        rows.append(
            [
                str(number),
                str(int((group == number).sum())),
                "ring" if bool(design["ring"].values[k]) else "disc",
                *(shown_value(c, float(design[c].values[k])) for c in columns),
            ]
        )
    return text_table(rows)
