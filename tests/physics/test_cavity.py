"""M5.11 to M5.16: necks and closed cavities against textbook formulas (from memory) and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special

from arrayopt.physics.back.backs import Necked
from arrayopt.physics.back.neck_kernel import back_pressure, neck_coefficients
from arrayopt.physics.sound.air import air_state

AIR = air_state(293.15, relative_humidity=0.5)


def neck(radius: float, length: float, w: float) -> tuple[float, float, float]:
    """Area, mass and resistance of one neck."""
    of = np.array([1.0, radius, length, AIR.viscosity])
    return tuple(neck_coefficients(w, of, AIR.density, AIR.sound_speed))


def tube(radius: float, w: float) -> complex:
    """Pressure gradient over mean velocity [Pa s/m2]: what a longer neck adds."""
    (area, m0, r0), (_, m1, r1) = (neck(radius, length, w) for length in (0.0, 1.0))
    return complex(r1 - r0, w * (m1 - m0)) / area


def added(volume: float, neck: tuple[float, float, float], w: float) -> complex:
    """Pressure per volume behind the diaphragm over that of the closed cavity."""
    closed = AIR.heat_capacity_ratio * AIR.pressure / volume
    return complex(*back_pressure(w, closed, *neck)) / closed


def test_helmholtz_frequency() -> None:
    """f = (c / 2 pi) sqrt(A / (V L')), L' = L + 2 (8 r / 3 pi): Kinsler et al., flanged ends.

    In a wide neck viscosity adds mass of the order layer / radius, so r = 5 mm here.
    """
    r, length, volume, w = 5e-3, 10e-3, 1e-4, 2 * math.pi * 300.0
    area, mass, _ = neck(r, length, w)
    stiffness = AIR.heat_capacity_ratio * AIR.pressure / volume * area**2
    textbook = math.sqrt(math.pi * r**2 / (volume * (length + 16 * r / (3 * math.pi))))
    layer = math.sqrt(2 * AIR.viscosity / (AIR.density * w))
    assert math.sqrt(stiffness / mass) == pytest.approx(
        AIR.sound_speed * textbook, rel=1.2 * layer / r
    )


@settings(deadline=None, derandomize=True)
@given(st.floats(1e-6, 20e-6), st.floats(1.0, 50.0))
def test_narrow_tube_is_poiseuille(radius: float, frequency: float) -> None:
    """8 mu / r^2 and the inertance factor 4/3 (Crandall; Beranek), layer much thicker than r."""
    z, w = tube(radius, 2 * math.pi * frequency), 2 * math.pi * frequency
    assert z.real == pytest.approx(8 * AIR.viscosity / radius**2, rel=1e-4)
    assert z.imag == pytest.approx(4 / 3 * w * AIR.density, rel=1e-4)


@settings(deadline=None, derandomize=True)
@given(st.floats(1e-3, 1e-2), st.floats(2e4, 3e5))
def test_wide_tube_has_a_boundary_layer(radius: float, frequency: float) -> None:
    """Rayleigh, Theory of Sound 347: resistance sqrt(2 mu rho omega) / r per length."""
    z, w = tube(radius, 2 * math.pi * frequency), 2 * math.pi * frequency
    layer = math.sqrt(2 * AIR.viscosity / (AIR.density * w))
    wall = math.sqrt(2 * AIR.viscosity * AIR.density * w) / radius
    assert z.real == pytest.approx(wall, rel=3 * layer / radius)
    assert z.imag == pytest.approx(w * AIR.density * (1 + layer / radius), rel=1e-3)


@pytest.mark.parametrize("radius", [1e-6, 25e-6, 1e-3])
@pytest.mark.parametrize("frequency", [1e3, 1e5])
def test_tube_is_a_ratio_of_bessel_functions(radius: float, frequency: float) -> None:
    """1 - 2 J1(x)/(x J0(x)) = -J2(x)/J0(x) by scipy."""
    w = 2 * math.pi * frequency
    x = np.sqrt(-1j * w * AIR.density / AIR.viscosity) * radius
    exact = -1j * w * AIR.density * special.jve(0, x) / special.jve(2, x)
    assert tube(radius, w) == pytest.approx(complex(exact), rel=1e-10)


def test_tube_profile_solves_navier_stokes() -> None:
    """j w rho v - mu (v'' + v'/r) = G integrated by scipy, no slip at the wall; mean velocity."""
    radius, omega = 30e-6, 2 * math.pi * 40e3
    beta = 1j * omega * AIR.density * radius**2 / AIR.viscosity

    def slope(s: float, y: np.ndarray) -> list[complex]:  # h, h', int 2 s h
        return [y[1], beta * y[0] - y[1] / s, 2 * s * y[0]]

    # regular homogeneous solution h from its series next to the axis; v = (1 - h / h(wall)) / beta
    e = 1e-4
    start = np.array([1 + beta * e**2 / 4, beta * e / 2, e**2], dtype=complex)
    wall = integrate.solve_ivp(slope, (e, 1.0), start, method="DOP853", rtol=1e-10, atol=1e-14)
    h, _, moment = wall.y[:, -1]
    mean = (1 - moment / h) / beta * radius**2 / AIR.viscosity
    assert abs(1 / mean / tube(radius, omega) - 1) < 1e-6


def test_far_from_its_resonance_a_neck_shuts_or_opens_the_cavity() -> None:
    area, mass, _ = neck(100e-6, 200e-6, 2 * math.pi * 20e3)
    w0 = math.sqrt(AIR.heat_capacity_ratio * AIR.pressure / 1e-9 * area**2 / mass)
    high, low = (added(1e-9, neck(100e-6, 200e-6, x * w0), x * w0) for x in (100.0, 0.01))
    assert high.real == pytest.approx(1.0, rel=2e-4)
    assert abs(low) < 0.02


@settings(deadline=None, derandomize=True)
@given(st.floats(20e-6, 500e-6), st.floats(0.0, 1e-3), st.floats(1e-11, 1e-8), st.floats(1e3, 2e5))
def test_passive(radius: float, length: float, volume: float, frequency: float) -> None:
    """The back never feeds power to the diaphragm."""
    w = 2 * math.pi * frequency
    assert added(volume, neck(radius, length, w), w).imag >= 0.0


@pytest.mark.parametrize("frequency", [2e3, 60e3])
def test_lumped_elements_end_where_heat_or_waves_fill_the_cavity(frequency: float) -> None:
    """Thermal layer sqrt(2 mu/(rho w Pr)), Pr = 0.71 (air, any heat-transfer table); 0.5 rad."""
    w = 2.0 * np.pi * frequency
    layer = np.sqrt(2.0 * AIR.viscosity / (AIR.density * w * 0.71))
    long = AIR.sound_speed / w

    def outside(depth: float, length: float = 0.0) -> bool:
        back = Necked(depth, neck_radius=1e-6, neck_length=length, neck_count=1)
        return bool(back.outside(AIR, np.array([1e-6]), np.array([1e-12]), np.array([w]))[0])

    for size, expected in ((0.4975, False), (0.5025, True)):
        assert outside(size * long) == expected
        assert outside(0.3 * long, size * long) == expected
    for share, expected in ((0.0995, False), (0.1005, True)):
        assert outside(layer / share) == expected
