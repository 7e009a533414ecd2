"""Compiled scalars of a back cavity with necks: what it adds at one frequency (M5.13 to M5.16)."""

from __future__ import annotations

import math

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.physics.numerics.compiled import inner, kernel, spliced

NECK_COUNT, NECK_RADIUS, NECK_LENGTH, NECK_VISCOSITY = 0, 1, 2, 3
"""Places in the ``neck`` of the kernels; 0 necks stand for a back without any."""

NO_NECK = np.zeros(4)

FLANGED_END = 8.0 / (3.0 * np.pi)
"""End correction of a flanged opening over its radius (piston mass, Kinsler et al.)."""

_EXTRA_TERMS = 24
"""Terms of the backward recurrence beyond the argument: 1e-15 of the ratio."""


@inner
def bessel_ratio(b: complex) -> complex:
    """J0(b)/J2(b) off the real axis, by backward recurrence of J_n/J_(n-1) (Miller)."""
    ratio = 0.0j
    first = 0.0j
    for n in range(int(abs(b)) + _EXTRA_TERMS, 0, -1):
        first = ratio
        ratio = 1.0 / (2.0 * n / b - ratio)
    return 1.0 / (ratio * first)


@kernel
def neck_coefficients(
    w: float, neck: Floats, density: float, sound_speed: float
) -> tuple[float, float, float]:
    """Area (m2), mass (kg) and resistance (N s/m) of all necks together at w (rad/s; M5.14)."""
    count, radius = neck[NECK_COUNT], neck[NECK_RADIUS]
    b = radius * math.sqrt(0.5 * w * density / neck[NECK_VISCOSITY]) * (1.0 - 1.0j)
    z = -1j * w * density * bessel_ratio(b)
    area = np.pi * radius * radius
    k = w / sound_speed
    ends = 2.0 * FLANGED_END * radius
    mass = area * (neck[NECK_LENGTH] * z.imag / w + ends * density)
    radiation = density * sound_speed * k * k * area * area / (2.0 * np.pi)
    resistance = area * (neck[NECK_LENGTH] + ends) * z.real + radiation
    return count * area, count * mass, count * resistance


@spliced
def back_pressure(
    w: float, stiffness: float, area: float, mass: float, resistance: float
) -> tuple[float, float]:
    """Pressure per volume that the diaphragm displaces, real and imaginary part (Pa/m3; M5.16).

    ``stiffness`` is that of the closed cavity, gamma P0 / V.
    """
    # K - (K A)^2 / (K A^2 - w^2 m + j w c), without the difference
    re, im = -w * w * mass, w * resistance
    whole = stiffness * area * area + re
    size = whole * whole + im * im
    return stiffness * (re * whole + im * im) / size, stiffness * im * (whole - re) / size
