"""A made chip against its prediction: shifts, their likely causes, and the test plan's limits."""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from arrayopt.base.arrays import Floats
from arrayopt.base.errors import ArrayoptError
from arrayopt.base.files import read_text
from arrayopt.base.glossary import heading, shown_change, shown_number
from arrayopt.base.status import trouble
from arrayopt.lab.asmade import MADE_OF, chirped
from arrayopt.lab.calibrate import CellFit, fit_cell, sweeps_by_cell
from arrayopt.lab.load import measured_cells, radiation_load
from arrayopt.lab.pulses import CURVES, allowed, pulse_figures, too_coarse
from arrayopt.lab.read.files import Trace
from arrayopt.models.cells import ONSET_STEPS
from arrayopt.physics.intime.pulse import contiguous_band
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.steady.steady import onset_force, onset_frequency
from arrayopt.results.tables import text_table
from arrayopt.study.model import Study
from arrayopt.study.supported import CALIBRATED

ARRAY = "array"
"""Name of the cell under which sweeps of a whole array are filed."""
NEEDED = (
    "radius",
    "group",
    "drive_amplitude",
    "cell_frequency",
    "cell_quality_factor",
    "cell_onset_voltage",
    "frequency",
    "pressure",
    "opposite_pressure",
    "small_signal_pressure",
    "status",
)
"""What a prediction must hold."""
SAME_DRIVE = 0.02
SMALL_DRIVE = 0.06
"""Up to this share of the design's drive an array sweep is compared with the linear response."""
ALLOWED = {
    "cell_frequency": 0.05,
    "cell_quality_factor": 0.30,
    "cell_onset_voltage": 0.40,
    "fractional_bandwidth": 0.25,
    "peak_pressure": 0.30,
}
"""Allowed relative deviation where no test plan is given: common practice, no source."""


@dataclass(frozen=True)
class Row:
    """One quantity: predicted, measured, allowed range, both as stored (SI)."""

    where: str
    quantity: str
    predicted: float
    measured: float
    pass_from: float
    pass_to: float

    @property
    def shift(self) -> float:
        """Measured over predicted less one."""
        return self.measured / self.predicted - 1.0

    @property
    def passed(self) -> bool:
        """Inside the limits; a missing number does not pass."""
        return bool(self.pass_from <= self.measured <= self.pass_to)


@dataclass(frozen=True)
class Verdict:
    """Rows, what the shifts together most likely come from, and sweeps that were not compared."""

    rows: tuple[Row, ...]
    causes: tuple[str, ...]
    left: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        """Every row is inside its limits."""
        return bool(self.rows) and all(row.passed for row in self.rows)


def read_limits(
    path: str | os.PathLike[str] | None,
) -> Mapping[tuple[str, str], tuple[float, float]]:
    """Limits of a test plan (limits.csv as exported): (where, quantity) -> (from, to).

    Raises
    ------
    ArrayoptError : unreadable, or a row without numbers, with its line.
    """
    if path is None:
        return {}
    try:
        lines = read_text(path).splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ArrayoptError(f"{path} cannot be read: {error}") from None
    kept = [(n, line) for n, line in enumerate(lines, 1) if line and not line.startswith("#")]
    reader = csv.DictReader([line for _, line in kept])
    needed = {"where", "quantity", "pass_from", "pass_to"}
    if not needed <= set(reader.fieldnames or ()):
        raise ArrayoptError(f"{path} is no list of limits; columns {', '.join(sorted(needed))}")
    out = {}
    for (number, _), row in zip(kept[1:], reader, strict=False):
        try:
            ends = float(row["pass_from"]), float(row["pass_to"])
        except (TypeError, ValueError):
            raise ArrayoptError(f"{path}:{number}: pass_from and pass_to must be numbers") from None
        out[row["where"], row["quantity"]] = ends
    return out


