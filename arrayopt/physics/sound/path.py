"""What the way through the air to the target leaves of a volume displacement (M4.6, M9.1)."""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.sound.air import AirState, absorption_scalar


def absorption_constants(air: AirState) -> Floats:
    """Arguments of ``air.absorption_scalar`` after the frequency."""
    return np.array(
        [
            air.absorption_classical,
            air.absorption_oxygen,
            air.absorption_nitrogen,
            air.relaxation_oxygen,
            air.relaxation_nitrogen,
        ]
    )


@inner
def path_absorption(constant: Floats, w: float) -> float:
    """Absorption of the air at w (Np/m; M4.6); ``constant`` from `absorption_constants`."""
    return absorption_scalar(
        w / (2.0 * np.pi), constant[0], constant[1], constant[2], constant[3], constant[4]
    )


@inner
def path_factor(density: float, distance: float, constant: Floats, w: float) -> float:
    """Pressure amplitude per volume amplitude (Pa/m3) over the path, phase left out (M9.1)."""
    spread = density * w * w / (2.0 * np.pi * distance)
    return spread * np.exp(-path_absorption(constant, w) * distance)


@kernel
def path_factors(density: float, distance: float, constant: Floats, w: Floats) -> Floats:
    """`path_factor` of every frequency (any shape, rad/s)."""
    out = np.empty(w.size)
    for i, x in enumerate(w.flat):
        out[i] = path_factor(density, distance, constant, x)
    return out.reshape(w.shape)
