"""What a calibration takes from the nominal model: units of displacement and radiation loads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.base.errors import ArrayoptError
from arrayopt.lab.fit.modal import Load
from arrayopt.lab.fit.physical import Condition, one_cell_designs
from arrayopt.lab.read.files import Trace
from arrayopt.models.cells import Cells, build_cells
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.sound.radiation import impedance_from_series
from arrayopt.study.model import Study


class DescriptionError(ArrayoptError):
    """A measured cell is not described, neither by its file nor by the study."""


def measured_cells(study: Study, traces: Sequence[Trace]) -> tuple[Trace, ...]:
    """Traces with the study's fixed radius, coverage and electrode where the file gives none.

    Raises
    ------
    DescriptionError : the study varies what the file leaves out.
    """
    fixed = study.strategies[0].fixed
    out = []
    for trace in traces:
        radius = trace.radius if trace.radius is not None else fixed.get("radius")
        coverage = trace.electrode_coverage
        if coverage is None:
            coverage = float(fixed.get("electrode_coverage", 0.67))
        if radius is None:
            raise DescriptionError(
                f"{trace.file}:{trace.line}: {trace.label} has no radius; state it in the "
                'file, for example "# radius = 450 um"'
            )
        ring = trace.ring if trace.ring is not None else fixed.get("electrode", "disc") == "ring"
        out.append(
            replace(trace, radius=float(radius), electrode_coverage=coverage, ring=bool(ring))
        )
    return tuple(out)


def nominal_cell(study: Study, condition: Condition) -> Cells:
    """The lumped cell of one condition; design and group are of length one.

    Raises
    ------
    DescriptionError : the plate model has no such cell.
    """
    cells = build_cells(one_cell_designs([condition]), study)
    if not np.isfinite(cells.natural_frequency).all():
        raise DescriptionError(
            f"{condition.label} (radius {condition.radius:g} m, bias {condition.bias:g} V) "
            "buckles in the study's model; correct the stack's residual stress to start from"
        )
    return cells


def displacements(study: Study, condition: Condition, traces: Sequence[Trace]) -> list[Floats]:
    """Centre displacement of every trace, (point,) [m]; pressure by the far field of M5."""
    out = []
    for trace in traces:
        if trace.quantity != "pressure":
            out.append(trace.displacement())
            continue
        cell, air = nominal_cell(study, condition), study.air_state
        distance = float(trace.distance or 1.0)
        loss = np.exp(-absorption(air, trace.frequency) * distance)
        w = 2.0 * np.pi * trace.frequency
        per_metre = air.density * w**2 * abs(float(cell.volume[0, 0])) * loss
        out.append(trace.magnitude * 2.0 * np.pi * distance / (per_metre * trace.cell_count))
    return out


def radiation_load(
    study: Study, condition: Condition, frequency: Floats, *, resonance: float
) -> Load:
    """Radiation mass and resistance over frequencies, relative to the measured resonance (M5).

    Parameters
    ----------
    study, condition : the nominal cell, whose mass and mode shape are used.
    frequency : (point,) [Hz].
    resonance : where Q and f0 are stated [Hz].
    """
    cell, air = nominal_cell(study, condition), study.air_state
    w0 = 2.0 * np.pi * resonance
    radius, mass = condition.radius, float(cell.mass[0, 0])
    loading = air.density * air.sound_speed * np.pi * radius**2
    w = np.concatenate([[w0], 2.0 * np.pi * frequency])
    r, x, _ = impedance_from_series(
        w * radius / air.sound_speed, cell.resistance_series[0, 0], cell.reactance_series[0, 0]
    )
    loaded = mass + loading * x / w
    stiffness = float(cell.stiffness[0, 0])
    return Load(
        mass_ratio=loaded[1:] / loaded[0],
        resistance_ratio=r[1:] / r[0],
        share=float(loading * r[0] / (w0 * loaded[0])),
        bending=0.75 * float(cell.effective_cubic[0, 0]) / stiffness,
    )


def model_sign(study: Study, condition: Condition, quantity: str) -> float:
    """Sign of the measured quantity per volt well below resonance in the nominal model.

    Displacement follows the force; velocity is at right angles to it and pressure is delayed by the
    path, so that their phases tell no polarity without a reference: 0.
    """
    if quantity != "displacement":
        return 0.0
    return float(np.sign(nominal_cell(study, condition).force_per_volt[0, 0]))
