"""A comparison as text, as a machine-readable file and as pictures."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from arrayopt.base.files import PROGRAM
from arrayopt.base.glossary import heading, shown, shown_change, shown_number, words
from arrayopt.base.output import FileSet
from arrayopt.results.compare.comparison import BAND, CONFIDENCE, LEVEL, ONSET, YIELD, Comparison
from arrayopt.results.plots.compare import plot_attainment, plot_dominated, plot_hypervolume
from arrayopt.results.plots.pictures import plot_front
from arrayopt.results.plots.style import svg_file
from arrayopt.results.read import verified_merits
from arrayopt.results.tables import text_table

INDEX = "comparison.json"


def verdict(found: Comparison) -> str:
    """One sentence: who leads, by how much, and whether the data tell it from chance."""
    order = found.ranking
    mean = {n: float(found.table["hypervolume_mean"].sel(strategy=n)) for n in order}
    if len(order) == 1:
        return f"{order[0]} is the only strategy; its hypervolume is {mean[order[0]]:.4f}."
    lead, second = order[:2]
    pair = found.table.sel(strategy=lead, other=second)
    gain = mean[lead] - mean[second]
    percent = f" ({100.0 * gain / mean[second]:.0f} % more)" if mean[second] > 0.0 else ""
    text = f"{lead} leads with hypervolume {mean[lead]:.4f} against {mean[second]:.4f} of {second}"
    low, high = float(pair["difference_low"]), float(pair["difference_high"])
    if not math.isfinite(low):
        return f"{text}{percent}; with one search each, chance cannot be excluded."
    chance = (
        "more than chance explains" if low > 0.0 else "which may be chance: the interval holds 0"
    )
    return (
        f"{text}{percent}; the difference is {gain:.4f}, {100 * CONFIDENCE:.0f} % interval "
        f"{low:.4f} to {high:.4f}, {chance} (Welch, p = {float(pair['p_value']):.2g})."
    )


def comparison_text(found: Comparison) -> str:
    """Everything as plain text."""
    parts = [verdict(found), _hypervolumes(found)]
    if found.level is not None:
        parts += [_best(found), _lead(found, found.level)]
    parts.append(_dominated(found))
    parts += [text for text in (_verified(found),) if text]
    if found.notes:
        parts.append("Notes:\n" + "\n".join(f"- {note}" for note in found.notes))
    return "\n\n".join(parts)


def _hypervolumes(found: Comparison) -> str:
    head = ["strategy", "seeds", "hypervolume", "95 % interval", "lowest", "highest", "over chips"]
    rows = [head]
    for name in found.ranking:
        one = found.table.sel(strategy=name)
        values = np.asarray(one["hypervolume"])
        low, high = float(one["hypervolume_low"]), float(one["hypervolume_high"])
        span = f"{low:.4f} to {high:.4f}" if math.isfinite(low) else "one seed"
        rows.append(
            [
                name,
                str(int(np.isfinite(values).sum())),
                f"{float(one['hypervolume_mean']):.4f}",
                span,
                f"{np.nanmin(values):.4f}",
                f"{np.nanmax(values):.4f}",
                _over_chips(one),
            ]
        )
    point = ", ".join(f"{words(o.name)} {shown(o.name, o.reference)}" for o in found.objectives)
    after = f" after {found.evaluations} evaluations" if found.evaluations else ""
    return (
        f"Hypervolume{after}, reference point {point}. Interval, lowest and highest: over seeds; "
        "over chips: 5 to 95 % of what the stored front is worth, made into one chip after the "
        f"other:\n{text_table(rows)}"
    )


def _over_chips(one: Any) -> str:
    low, high = float(one["hypervolume_chips_low"]), float(one["hypervolume_chips_high"])
    return f"{low:.4f} to {high:.4f}" if math.isfinite(low) else "not stored"


def _best(found: Comparison) -> str:
    level, onset, band = found.level, found.onset, found.bandwidth
    if level is None or onset is None or band is None:
        return ""
    head = [
        "strategy",
        f"widest {heading(BAND)} at >= {shown(LEVEL, level)}",
        f"highest {heading(LEVEL)} at >= {shown(BAND, band)}",
    ]
    rows = [head]
    for name in found.ranking:
        one = found.table.sel(strategy=name)
        rows.append(
            [
                name,
                _range(BAND, np.asarray(one["best_bandwidth"])),
                _range(LEVEL, np.asarray(one["best_level"])),
            ]
        )
    made = found.yielding
    enough = "" if made is None else f" and a yield of at least {shown(YIELD, made)}"
    return (
        f"Best of each strategy at an onset voltage of at most {shown(ONSET, onset)}{enough} (mean "
        f"over seeds, lowest to highest):\n{text_table(rows)}"
    )


def _range(name: str, values: Any) -> str:
    good = values[np.isfinite(values)]
    if not len(good):
        return "none"
    lost = f", {len(values) - len(good)} without" if len(good) < len(values) else ""
    if len(good) == 1:
        return f"{shown_number(name, good[0])}{lost}"
    mean, low, high = (shown_number(name, x) for x in (good.mean(), good.min(), good.max()))
    return f"{mean} ({low} to {high}){lost}"


def _lead(found: Comparison, level: float) -> str:
    if not found.lead_changes:
        return f"No strategy reaches {shown(LEVEL, level)}."
    steps = []
    for volts, before, after in found.lead_changes:
        steps.append(
            f"from {shown(ONSET, volts)} {after} has the widest band"
            + (f" (before it {before})" if before else "")
        )
    return f"Lead by onset voltage, at {shown(LEVEL, level)} or more: " + "; ".join(steps) + "."


def _dominated(found: Comparison) -> str:
    names = found.ranking
    rows = [["dominated by", *names]]
    for one in names:
        shares = [float(found.table["dominated"].sel(strategy=one, other=n)) for n in names]
        rows.append([one, *("-" if math.isnan(s) else f"{100 * s:.0f} %" for s in shares)])
    return f"Share of each front (column) dominated by another (row):\n{text_table(rows)}"


def _verified(found: Comparison) -> str:
    rows = [["strategy", "merit", "designs", "mean search", "mean verified", "mean change"]]
    for name in found.ranking:
        for front in found.fronts[name]:
            for merit in verified_merits(front):
                value = np.asarray(front[f"verified_{merit}"], dtype=np.float64)
                good = np.isfinite(value)
                if not good.any():
                    continue
                search = np.asarray(front[merit], dtype=np.float64)[good]
                rows.append(
                    [
                        name,
                        heading(merit),
                        str(int(good.sum())),
                        shown_number(merit, float(search.mean())),
                        shown_number(merit, float(value[good].mean())),
                        shown_change(merit, float(value[good].mean()), float(search.mean())),
                    ]
                )
    return f"Verified designs:\n{text_table(rows)}" if len(rows) > 1 else ""


def comparison_content(found: Comparison) -> dict[str, Any]:
    """The same figures for machines; SI units, None where there is none."""
    names = [str(n) for n in np.asarray(found.table["strategy"])]
    table = found.table

    def listed(name: str, at: dict[str, str]) -> Any:
        return _plain(np.asarray(table[name].sel(at))) if name in table else None

    strategies = {
        name: {
            key: listed(key, {"strategy": name})
            for key in (
                "hypervolume",
                "hypervolume_mean",
                "hypervolume_low",
                "hypervolume_high",
                "hypervolume_chips_low",
                "hypervolume_chips_high",
                "best_bandwidth",
                "best_level",
                "attainment",
            )
        }
        for name in names
    }
    pairs = [
        {
            "strategy": a,
            "other": b,
            **{
                key: listed(key, {"strategy": a, "other": b})
                for key in (
                    "difference",
                    "difference_low",
                    "difference_high",
                    "p_value",
                    "dominated",
                )
            },
        }
        for a in names
        for b in names
        if a != b
    ]
    return {
        "program": PROGRAM,
        "format": 1,
        "evaluations": found.evaluations,
        "confidence": CONFIDENCE,
        "objectives": [
            {"name": o.name, "sense": o.sense, "reference": o.reference, "scale": o.scale}
            for o in found.objectives
        ],
        "requirements": {
            LEVEL: found.level,
            ONSET: found.onset,
            BAND: found.bandwidth,
            YIELD: found.yielding,
        },
        "ranking": found.ranking,
        "verdict": verdict(found),
        "strategies": strategies,
        "pairs": pairs,
        "onset_threshold": _plain(np.asarray(table["onset_threshold"]))
        if "onset_threshold" in table.coords
        else None,
        "lead_changes": [
            {"onset_voltage": v, "before": a or None, "after": b} for v, a, b in found.lead_changes
        ],
        "notes": list(found.notes),
    }


def _plain(values: Any) -> Any:
    if np.ndim(values) == 0:
        return float(values) if math.isfinite(float(values)) else None
    return [_plain(value) for value in values]


def _compared(content: Mapping[str, Any]) -> bool:
    return content["program"] == PROGRAM and "ranking" in content


def comparison_files(folder: str | os.PathLike[str], *, overwrite: bool = False) -> FileSet:
    """Where a comparison is to go, checked before any work.

    Raises
    ------
    ResultsError : it is no folder, or cannot be written.
    """
    return FileSet(Path(folder), INDEX, _compared, overwrite)


def write_comparison(found: Comparison, files: FileSet) -> list[Path]:
    """Write ``comparison.txt``, ``comparison.json`` and the pictures (SVG) into a folder.

    Files of an earlier comparison are replaced, or removed where this one has none such.

    Parameters
    ----------
    found : the comparison.
    files : from `comparison_files`.

    Returns
    -------
    list of pathlib.Path

    Raises
    ------
    ResultsError
        The folder cannot be written, or holds other files of these names; then nothing was.
    """
    content = {
        "comparison.txt": comparison_text(found) + "\n",
        "hypervolume.svg": svg_file(plot_hypervolume(found.table).figure.figure),
        "dominated.svg": svg_file(plot_dominated(found.table).figure.figure),
    }
    if "attainment" in found.table:
        content["attainment.svg"] = svg_file(plot_attainment(found.table).figure.figure)
    firsts = {
        n: rows[0].assign_attrs(objectives=[o.name for o in found.objectives])
        for n, rows in found.fronts.items()
        if rows and rows[0].sizes.get("design", 0)
    }
    if firsts:
        content["fronts.svg"] = svg_file(plot_front(firsts).figure.figure)
    files.write({n: text.encode() for n, text in content.items()}, comparison_content(found))
    return [files.folder / name for name in (*content, INDEX)]
