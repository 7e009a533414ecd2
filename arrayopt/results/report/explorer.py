"""The explorer inside a report: every front member of every strategy, packed small, and its page.

The page's own script (``assets/explorer.js``) draws it; nothing is fetched from anywhere.
"""

from __future__ import annotations

import base64
import json
import shlex
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats
from arrayopt.base.glossary import MERITS, quantity, words
from arrayopt.physics.sound.level import sound_pressure_level
from arrayopt.results.plots.style import mark, unit_of
from arrayopt.results.read import Reading

EVERY = 3
"""One of so many stored frequencies is kept."""
DEPTH = 45.0
"""Packed levels reach so far below a design's largest [dB], in 250 steps of what it needs."""
DIGITS = 5

# What a design consists of, told by one number each: (name on the page, source, how it is formed).
VARIABLES = (
    ("mean radius", "radius", np.mean),
    ("radius spread", "radius", np.ptp),
    ("mean electrode coverage", "electrode_coverage", np.mean),
    ("largest drive amplitude", "drive_amplitude", np.max),
    ("drive phase spread", "drive_phase", np.ptp),
    ("bias", "bias", np.max),
    ("pitch", "pitch", np.max),
)


def explorer_html(reading: Reading) -> str:
    """The explorer's elements with their data.

    Parameters
    ----------
    reading : a run with at least one front.
    """
    data = json.dumps(explorer_data(reading), separators=(",", ":"), ensure_ascii=False)
    # a "<" in a name could end the script element that holds the data
    data = data.replace("<", "\\u003c")
    page = (files("arrayopt.results.report") / "assets" / "explorer.html").read_text(
        encoding="utf-8"
    )
    return f'{page}<script type="application/json" id="x-data">{data}</script>'


def explorer_data(reading: Reading) -> dict[str, Any]:
    """All front members as the page reads them; values in the units people read."""
    fronts = reading.fronts
    columns = _columns(reading)
    curve = _curve(reading)
    strategies = []
    for index, (name, front) in enumerate(fronts.items()):
        look = mark(index)
        strategies.append(
            {
                "name": name,
                "colour": look.colour,
                "shape": look.shape,
                "filled": look.filled,
                "dash": look.dash,
                "count": front.sizes["design"],
                "ids": np.asarray(front["evaluation"]).tolist(),
                "values": [_rounded(column["of"](front)) for column in columns],
                **_levels(front, curve),
                **_array(front),
            }
        )
    study = reading.study
    return {
        "directory": shlex.quote(str(_as_given(reading.path))),
        "curve": {"title": curve.title, "axis": curve.label, "lines": curve.lines},
        "die": [1e3 * side for side in study.chip.die] if study else None,
        "columns": [
            {key: value for key, value in column.items() if key != "of"} for column in columns
        ],
        "strategies": strategies,
    }


class Curve(NamedTuple):
    """What is drawn of a picked design."""

    title: str
    label: str
    """Of the horizontal axis."""
    lines: tuple[str, str]
    names: tuple[str, str]
    """Of the stored curves; the axis they lie along, and the factor to its unit."""
    axis: str
    factor: float


def _curve(reading: Reading) -> Curve:
    """What the study drives its arrays with is drawn: a pulse, bursts, or sweeps."""
    study, fronts = reading.study, list(reading.fronts.values())
    excitation = study.target.excitation if study else "up-sweep"
    if excitation == "waveform" and all("pulse_envelope" in f for f in fronts):
        braked = all("pulse_envelope_unbraked" in f for f in fronts)
        second = ("pulse_envelope_unbraked" if braked else "pulse_envelope_highest",)
        lines = ("median chip", "without its tail" if braked else "loudest chip")
        names = ("pulse_envelope", *second)
        return Curve("Pulse", "time (µs)", lines, names, "pulse_time", 1e6)
    if excitation == "burst" and all("burst_pressure" in f for f in fronts):
        lines = ("largest in a burst", "at its end")
        names = ("burst_pressure", "burst_end_pressure")
        return Curve("Bursts", "carrier (kHz)", lines, names, "frequency", 1e-3)
    lines = ("up-sweep", "down-sweep") if excitation != "down-sweep" else ("down-sweep", "up-sweep")
    names = ("pressure", "opposite_pressure")
    return Curve("Response", "frequency (kHz)", lines, names, "frequency", 1e-3)


def _as_given(path: Path) -> Path:
    return path if path.is_dir() else path.parent


