"""M4: air properties against standards. Constants of the sources are named at each check."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arrayopt.physics.sound.air import (
    AirStatus,
    absorption,
    absorption_scalar,
    air_state,
)
from arrayopt.physics.sound.level import REFERENCE_PRESSURE, sound_pressure_level
from tests.support.references import read_references

ROWS = read_references()
ISO_DECIBELS_PER_NEPER = 8.686  # 20 lg(e) as printed in ISO 9613-1
ISO_SPEED = 343.2  # its eq. A.5 at 293.15 K: no humidity, no pressure
ALPHA = [key for key in ROWS if key.startswith("air.alpha.")]


def _celsius_and_humidity(key: str) -> tuple[float, float]:
    match = re.search(r"\.(-?\d+)C\.(\d+)rh", key)
    assert match
    return 273.15 + float(match[1]), float(match[2]) / 100


@pytest.mark.parametrize("key", ALPHA)
def test_absorption_table(key: str, check_outside: Callable[..., None]) -> None:
    """ISO 9613-1 Table 1 (exact mid-band), ISO 9613-2 Table 2 and the formula above 10 kHz."""
    temperature, humidity = _celsius_and_humidity(key)
    tail = key.rsplit(".", 1)[-1] if "kHz" not in key else key.split("rh.")[1]
    frequency = float(tail.removesuffix("Hz").removesuffix("k")) * (1e3 if "kHz" in tail else 1)
    if "_tab." in key:  # base-ten mid-band frequency, ISO 9613-1 section 6.4.1
        frequency = 1000.0 * 10.0 ** (round(10 * math.log10(frequency / 1000)) / 10)
    state = air_state(temperature, relative_humidity=humidity)
    decibels = ISO_DECIBELS_PER_NEPER * float(absorption(state, frequency))
    if ROWS[key].units == "dB/km":
        decibels *= 1e3
    check_outside(key, decibels, "M4.6")


@pytest.mark.parametrize("key", [k for k in ROWS if k.startswith(("air.c.cramer", "air.rho"))])
def test_speed_and_density(key: str, check_outside: Callable[..., None]) -> None:
    temperature, humidity = _celsius_and_humidity(key)
    state = air_state(temperature, relative_humidity=humidity)
    if key.startswith("air.c"):
        check_outside(key, state.sound_speed, "M4.2")
    else:
        check_outside(key, state.density, "M4.5")


def test_iso_sound_speed(check_outside: Callable[..., None]) -> None:
    check_outside("air.c.iso.20C", ISO_SPEED, "M4.2")


def test_stated_difference_between_the_two_speeds() -> None:
    """The docs state 0.23 % at 20 degC, 50 %; dry air at 20 degC differs by 0.05 %."""
    humid = air_state(293.15, relative_humidity=0.5).sound_speed
    assert humid / ISO_SPEED - 1.0 == pytest.approx(0.0023, rel=0.02)
    assert air_state(293.15, relative_humidity=0.0).sound_speed / ISO_SPEED - 1.0 < 6e-4


def test_reference_pressure(check_outside: Callable[..., None]) -> None:
    check_outside("air.pref", REFERENCE_PRESSURE, "M4.7")
    # 1 Pa rms is 94 dB (93.979), the usual calibrator level
    assert float(sound_pressure_level(math.sqrt(2.0))) == pytest.approx(93.9794, rel=1e-6)
    assert float(sound_pressure_level(0.0)) == -np.inf


@settings(deadline=None, derandomize=True)
@given(
    st.floats(273.15, 303.15), st.floats(75e3, 102e3), st.floats(0.0, 1.0)
)  # Cramer's fitted range
def test_speed_density_and_heat_capacity_ratio_agree(t: float, p: float, rh: float) -> None:
    """c^2 rho / p = gamma for an ideal gas; real-gas terms at 1 atm stay within 0.15 %.

    Three independently published equations: a wrong coefficient in any of them shows here.
    """
    s = air_state(t, pressure=p, relative_humidity=rh)
    assert s.sound_speed**2 * s.density / s.pressure == pytest.approx(
        s.heat_capacity_ratio, rel=1.5e-3
    )
    assert not s.status & AirStatus.SPEED_EXTRAPOLATED


@settings(deadline=None, derandomize=True)
@given(st.floats(253.15, 323.15), st.floats(60e3, 110e3), st.floats(0.0, 1.0))
def test_extrapolated_speed_stays_near_the_ideal_gas(t: float, p: float, rh: float) -> None:
    """Over the whole accepted range, c stays within 0.3 % of sqrt(gamma p / rho), gamma ideal.

    Ideal-gas heat capacities: 7/2 R for air, 4 R for water vapour (vibration of water left out).
    """
    s = air_state(t, pressure=p, relative_humidity=rh)
    saturation = 611.2 * math.exp(17.62 * (t - 273.15) / (t - 273.15 + 243.12))  # WMO Magnus form
    xw = rh * saturation / p
    cp = 3.5 * (1 - xw) + 4.0 * xw
    ideal = math.sqrt(cp / (cp - 1.0) * p / s.density)
    assert s.sound_speed == pytest.approx(ideal, rel=3e-3)


def test_viscosity() -> None:
    """Handbook values of dry air: 17.2 uPa s at 0 degC, 18.2 at 20 degC (CRC, from memory)."""
    assert air_state(273.15, relative_humidity=0.0).viscosity == pytest.approx(
        17.2e-6, rel=5e-3, abs=0.0
    )
    assert air_state(293.15, relative_humidity=0.0).viscosity == pytest.approx(
        18.2e-6, rel=5e-3, abs=0.0
    )


def test_classical_limit() -> None:
    """Far above both relaxations absorption grows as f^2 (Stokes-Kirchhoff), about 1.4e-11 f^2.

    1.37e-11 s^2/m for viscosity and conduction at 20 degC (Kinsler et al., from memory); ISO's
    1.84e-11 adds rotation (ANSI S1.26 annex: rotational over classical about one third).
    """
    state = air_state(293.15, relative_humidity=0.5)
    ratio = float(absorption(state, 1e9)) / 1e18
    assert ratio == pytest.approx(1.84e-11, rel=1e-3, abs=0.0)
    assert 1.2 < ratio / 1.37e-11 < 1.45


@settings(deadline=None, derandomize=True)
@given(st.floats(1.0, 1e6))
def test_scalar_equals_array(frequency: float) -> None:
    s = air_state(288.15, relative_humidity=0.4)
    scalar = absorption_scalar(
        frequency,
        s.absorption_classical,
        s.absorption_oxygen,
        s.absorption_nitrogen,
        s.relaxation_oxygen,
        s.relaxation_nitrogen,
    )
    np.testing.assert_allclose(absorption(s, [frequency])[0], scalar, rtol=1e-12)


@settings(deadline=None, derandomize=True)
@given(st.floats(1e3, 9e5), st.floats(0.05, 1.0))
def test_absorption_grows_with_frequency(frequency: float, humidity: float) -> None:
    s = air_state(293.15, relative_humidity=humidity)
    low, high = absorption(s, [frequency, 1.1 * frequency])
    assert 0.0 < low < high


@pytest.mark.parametrize(
    ("kwargs", "words"),
    [
        ({"temperature": 20.0, "relative_humidity": 0.5}, "temperature is 20.0"),
        ({"temperature": 293.15, "relative_humidity": 50.0}, "fraction, not per cent"),
        ({"temperature": 293.15, "relative_humidity": 0.5, "pressure": 1013.25}, "pressure"),
        ({"temperature": math.nan, "relative_humidity": 0.5}, "temperature is nan"),
    ],
)
def test_out_of_range_is_refused(kwargs: dict[str, float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        air_state(**kwargs)


def test_status_tells_extrapolation() -> None:
    assert air_state(293.15, relative_humidity=0.5).status == AirStatus.OK
    cold = air_state(263.15, relative_humidity=0.5).status
    assert cold == AirStatus.SPEED_EXTRAPOLATED | AirStatus.DENSITY_EXTRAPOLATED
    assert air_state(293.15, relative_humidity=0.0).status == AirStatus.ABSORPTION_EXTRAPOLATED
