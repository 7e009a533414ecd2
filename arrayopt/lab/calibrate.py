"""Measured sweeps and bursts become a model to trust: the page that reads as the calibration."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.base.errors import ArrayoptError
from arrayopt.base.units import format_value
from arrayopt.lab.fit.burst import BurstCheck, check_burst
from arrayopt.lab.fit.chirp import chirped_share, too_fast
from arrayopt.lab.fit.modal import Gathered, ModalFit, fit_modal, gather
from arrayopt.lab.fit.physical import Condition, PhysicalFit, Surface, fit_physical
from arrayopt.lab.fit.scatter import Making, departures, scatter_of_making
from arrayopt.lab.load import displacements, measured_cells, nominal_cell, radiation_load
from arrayopt.lab.read.files import Reading, Trace
from arrayopt.study.calibration import with_correction
from arrayopt.study.model import Study
from arrayopt.study.supported import CALIBRATED

LEAST_CONTRAST = 1.2
"""Largest over smallest usable reading of a sweep that shows a resonance."""
CHIRPED_FITS = 12
"""Most fits in a row of a cell swept by a chirp; each knows better what that leaves out."""
SETTLED = 3e-5
"""Relative change of the resonance at which they end."""
LEAST_SHARE = 0.05
"""Points of a chirp that show less of the steady response are not raised further."""
FARTHEST = 10.0
"""How far a measured resonance may lie from the study's; fits reach a factor of two or three."""


class CalibrationError(ArrayoptError):
    """The measurements do not determine what is asked of them."""


@dataclass(frozen=True)
class CellFit:
    """One cell at one bias: its sweeps, the points used of them, and the fitted numbers."""

    condition: Condition
    traces: tuple[Trace, ...]
    points: Gathered
    modal: ModalFit


@dataclass(frozen=True)
class Outcome:
    """Everything a calibration found.

    ``cells`` fits per cell and bias; ``physical`` the five corrections; ``bursts`` checks of the
    corrected model; ``readings`` what was read into the files; ``surface`` polynomials through the
    plate model; ``making`` the scatter of making, of cells that were measured one by one.
    """

    cells: tuple[CellFit, ...]
    physical: PhysicalFit
    bursts: tuple[BurstCheck, ...]
    readings: tuple[Reading, ...]
    surface: Surface
    making: Making


def calibrate(
    study: Study,
    traces: Sequence[Trace],
    *,
    readings: Sequence[Reading] = (),
    seed: int = 0,
) -> Outcome:
    """Fit a study's model to measured sweeps and check it against bursts.

    Parameters
    ----------
    study : without a calibration (``read_study(path, calibrated=False)``).
    traces, readings : from `read_measured`.
    seed : of starts and draws; the same data and seed give the same calibration.

    Returns
    -------
    Outcome

    Raises
    ------
    CalibrationError : no sweep, a cell without a radius, or too few usable points.
    """
    if study.cell.back not in CALIBRATED:
        raise CalibrationError("cells with a necked back have two resonances; one is fitted here")
    described = measured_cells(study, traces)
    cells = tuple(fit_cell(study, group, seed=seed) for group in sweeps_by_cell(described))
    if not cells:
        raise CalibrationError(
            "there is no sweep among the files, and no waveform whose drive is stated; bursts only "
            "check a calibration"
        )
    conditions = [cell.condition for cell in cells]
    try:
        surface = Surface(study, conditions)
    except ValueError as refused:
        raise CalibrationError(
            f"{refused}; correct the residual stress of the study's layers to start from"
        ) from None
    fits = [cell.modal for cell in cells]
    fitted = partial(
        fit_physical,
        study,
        conditions,
        fits,
        polarity=_polarity(study, cells),
        surface=surface,
        seed=seed,
    )
    physical = fitted()
    corrected = with_correction(study, physical.value)
    single = [cell for cell in cells if all(trace.cell_count == 1 for trace in cell.traces)]
    making = scatter_of_making(
        corrected,
        [cell.condition for cell in single],
        [cell.modal for cell in single],
        unit=surface.unit,
    )
    if making.spreads:  # weights and intervals follow the scatter that was found
        physical = fitted(
            departures=departures(corrected, conditions, fits, making, unit=surface.unit)
        )
        corrected = with_correction(study, physical.value)
    bursts = tuple(
        check_burst(corrected, trace, gain=physical.gain)
        for trace in described
        if trace.kind == "burst"
    )
    return Outcome(cells, physical, bursts, tuple(readings), surface, making)


def sweeps_by_cell(traces: Sequence[Trace]) -> list[list[Trace]]:
    """Sweeps, and responses from waveforms, of one cell, bias and quantity; linear ones first."""
    groups: dict[tuple[str, str, float, str, float], list[Trace]] = {}
    for trace in traces:
        if trace.kind == "sweep" or (trace.frequency.size and trace.record is not None):
            key = (trace.chip, trace.cell, trace.bias, trace.quantity, float(trace.radius or 0.0))
            groups.setdefault(key, []).append(trace)
    return [sorted(group, key=lambda t: t.drive_amplitude) for group in groups.values()]


