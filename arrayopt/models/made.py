"""M11.4: chips of a batch of designs as arrays for the models in time (M12)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.design.chips import Draws
from arrayopt.design.designs import Designs
from arrayopt.models.cells import Cells, build_cells
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.modes import Modal
from arrayopt.physics.intime.slow_flow import chip_arrays
from arrayopt.study.model import Study

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


MODAL = (
    "mass",
    "stiffness",
    "quadratic_tensor",
    "cubic_tensor",
    "force_per_volt",
    "volume",
)
"""The same of `Cells.modes`."""


@dataclass(frozen=True)
class Made:
    """Chips of a batch of designs."""

    arrays: ChipArrays
    quadratic: Floats
    """(design, chip, cell) [N/m2]; with ``cubic`` for `chip_pulses`."""
    cubic: Floats
    modal: Modal | None
    """Where several modes are asked for: in place of both."""
    force_per_volt: Floats
    """(design, chip, cell) [N/V]."""
    modal_per_volt: Floats | None
    """(design, chip, cell, mode) [N/V]: where there is ``modal``."""
    nominal: Cells
    """The designs themselves, (design, group)."""


def made_chips(
    designs: Designs,
    study: Study,
    draws: Draws,
    *,
    sides: int | None = None,
    n_modes: int = 1,
) -> Made:
    """Every cell's coefficients on every chip, through the plate model (M11.4).

    Parameters
    ----------
    designs, study : as for `build_cells`.
    draws : Draws
        (chip, cell), the same chips of every design.
    sides : radiating sides; by default as the back says, 0 leaves mutual radiation out.
    n_modes : above 1, ``modal`` holds as many modes, the driven one first.

    Returns
    -------
    Made
        Cells of designs that the plate model refuses are NaN, and so is what is made of them.
    """
    kept, several = max(n_modes, 2), n_modes > 1
    cells = build_cells(designs, study, n_modes=kept)
    group = designs.layout.group_of_cell
    beside = [
        (
            getattr(draws, name) / step,
            *(
                _coefficients(
                    build_cells(*_deviating(designs, study, name, by), n_modes=kept), several
                )
                for by in (step, -step)
            ),
        )
        for name, step in STEPS.items()
    ]
    found = {}
    for key, here in _coefficients(cells, several).items():
        shape = (len(designs), *draws.radius.shape, *here.shape[2:])
        total = np.broadcast_to(here[:, None, group], shape).copy()
        for share, more, less in beside:
            part = share.reshape(1, *share.shape, *(1,) * (here.ndim - 2))
            slope, bend = 0.5 * (more[key] - less[key]), 0.5 * (more[key] + less[key]) - here
            total += part * (slope[:, None, group] + part * bend[:, None, group])
        found[key] = total
    found["damping"] /= 1.0 + draws.quality
    for key in {"cubic", "effective_cubic", "modes.cubic_tensor"} & set(found):
        found[key] *= 1.0 + draws.cubic.reshape(
            1, *draws.cubic.shape, *(1,) * (found[key].ndim - 3)
        )
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
    modal = modal_per_volt = None
    if n_modes > 1:
        quality = study.cell.quality_factor * (1.0 + draws.quality)[None, ..., None]
        first = study.cell.mode - 1
        order = [first, *(k for k in range(n_modes) if k != first)]
        spring, volume = found["modes.stiffness"], found["modes.volume"]
        closed = found["cavity"] * (cells.necked is None)  # necks come with the frequency
        held = closed[..., None, None] * volume[..., :, None] * volume[..., None, :]
        parts = {
            "mass": found["modes.mass"],
            "damping": np.sqrt(spring * found["modes.mass"]) / quality,
            "stiffness": spring[..., None] * np.eye(kept) + held,
            "quadratic": found["modes.quadratic_tensor"],
            "cubic": found["modes.cubic_tensor"],
            "force": found["modes.force_per_volt"] * drive[:, None, group, None],
        }
        for key, value in parts.items():
            for axis in range(3, value.ndim):
                value = np.take(value, order, axis=axis)
            parts[key] = value
        modal_per_volt = np.take(found["modes.force_per_volt"], order, axis=3)
        modal = Modal(**parts, shape=cells.modes.shape[:, group][:, :, order])
    return Made(
        arrays,
        found["quadratic"],
        found["cubic"],
        modal,
        found["force_per_volt"],
        modal_per_volt,
        cells,
    )


def _coefficients(cells: Cells, several: bool) -> dict[str, Floats]:
    """What deviations change, (design, group, ...); of ``several`` modes, too."""
    found = {name: getattr(cells, name) for name in COEFFICIENTS}
    if not several:
        return found
    return found | {f"modes.{name}": getattr(cells.modes, name) for name in MODAL}


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