def compare_chip(
    study: Study,
    traces: Sequence[Trace],
    predicted: xr.Dataset,
    *,
    design: int = 0,
    limits: Mapping[tuple[str, str], tuple[float, float]] | None = None,
    seed: int = 0,
) -> Verdict:
    """Measured against predicted.

    Parameters
    ----------
    study : gives air, target and the cells' model for radiation.
    traces : sweeps of single cells (the cell's number in the prediction as its name, else the
        nearest radius is taken) and, under the name "array", pressure of the whole array at the
        design's drive (up and down) or at a twentieth of it (small signal), or a record of it.
    predicted : results of `evaluate` or of a run, one strategy.
    design : which design was made.
    limits : from `read_limits`; `ALLOWED` around the prediction where it has no row.
    seed : of the fits' starts.

    Raises
    ------
    ArrayoptError : no such design, or nothing to compare.
    """
    count = predicted.sizes.get("design", 0)
    if not 0 <= design < count:
        raise ArrayoptError(f"there is no design {design}; there are {count}, numbered from 0")
    one = predicted.isel(design=design)
    missing = [name for name in NEEDED if name not in one]
    if missing:
        raise ArrayoptError(
            f"the prediction holds no {', '.join(missing)}; "
            "take a file that `evaluate` or a finished run wrote"
        )
    if int(one["status"]) != 0:
        raise ArrayoptError(f"design {design} of the prediction: {' '.join(trouble(one))}")
    array = [t for t in traces if t.cell == ARRAY and t.quantity == "pressure"]
    chip = [t for t in array if t.record is None]
    single = measured_cells(study, [t for t in traces if t.cell != ARRAY])
    rows: list[Row] = []
    left: list[str] = []
    if study.cell.back not in CALIBRATED and single:
        left.append("single cells: not compared; with necks they have two resonances")
        single = ()
    for group in sweeps_by_cell(single):
        fit = fit_cell(study, group, seed=seed)
        rows += _cell_rows(study, fit, one, limits or {})
    for trace in chip:
        found = _array_rows(study, trace, one, limits or {})
        rows += found
        if not found:
            why = (
                f"the prediction is for {_drive(one):g} V swept up or down, or for a twentieth of "
                "it or less"
            )
            if trace.chirp is not None:
                why = "the prediction lacks its design, or the model has no chirps of such cells"
            left.append(f"{trace.name}: not compared; {why}")
    for trace in array:
        if trace.record is not None:
            why = _not_judged(trace, one)
            if why:
                left.append(f"{trace.name}: not compared; {why}")
            else:
                rows += _pulse_rows(study, trace, one, limits or {})
    if not rows:
        need = "there is no sweep or pulse to compare with the prediction"
        raise ArrayoptError("\n".join([need, *left]))
    return Verdict(tuple(rows), tuple(likely_causes(rows)), tuple(left))


def measured_onset(study: Study, fit: CellFit) -> float:
    """Onset voltage that the fitted cubic term implies (M7.4); inf without bending.

    As in `build_cells`, the air's load is that at the frequency where bistability begins, some per
    cent from resonance; with the load at resonance the onset would come out about 4 % low at Q 32.
    """
    modal = fit.modal
    low, high = modal.intervals[3].lower, modal.intervals[3].upper
    if low <= 0.0 <= high:
        return math.inf
    ratio = 1.0
    for _ in range(ONSET_STEPS):
        at = np.array([ratio * modal.frequency])
        load = radiation_load(study, fit.condition, at, resonance=modal.frequency)
        mass = float(load.mass_ratio[0])
        loss = 1.0 / modal.quality_factor + load.share * (float(load.resistance_ratio[0]) - 1.0)
        terms = {"c": loss, "k1": 1.0, "g": 4.0 / 3.0 * modal.bending}
        ratio = float(onset_frequency(mass, **terms))
    return float(onset_force(mass, **terms)) / modal.response


