"""M4: speed of sound, density, viscosity and pure-tone absorption of humid air."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntFlag
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.physics.numerics.compiled import kernel
from arrayopt.physics.sound.air_range import PRESSURE_RANGE, TEMPERATURE_RANGE

CARBON_DIOXIDE = 400e-6
"""Mole fraction of carbon dioxide assumed throughout, the default of CIPM-2007."""

_T_REF = 293.15  # ISO 9613-1 reference temperature
_P_REF = 101325.0

# Cramer (1993), Table III: a0..a15 of the speed of sound and of the ratio of specific heats
_CRAMER_SPEED = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8,
    -2.93e-10, -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip
_CRAMER_GAMMA = (
    1.400822, -1.75e-5, -1.73e-7, -0.0873629, -0.0001665, -3.26e-6, 2.047e-8, -1.26e-10,
    5.939e-14, -0.1199717, -0.0008693, 1.979e-6, -0.01104, -3.478e-16, 0.0450616, 1.82e-6,
)  # fmt: skip


class AirStatus(IntFlag):
    """Where an air state leaves the fitted range of one of its equations (still evaluated)."""

    OK = 0
    SPEED_EXTRAPOLATED = 1
    """Outside 0..30 degC, 75..102 kPa or a water mole fraction of 0.06 (Cramer 1993)."""
    DENSITY_EXTRAPOLATED = 2
    """Outside 15..27 degC (CIPM-2007)."""
    ABSORPTION_EXTRAPOLATED = 4
    """Water vapour below the 0.05 % molar concentration of ISO 9613-1's stated accuracy."""


@dataclass(frozen=True)
class AirState:
    """Air at rest, as plain floats in SI units.

    ``alpha(f) = f**2 (absorption_classical + absorption_oxygen / (fO + f**2/fO)
    + absorption_nitrogen / (fN + f**2/fN))`` [Np/m] with ``fO = relaxation_oxygen``,
    ``fN = relaxation_nitrogen`` [Hz] (M4.6).
    """

    temperature: float
    pressure: float
    relative_humidity: float
    sound_speed: float
    density: float
    heat_capacity_ratio: float
    viscosity: float
    absorption_classical: float
    absorption_oxygen: float
    absorption_nitrogen: float
    relaxation_oxygen: float
    relaxation_nitrogen: float
    status: AirStatus


def air_state(
    temperature: float, *, pressure: float = _P_REF, relative_humidity: float
) -> AirState:
    """Properties of humid air at rest (M4.1 to M4.6).

    Parameters
    ----------
    temperature : float
        Air temperature [K], -20 to 50 degC (the range of ISO 9613-1).
    pressure : float
        Static pressure [Pa], 60 to 110 kPa (the range of CIPM-2007).
    relative_humidity : float
        Relative humidity over water [1], 0 to 1.

    Returns
    -------
    AirState
        All fields finite; `status` tells which equation is used beyond its fitted range.

    Raises
    ------
    ValueError
        If an argument is not finite or lies outside the ranges above.

    References
    ----------
    O. Cramer, J. Acoust. Soc. Am. 93, 2510 (1993), eq. 15 and Table III (coefficients from
    memory); A. Picard et al., Metrologia 45, 149 (2008), eq. 1 and appendix A (from memory);
    ISO 9613-1:1993, eq. 3 to 5 and annex B; U.S. Standard Atmosphere (1976), eq. 51.
    """
    _require(temperature, TEMPERATURE_RANGE, "temperature", "K")
    _require(pressure, PRESSURE_RANGE, "pressure", "Pa")
    _require(relative_humidity, (0.0, 1.0), "relative_humidity", "1 (a fraction, not per cent)")
    celsius = temperature - 273.15
    water = _water_mole_fraction(temperature, pressure, relative_humidity)
    classical, oxygen, nitrogen, f_oxygen, f_nitrogen, molar_percent = _absorption_constants(
        temperature, pressure, relative_humidity
    )
    status = AirStatus.OK
    if not (0.0 <= celsius <= 30.0 and 75e3 <= pressure <= 102e3 and water <= 0.06):
        status |= AirStatus.SPEED_EXTRAPOLATED
    if not 15.0 <= celsius <= 27.0:
        status |= AirStatus.DENSITY_EXTRAPOLATED
    if molar_percent < 0.05:
        status |= AirStatus.ABSORPTION_EXTRAPOLATED
    return AirState(
        temperature=float(temperature),
        pressure=float(pressure),
        relative_humidity=float(relative_humidity),
        sound_speed=_cramer(_CRAMER_SPEED, celsius, pressure, water),
        density=_density(temperature, pressure, water),
        heat_capacity_ratio=_cramer(_CRAMER_GAMMA, celsius, pressure, water),
        viscosity=1.458e-6 * temperature**1.5 / (temperature + 110.4),  # M4.4
        absorption_classical=classical,
        absorption_oxygen=oxygen,
        absorption_nitrogen=nitrogen,
        relaxation_oxygen=f_oxygen,
        relaxation_nitrogen=f_nitrogen,
        status=status,
    )


