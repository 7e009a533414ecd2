"""M5.11 to M5.15: back side of a cell: sealed cavity, vented back, cavity with a neck."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from arrayopt.base.arrays import Complex, Floats
from arrayopt.physics.sound.air import AirState

FLANGED_END = 8.0 / (3.0 * np.pi)
"""End correction of a flanged opening over its radius (piston mass, Kinsler et al.)."""

COMPACT_LIMIT = 0.5
"""Largest k V^(1/3), k times neck length or radius for which lumped elements are used."""


class CavityStatus(IntFlag):
    """Where the lumped model of a cavity or neck leaves its range."""

    OK = 0
    NOT_COMPACT = 1
    """A dimension exceeds 1/12 of a wavelength (0.5 rad): standing waves are left out."""
    ISOTHERMAL = 2
    """The thermal layer exceeds a tenth of the cavity's size: stiffness is below adiabatic."""


def cavity_status(
    air: AirState, *, cavity_volume: ArrayLike, frequency: ArrayLike
) -> NDArray[np.int64]:
    """Flags of `CavityStatus` for a cavity [m3] at a frequency [Hz], broadcast."""
    size = np.cbrt(_positive(cavity_volume, "cavity volume", "m3"))
    omega = 2.0 * np.pi * np.asarray(frequency, dtype=np.float64)
    # thermal layer sqrt(2 mu / (rho omega Pr)), Prandtl number 0.71
    thermal = np.sqrt(2.0 * air.viscosity / (air.density * omega * 0.71))
    return np.asarray(
        (omega / air.sound_speed * size > COMPACT_LIMIT) * int(CavityStatus.NOT_COMPACT)
        + (thermal > 0.1 * size) * int(CavityStatus.ISOTHERMAL),
        dtype=np.int64,
    )


@dataclass(frozen=True)
class NeckedCavity:
    """Coefficients of a diaphragm coupled to a Helmholtz resonator, M5.15.

    With centre displacement q and mean neck displacement x (outwards positive when q squeezes):
    ``... + coupling_qq q - coupling_qx x = force``,
    ``mass x'' + resistance x' + coupling_xx x - coupling_qx q = 0``. SI; `mass` and `resistance`
    hold at the frequency given.
    """

    mass: Floats
    resistance: Floats
    coupling_qq: Floats
    coupling_qx: Floats
    coupling_xx: Floats
    status: NDArray[np.int64]


def necked_cavity(
    air: AirState,
    *,
    swept_volume: ArrayLike,
    cavity_volume: ArrayLike,
    neck_radius: ArrayLike,
    neck_length: ArrayLike,
    frequency: ArrayLike,
    outer_end: float = FLANGED_END,
    inner_end: float = FLANGED_END,
) -> NeckedCavity:
    """Two-degree model of a back cavity with a cylindrical neck (M5.13 to M5.15).

    Parameters
    ----------
    air : AirState
        Of the gas.
    swept_volume, cavity_volume, neck_radius, neck_length : array (...)
        S [m2], V [m3], radius and length [m]; broadcast. The length may be zero (an orifice).
    frequency : array (...)
        Frequency at which neck mass and losses are taken [Hz], positive.
    outer_end, inner_end : float
        End corrections over the neck radius.

    Returns
    -------
    NeckedCavity
        Neck mass with end corrections, viscous loss along the neck and its end corrections, and
        the radiation resistance of a small flanged opening ``rho c k^2 A^2 / (2 pi)``.
    """
    volume = _positive(cavity_volume, "cavity volume", "m3")
    radius = _positive(neck_radius, "neck radius", "m")
    f = _positive(frequency, "frequency", "Hz")
    length = np.asarray(neck_length, dtype=np.float64)
    if not np.all((length >= 0.0) & np.isfinite(length)):
        raise ValueError("neck length must be finite and not negative [m].")
    omega = 2.0 * np.pi * f
    k = omega / air.sound_speed
    area = np.pi * radius**2
    stiffness = air.heat_capacity_ratio * air.pressure / volume
    z = neck_impedance_per_length(air, radius=radius, frequency=f)
    # End regions: mass of the ideal fluid; losses as an equal length of neck wall (Ingard 1953)
    ends = (outer_end + inner_end) * radius
    mass = area * (length * z.imag / omega + ends * air.density)
    radiation = air.density * air.sound_speed * k**2 * area**2 / (2.0 * np.pi)
    resistance = area * (length + ends) * z.real + radiation
    s = np.asarray(swept_volume, dtype=np.float64)
    longest = np.maximum(np.maximum(length, radius), np.cbrt(volume))
    status = cavity_status(air, cavity_volume=volume, frequency=f) | np.where(
        k * longest > COMPACT_LIMIT, int(CavityStatus.NOT_COMPACT), 0
    )
    arrays = np.broadcast_arrays(
        mass, resistance, stiffness * s * s, stiffness * s * area, stiffness * area**2, status
    )
    return NeckedCavity(*(np.array(a) for a in arrays))


def neck_impedance_per_length(air: AirState, *, radius: ArrayLike, frequency: ArrayLike) -> Complex:
    """Series impedance of a narrow tube per length, viscosity included (M5.13).

    Parameters
    ----------
    air : AirState
        Of the gas.
    radius, frequency : array (...)
        [m], [Hz], positive; broadcast.

    Returns
    -------
    complex array
        Pressure gradient over mean velocity [Pa s/m2]: ``8 mu / radius^2 + j (4/3) omega rho``
        for a narrow tube, ``j omega rho (1 + (1 - j) layer / radius)`` for a wide one, layer =
        sqrt(2 mu / (rho omega)).
    """
    omega = 2.0 * np.pi * np.asarray(frequency, dtype=np.float64)
    argument = np.sqrt(-1j * omega * air.density / air.viscosity) * np.asarray(radius)
    # exponentially scaled Bessel functions: the common factor exp(|Im|) cancels, wide necks too
    scaled: Any = special.jve(2, argument) / special.jve(0, argument)
    # 1 - 2 J1(x)/(x J0(x)) = -J2(x)/J0(x), without the cancellation at small x
    return np.asarray(-1j * omega * air.density / scaled)


def _positive(value: ArrayLike, name: str, unit: str) -> Floats:
    array = np.asarray(value, dtype=np.float64)
    if not np.all((array > 0.0) & np.isfinite(array)):
        raise ValueError(f"{name} must be finite and positive [{unit}].")
    return array