def _cell_rows(
    study: Study,
    fit: CellFit,
    one: xr.Dataset,
    limits: Mapping[tuple[str, str], tuple[float, float]],
) -> list[Row]:
    name = fit.condition.cell
    radius = np.asarray(one["radius"].values, dtype=float)
    if name.isdigit() and int(name) < radius.size:
        place = int(name)
    else:
        place = int(np.argmin(np.abs(radius - fit.condition.radius)))
    group = np.asarray(one["group"].values)
    first = int(np.flatnonzero(group == group[place])[0])
    measured = {
        "cell_frequency": fit.modal.frequency,
        "cell_quality_factor": fit.modal.quality_factor,
        "cell_onset_voltage": measured_onset(study, fit),
    }
    where = f"cells like {first}"
    rows = []
    for quantity, value in measured.items():
        if not math.isfinite(value):
            continue
        rows.append(_row(where, quantity, float(one[quantity].values[place]), value, limits))
    return rows


def _array_rows(
    study: Study,
    trace: Trace,
    one: xr.Dataset,
    limits: Mapping[tuple[str, str], tuple[float, float]],
) -> list[Row]:
    target, air = study.target, study.air_state
    at = float(trace.distance or target.distance)
    loss = absorption(air, trace.frequency)
    moved = trace.magnitude * (at / target.distance) * np.exp(-loss * (target.distance - at))
    band = contiguous_band(trace.frequency[trace.use], moved[trace.use], drop=-target.level)
    if trace.chirp is not None:
        where, curve = f"{ARRAY} chirp", _chirped_curve(study, trace, one)
    else:
        where, curve = _predicted_curve(study, trace, one)
    if curve is None:
        return []
    tones, values = curve
    expected = contiguous_band(tones, values, drop=-target.level)
    rows = [
        _row(where, "peak_pressure", float(values.max()), float(moved[trace.use].max()), limits)
    ]
    if int(band.status) == 0 and int(expected.status) == 0:
        widths = float(expected.fractional_bandwidth), float(band.fractional_bandwidth)
        rows.append(_row(where, "fractional_bandwidth", *widths, limits))
    return rows


def _not_judged(trace: Trace, one: xr.Dataset) -> str:
    """Why a pulse is not compared; empty where it is."""
    if any(name not in one for name in CURVES):
        return "the prediction holds no pulse; evaluate the design in a study with [waveform]"
    if trace.record is None or trace.record.drive is not None:
        return "it states a drive; that of an array is the design's waveform"
    if abs(trace.drive_amplitude / _drive(one) - 1.0) > SAME_DRIVE:
        return f"the prediction is for {_drive(one):g} V"
    if too_coarse(one):
        return "the prediction's curve has too few points in a cycle for so long a pulse"
    return ""


def _pulse_rows(
    study: Study,
    trace: Trace,
    one: xr.Dataset,
    limits: Mapping[tuple[str, str], tuple[float, float]],
) -> list[Row]:
    assert trace.record is not None
    distance = float(trace.distance or study.target.distance)
    found = pulse_figures(study, trace.record, distance, one)
    return [
        Row(ARRAY, name, *both, *limits.get((ARRAY, name), allowed(name, both[0])))
        for name, both in found.items()
    ]


def _drive(one: xr.Dataset) -> float:
    """Drive amplitude of a design's most strongly driven cell [V]."""
    return float(np.max(one["drive_amplitude"].values))


def _chirped_curve(study: Study, trace: Trace, one: xr.Dataset) -> tuple[Floats, Floats] | None:
    """Frequencies that were measured [Hz], and the pressure there while the chirp lasts [Pa]."""
    assert trace.chirp is not None
    if study.cell.back not in CALIBRATED or any(name not in one for name in MADE_OF):
        return None
    tones, size = chirped(study, one, trace.chirp, trace.drive_amplitude / _drive(one))
    if not np.isfinite(size).all():
        return None
    return trace.frequency, np.interp(trace.frequency, tones, size)