def _columns(reading: Reading) -> list[dict[str, Any]]:
    """Objectives, other merits, then variables that differ anywhere."""
    fronts = list(reading.fronts.values())
    senses = {o.name: o.sense for o in reading.objectives}
    names = [*senses, *(m for m in MERITS if m not in senses)]
    out = []
    for name in names:
        if all(name in f and np.isfinite(f[name]).any() for f in fronts):
            out.append(_column(words(name), name, senses.get(name, ""), _merit(name)))
    for title, source, form in VARIABLES:
        if not all(source in f for f in fronts):
            continue
        of = _variable(source, form)
        every = np.concatenate([of(f) for f in fronts])
        if np.ptp(every) > 1e-9 * max(1e-30, float(np.abs(every).max())):
            column = _column(title, source, "", of)
            column["variable"] = True
            out.append(column)
    return out


def _column(title: str, name: str, sense: str, of: Any) -> dict[str, Any]:
    return {"name": title, "unit": unit_of(name), "sense": sense, "of": of}


def _merit(name: str) -> Any:
    return lambda front: np.asarray(front[name], dtype=np.float64) * quantity(name).factor


def _variable(source: str, form: Any) -> Any:
    def of(front: xr.Dataset) -> Floats:
        values = np.asarray(front[source], dtype=np.float64) * quantity(source).factor
        return values if values.ndim == 1 else np.asarray(form(values, axis=1))

    return of


def _rounded(values: Floats) -> list[float | None]:
    return [float(f"{v:.{DIGITS}g}") if np.isfinite(v) else None for v in values]


def _packed(values: NDArray[Any]) -> str:
    """Little-endian bytes as base64."""
    return base64.b64encode(values.astype(values.dtype.newbyteorder("<")).tobytes()).decode()


def _levels(front: xr.Dataset, curve: Curve) -> dict[str, Any]:
    """Levels of both curves, one byte each: steps below the design's largest level."""
    if any(name not in front for name in curve.names):
        return {"points": 0}
    frequency = np.asarray(front[curve.axis], dtype=np.float64)[:, ::EVERY] * curve.factor
    size = [np.asarray(front[name], dtype=np.float64)[:, ::EVERY] for name in curve.names]
    level = sound_pressure_level(np.stack(size, axis=1))
    top = level.max(axis=(1, 2))
    below = top[:, None, None] - level
    deepest = np.where(np.isfinite(below), below, 0.0).max(axis=(1, 2))
    step = np.clip(deepest, 1.0, DEPTH) / 250.0
    steps = np.round(below / step[:, None, None])
    shaded = curve.factor if curve.axis == "frequency" else np.nan
    return {
        "points": frequency.shape[1],
        "start": _rounded(frequency[:, 0]),
        "stop": _rounded(frequency[:, -1]),
        "top": _rounded(top),
        "step": _rounded(step),
        "low": _rounded(np.asarray(front["band_lower"]) * shaded),
        "high": _rounded(np.asarray(front["band_upper"]) * shaded),
        "levels": _packed(np.clip(np.nan_to_num(steps, nan=250.0), 0, 250).astype(np.uint8)),
    }


def _array(front: xr.Dataset) -> dict[str, Any]:
    """Sites of the first design, each design's scale of them, and four numbers for each group."""
    place = np.asarray(front["position"], dtype=np.float64)
    group = np.asarray(front["group"])[0].astype(int)
    numbers, first = np.unique(group, return_index=True)
    extent = np.abs(place).max(axis=(1, 2))
    scale = np.where(extent > 0.0, extent / max(float(extent[0]), 1e-30), 1.0)
    volts = np.asarray(front["drive_amplitude"], dtype=np.float64)[:, first]
    most = max(float(volts.max()), 1e-12)
    turn = np.asarray(front["drive_phase"], dtype=np.float64)[:, first] / (2.0 * np.pi)
    ring = np.asarray(front["ring"])[:, first].astype(np.int64)
    cover = np.asarray(front["electrode_coverage"], dtype=np.float64)[:, first]
    rows = np.stack(
        [
            np.round(np.asarray(front["radius"], dtype=np.float64)[:, first] * 1e7),
            np.round(10000.0 * cover) + 32768 * ring,
            np.round(65535.0 * volts / most),
            np.round(65536.0 * (turn % 1.0)) % 65536,
        ],
        axis=2,
    )
    return {
        "sites": [[round(1e3 * float(v), 4) for v in site] for site in place[0]],
        "scale": _rounded(scale),
        "group": np.searchsorted(numbers, group).tolist(),
        "groups": len(numbers),
        "most": float(f"{most:.6g}"),
        "cells": _packed(np.clip(rows, 0, 65535).astype(np.uint16)),
    }
