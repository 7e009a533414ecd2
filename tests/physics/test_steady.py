"""One-mode steady states (M6, M7): polynomial roots, the reference table, time integration."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import quad

from arrayopt.physics.steady import steady
from tests.support.paths import REFERENCE
from tests.support.references import read_references

IDENTITY = 1e-12
SWEEPS = REFERENCE / "duffing_sweeps.csv"
ROWS = read_references()
log = st.floats(-4.0, 4.0)


def power(d: float, l: float, g: float, F: float) -> float:  # noqa: E741
    """|A|^2 of M7.1 on an up-sweep."""
    found, _ = steady.steady_amplitude(
        1.0, mass=abs(d) + 1.0 - d, damping=l, stiffness=abs(d) + 1.0, cubic=g, force=F
    )
    return float(np.abs(found) ** 2)


def differs(w: np.ndarray, zeta: float, g: float, F: float) -> np.ndarray:
    """Where up- and down-sweep have different amplitudes; frequencies in units of w0."""
    up, down = (
        steady.steady_amplitude(
            w, mass=1.0, damping=2 * zeta, stiffness=1.0, cubic=g, force=F, sweep_up=way
        ).amplitude
        for way in (True, False)
    )
    return np.abs(np.abs(up) / np.abs(down) - 1.0) > 1e-6


def jumps(zeta: float, g: float, F: float) -> tuple[float, float]:
    """Ends of the band in which the sweeps differ (w0 = 1): where hardening jumps up, and down."""
    ends = []
    for way in (1, -1):
        w = np.linspace(0.8, 3.0, 20001)[::way]
        for _ in range(3):
            first = int(np.argmax(differs(w, zeta, g, F)))
            assert first > 0
            w = np.linspace(w[first - 1], w[first], 2001)
        ends.append(float(w[1000]))
    return ends[0], ends[1]


@settings(max_examples=300, deadline=None)
@given(st.floats(-100.0, 100.0), log, log, st.sampled_from([-1.0, 1.0]), st.booleans())
def test_sweeps_ride_the_outer_roots(s, log_gamma, log_scale, sign, up):
    """M7.2 by numpy.roots; SI-sized values: l of 1e-7..10 N/m, amplitudes near 1e-6 m."""
    gamma, l = 10.0**log_gamma, 1e-3 * 10.0**log_scale  # noqa: E741
    roots = np.roots([1.0, -2.0 * s, 1.0 + s * s, -gamma])
    real = np.sort(roots[np.abs(roots.imag) < 1e-6 * np.abs(roots)].real)
    if real.size == 2 or (real.size == 3 and np.diff(real).min() < 1e-5 * real.max()):
        return  # on a fold numpy.roots itself is only good to the root of rounding
    d, g = -s * sign * l, sign * l / 1e-12
    k1 = abs(d) + l
    found, _ = steady.steady_amplitude(
        1.0, mass=k1 - d, damping=l, stiffness=k1, cubic=g, sweep_up=up,
        force=math.sqrt(gamma * l**3 / (0.75 * abs(g))),
    )  # fmt: skip
    y = 0.75 * abs(g) * abs(found) ** 2 / l
    # numpy.roots is backward stable on the polynomial: small roots lose digits to large ones
    rtol = 1e-6 + 1e-12 * (np.abs(roots).max() / real[0]) ** 2
    assert_allclose(y, real[-1] if (sign > 0) == up else real[0], rtol=rtol)


def test_linear_undriven_and_softening_limits():
    for d in (-3.0, 0.0, 2.0):
        assert_allclose(power(d, 0.5, 0.0, 2.0), 16.0 / (1 + (d / 0.5) ** 2), rtol=IDENTITY)
    # F = 0 must not pick the free-vibration root of the undamped backbone
    assert power(-50.0, 1.0, 1.0, 0.0) == 0.0
    w = np.linspace(0.7, 1.6, 301)
    case = {"mass": 1.0, "stiffness": 1.0, "damping": 0.05, "force": 0.1}
    up, _ = steady.steady_amplitude(w, cubic=0.0, **case)
    assert_allclose(up, 0.1 / (1.0 - w**2 + 0.05j * w), rtol=IDENTITY)
    each, _ = steady.steady_amplitude(w, cubic=0 * w + 0.8, **case)
    assert np.array_equal(each, steady.steady_amplitude(w, cubic=0.8, **case).amplitude)


def test_status_marks_what_cannot_be_used():
    bad = steady.steady_amplitude(
        1.0, mass=1.0, damping=np.array([0.1, 0.0, np.nan]), stiffness=1.0, cubic=0.1, force=0.1
    )
    assert_allclose(bad.status, [0, 1, 1])
    assert np.isnan(bad.amplitude[1:]).all()
    assert np.isfinite(bad.amplitude[0])
    # softening driven past the backbone's largest power, swept down (M7.6)
    soft = steady.steady_amplitude(
        np.linspace(0.3, 1.2, 50),
        mass=1.0,
        damping=0.02,
        stiffness=1.0,
        cubic=-1.0,
        force=0.1,
        sweep_up=False,
    )
    assert (soft.status & steady.SteadyStatus.BEYOND_SOFTENING).any()
    single = steady.steady_amplitude(
        1.0, mass=1.0, damping=0.1, stiffness=1.0, cubic=0.1, force=0.1
    )
    assert np.ndim(single.amplitude) == 0


# --- onset and jumps -------------------------------------------------------------------------


@pytest.mark.parametrize("Q", [10, 20, 50, 100, 200])
def test_onset_table(check_outside: Callable[..., None], Q: int):
    force = steady.onset_force(1.0, c=1.0 / Q, k1=1.0, g=1.0)
    check_outside(f"duff.onset_hb.L.Q{Q}", float(force) ** 2, "M7.4")
    if Q in (50, 100):
        w = steady.onset_frequency(1.0, c=1.0 / Q, k1=1.0, g=1.0)
        check_outside(f"duff.onset_hb.w.Q{Q}", float(w), "M7.4")


def test_weak_limits(check_outside: Callable[..., None]):
    zeta = 1e-11
    F = float(steady.onset_force(1.0, c=2 * zeta, k1=1.0, g=1.0))
    check_outside("duff.Fcrit", F**2 / zeta**3, "M7.4")
    # the detuning, extrapolated to zeta = 0 from two small ones (it is linear in zeta)
    coarse, fine = (
        (float(steady.onset_frequency(1.0, c=2 * z, k1=1.0, g=1.0)) - 1) / (2 * z)
        for z in (2e-5, 1e-5)
    )
    check_outside("duff.detuning", 2 * fine - coarse, "M7.4")
    # amplitude at the cusp; a double root of the third order holds only eps^(1/3) of X
    zeta = 1e-6
    F = float(steady.onset_force(1.0, c=2 * zeta, k1=1.0, g=1.0))
    w = float(steady.onset_frequency(1.0, c=2 * zeta, k1=1.0, g=1.0))
    X = power(1 - w * w, 2 * zeta * w, 1.0, F)
    check_outside("duff.Acusp", math.sqrt(X / (2 * zeta)), "M7.4", rel_tol=3e-4)
    # peak: on the backbone w^2 = 1 + 3/4 X, where F = 2 zeta w sqrt(X); weak limit w = 1
    peak = F / (2 * zeta)
    wp = math.sqrt(1 + 0.75 * peak**2)
    X = power(1 - wp * wp, 2 * zeta * wp, 1.0, F)
    # finite zeta = 1e-6 moves it by about zeta
    check_outside("duff.Apeak_crit", math.sqrt(X / (2 * zeta)), "M7.4", rel_tol=1e-5)


@settings(max_examples=60, deadline=None)
@given(st.floats(-3.5, -0.5), st.sampled_from([1.0, -1.0]))
def test_onset_is_where_three_states_first_appear(log_zeta, sign):
    # softening near its limit of 1/3 meets the low-frequency states beyond the barrier (M7.6)
    zeta = min(10.0**log_zeta, 0.3 if sign > 0 else 0.1)
    onset = float(steady.onset_force(2.0, c=2 * zeta * math.sqrt(6.0), k1=3.0, g=sign * 5.0))
    centre = float(steady.onset_frequency(2.0, c=2 * zeta * math.sqrt(6.0), k1=3.0, g=sign * 5.0))
    w = centre * (1.0 + zeta * np.linspace(-0.3, 0.3, 4001))
    l = 2 * zeta * math.sqrt(6.0) * w  # noqa: E741
    s = -sign * (3.0 - 2.0 * w * w) / l
    for factor in (1.0 - 1e-2, 1.0 + 1e-2):
        gamma = 3.75 * (factor * onset) ** 2 / l**3
        # discriminant of y^3 - 2 s y^2 + (1 + s^2) y - gamma over -4: negative for three roots
        three = (1 + s * s) ** 2 - s * (s * s + 9) * gamma + 6.75 * gamma**2 < 0.0
        assert three.any() == (factor > 1.0)


def test_no_onset():
    assert steady.onset_force(1.0, c=0.1, k1=1.0, g=0.0) == np.inf
    assert steady.onset_force(1.0, c=0.67, k1=1.0, g=-1.0) == np.inf
    assert np.isnan(steady.onset_frequency(1.0, c=0.67, k1=1.0, g=-1.0))
    assert np.isfinite(steady.onset_force(1.0, c=0.66, k1=1.0, g=-1.0))


@pytest.mark.parametrize("row", [r for r in ROWS if r.startswith(("duff.hb.", "duff.brennan."))])
def test_published_jumps(check_outside: Callable[..., None], row: str):
    """Exact folds; Brennan's forms leave out terms in zeta and (gamma F^2)^(2/3)."""
    kind, which, numbers = row.removeprefix("duff.").split(".", 2)
    zeta, g, F = (float(x) for x in re.fullmatch(r"z(.+)g(.+)F(.+)", numbers).groups())
    up, down = jumps(zeta, g, F)
    tolerance = {"up": 1.1e-2, "down": 1.2e-3}[which] if kind == "brennan" else None
    check_outside(row, up if which == "up" else down, "M7.6", rel_tol=tolerance)


