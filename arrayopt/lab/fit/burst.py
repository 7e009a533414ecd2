"""Bursts check a calibration: measured level against carrier beside the corrected model's (M8)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.lab.fit.physical import Condition
from arrayopt.lab.load import displacements, nominal_cell
from arrayopt.lab.read.files import Trace
from arrayopt.physics.intime.slow_flow import chip_arrays
from arrayopt.physics.intime.waveform import Drive, chip_pulses
from arrayopt.study.model import Study

LEVEL_TOLERANCE = 1.0
"""Typical difference [dB] up to which a burst response supports the calibration."""
WORTH = 0.1
"""Carriers below this share of the largest level are not compared: they ride on transients."""


@dataclass(frozen=True)
class BurstCheck:
    """One burst response: carriers (point,) [Hz], displacement amplitudes (point,) [m].

    ``offset`` median level difference and ``scatter`` its typical deviation [dB]; ``good`` within
    tolerance.
    """

    trace: Trace
    measured: Floats
    model: Floats
    offset: float
    scatter: float
    good: bool


def check_burst(corrected: Study, trace: Trace, *, gain: float) -> BurstCheck:
    """Compare one measured burst response with the model's largest amplitude at any time.

    Parameters
    ----------
    corrected : study with the correction to check.
    trace : a burst with ``burst_cycles``.
    gain : of the instrument, as the calibration found it.
    """
    condition = Condition(
        trace.cell,
        float(trace.radius or np.nan),
        float(trace.electrode_coverage or np.nan),
        bool(trace.ring),
        trace.bias,
        trace.gain_uncertainty,
        trace.chip,
    )
    cell = nominal_cell(corrected, condition)
    measured = displacements(corrected, condition, [trace])[0] / gain
    w0 = 2.0 * np.pi * float(cell.natural_frequency[0, 0])
    stiffness = float(cell.stiffness[0, 0])
    mass = stiffness / w0**2
    count = (trace.frequency.size, 1, 1)
    still = np.zeros((*count[:2], 1))
    alone = chip_arrays(
        np.zeros((1, 2)),
        mass=np.full(count, mass),
        damping=mass * w0 / float(cell.quality_factor[0, 0]),
        stiffness=stiffness,
        cubic=0.0,
        force=trace.drive_amplitude * float(cell.force_per_volt[0, 0]),
        radius=condition.radius,
        volume=1.0,
        nominal=np.full(count[:2], condition.radius),
        shape=np.ones((1, 1, 1)),
        resistance=still,  # the air is in mass and damping
        reactance=still,
        density=corrected.air_state.density,
        sound_speed=corrected.air_state.sound_speed,
        scale=np.ones(count[0]),
        sides=0,
    )
    cycles = float(trace.burst_cycles or 1.0)
    found = chip_pulses(
        alone,
        quadratic=float(cell.quadratic[0, 0]),
        cubic=float(cell.cubic[0, 0]),
        drives=[Drive(carrier=float(f), duration=cycles / float(f)) for f in trace.frequency],
        ring=2.0 / float(trace.frequency.min()),
        tolerance=1e-4,
    )
    model = found.deflection[:, 0, 0]
    compared = trace.use & (measured > WORTH * measured.max()) & np.isfinite(model)
    ratio = 20.0 * np.log10(measured[compared] / model[compared])
    offset = float(np.median(ratio)) if ratio.size else np.nan
    scatter = float(1.4826 * np.median(np.abs(ratio - offset))) if ratio.size else np.nan
    good = abs(offset) < LEVEL_TOLERANCE and scatter < LEVEL_TOLERANCE
    return BurstCheck(trace, measured, model, offset, scatter, bool(good))
