"""Several modes, several harmonics (M7.11 to M7.17) against tables, time integration and limits."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from arrayopt.physics.plate.diaphragm import modes_at, plate_table
from arrayopt.physics.plate.laminate import Layer, sections
from arrayopt.physics.steady.harmonic import HarmonicStatus, HarmonicSweep, harmonic_sweep
from arrayopt.physics.steady.steady import onset_force, steady_amplitude
from tests.support.paths import REFERENCE

SWEEPS = REFERENCE / "two_mode_sweeps.csv"


def duffing(w, *, zeta, g, F, k2=0.0, **options) -> HarmonicSweep:
    return harmonic_sweep(
        w,
        mass=[1.0],
        stiffness=[1.0],
        damping=[2 * zeta],
        quadratic_tensor=np.full((1, 1, 1), k2),
        cubic_tensor=np.full((1, 1, 1, 1), g),
        force=[F],
        **options,
    )


def in_time(amplitudes: np.ndarray, samples: int = 256) -> np.ndarray:
    """Motion over one period from complex harmonics (..., H+1)."""
    phase = 2j * np.pi * np.arange(samples) / samples
    order = np.arange(amplitudes.shape[-1])[:, None]
    return (amplitudes[..., None] * np.exp(order * phase)).sum(axis=-2).real


# --- one mode, nine harmonics: the reference table -------------------------------------------

ROWS = [
    (0.01, 1.0, 0.02, ("up", "down", "xmax"), (1.05, 1.24)),
    (0.005, 0.5, 0.02, ("up", "down"), (1.04, 1.36)),
    (0.05, 1.0, 0.3, ("up", "down", "xmax"), (1.30, 1.80)),
    (0.01, 1.0, 0.005, ("up", "xmax"), (1.015, 1.03)),
    (0.02, 0.5, 0.1, ("down", "xmax"), (1.12, 1.47)),
]


@pytest.mark.parametrize(("zeta", "g", "F", "names", "band"), ROWS)
def test_nine_harmonic_table(check_outside: Callable[..., None], zeta, g, F, names, band):
    w = np.linspace(*band, 700)
    case = f"z{zeta}g{g}F{F}"
    rise = duffing(
        w, zeta=zeta, g=g, F=F, harmonics=9, interpolation=0.0, keep_harmonics=True, tolerance=1e-9
    )
    if "down" in names:
        check_outside(f"duff.mhb.down.{case}", float(rise.jump_frequency[0]), "M7.12")
    if "xmax" in names:
        # the table's maximum lies on the branch between grid points: 1e-4 is its own tolerance
        largest = np.abs(in_time(rise.harmonics[..., 0])).max()
        check_outside(f"duff.mhb.xmax.{case}", float(largest), "M7.12")
    if "up" in names:
        fall = duffing(w, zeta=zeta, g=g, F=F, harmonics=9, sweep_up=False, interpolation=0.0)
        check_outside(f"duff.mhb.up.{case}", float(fall.jump_frequency[0]), "M7.12")


def test_stepped_time_sweeps_of_the_table(check_outside: Callable[..., None]):
    w = np.linspace(1.0, 1.3, 300)
    rise = duffing(w, zeta=0.01, g=1.0, F=0.02)
    fall = duffing(w, zeta=0.01, g=1.0, F=0.02, sweep_up=False)
    down, up = float(rise.jump_frequency[0]), float(fall.jump_frequency[0])
    check_outside("duff.sweep.up-sweep_jump-down.zeta=0.01", down, "M7.15")
    check_outside("duff.sweep.down-sweep_jump-up.zeta=0.01", up, "M7.15")
    fall = duffing(np.linspace(1.2, 1.9, 300), zeta=0.05, g=1.0, F=0.3, sweep_up=False)
    check_outside("duff.sweep.down-sweep_jump-up.zeta=0.05", float(fall.jump_frequency[0]), "M7.15")


def test_free_frequency_with_quadratic_stiffness(check_outside: Callable[..., None]):
    # phase resonance (first harmonic in quadrature) of a nearly undamped mode is its free motion
    zeta, A = 1e-4, 0.101708
    w = np.linspace(0.999, 1.0029, 500)
    run = duffing(
        w, zeta=zeta, g=1.0, k2=0.5, F=2 * zeta * 1.00281 * A, harmonics=6, keep_harmonics=True,
        interpolation=0.0, tolerance=1e-10, stability_every=0,
    )  # fmt: skip
    real = run.amplitude[:, 0].real
    cross = int(np.argmax(real < 0)) - 1 if (real < 0).any() else len(w) - 1
    motion = in_time(run.harmonics[..., 0])
    half = 0.5 * (motion.max(axis=1) - motion.min(axis=1))
    # along the upper branch (w - 1)/A^2 changes by parts in 1e3 only: carry it over to A
    coefficient = (w[cross] - 1.0) / half[cross] ** 2
    detuned = real[cross] / np.abs(run.amplitude[cross, 0])
    assert abs(detuned) < 0.5
    # off quadrature the frequency is shifted by zeta cot(lag)
    shift = zeta * detuned / math.sqrt(1 - detuned**2)
    value = 1.0 + coefficient * A**2 + shift
    # ten times the source's tolerance: A is carried over from a grid point, see above
    check_outside("duff.quad.w", value, "M7.12", rel_tol=1e-6)


# --- agreement with the closed form and with linear algebra ----------------------------------


@pytest.mark.parametrize(("g", "up"), [(1.0, True), (1.0, False), (-0.05, True), (-0.05, False)])
def test_one_harmonic_is_the_closed_form(g, up):
    zeta = 0.02
    # softening: at three times onset the motion nears the barrier, where it is truly unstable
    F = (3.0 if g > 0 else 1.5) * float(onset_force(1.0, c=2 * zeta, k1=1.0, g=g))
    w = np.linspace(0.75, 1.45, 400)
    run = duffing(
        w, zeta=zeta, g=g, F=F, harmonics=1, sweep_up=up, interpolation=0.0, tolerance=1e-6
    )
    exact, _ = steady_amplitude(
        w, mass=1.0, damping=2 * zeta, stiffness=1.0, cubic=g, force=F, sweep_up=up
    )
    # 10 x the solver's 1e-6; both jump in the same grid interval
    assert_allclose(run.amplitude[:, 0], exact, rtol=1e-5)
    assert (run.status == 0).all()


def test_small_drive_is_linear_algebra_with_radiation():
    rng = np.random.default_rng(2)
    m, H, f = 3, 2, 60
    w = np.linspace(0.5, 4.5, f)
    mass, k = np.array([1.0, 0.7, 0.4]), np.array([1.0, 9.0, 20.0])
    R = 0.02 * rng.random((f, H, m, m))
    R = R + R.swapaxes(2, 3)
    X = 0.03 * rng.random((f, H, m, m))
    F = np.array([1e-9, 2e-9, -1e-9])
    run = harmonic_sweep(
        w, mass=mass, stiffness=k, damping=0.03 * mass, quadratic_tensor=np.zeros((m, m, m)),
        cubic_tensor=np.ones((m, m, m, m)), force=F, harmonics=H, radiation_resistance=R,
        radiation_reactance=X, interpolation=0.0, tolerance=1e-11,
    )  # fmt: skip
    for i in range(f):
        Z = np.diag(k - w[i] ** 2 * mass + 0.03j * w[i] * mass)
        Z = Z + 1j * w[i] * (R[i, 0] + 1j * X[i, 0])
        assert_allclose(run.amplitude[i], np.linalg.solve(Z, F.astype(complex)), rtol=1e-9)


def test_mathieu_instability():
    # principal parametric resonance, w = 2 w0, growth per period (P/4 - zeta) pi: McLachlan,
    # Theory and Application of Mathieu Functions (1947), from memory, leading order in P
    w = np.array([1.9, 2.0, 2.1])
    for P, zeta in ((0.04, 0.005), (0.04, 0.015)):
        run = duffing(
            w, zeta=zeta, g=1.0, F=0.0, parametric_stiffness=[[P]], stability_every=1,
            interpolation=0.0,
        )  # fmt: skip
        assert_allclose(run.multiplier[1], math.exp((P / 4 - zeta) * math.pi), rtol=2e-3)
        assert (run.status[1] == HarmonicStatus.UNSTABLE) == (zeta < P / 4)
        assert_allclose(run.multiplier[0], math.exp(-2 * math.pi * zeta / 1.9), rtol=2e-3)


def test_parametric_drive_and_bow_against_time_integration():
    w, zeta, k2, g, P, F = 0.97, 0.05, 0.4, 0.8, 0.15, 0.06

    def rhs(t, y):
        stiff = (1 + P * math.cos(w * t)) * y[0] + k2 * y[0] ** 2 + g * y[0] ** 3
        return [y[1], F * math.cos(w * t) - 2 * zeta * y[1] - stiff]

    period = 2 * math.pi / w
    times = 60 * period + np.arange(65) * period / 64
    y = solve_ivp(rhs, (0, times[-1]), [0, 0], "DOP853", times, rtol=1e-9, atol=1e-12).y[0, :-1]
    run = duffing(
        [w], zeta=zeta, g=g, k2=k2, F=F, parametric_stiffness=[[P]], harmonics=5,
        keep_harmonics=True, tolerance=1e-9,
    )  # fmt: skip
    # what is left of the transient after 60 periods is exp(-60 * 2 pi * 0.05) of it
    assert_allclose(in_time(run.harmonics[0, :, 0], 64), y, rtol=0, atol=1e-4 * np.abs(y).max())
    assert run.static_shift[0, 0] < 0.0


# --- two modes against time integration ------------------------------------------------------


def test_two_modes_against_time_integration():
    # tests/reference/generate_two_mode_sweeps.py (scipy DOP853, stepped sweep, same modes)
    with SWEEPS.open(newline="", encoding="utf-8") as stream:
        rows = np.array([[float(v) for v in row.values()] for row in csv.DictReader(stream)])
    Q, C = np.zeros((2, 2, 2)), np.zeros((2, 2, 2, 2))
    for index in np.ndindex(2, 2, 2):
        Q[index] = (0.15, -0.10, 0.05, 0.0)[sum(index)]
    for index in np.ndindex(2, 2, 2, 2):
        C[index] = (0.50084, 0.43869, 1.37988, 3.19111, 17.31839)[sum(index)]
    for up in (1.0, 0.0):
        part = rows[rows[:, 0] == up]
        part = part[np.argsort(part[:, 1])]
        # every third point is one of the sweep's; the copies that differ by rounding stay in, since
        # a user's merged grid may hold such pairs too
        w = np.unique(np.concatenate([part[:, 1], np.linspace(0.96, 1.44, 241)]))
        at = np.searchsorted(w, part[:, 1])
        run = harmonic_sweep(
            w, mass=[1.0, 1.0], stiffness=[1.0, 15.1562],
            damping=np.sqrt([1.0, 15.1562]) / 30.0, quadratic_tensor=Q, cubic_tensor=C,
            force=[0.08, -0.045], sweep_up=bool(up), length=1.0,
        )  # fmt: skip
        assert (run.status == 0).all()
        step = np.argmax(np.abs(np.diff(np.log(part[:, 2]))))
        jump = float(run.jump_frequency[0])
        assert_allclose(jump, 0.5 * (part[step, 1] + part[step + 1, 1]), rtol=5e-3)
        away = np.abs(part[:, 1] - jump) > 0.01
        assert_allclose(np.abs(run.amplitude[at, 0])[away], part[away, 2], rtol=1e-2)
        scale = part[:, 2].max()
        # the second mode and the mean against the size of the motion they are part of
        assert_allclose(
            np.abs(run.amplitude[at, 1])[away], part[away, 3], rtol=0, atol=0.01 * scale
        )
        assert_allclose(run.static_shift[at][away], part[away, 4:6], rtol=0, atol=0.01 * scale)


# --- the clamped disc ------------------------------------------------------------------------

THICKNESS, QUALITY = 2e-6, 53.0


@pytest.fixture(scope="module")
def disc():
    layer = Layer("plate", THICKNESS, 155e9, 0.3, 2330.0, active=True, e31f=-1.0)
    table = plate_table(*sections((layer,)), ring=False, n_transverse=5, n_inplane=10)
    return modes_at(table, None, radius=np.array(200e-6), coverage=np.array(0.7), n_modes=3)


def disc_sweep(disc, m: int, drives, *, points=600, stop=1.9, **options):
    natural = np.sqrt(disc.stiffness / disc.mass)
    onset = float(
        onset_force(
            disc.mass[0], c=disc.mass[0] * natural[0] / QUALITY, k1=disc.stiffness[0],
            g=disc.cubic[0],
        )
    )  # fmt: skip
    w = np.linspace(0.7, stop, points) * natural[0]
    load = disc.volume / disc.volume[0] * onset  # uniform pressure
    return w / natural[0], harmonic_sweep(
        w, mass=disc.mass[:m], stiffness=disc.stiffness[:m],
        damping=(disc.mass * natural / QUALITY)[:m],
        quadratic_tensor=disc.quadratic_tensor[:m, :m, :m],
        cubic_tensor=disc.cubic_tensor[:m, :m, :m, :m],
        force=np.asarray(drives)[:, None] * load[:m], length=THICKNESS, **options,
    )  # fmt: skip


def test_strong_drive_of_a_uniform_disc(disc):
    # slow up-sweeps in time made for this project, Q = 53, 6, 10, 15 times onset
    expected = {1: (1.32, 1.87, 2.41), 3: (1.19, 1.44, 1.61)}
    for m, values in expected.items():
        _, run = disc_sweep(disc, m, (6.0, 10.0, 15.0), keep_harmonics=True)
        assert (run.status == 0).all()
        centre = in_time(run.harmonics.sum(axis=-1), 64).max(axis=-1).max(axis=-1) / THICKNESS
        # printed to 2 digits, and neither the load's shape nor the higher modes' losses are stated
        assert_allclose(centre, values, rtol=2.5e-2)


def test_three_harmonics_are_enough(disc):
    drives = (1.0, 3.0, 6.0)
    options = {"points": 400, "stop": 1.5, "stability_every": 0}
    _, three = disc_sweep(disc, 2, drives, harmonics=3, **options)
    _, five = disc_sweep(disc, 2, drives, harmonics=5, **options)
    near = np.abs(three.amplitude[..., 0] / five.amplitude[..., 0] - 1.0)
    # weak and middling drive: harmonics 4 and 5 do not matter; at 6 times onset (w/h = 1.2) they
    # do by 1 %, and only in the last per cent of frequency below the jump
    assert near[:2].max() < 1e-3
    w = np.linspace(0.7, 1.5, 400)
    jump = five.jump_frequency[2, 0] * math.sqrt(disc.mass[0] / disc.stiffness[0])
    assert near[2, np.abs(w / jump - 1.0) > 0.01].max() < 7e-3
    assert_allclose(three.jump_frequency[:, 0], five.jump_frequency[:, 0], rtol=1e-3)


def test_interpolated_points_hold_their_tolerance(disc):
    _, quick = disc_sweep(disc, 2, (0.5, 5.0), points=400, stop=1.5, stability_every=0)
    _, full = disc_sweep(
        disc, 2, (0.5, 5.0), points=400, stop=1.5, stability_every=0, interpolation=0.0,
        tolerance=1e-9,
    )  # fmt: skip
    scale = np.abs(full.amplitude).max(axis=-1)
    # 1e-4 asked, an estimate from the predictor; a factor of five is kept for its coarseness
    assert (np.abs(quick.amplitude - full.amplitude).max(axis=-1) < 5e-4 * scale).all()
    assert_allclose(quick.jump_frequency, full.jump_frequency, rtol=1e-5)


def test_result_does_not_depend_on_the_batch(disc):
    _, many = disc_sweep(disc, 2, (0.5, 2.0, 5.0), points=200)
    for i, drive in enumerate((0.5, 2.0, 5.0)):
        _, one = disc_sweep(disc, 2, (drive,), points=200)
        np.testing.assert_array_equal(one.amplitude[0], many.amplitude[i])


# --- limits and messages ---------------------------------------------------------------------


def test_softening_escape_has_a_status():
    w = np.linspace(0.5, 1.2, 200)
    run = duffing(w, zeta=0.01, g=-1.0, F=0.15, sweep_up=False)
    assert (run.status & HarmonicStatus.ESCAPED).any()
    bad = run.status & (HarmonicStatus.ESCAPED | HarmonicStatus.UNCONVERGED)
    assert np.isnan(run.amplitude[bad > 0]).all()
    assert np.isfinite(run.amplitude[bad == 0]).all()


def test_invalid_rows_do_not_spoil_others():
    mass = np.array([[1.0], [-1.0], [np.nan]])
    run = harmonic_sweep(
        np.linspace(0.8, 1.2, 30), mass=mass, stiffness=[1.0], damping=[0.05],
        quadratic_tensor=np.zeros((1, 1, 1)), cubic_tensor=np.ones((1, 1, 1, 1)), force=[0.01],
    )  # fmt: skip
    assert (run.status[0] == 0).all()
    assert (run.status[1:] == HarmonicStatus.INVALID).all()
    assert np.isnan(run.amplitude[1:]).all()


def test_mistakes_are_named():
    good = {
        "mass": [1.0, 1.0], "stiffness": [1.0, 9.0], "damping": [0.1, 0.1],
        "quadratic_tensor": np.zeros((2, 2, 2)), "cubic_tensor": np.zeros((2, 2, 2, 2)),
        "force": [1.0, 0.0],
    }  # fmt: skip
    lopsided = np.zeros((2, 2, 2))
    lopsided[0, 1, 1] = 1.0
    with pytest.raises(ValueError, match="quadratic_tensor is not symmetric"):
        harmonic_sweep([1.0, 2.0], **{**good, "quadratic_tensor": lopsided})
    with pytest.raises(ValueError, match="must increase"):
        harmonic_sweep([2.0, 1.0], **good)
    with pytest.raises(ValueError, match="harmonics 10"):
        harmonic_sweep([1.0, 2.0], harmonics=10, **good)
    with pytest.raises(ValueError, match="together"):
        harmonic_sweep([1.0, 2.0], radiation_resistance=np.zeros((2, 3, 2, 2)), **good)