def test_jumps_against_time_sweeps_of_the_table(check_outside: Callable[..., None]):
    # one harmonic against time integration: the third harmonic moves the jump down by 0.2 %
    up, down = jumps(0.01, 1.0, 0.02)
    check_outside("duff.sweep.up-sweep_jump-down.zeta=0.01", down, "M7.6", rel_tol=2e-3)
    check_outside("duff.sweep.down-sweep_jump-up.zeta=0.01", up, "M7.6")
    check_outside("duff.sweep.down-sweep_jump-up.zeta=0.05", jumps(0.05, 1.0, 0.3)[0], "M7.6")


@pytest.mark.parametrize("g", [1.0, -1.0])
def test_sweeps_differ_above_the_onset_only(g):
    zeta, w = 0.02, np.linspace(0.8, 1.3, 2001)
    onset = float(steady.onset_force(1.0, c=2 * zeta, k1=1.0, g=g))
    assert not differs(w, zeta, g, 0.99 * onset).any()
    assert differs(w, zeta, g, 1.05 * onset).any()


# --- bandwidth limits ------------------------------------------------------------------------


def fractional_bandwidth(w: np.ndarray, response: np.ndarray, level: float) -> float:
    """(f2 - f1)/mean between the outermost points above ``level`` of the peak, around the peak."""
    inside = response >= level * response.max()
    return float(2.0 * (w[inside][-1] - w[inside][0]) / (w[inside][-1] + w[inside][0]))


