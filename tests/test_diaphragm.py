"""M2, M3: the Ritz plate against plate theory, large-deflection tables and finite elements."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import fsolve, minimize_scalar
from scipy.special import ellipk

from arrayopt.physics.diaphragm import (
    PlateModes,
    PlateStatus,
    PlateTable,
    film_stress,
    modes_at,
    plate_table,
    shape_mean,
    static_deflection,
)
from arrayopt.physics.laminate import Layer, sections

IDENTICAL = 1e-12
H, E, RHO, A = 2e-6, 170e9, 2330.0, 150e-6
SILICON = Layer("silicon", 5e-6, 160e9, 0.22, 2330.0)
ALN = Layer("aluminium nitride", 1e-6, 283.1e9, 0.287, 3260.0, 80e6, active=True, e31f=-1.05)
ELECTRODE = Layer("molybdenum", 0.2e-6, 320e9, 0.3, 10200.0, -150e6, patterned=True)
STACK = (SILICON, ALN, ELECTRODE)


def homogeneous(nu: float = 0.3, *, stress: float = 0.0, thickness: float = H) -> tuple[Layer, ...]:
    """A uniform plate whose upper half is called the film."""
    half = Layer("lower half", 0.5 * thickness, E, nu, RHO, stress)
    return half, replace(half, name="upper half", active=True)


def rigidity(nu: float) -> float:
    return E * H**3 / (12.0 * (1.0 - nu**2))


@cache
def table(
    layers: tuple[Layer, ...],
    ring: bool = False,
    n_transverse: int = 5,
    n_inplane: int = 8,
    plane: float | None = None,
) -> PlateTable:
    return plate_table(
        *sections(layers, reference_plane=plane),
        ring=ring,
        n_transverse=n_transverse,
        n_inplane=n_inplane,
    )


@cache
def fine(nu: float = 0.3, n_modes: int = 4, stress: float = 0.0) -> PlateModes:
    """Uniform plate with a basis large enough for ten digits; in-plane response exact."""
    big = table(homogeneous(nu, stress=stress), n_transverse=10, n_inplane=22)
    return modes_at(big, None, radius=A, coverage=1.0, n_modes=n_modes)


def lambda2(modes: PlateModes, nu: float = 0.3) -> np.ndarray:
    return modes.angular_frequency * A**2 * math.sqrt(RHO * H / rigidity(nu))


# --- linear plate ------------------------------------------------------------------------------


def test_frequencies(check_outside):
    found = lambda2(fine())
    # modes with nodal diameters are outside the axisymmetric model
    check_outside("plate.lam2.02", found[1], "M3.1")
    check_outside("plate.lam2.03", found[2], "M3.1")
    assert found[0] == pytest.approx(10.21582617, rel=1e-8)  # Leissa 1969, beside lam2.02


def test_default_basis_is_accurate():
    # the same published roots with the default 5 functions
    found = lambda2(modes_at(table(homogeneous()), None, radius=A, coverage=1.0))
    assert found[0] == pytest.approx(10.21582617, rel=1e-7)
    assert found[1] == pytest.approx(39.77114824, rel=3e-5)


def test_mode_shape_integrals(check_outside):
    modes = fine()
    mean = modes.volume[0] / (np.pi * A**2)
    mean_square = modes.mass[0] / (RHO * H * np.pi * A**2)
    check_outside("plate.mode01.mean01", mean, "M3.3")
    check_outside("plate.mode01.meansq01", mean_square, "M3.2")
    check_outside("plate.mode01.mean2_over_meansq01", mean**2 / mean_square, "M3.2")
    assert shape_mean(modes.shape[0]) == pytest.approx(mean, rel=1e-8)


def test_one_function_is_the_textbook_shape(check_outside):
    modes = modes_at(
        table(homogeneous(), n_transverse=1, n_inplane=4), None, radius=A, coverage=1.0, n_modes=1
    )
    mean = modes.volume[0] / (np.pi * A**2)
    mean_square = modes.mass[0] / (RHO * H * np.pi * A**2)
    check_outside("plate.static.mean", mean, "M2.1", rel_tol=2e-10)  # 10 printed digits
    check_outside("plate.static.meansq", mean_square, "M2.1")
    check_outside("plate.static.mean2_over_meansq", mean**2 / mean_square, "M2.1", rel_tol=2e-10)
    check_outside("plate.rayleigh.lam2", lambda2(modes)[0], "M3.1")


@pytest.mark.parametrize("nu", [0.0, 0.17, 0.22, 0.25, 0.28, 0.35])
def test_one_function_cubic(check_outside, nu):
    modes = modes_at(
        table(homogeneous(nu), n_transverse=1, n_inplane=4), None, radius=A, coverage=1.0, n_modes=1
    )
    kappa = modes.cubic[0] * H**2 / modes.stiffness[0]
    check_outside(f"vk.kappa1t.nu{nu}", kappa, "M3.5")


@pytest.mark.parametrize("nu", [0.0, 0.22, 0.25, 0.28, 0.3, 0.35])
def test_cubic_of_the_exact_mode(check_outside, nu):
    modes = fine(nu)
    check_outside(f"vk.kappa01.nu{nu}", modes.cubic[0] * H**2 / modes.stiffness[0], "M3.5")
    assert abs(modes.quadratic[0]) * H < 1e-9 * modes.stiffness[0]


# --- tension and buckling ----------------------------------------------------------------------


@cache
def tensioned(k: float, nu: float = 0.3) -> PlateTable:
    stress = k * rigidity(nu) / (A**2 * H)
    # at k = 10000 the edge layer is a hundredth of the radius wide: more functions
    n = 24 if k > 300.0 else 12
    return table(homogeneous(nu, stress=stress), n_transverse=n, n_inplane=4)


@pytest.mark.parametrize("k", [-10, 1, 2, 5, 10, 200, 500, 1000, 10000])
def test_frequency_under_tension(check_outside, k):
    modes = modes_at(tensioned(float(k)), None, radius=A, coverage=1.0, n_modes=1)
    check_outside(f"plate.tension.omega01.k{k}", lambda2(modes)[0], "M3.1")


@pytest.mark.parametrize("k", [1, 10, 100, 1000])
def test_deflection_under_tension(check_outside, k):
    pressure = 1e-3
    centre, _, _ = static_deflection(tensioned(float(k)), radius=A, coverage=1.0, pressure=pressure)
    check_outside(f"plate.tension.w0.k{k}", centre * rigidity(0.3) / (pressure * A**4), "M2.7")


def test_buckling_stress(check_outside):
    # the tension at which the stiffness of the lowest mode vanishes, from two stresses: the
    # tangent's determinant crosses zero there; omega^2 is nearly linear in k
    def omega2(k: float) -> float:
        modes = modes_at(tensioned(k), None, radius=A, coverage=1.0, n_modes=1)
        return float(lambda2(modes)[0] ** 2)

    k0, k1 = -14.68, -14.6815
    f0, f1 = omega2(k0), omega2(k1)
    check_outside("plate.buckling", -(k1 - f1 * (k1 - k0) / (f1 - f0)), "M3.1")


def test_buckled_plate_has_a_status_and_no_numbers():
    modes = modes_at(tensioned(-14.7), None, radius=[A, 0.5 * A], coverage=1.0)
    assert modes.status.tolist() == [PlateStatus.BUCKLED, PlateStatus.OK]
    assert np.isnan(modes.stiffness[0]).all()
    assert np.isfinite(modes.stiffness[1]).all()
