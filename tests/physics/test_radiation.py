"""M5.1 to M5.7: self radiation and directivity of one baffled diaphragm."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import integrate, optimize, special

from arrayopt.physics.sound import radiation as rad
from tests.oracles.sound import radiation_integral, self_impedance
from tests.support.paths import REFERENCE
from tests.support.references import read_references

ROWS = read_references()
STATIC = np.array([1.0])
with (REFERENCE / "rayleigh.csv").open(encoding="utf-8") as _stream:
    RAYLEIGH = list(csv.DictReader(_stream))
SHAPES = {"static": [1.0], "peaked": [1.0, -0.6, 0.3], "two_circles": [1.0, -4.5, 2.5]}

shapes = st.lists(st.floats(-3.0, 3.0), max_size=5).map(lambda tail: np.array([1.0, *tail]))


def mode01(size: int = 10) -> NDArray[np.float64]:
    """Exact clamped (0,1) mode J0(lr) - J0(l)/I0(l) I0(lr), fitted in the basis (scipy only)."""
    lam = optimize.brentq(
        lambda x: special.j0(x) * special.i1(x) + special.j1(x) * special.i0(x), 3.0, 3.4
    )
    rho = np.cos(np.linspace(0.0, np.pi / 2, 200))
    ratio = special.j0(lam) / special.i0(lam)
    w = (special.j0(lam * rho) - ratio * special.i0(lam * rho)) / (1.0 - ratio)
    basis = (1 - rho**2)[:, None] ** 2 * rho[:, None] ** (2 * np.arange(size))
    coefficients = np.linalg.lstsq(basis, w, rcond=None)[0]
    np.testing.assert_allclose(coefficients[0], 1.0, rtol=1e-9)
    return np.asarray(coefficients)


MODE01 = mode01()


def piston(u: NDArray[np.float64]) -> NDArray[np.float64]:
    """Hankel transform of the piston over its area; not in the basis, so an outside check."""
    return np.where(u == 0.0, 1.0, 2.0 * special.j1(u) / np.where(u == 0.0, 1.0, u))


def transform(shape: object) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    return lambda u: rad.hankel_transform(shape, u)  # type: ignore[arg-type]


@pytest.mark.parametrize("key", [k for k in ROWS if k.startswith("ac.piston.")])
def test_piston_functions(key: str, check_outside: Callable[..., None]) -> None:
    """R1, X1 of a piston (Kinsler et al., Beranek) through the general wavenumber integral."""
    ka = 0.5 * float(key.split(".x")[1])
    if ".R1." in key:
        z = radiation_integral(piston, piston, ka=ka, cutoff=1.0)
        check_outside(key, z.real, "M5.4")
    else:
        # tail beyond the cutoff S: (ka/2) int 4 J1^2 / u^2 du with the mean J1^2 = 1/(pi u)
        cutoff = 4000.0
        z = radiation_integral(piston, piston, ka=ka, cutoff=cutoff)
        check_outside(key, z.imag + ka / (math.pi * cutoff**2), "M5.4")


@pytest.mark.parametrize("key", [k for k in ROWS if k.startswith("ac.self.")])
def test_self_impedance_table(key: str, check_outside: Callable[..., None]) -> None:
    ka = float(key.rsplit(".ka", 1)[1])
    if "piston" in key:
        z = radiation_integral(piston, piston, ka=ka, cutoff=2000.0)
        r, x = z.real, z.imag
    else:
        shape = STATIC if "static" in key else MODE01
        r, x = (float(v) / math.pi for v in self_impedance(shape, wavenumber=ka))
    check_outside(key, r if ".R." in key else x, "M5.5" if ".R." in key else "M5.6")


def test_low_ka_mass(check_outside: Callable[..., None]) -> None:
    check_outside("ac.lowka.X.static", rad.impedance_series(STATIC)[1][0], "M5.6")
    check_outside("ac.lowka.X.mode01", rad.impedance_series(MODE01)[1][0], "M5.6")
    # the piston by the integral at ka = 1e-3: the next term is (ka)^2 relative
    z = radiation_integral(piston, piston, ka=1e-3, cutoff=4000.0)
    tail = 1e-3 / (math.pi * 4000.0**2)
    # 1e-10 belongs to 8/(3 pi) itself; ka = 1e-3 leaves (ka)^2 = 1e-6
    check_outside("ac.lowka.X.piston", (z.imag + tail) / 1e-3, "M5.4", rel_tol=1e-6)


@pytest.mark.parametrize("key", [k for k in ROWS if k.startswith("ac.beam.")])
def test_beam(key: str, check_outside: Callable[..., None]) -> None:
    profile = key.rsplit(".", 1)[1]
    shape = {"static": STATIC, "mode01": MODE01}.get(profile)

    def response(u: float) -> float:
        return float(piston(np.asarray(u)) if shape is None else rad.directivity(shape, u))

    if ".beam.u." in key:
        decibels = -float(key.split(".m")[1].split("dB")[0])
        # 3.01 and 6.02 dB stand for 1/sqrt(2) and 1/2 exactly in the table
        level = {-3.01: math.sqrt(0.5), -6.02: 0.5}.get(decibels, 10.0 ** (decibels / 20.0))
        u = optimize.brentq(lambda v: response(v) - level, 0.5, 4.0, xtol=1e-12)
        check_outside(key, u, "M5.7")
        return
    bracket = (3.0, 5.0) if shape is None else (5.0, 8.0)
    null = optimize.brentq(response, *bracket, xtol=1e-12)
    if ".null." in key:
        check_outside(key, null, "M5.7")
        return
    lobe = optimize.minimize_scalar(
        lambda v: -abs(response(v)), bounds=(null, null + 3.0), method="bounded"
    )
    check_outside(key, 20.0 * math.log10(-lobe.fun), "M5.7")


@pytest.mark.parametrize("row", [r for r in RAYLEIGH if float(r["spacing"]) == 0.0])
def test_direct_rayleigh_integral(row: dict[str, str]) -> None:
    """Real-space double integral (tests/reference/generate_rayleigh.py), cross terms included."""
    z = complex(float(row["R"]), float(row["X"]))
    r, x = self_impedance(
        SHAPES[row["first"]] + [0.0] * (3 - len(SHAPES[row["first"]])),
        other=SHAPES[row["second"]] + [0.0] * (3 - len(SHAPES[row["second"]])),
        radius=2.0,
        wavenumber=float(row["ka"]) / 2.0,
        density=1.2,
        sound_speed=340.0,
    )
    scale = 1.2 * 340.0 * math.pi * 4.0
    assert abs(complex(r, x) / scale - z) <= max(1e-8, 10 * float(row["converged"])) * abs(z)


@settings(deadline=None, derandomize=True, max_examples=40)
@given(shapes, st.floats(0.01, 4.0))
def test_series_equals_integral(shape: NDArray[np.float64], ka: float) -> None:
    """Two derivations: exact expansion coefficients and numerical quadrature."""
    r, x, status = rad.impedance_from_series(ka, *rad.impedance_series(shape))
    z = radiation_integral(transform(shape), transform(shape), ka=ka)
    assert status == rad.STATUS_OK
    # |Z| of a shape that displaces hardly any volume is small beside its terms; bound by them
    size = ka * np.abs(shape).sum() ** 2 * 0.01
    assert abs(complex(r, x) - z) <= 1e-9 * max(abs(z), size)


@pytest.mark.parametrize(("terms", "limit"), sorted(rad.TERMS_FOR_LIMIT.items()))
def test_stated_series_limits(terms: int, limit: float) -> None:
    rng = np.random.default_rng(3)
    for size in (1, 3, 5, 10):
        shape = np.concatenate([[1.0], rng.normal(size=size - 1)])
        r, x, _ = rad.impedance_from_series(limit, *rad.impedance_series(shape, terms))
        r40, x40, _ = rad.impedance_from_series(limit, *rad.impedance_series(shape, 40))
        np.testing.assert_allclose(r, r40, rtol=1e-9)
        assert abs(x - x40) <= 1e-9 * abs(complex(r40, x40))


@pytest.mark.parametrize("ka", [0.5, 3.0, 8.0])
@pytest.mark.parametrize("shape", list(SHAPES.values()))
def test_radiated_power_from_the_far_field(shape: list[float], ka: float) -> None:
    """R |v|^2 / 2 = far-field intensity over the half-space, by scipy.quad (rho = c = a = v = 1).

    p = j w rho U D e^{-jkr}/(2 pi r) with U = Q(0) v; the directivity is M5.7.
    """
    volume = math.pi * float(rad.hankel_transform(shape, 0.0))

    def ring(theta: float) -> float:
        p = ka * volume * float(rad.directivity(shape, ka * math.sin(theta))) / (2.0 * math.pi)
        return 0.5 * p * p * 2.0 * math.pi * math.sin(theta)

    power = integrate.quad(ring, 0.0, math.pi / 2, epsrel=1e-10)[0]
    r, _ = self_impedance(shape, wavenumber=ka)
    assert float(r) / 2.0 == pytest.approx(power, rel=1e-9, abs=0.0)


@settings(deadline=None, derandomize=True, max_examples=40)
@given(shapes)
def test_hankel_transform_against_quadrature(shape: NDArray[np.float64]) -> None:
    """scipy.quad of the definition on both sides of the series limit."""
    for kappa in (0.0, 0.7, 7.99, 8.01, 15.0):
        direct = integrate.quad(
            lambda r, k=kappa: (
                2.0
                * r
                * special.j0(k * r)
                * (1 - r * r) ** 2
                * np.polynomial.polynomial.polyval(r * r, shape)
            ),
            0.0,
            1.0,
            epsabs=1e-14,
            epsrel=1e-12,
        )[0]
        bound = 1e-12 * np.abs(shape).sum()  # of the terms: the transform has zeros
        assert abs(float(rad.hankel_transform(shape, kappa)) - direct) <= bound


@settings(deadline=None, derandomize=True, max_examples=60)
@given(shapes, st.floats(0.01, 4.0))
def test_resistance_is_positive_and_small_ka_limit(shape: NDArray[np.float64], ka: float) -> None:
    r, _ = self_impedance(shape, wavenumber=ka)
    assert r >= 0.0
    # a monopole: R -> rho c k^2 S^2 / (2 pi) (textbook, e.g. Kinsler et al.)
    s = math.pi * float(rad.hankel_transform(shape, 0.0))
    r_n, _ = rad.impedance_series(shape)
    np.testing.assert_allclose(math.pi * r_n[0], s * s / (2 * math.pi), rtol=1e-9, atol=1e-12)


def test_high_ka_limit() -> None:
    """R -> rho c int (phi^2 + (phi'/k)^2 / 2) dS: plane waves, then each kappa at its own angle.

    For (1-rho^2)^2 the two integrals are pi/5 and 4 pi/3 (a = 1); next order O(ka^-4), 1e-4 here.
    """
    r, x = self_impedance(STATIC, wavenumber=30.0)
    assert float(r) == pytest.approx(math.pi / 5.0 + 4.0 * math.pi / 3.0 / (2.0 * 900.0), rel=1e-4)
    assert abs(x) < 0.02 * r


def test_scaling_and_batching() -> None:
    """Z / (rho c a^2) depends on ka alone; a batch gives bit for bit what single calls give."""
    rng = np.random.default_rng(5)
    shape = np.concatenate([np.ones((6, 1)), rng.normal(size=(6, 4))], axis=1)
    radius = np.linspace(200e-6, 700e-6, 6)
    k = np.array([[900.0], [1800.0], [9000.0]])
    r, x = self_impedance(shape, radius=radius, wavenumber=k, density=1.2, sound_speed=343.0)
    assert r.shape == (3, 6)
    for i in range(3):
        for j in range(6):
            one = self_impedance(
                shape[j], radius=radius[j], wavenumber=k[i, 0], density=1.2, sound_speed=343.0
            )
            assert (r[i, j], x[i, j]) == one
    r2, x2 = self_impedance(
        shape, radius=2 * radius, wavenumber=k / 2, density=2.4, sound_speed=343.0
    )
    np.testing.assert_allclose(r2, 8 * r, rtol=1e-12)
    np.testing.assert_allclose(x2, 8 * x, rtol=1e-12)


def test_cross_terms_are_the_polarisation_of_the_self_terms() -> None:
    a, b = np.array([1.0, 0.4, -0.2]), np.array([1.0, -3.0, 1.0])
    cross = rad.impedance_series(a, other=b)
    for k in range(2):
        total, first, second = (rad.impedance_series(v)[k] for v in (a + b, a, b))
        np.testing.assert_allclose(total, first + second + 2 * cross[k], rtol=1e-11)
        np.testing.assert_allclose(cross[k], rad.impedance_series(b, other=a)[k], rtol=1e-12)


def test_scalar_kernels_equal_the_arrays() -> None:
    shape = np.array([1.0, -0.5, 0.2])
    r_n, x_n = rad.impedance_series(shape)
    q_n = rad.directivity_series(shape)
    for ka in (0.1, 0.9, 3.9):
        r, x, _ = rad.impedance_from_series(ka, r_n, x_n)
        np.testing.assert_allclose(rad.self_resistance_series(ka, r_n), r, rtol=1e-12)
        np.testing.assert_allclose(rad.self_reactance_series(ka, x_n), x, rtol=1e-12)
        np.testing.assert_allclose(
            rad.directivity_scalar(ka, q_n), rad.directivity(shape, ka), rtol=1e-12
        )


def test_series_out_of_range_is_a_status_not_a_number() -> None:
    r, x, status = rad.impedance_from_series([1.0, 4.1, np.nan], *rad.impedance_series(STATIC))
    assert status.tolist() == [0, rad.STATUS_SERIES_RANGE, rad.STATUS_SERIES_RANGE]
    assert np.isfinite(r).tolist() == np.isfinite(x).tolist() == [True, False, False]


@pytest.mark.parametrize("bad", [1.0, [], [1.0] * 11])
def test_bad_shapes_are_refused(bad: object) -> None:
    with pytest.raises(ValueError, match="shape"):
        rad.impedance_series(bad)  # type: ignore[arg-type]