def _predicted_curve(
    study: Study, trace: Trace, one: xr.Dataset
) -> tuple[str, tuple[Floats, Floats] | None]:
    """Where limits list the stored response that was measured, and it: [Hz], [Pa]."""
    share = trace.drive_amplitude / _drive(one)
    if share <= SMALL_DRIVE:
        name, where = "small_signal_pressure", f"{ARRAY} small"
    elif abs(share - 1.0) > SAME_DRIVE or trace.sweep is None:
        return "", None
    elif f"{trace.sweep}-sweep" == study.target.sweep:
        name, where = "pressure", ARRAY
    else:
        name, where = "opposite_pressure", f"{ARRAY} {trace.sweep}"
    scale = share if name == "small_signal_pressure" else 1.0
    tones, values = (np.asarray(one[x].values, dtype=np.float64) for x in ("frequency", name))
    return where, (tones, scale * values)


def _row(
    where: str,
    quantity: str,
    predicted: float,
    measured: float,
    limits: Mapping[tuple[str, str], tuple[float, float]],
) -> Row:
    share = ALLOWED[quantity]
    ends = limits.get((where, quantity), (predicted * (1 - share), predicted * (1 + share)))
    return Row(where, quantity, predicted, measured, *ends)


def likely_causes(rows: Sequence[Row]) -> list[str]:
    """Sentences on what the median shifts most likely come from; several may hold."""
    median = {
        name: float(np.median([row.shift for row in rows if row.quantity == name]))
        for name in {row.quantity for row in rows}
    }
    frequency = median.get("cell_frequency", 0.0)
    onset = median.get("cell_onset_voltage", 0.0)
    quality = median.get("cell_quality_factor", 0.0)
    spread = [row.shift for row in rows if row.quantity == "cell_frequency"]
    out = []
    if abs(frequency) > 0.01:
        way, thick = ("up", "thicker") if frequency > 0 else ("down", "thinner")
        tight = "more tensile" if frequency > 0 else "more compressive"
        out.append(
            f"f0 is {way} by {abs(frequency):.1%}: {thick} layers or {tight} films; a radius "
            "series tells which (calibrate)"
        )
    if len(spread) > 2 and float(np.ptp(spread)) > 0.01:
        out.append(
            f"f0 shifts differ by {np.ptp(spread):.1%} between cells: radius or stress varies "
            "over the die"
        )
    if abs(quality) > 0.1:
        way = "lower: anchor loss, a leak at the edge or a narrow back volume"
        if quality > 0.0:
            way = "higher: intrinsic losses were assumed too large"
        out.append(f"Q is off by {quality:+.0%}, {way}")
    # onset goes with Q^-1.5 and with 1/coupling
    unexplained = (1.0 + onset) * (1.0 + quality) ** 1.5 * (1.0 + frequency) ** -2 - 1.0
    if "cell_onset_voltage" in median and abs(unexplained) > 0.1:
        word = "less" if unexplained > 0.0 else "more"
        out.append(
            f"onset is off by {onset:+.0%}, more than Q and f0 explain: the film couples {word} "
            "than stated, or drive or displacement are read with a gain error"
        )
    if "peak_pressure" in median and abs(median["peak_pressure"]) > 0.2:
        out.append(
            f"peak pressure is off by {median['peak_pressure']:+.0%}: coupling, microphone "
            "calibration, distance or cells out of step"
        )
    return out or ["no shift beyond what cells alike differ by"]


def verdict_table(verdict: Verdict) -> str:
    """The comparison as text for a terminal."""
    rows = [["where", "quantity", "predicted", "measured", "shift", "limits"]]
    for row in verdict.rows:
        ends = (shown_number(row.quantity, end) for end in (row.pass_from, row.pass_to))
        rows.append(
            [
                row.where,
                heading(row.quantity),
                shown_number(row.quantity, row.predicted),
                shown_number(row.quantity, row.measured),
                shown_change(row.quantity, row.measured, row.predicted),
                f"{'pass' if row.passed else 'FAIL'} ({' to '.join(ends)})",
            ]
        )
    lines = [text_table(rows), "", *verdict.left, *(f"likely: {c}" for c in verdict.causes)]
    missed = sum(not row.passed for row in verdict.rows)
    lines.append(f"\n{'PASS' if verdict.passed else f'FAIL: {missed} of {len(verdict.rows)} rows'}")
    return "\n".join(lines)