def test_small_drive_bandwidths():
    # linear resonator: 1/Q at -3 dB, sqrt3/Q at -6 dB in velocity (exact for velocity response)
    Q = 80.0
    w = np.linspace(0.96, 1.04, 160001)
    A, _ = steady.steady_amplitude(w, mass=1.0, damping=1 / Q, stiffness=1.0, cubic=1.0, force=1e-9)
    # rtol: both sides of the band land on a grid of 5e-7, second-order terms of 1/Q^2
    assert_allclose(fractional_bandwidth(w, w * np.abs(A), 2**-0.5), 1 / Q, rtol=1e-4)
    assert_allclose(fractional_bandwidth(w, w * np.abs(A), 0.5), math.sqrt(3) / Q, rtol=1e-4)


def test_strong_drive_bandwidth_ceilings():
    # common analysis, derived: on the backbone A w grows like w^2 and A w^2 like w^3, so
    # FBW -> 2 (1 - r)/(1 + r), r = 2^(-1/4), 2^(-1/2) for velocity, 2^(-1/6), 2^(-1/3) for pressure
    zeta = 1e-3
    F = 4e4 * float(steady.onset_force(1.0, c=2 * zeta, k1=1.0, g=1.0))
    grid = np.geomspace(1.0, 100.0, 4001)
    w = np.linspace(0.5, 1.0, 20001) * grid[differs(grid, zeta, 1.0, F)][-1]
    A, _ = steady.steady_amplitude(w, mass=1.0, damping=2 * zeta, stiffness=1.0, cubic=1.0, force=F)
    velocity, pressure = w * np.abs(A), w**2 * np.abs(A)
    for response, level, expected in (
        (velocity, 2**-0.5, 0.173),
        (velocity, 0.5, 0.343),
        (pressure, 2**-0.5, 0.115),
        (pressure, 0.5, 0.231),
    ):
        # the ceilings are quoted to three digits; the drive is finite
        assert_allclose(fractional_bandwidth(w, response, level), expected, rtol=5e-3)


# --- effective cubic -------------------------------------------------------------------------


