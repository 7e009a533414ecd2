"""Sound levels (M4.7)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

REFERENCE_PRESSURE = 20e-6
"""Reference sound pressure in gases [Pa, rms], ISO 1683."""


def sound_pressure_level(pressure_amplitude: ArrayLike) -> NDArray[np.float64]:
    """Sound pressure level of a sinusoid, re 20 uPa rms (M4.7).

    Parameters
    ----------
    pressure_amplitude : array, any shape
        Peak amplitude [Pa]; the magnitude is used, so complex phasors may be given.

    Returns
    -------
    array
        Level [dB]; ``-inf`` where the amplitude is zero.
    """
    rms = np.abs(np.asarray(pressure_amplitude)) / math.sqrt(2.0)
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(rms / REFERENCE_PRESSURE))
