"""M5.15 with the neck eliminated, at one frequency."""

from __future__ import annotations

import math

from arrayopt.physics.back.cavity import NeckedCavity


def necked_impedance(cavity: NeckedCavity, frequency: float) -> complex:
    """Mechanical impedance that the cavity adds to the diaphragm (N s/m), exp(+j omega t)."""
    w = 2.0 * math.pi * frequency
    neck = cavity.coupling_xx - w**2 * cavity.mass + 1j * w * cavity.resistance
    return complex((cavity.coupling_qq - cavity.coupling_qx**2 / neck) / (1j * w))