def free_frequency(k2: float, k3: float, half_width: float) -> float:
    """Exact frequency of x'' + x + k2 x^2 + k3 x^3 = 0 at half peak-to-peak, by quadrature."""

    def potential(x: float) -> float:
        return x * x / 2 + k2 * x**3 / 3 + k3 * x**4 / 4

    # turning points a < 0 < b, b - a = 2 half_width, equal potential
    low, high = -half_width * 1.5, -half_width * 0.5
    for _ in range(200):
        a = 0.5 * (low + high)
        if potential(a) > potential(a + 2 * half_width):
            low = a
        else:
            high = a
    b = a + 2 * half_width
    mean, half = 0.5 * (a + b), half_width

    def integrand(theta: float) -> float:
        x = mean + half * math.sin(theta)
        # (V(b) - V(x)) / ((b - x)(x - a)) by polynomial division stays smooth at the ends
        s1, s2 = x + b, x * x + x * b + b * b
        s3 = x**3 + x * x * b + x * b * b + b**3
        quotient = s1 / 2 + k2 * s2 / 3 + k3 * s3 / 4  # (V(b) - V(x))/(b - x)
        return math.sqrt((x - a) / (2 * quotient)) if x > a else 0.0

    period = 2 * quad(integrand, -math.pi / 2, math.pi / 2, epsabs=0, epsrel=1e-12)[0]
    return 2 * math.pi / period


def test_effective_cubic_shift(check_outside: Callable[..., None]):
    g, status = steady.effective_cubic(1.0, k2=0.5, k3=1.0, amplitude=0.101708)
    assert status == 0
    # the row is the exact period; the effective cubic leaves terms of (k2 A/k1)^2 of the shift
    check_outside("duff.quad.w", math.sqrt(1 + 0.75 * float(g) * 0.101708**2), "M7.5", rel_tol=2e-5)


@pytest.mark.parametrize("ratio", [0.0, 0.5, 1.0, 2.0])
def test_effective_cubic_error_at_its_limit(ratio):
    # k2 A/k1 = 0.15; k3 from none to twice the quadratic's own part of the effective cubic
    k2, A = 1.0, 0.15
    k3 = ratio * 10.0 / 9.0
    g, status = steady.effective_cubic(1.0, k2=k2, k3=k3, amplitude=A)
    # ratio 0: the quadratic alone leaves the second equilibrium at -k1/k2, out of reach at A
    assert status == (0 if k3 == 0 or k2**2 <= 4 * k3 else steady.SteadyStatus.NOT_WEAKLY_QUADRATIC)
    exact = free_frequency(k2, k3, A) - 1.0
    shift = 3.0 / 8.0 * float(g) * A * A
    assert abs(shift - exact) <= 0.05 * 3.0 / 8.0 * (abs(k3) + 10.0 / 9.0) * A * A


def test_effective_cubic_status():
    _, status = steady.effective_cubic(1.0, k2=[0.1, 0.2, 2.5], k3=1.0, amplitude=[1.0, 1.0, 0.0])
    assert_allclose(status, [0, 4, 4])
    cubic, status = steady.effective_cubic(-1.0, k2=0.0, k3=1.0)
    assert status == steady.SteadyStatus.INVALID
    assert np.isnan(cubic)


# --- independent time integration ------------------------------------------------------------


def test_against_time_integration():
    # tests/reference/generate_duffing_sweeps.py (scipy DOP853, stepped sweep)
    with SWEEPS.open(newline="", encoding="utf-8") as stream:
        rows = [{k: float(v) for k, v in row.items()} for row in csv.DictReader(stream)]
    cases = sorted({(r["zeta"], r["g"], r["F"]) for r in rows})
    assert len(cases) == 2
    for zeta, g, F in cases:
        up, down = jumps(zeta, g, F) if g > 0 else jumps(zeta, g, F)[::-1]
        for sweep_up in (1.0, 0.0):
            part = [r for r in rows if (r["zeta"], r["g"], r["sweep_up"]) == (zeta, g, sweep_up)]
            w, reached = np.array([(r["w"], r["first_harmonic"]) for r in part]).T
            A, _ = steady.steady_amplitude(
                w,
                mass=1.0,
                damping=2 * zeta,
                stiffness=1.0,
                cubic=g,
                force=F,
                sweep_up=bool(sweep_up),
            )
            jump = down if (g > 0) == bool(sweep_up) else up
            # two steps of the sweep (0.4 %) either side of the jump: dwell and grid
            away = np.abs(w - jump) > 0.009
            # one harmonic leaves a third harmonic of 1 % at 3/4 g X = 0.37: amplitude within 1 %
            assert_allclose(np.abs(A)[away], reached[away], rtol=1e-2)
            step = np.argmax(np.abs(np.diff(np.log(reached))))
            assert_allclose(0.5 * (w[step] + w[step + 1]), jump, rtol=5e-3)
