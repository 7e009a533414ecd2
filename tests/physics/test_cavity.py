"""M5.11 to M5.15: back cavities and necks against textbook formulas (from memory)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from arrayopt.physics.back import cavity as cav
from arrayopt.physics.sound.air import air_state
from tests.oracles.necks import necked_impedance

AIR = air_state(293.15, relative_humidity=0.5)


def necked(**change: float) -> cav.NeckedCavity:
    values = {
        "swept_volume": 1e-7,
        "cavity_volume": 1e-9,
        "neck_radius": 100e-6,
        "neck_length": 200e-6,
        "frequency": 20e3,
    }
    return cav.necked_cavity(AIR, **(values | change))


def test_helmholtz_frequency() -> None:
    """f = (c / 2 pi) sqrt(A / (V L')), L' = L + 2 (8 r / 3 pi): Kinsler et al., flanged ends.

    In a wide neck viscosity adds mass of the order layer / radius, so r = 5 mm here.
    """
    r, length, volume, f = 5e-3, 10e-3, 1e-4, 300.0
    c = necked(neck_radius=r, neck_length=length, cavity_volume=volume, frequency=f)
    textbook = AIR.sound_speed / (2 * math.pi)
    textbook *= math.sqrt(math.pi * r**2 / (volume * (length + 16 * r / (3 * math.pi))))
    layer = math.sqrt(2 * AIR.viscosity / (AIR.density * 2 * math.pi * f))
    assert math.sqrt(c.coupling_xx / c.mass) / (2 * math.pi) == pytest.approx(
        textbook, rel=1.2 * layer / r
    )
    assert c.status == 0


@settings(deadline=None, derandomize=True)
@given(st.floats(1e-6, 20e-6), st.floats(1.0, 50.0))
def test_narrow_tube_is_poiseuille(radius: float, frequency: float) -> None:
    """8 mu / r^2 and the inertance factor 4/3 (Crandall; Beranek), layer much thicker than r."""
    z = cav.neck_impedance_per_length(AIR, radius=radius, frequency=frequency)
    omega = 2 * math.pi * frequency
    assert z.real == pytest.approx(8 * AIR.viscosity / radius**2, rel=1e-4)
    assert z.imag == pytest.approx(4 / 3 * omega * AIR.density, rel=1e-4)


@settings(deadline=None, derandomize=True)
@given(st.floats(1e-3, 1e-2), st.floats(2e4, 3e5))
def test_wide_tube_has_a_boundary_layer(radius: float, frequency: float) -> None:
    """Rayleigh, Theory of Sound 347: resistance sqrt(2 mu rho omega) / r per length."""
    z = cav.neck_impedance_per_length(AIR, radius=radius, frequency=frequency)
    omega = 2 * math.pi * frequency
    layer = math.sqrt(2 * AIR.viscosity / (AIR.density * omega))
    wall = math.sqrt(2 * AIR.viscosity * AIR.density * omega) / radius
    assert z.real == pytest.approx(wall, rel=3 * layer / radius)
    assert z.imag == pytest.approx(omega * AIR.density * (1 + layer / radius), rel=1e-3)


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
    z = cav.neck_impedance_per_length(AIR, radius=radius, frequency=40e3)
    assert abs(1 / mean / z - 1) < 1e-6


def test_limits_of_the_two_degree_model() -> None:
    """Far above the neck's resonance the cavity is sealed; far below it vents freely."""
    c = necked()
    f0 = math.sqrt(c.coupling_xx / c.mass) / (2 * math.pi)
    sealed = AIR.heat_capacity_ratio * AIR.pressure * 1e-7**2 / 1e-9
    high = necked_impedance(c, 100 * f0) * 2j * math.pi * 100 * f0
    low = necked_impedance(c, f0 / 100) * 2j * math.pi * f0 / 100
    assert high.real == pytest.approx(sealed, rel=2e-4)
    assert abs(low) < 0.02 * sealed


def test_two_resonances_repel() -> None:
    """A lossless diaphragm tuned to the neck splits into w^2 = w0^2 (1 +- kappa)."""
    c = necked()
    # diaphragm whose stiffness with the sealed cavity puts it on the neck's frequency
    w2 = float(c.coupling_xx / c.mass)
    m = 1e-8
    matrix = np.array(
        [[w2, -c.coupling_qx / math.sqrt(m * c.mass)], [-c.coupling_qx / math.sqrt(m * c.mass), w2]]
    )
    split = np.linalg.eigvalsh(matrix)
    # poles of the driven diaphragm: m (w2 - w^2) - Kqx^2 / (Kxx - w^2 m_x) = 0
    for value in split:
        f = math.sqrt(value) / (2 * math.pi)
        lossless = cav.NeckedCavity(
            c.mass, 0 * c.resistance, c.coupling_qq, c.coupling_qx, c.coupling_xx, c.status
        )
        added = necked_impedance(lossless, f) * 2j * math.pi * f - c.coupling_qq
        assert (m * (w2 - value) + added).real == pytest.approx(0.0, abs=1e-9 * m * w2)


@settings(deadline=None, derandomize=True)
@given(st.floats(20e-6, 500e-6), st.floats(0.0, 1e-3), st.floats(1e-11, 1e-8), st.floats(1e3, 2e5))
def test_passive(radius: float, length: float, volume: float, frequency: float) -> None:
    """The back never feeds power to the diaphragm; couplings are one quadratic form."""
    c = necked(neck_radius=radius, neck_length=length, cavity_volume=volume, frequency=frequency)
    assert necked_impedance(c, frequency).real >= 0.0
    np.testing.assert_allclose(c.coupling_qq * c.coupling_xx, c.coupling_qx**2, rtol=1e-12)


def test_batch_equals_single() -> None:
    radii = np.array([[50e-6], [100e-6]])
    f = np.array([1e4, 5e4, 1e5])
    batch = necked(neck_radius=radii, frequency=f)  # type: ignore[arg-type]
    assert batch.mass.shape == (2, 3)
    one = necked(neck_radius=100e-6, frequency=5e4)
    assert batch.mass[1, 1] == one.mass
    assert batch.resistance[1, 1] == one.resistance


def test_status_and_refusals() -> None:
    assert necked(frequency=100e3).status & cav.CavityStatus.NOT_COMPACT
    small = cav.cavity_status(AIR, cavity_volume=1e-15, frequency=1e3)
    assert small & cav.CavityStatus.ISOTHERMAL
    with pytest.raises(ValueError, match="cavity volume"):
        necked(cavity_volume=0.0)
    with pytest.raises(ValueError, match="neck length"):
        necked(neck_length=-1e-6)
