"""A measured pulse beside the predicted one: level, length, and how alike they are (C.7)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline
from scipy.signal import hilbert

from arrayopt.base.arrays import Complex
from arrayopt.lab.read.record import Record
from arrayopt.physics.intime.pulse import compressed, span_above
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.sound.level import sound_pressure_level
from arrayopt.study.model import Study

if TYPE_CHECKING:
    import xarray as xr

CURVES = ("pulse_time", "pulse_pressure", "pulse_frequency")
"""What a prediction must hold."""
LENGTH_DROP = 20.0
"""Level below its peak that bounds a pulse, dB (M13.5)."""
COARSE = 1.0 / 3.0
"""Most cycles of the carrier between two predicted points."""
MOST_GAIN = 10.0
"""Largest factor by which a frequency is raised that the air weakened more than at the target."""
ALLOWED = {"pulse_level": 3.0, "pulse_length": 0.25, "pulse_likeness": 0.8}
"""Deviation in dB, relative deviation, least likeness, where no test plan is given: common
practice, no source."""


def too_coarse(one: xr.Dataset) -> bool:
    """Whether the stored curve shows the pulse's envelope only."""
    time, tone = (np.asarray(one[name].values, dtype=np.float64) for name in CURVES[::2])
    return bool((time[1] - time[0]) * np.median(tone) > COARSE)


def pulse_figures(
    study: Study, record: Record, distance: float, one: xr.Dataset
) -> dict[str, tuple[float, float]]:
    """Predicted and measured: level [dB], length [s], likeness (1 and the measured one).

    Parameters
    ----------
    record : of the sound pressure at ``distance`` on the way to the target [m].
    one : a design's prediction; the measured pulse is moved to its target, each frequency with
        its own absorption.
    """
    time, predicted = (np.asarray(one[name].values, dtype=np.float64) for name in CURVES[:2])
    made = _analytic(CubicSpline(time, predicted)(np.arange(0.0, time[-1], record.step)))
    found = _moved(study, record, distance)
    out = {
        "pulse_level": tuple(float(sound_pressure_level(np.abs(x).max())) for x in (made, found)),
        "pulse_length": tuple(_length(x, record.step) for x in (made, found)),
        "pulse_likeness": (1.0, _likeness(made, found)),
    }
    return {name: (ends[0], ends[1]) for name, ends in out.items()}


def allowed(name: str, predicted: float) -> tuple[float, float]:
    """Between which ends a measured figure is still good."""
    by = ALLOWED[name]
    if name == "pulse_likeness":
        return by, 1.0
    if name == "pulse_level":
        return predicted - by, predicted + by
    return predicted * (1.0 - by), predicted * (1.0 + by)


def _analytic(value: ArrayLike) -> Complex:
    """Analytic signal of a pulse, followed by as much silence so that nothing wraps."""
    given = np.asarray(value, dtype=np.float64)
    return np.asarray(hilbert(np.concatenate([given, np.zeros(given.size)]))[: given.size])


def _moved(study: Study, record: Record, distance: float) -> Complex:
    """The measured pulse as it would be at the target."""
    there, size = study.target.distance, 2 * record.value.size
    tone = np.asarray(np.fft.rfftfreq(size, record.step), dtype=np.float64)
    loss = np.exp(-absorption(study.air_state, tone) * (there - distance))
    # what is lost in noise on the way here is not brought back
    value = np.fft.irfft(np.fft.rfft(record.value, size) * np.minimum(loss, MOST_GAIN), size)
    return _analytic(value[: record.value.size] * (distance / there))


def _length(pulse: Complex, step: float) -> float:
    first, last = span_above(np.abs(pulse)[None], step=step, drop=LENGTH_DROP)
    return float((last - first)[0])


def _likeness(made: Complex, found: Complex) -> float:
    """Largest correlation over all delays and phases; 1 of pulses of one form."""
    n = max(made.size, found.size)
    both = [np.pad(x, (0, n - x.size)) for x in (found, made)]
    score = np.abs(compressed(both[0][None], both[1][None])).max()
    return float(score / np.sqrt(np.prod([(np.abs(x) ** 2).sum() for x in both])))
