"""M11.4: chips of a batch of designs as arrays for the models in time (M12)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from arrayopt.design.chips import Draws
from arrayopt.design.designs import Designs
from arrayopt.models.cells import Cells, build_cells
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.slow_flow import chip_arrays
from arrayopt.study.model import Study

Floats = NDArray[np.float64]

STEPS = {"radius": 0.005, "thickness": 0.01, "coupling": 0.05, "tension": 5.0}
"""Deviations at which the plate model is asked; radius, thickness and coupling relative, tension in
N/m. Between them coefficients are parabolas in each deviation on its own."""

COEFFICIENTS = (
    "mass",
    "damping",
    "stiffness",
    "quadratic",
    "cubic",
    "effective_cubic",
    "force_per_volt",
    "volume",
    "cavity",
)


@dataclass(frozen=True)
class Made:
    """Chips of a batch of designs."""

    arrays: ChipArrays
    quadratic: Floats
    """(design, chip, cell) [N/m2]; with ``cubic`` for `waveform.chip_pulses`."""
    cubic: Floats
    nominal: Cells
    """The designs themselves, (design, group)."""


def made_chips(designs: Designs, study: Study, draws: Draws, *, sides: int | None = None) -> Made:
    """Every cell's coefficients on every chip, through the plate model (M11.4).

    Parameters
    ----------
    designs, study : as for `build_cells`.
    draws : Draws
        (chip, cell), the same chips of every design.
    sides : radiating sides; by default as the back says, 0 leaves mutual radiation out.

    Returns
    -------
    Made
        Cells of designs that the plate model refuses are NaN, and so is what is made of them.
    """
    cells = build_cells(designs, study)
    group = designs.layout.group_of_cell
    found: dict[str, Floats] = {
        name: np.broadcast_to(
            getattr(cells, name)[:, None, group], (len(designs), *draws.radius.shape)
        ).copy()
        for name in COEFFICIENTS
    }
    for name, step in STEPS.items():
        more, less = (
            build_cells(*_deviating(designs, study, name, sign * step)) for sign in (1.0, -1.0)
        )
        share = getattr(draws, name)[None] / step
        for key in COEFFICIENTS:
            here = getattr(cells, key)
            slope = 0.5 * (getattr(more, key) - getattr(less, key))
            bend = 0.5 * (getattr(more, key) + getattr(less, key)) - here
            found[key] += share * (slope[:, None, group] + share * bend[:, None, group])
    found["damping"] /= 1.0 + draws.quality
    drive = designs.drive_amplitude * np.exp(1j * designs.drive_phase)
    air, target = study.air_state, study.target
    if sides is None:
        sides = cells.back.sides
    along = np.array([np.cos(target.azimuth), np.sin(target.azimuth)]) * np.sin(target.polar)
    lag = designs.positions() @ along / air.sound_speed
    arrays = chip_arrays(
        designs.layout.unit_position,
        mass=found["mass"],
        damping=found["damping"],
        stiffness=found["stiffness"],
        cubic=found["effective_cubic"],
        force=found["force_per_volt"] * drive[:, None, group],
        radius=designs.radius[:, None, group] * (1.0 + draws.radius),
        volume=found["volume"],
        nominal=designs.radius[:, group],
        shape=cells.shape[:, group],
        resistance=cells.resistance_series[:, group],
        reactance=cells.reactance_series[:, group],
        density=air.density,
        sound_speed=air.sound_speed,
        scale=designs.pitch,
        sides=sides,
        cavity=found["cavity"] if cells.necked is not None else 0.0,
        neck=cells.back.neck(air),
        lag=lag,
        lead=lag if target.steered else 0.0,
        polar=target.polar,
    )
    return Made(arrays, found["quadratic"], found["cubic"], cells)


def _deviating(designs: Designs, study: Study, name: str, by: float) -> tuple[Designs, Study]:
    """The designs made with one deviation, alike in every cell."""
    if name == "radius":
        return replace(designs, radius=designs.radius * (1.0 + by)), study
    stack = study.stack
    if name == "thickness":
        stack = tuple(replace(layer, thickness=layer.thickness * (1.0 + by)) for layer in stack)
    elif name == "coupling":
        stack = tuple(replace(layer, e31f=layer.e31f * (1.0 + by)) for layer in stack)
    else:
        whole = max((layer for layer in stack if not layer.patterned), key=lambda x: x.thickness)
        stress = whole.residual_stress + by / whole.thickness
        stack = tuple(
            replace(layer, residual_stress=stress) if layer is whole else layer for layer in stack
        )
    return designs, replace(study, stack=stack)