def fit_cell(study: Study, traces: Sequence[Trace], *, seed: int = 0) -> CellFit:
    """Resonance, Q, response and cubic term of one cell at one bias."""
    first = traces[0]
    condition = Condition(
        cell=first.cell,
        radius=float(first.radius or math.nan),
        electrode_coverage=float(first.electrode_coverage or math.nan),
        ring=bool(first.ring),
        bias=first.bias,
        gain_uncertainty=max(trace.gain_uncertainty for trace in traces),
        chip=first.chip,
    )
    measured = displacements(study, condition, traces)
    points = gather(traces, measured)
    if not points.use.any():
        raise CalibrationError(f"{first.file}: {first.label}: no usable points")
    gentle = points.use & (points.voltage == points.voltage[points.use].min())
    resonance = float(points.frequency[gentle][np.argmax(points.displacement[gentle])])
    _check_resonance(study, condition, first.file, resonance, points.displacement[gentle])
    chirped = any(trace.chirp is not None for trace in traces)
    try:
        # the load is stated at the resonance that the fit finds, and so is what a chirp leaves out
        for _ in range(CHIRPED_FITS if chirped else 2):
            load = radiation_load(study, condition, points.frequency, resonance=resonance)
            modal = fit_modal(points, load, seed=seed)
            before, resonance, quality = resonance, modal.frequency, modal.quality_factor
            if chirped:
                if abs(resonance / before - 1.0) < SETTLED:
                    break
                points = gather(traces, _as_slow(traces, measured, resonance, quality))
    except ValueError as error:
        raise CalibrationError(f"{first.file}: {first.label}: {error}") from None
    return CellFit(condition, tuple(traces), points, modal)


def _as_slow(
    traces: Sequence[Trace],
    measured: Sequence[Floats],
    resonance: float,
    quality: float,
) -> list[Floats]:
    """Displacements of chirps as slow sweeps would show them of a cell of these figures (C.8)."""
    out = []
    for trace, y in zip(traces, measured, strict=True):
        share = np.ones(y.size)
        if trace.chirp is not None:
            if too_fast(trace.chirp, resonance, quality):
                raise ValueError(
                    f"a chirp of {trace.chirp.duration:g} s is too fast for Q {quality:.3g}; a "
                    "longer one, or the waveform itself (kind = waveform), is needed"
                )
            share = chirped_share(trace.chirp, trace.frequency, resonance, quality)
        out.append(y / np.maximum(share, LEAST_SHARE))
    return out


def _check_resonance(
    study: Study, condition: Condition, file: str, resonance: float, displacement: Floats
) -> None:
    """Is there a resonance, and near where the study's cell can have one?"""
    where = f"{file}: {condition.label}"
    contrast = float(displacement.max() / displacement.min())
    if contrast < LEAST_CONTRAST:
        raise CalibrationError(
            f"{where}: no resonance in the sweep of lowest drive: its largest usable reading is "
            f"{contrast:.3g} times the smallest; at least {LEAST_CONTRAST} is needed. Sweep over "
            "the whole resonance, and check that the sensor was connected"
        )
    expected = float(nominal_cell(study, condition).natural_frequency[0, 0])
    if FARTHEST > (ratio := resonance / expected) > 1.0 / FARTHEST:
        return
    thousand = next((k for k in (1e3, 1e-3, 1e6, 1e-6) if 0.3 < ratio / k < 3.0), None)
    hint = "the frequency column's unit, and the cell's radius"
    if thousand is not None:
        factor, way = max(thousand, 1.0 / thousand), "high" if thousand > 1.0 else "low"
        hint = f"the frequency column's unit: frequencies look {factor:.0f} times too {way}"
    raise CalibrationError(
        f"{where}: resonance at {format_value(float(f'{resonance:.4g}'), 'frequency')}, where the "
        f"study's cell has {format_value(float(f'{expected:.4g}'), 'frequency')}; check {hint}"
    )


def _polarity(study: Study, cells: Sequence[CellFit]) -> int:
    """Sign of the response against the model's, from phases well below resonance; 0 unknown."""
    from arrayopt.lab.load import model_sign

    votes = 0.0
    for cell in cells:
        for trace in cell.traces:
            if trace.phase is None:
                continue
            low = trace.use & (
                trace.frequency < cell.modal.frequency * (1.0 - 1.5 / cell.modal.quality_factor)
            )
            if low.any():
                turn = float(np.mean(np.cos(trace.phase[low])))
                votes += model_sign(study, cell.condition, trace.quantity) * turn
    return 0 if abs(votes) < 0.5 else (1 if votes > 0.0 else -1)
