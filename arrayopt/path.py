"""What the way through the air to the target leaves of a volume displacement (M4.6, M9.1)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from arrayopt.physics.air import absorption_scalar
from arrayopt.physics.compiled import inner, kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from arrayopt.response import Packed


@inner
def path_absorption(packed: Packed, w: float) -> float:
    """Absorption of the air at w (Np/m; M4.6)."""
    a = packed.absorption
    return absorption_scalar(w / (2.0 * np.pi), a[0], a[1], a[2], a[3], a[4])


@inner
def path_factor(packed: Packed, w: float) -> float:
    """Pressure amplitude per volume amplitude (Pa/m3) over the path, phase left out (M9.1)."""
    spread = packed.density * w * w / (2.0 * np.pi * packed.distance)
    return spread * np.exp(-path_absorption(packed, w) * packed.distance)


@kernel
def path_factors(packed: Packed, w: NDArray[np.float64]) -> NDArray[np.float64]:
    """`path_factor` of every frequency (any shape, rad/s)."""
    out = np.empty(w.size)
    for i, x in enumerate(w.flat):
        out[i] = path_factor(packed, x)
    return out.reshape(w.shape)