@kernel
def absorption_scalar(
    frequency: Any,
    classical: float,
    oxygen: float,
    nitrogen: float,
    relaxation_oxygen: float,
    relaxation_nitrogen: float,
) -> Any:
    """Absorption [Np/m] at one frequency [Hz] from the constants of `AirState` (M4.6)."""
    f2 = frequency * frequency
    return f2 * (
        classical
        + oxygen / (relaxation_oxygen + f2 / relaxation_oxygen)
        + nitrogen / (relaxation_nitrogen + f2 / relaxation_nitrogen)
    )


def absorption(state: AirState, frequency: ArrayLike) -> NDArray[np.float64]:
    """Pure-tone absorption coefficient of still air (M4.6).

    Parameters
    ----------
    state : AirState
        Air properties.
    frequency : array, any shape
        Frequency [Hz].

    Returns
    -------
    array, shape of `frequency`
        Amplitude attenuation [Np/m]: pressure falls as ``exp(-alpha * distance)``.

    Notes
    -----
    ISO 9613-1 tabulates 50 Hz to 10 kHz and states 10 % accuracy for 0.05 to 5 % of water vapour,
    below 200 kPa and from 4e-4 to 10 Hz/Pa (1 MHz at 1 atm). Above 10 kHz it is therefore used
    beyond its table but inside its stated frequency-to-pressure ratio.
    """
    f = np.asarray(frequency, dtype=np.float64)
    return np.asarray(
        absorption_scalar.py_func(
            f,
            state.absorption_classical,
            state.absorption_oxygen,
            state.absorption_nitrogen,
            state.relaxation_oxygen,
            state.relaxation_nitrogen,
        )
    )


def _require(value: float, limits: tuple[float, float], name: str, unit: str) -> None:
    slack = 1e-9 * limits[1]  # so that -20 degC converted to kelvin is inside
    if not limits[0] - slack <= value <= limits[1] + slack:  # also catches NaN
        raise ValueError(
            f"air {name} is {value!r}; it must lie between {limits[0]:g} and {limits[1]:g} {unit}."
        )


def _water_mole_fraction(temperature: float, pressure: float, humidity: float) -> float:
    """Mole fraction of water, M4.1: CIPM-2007 saturation pressure and enhancement factor."""
    saturation = math.exp(
        1.2378847e-5 * temperature**2
        - 1.9121316e-2 * temperature
        + 33.93711047
        - 6.3431645e3 / temperature
    )
    enhancement = 1.00062 + 3.14e-8 * pressure + 5.6e-7 * (temperature - 273.15) ** 2
    return humidity * enhancement * saturation / pressure


def _cramer(a: tuple[float, ...], t: float, p: float, xw: float) -> float:
    """M4.2, M4.3: Cramer's bilinear polynomial in degC, Pa and mole fractions."""
    xc = CARBON_DIOXIDE
    return (
        a[0] + a[1] * t + a[2] * t * t
        + (a[3] + a[4] * t + a[5] * t * t) * xw
        + (a[6] + a[7] * t + a[8] * t * t) * p
        + (a[9] + a[10] * t + a[11] * t * t) * xc
        + a[12] * xw * xw + a[13] * p * p + a[14] * xc * xc + a[15] * xw * p * xc
    )  # fmt: skip


def _density(temperature: float, p: float, xv: float) -> float:
    """M4.5: CIPM-2007 density of moist air."""
    t = temperature - 273.15
    air_molar_mass = (28.96546 + 12.011 * (CARBON_DIOXIDE - 0.0004)) * 1e-3
    ratio = p / temperature
    compressibility = (
        1.0
        - ratio
        * (
            1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t * t
            + (5.707e-6 - 2.051e-8 * t) * xv
            + (1.9898e-4 - 2.376e-6 * t) * xv * xv
        )
        + ratio * ratio * (1.83e-11 - 0.765e-8 * xv * xv)
    )  # fmt: skip
    return (
        p
        * air_molar_mass
        / (compressibility * 8.314472 * temperature)
        * (1.0 - xv * (1.0 - 18.01528e-3 / air_molar_mass))
    )


def _absorption_constants(
    temperature: float, pressure: float, humidity: float
) -> tuple[float, float, float, float, float, float]:
    """Constants of M4.6 from ISO 9613-1 eq. 3 to 5 and annex B; molar concentration in per cent."""
    theta = temperature / _T_REF
    p = pressure / _P_REF
    saturation = 10.0 ** (-6.8346 * (273.16 / temperature) ** 1.261 + 4.6151)
    h = 100.0 * humidity * saturation / p
    f_oxygen = p * (24.0 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    f_nitrogen = (
        p / math.sqrt(theta) * (9.0 + 280.0 * h * math.exp(-4.170 * (theta ** (-1.0 / 3.0) - 1.0)))
    )
    return (
        1.84e-11 / p * math.sqrt(theta),
        theta**-2.5 * 0.01275 * math.exp(-2239.1 / temperature),
        theta**-2.5 * 0.1068 * math.exp(-3352.0 / temperature),
        f_oxygen,
        f_nitrogen,
        h,
    )
