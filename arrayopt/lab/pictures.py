"""What the pictures of a calibration show: sweeps beside the fitted curves, and residuals."""

from __future__ import annotations

import numpy as np

from arrayopt.lab.calibrate import CellFit, Outcome
from arrayopt.lab.load import radiation_load
from arrayopt.lab.plot import BurstPicture, SweepCurve, SweepPicture
from arrayopt.physics.steady.steady import steady_amplitude
from arrayopt.study.model import Study

CURVE_POINTS = 600


def sweep_picture(study: Study, cell: CellFit) -> SweepPicture:
    """One cell at one bias: every sweep with its fitted steady states (M7.1)."""
    modal, condition = cell.modal, cell.condition
    curves = []
    for number, trace in enumerate(cell.traces):
        mine = cell.points.trace == number
        f = trace.frequency
        grid = np.linspace(f.min(), f.max(), CURVE_POINTS)
        load = radiation_load(study, condition, grid, resonance=modal.frequency)
        w0 = 2.0 * np.pi * modal.frequency * np.exp(modal.offsets[number])
        loss = 1.0 / modal.quality_factor + load.share * (load.resistance_ratio - 1.0)
        curve = steady_amplitude(
            2.0 * np.pi * grid,
            mass=load.mass_ratio / w0**2,
            damping=loss / w0,
            stiffness=1.0,
            cubic=0.0 if trace.record or trace.chirp else 4.0 / 3.0 * modal.bending,
            force=modal.response * trace.drive_amplitude,
            sweep_up=trace.sweep != "down",
        )
        curves.append(
            SweepCurve(
                label=f"{trace.drive_amplitude:g} V {trace.sweep or trace.kind}",
                frequency=cell.points.frequency[mine],
                amplitude=cell.points.displacement[mine],
                used=cell.points.use[mine],
                residual=modal.residual[mine],
                model_frequency=grid,
                model_amplitude=np.abs(curve.amplitude),
            )
        )
    title = (
        f"{condition.label}, bias {condition.bias:g} V: "
        f"f0 {modal.frequency / 1e3:.3f} kHz, Q {modal.quality_factor:.1f}"
    )
    return SweepPicture(title, tuple(curves))


def pictures(
    study: Study, outcome: Outcome
) -> tuple[tuple[SweepPicture, ...], tuple[BurstPicture, ...]]:
    """All pictures of a calibration: sweeps per cell and bias, and bursts."""
    sweeps = tuple(sweep_picture(study, cell) for cell in outcome.cells)
    bursts = tuple(
        BurstPicture(
            f"{check.trace.name}: {check.offset:+.2f} dB",
            check.trace.frequency,
            check.measured,
            check.model,
        )
        for check in outcome.bursts
    )
    return sweeps, bursts
