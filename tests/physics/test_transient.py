"""M8 in time: closed-form linear bursts, scipy's solve_ivp, order, batches, status."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from arrayopt.physics.steady.steady import steady_amplitude
from arrayopt.physics.transient.one_mode import (
    QUANTITIES,
    STEP_LADDER,
    BurstResponse,
    TransientStatus,
    burst_envelope,
    steps_for_tolerance,
)

# A diaphragm of about 100 kHz: mass 1e-10 kg, Q = 40, 1 um per 0.01 mN.
MASS = 1.0e-10
NATURAL = 1.0e5
STIFFNESS = MASS * (2.0 * np.pi * NATURAL) ** 2
QUALITY = 40.0
DAMPING = MASS * 2.0 * np.pi * NATURAL / QUALITY
CUBIC = 0.5 * STIFFNESS / (2.0e-6) ** 2
FORCE = 1.0e-6  # N/V

CELL: dict[str, Any] = {
    "mass": MASS,
    "damping": DAMPING,
    "stiffness": STIFFNESS,
    "force_per_volt": FORCE,
}


def window_means(
    frequency: float, centres: NDArray[np.float64], signal: Callable[..., Any]
) -> NDArray[np.complex128]:
    """M8.3 by Gauss-Legendre quadrature of a known signal (zero before t = 0)."""
    nodes, weights = np.polynomial.legendre.leggauss(48)
    start = np.maximum(centres - 0.5 / frequency, 0.0)[:, None]
    stop = np.maximum(centres + 0.5 / frequency, 0.0)[:, None]
    t = 0.5 * (start + stop) + 0.5 * (stop - start) * nodes
    values = signal(t) * np.exp(-2j * np.pi * frequency * t)
    return np.asarray(frequency * (stop - start)[:, 0] * (values * weights).sum(axis=-1))


def linear_burst(
    t: NDArray[np.float64], *, frequency: float, duration: float, volt: float, phase: float
) -> NDArray[np.float64]:
    """Displacement of the linear oscillator under a tone burst from rest, in closed form.

    Steady state plus the free decay that cancels it at t = 0; minus the same started at T
    (any vibration text, e.g. Meirovitch, Fundamentals of Vibrations, 2001, ch. 3; from memory).
    """
    w = 2.0 * np.pi * frequency

    def switched(time: NDArray[np.float64], phi: float) -> NDArray[np.float64]:
        a = FORCE * volt * np.exp(1j * phi) / (STIFFNESS - w**2 * MASS + 1j * w * DAMPING)
        decay = 0.5 * DAMPING / MASS
        free = np.sqrt(STIFFNESS / MASS - decay**2)
        x0 = -a.real
        v0 = -(1j * w * a).real
        late = np.maximum(time, 0.0)
        motion = (a * np.exp(1j * w * late)).real + np.exp(-decay * late) * (
            x0 * np.cos(free * late) + (v0 + decay * x0) / free * np.sin(free * late)
        )
        return np.asarray(np.where(time > 0.0, motion, 0.0))

    return switched(t, phase) - switched(t - duration, phase + w * duration)


def integrate(
    *,
    frequency: float,
    duration: float,
    ring_down: float,
    volt: float,
    phase: float = 0.0,
    quadratic: float = 0.0,
    cubic: float = 0.0,
    end_frequency: float | None = None,
) -> Callable[..., Any]:
    """The same by scipy's DOP853 (rtol 1e-10), in two runs that meet at the burst's end."""
    last = frequency if end_frequency is None else end_frequency
    unit = 1.0e-6  # metres per unit of the integrated displacement
    pace = 2.0 * np.pi * NATURAL

    def rhs(s: float, y: Any, on: float) -> list[float]:
        t = s / pace
        turn = 2.0 * np.pi * (frequency * t + 0.5 * (last - frequency) / duration * t * t)
        x = y[0] * unit
        pull = STIFFNESS * x + quadratic * x * x + cubic * x**3 + DAMPING * y[1] * unit * pace
        push = on * FORCE * volt * np.cos(turn + phase)
        return [y[1], (push - pull) / MASS / unit / pace**2]

    options: dict[str, Any] = {
        "method": "DOP853",
        "rtol": 1e-10,
        "atol": 1e-13,
        "dense_output": True,
    }
    on = solve_ivp(rhs, (0.0, duration * pace), [0.0, 0.0], args=(1.0,), **options)
    stop = (duration + ring_down + 2.0 / last) * pace
    off = solve_ivp(rhs, (duration * pace, stop), on.y[:, -1], args=(0.0,), **options)

    def signal(t: NDArray[np.float64]) -> NDArray[np.float64]:
        s = t * pace
        inside = on.sol(np.clip(s, 0.0, duration * pace).ravel())[0].reshape(t.shape)
        after = off.sol(np.clip(s, duration * pace, stop).ravel())[0].reshape(t.shape)
        return np.asarray(unit * np.where(t < duration, inside, after))

    return signal


def distance(response: BurstResponse, expected: NDArray[np.complex128]) -> float:
    """Largest gap over time, relative to the peak of the envelope."""
    return float(np.abs(response.envelope - expected).max() / np.abs(expected).max())


@pytest.mark.parametrize("cycles", [12.0, 12.37, 0.6])
@pytest.mark.parametrize("detuning", [1.0, 0.95])
def test_linear_burst_is_the_closed_form(cycles: float, detuning: float) -> None:
    frequency = detuning * NATURAL
    duration = cycles / frequency
    drive = {"frequency": frequency, "duration": duration}
    response = burst_envelope(
        **drive, drive_amplitude=3.0, drive_phase=0.7, ring_down=2e-4, tolerance=1e-6, **CELL
    )
    expected = window_means(
        frequency,
        response.time,
        lambda t: linear_burst(t, **drive, volt=3.0, phase=0.7),
    )
    assert response.status == TransientStatus.OK
    # Ten times the stepper's own tolerance.
    assert distance(response, expected) < 1e-5


@pytest.mark.parametrize(
    ("detuning", "cycles", "volt", "quadratic"),
    [
        (1.0, 20.0, 1.0, 0.0),
        (1.06, 33.4, 6.0, 0.0),
        (1.10, 15.0, 20.0, 0.0),
        (1.02, 25.7, 5.0, 0.3 * STIFFNESS / 2.0e-6),
    ],
)
def test_nonlinear_burst_agrees_with_solve_ivp(
    detuning: float, cycles: float, volt: float, quadratic: float
) -> None:
    frequency = detuning * NATURAL
    drive = {"frequency": frequency, "duration": cycles / frequency, "ring_down": 3e-4}
    signal = integrate(**drive, volt=volt, phase=-0.4, quadratic=quadratic, cubic=CUBIC)
    response = burst_envelope(
        **drive,
        drive_amplitude=volt,
        drive_phase=-0.4,
        quadratic=quadratic,
        cubic=CUBIC,
        **CELL,
    )
    # The default tolerance.
    assert distance(response, window_means(frequency, response.time, signal)) < 1e-4


@pytest.mark.parametrize("end", [1.15, 0.9])
def test_chirp_agrees_with_solve_ivp(end: float) -> None:
    frequency = (0.95 if end > 1.0 else 1.2) * NATURAL
    drive = {"frequency": frequency, "end_frequency": end * NATURAL, "duration": 4.0037e-4}
    signal = integrate(**drive, ring_down=1e-4, volt=5.0, phase=0.2, cubic=CUBIC)
    response = burst_envelope(
        **drive, drive_amplitude=5.0, drive_phase=0.2, cubic=CUBIC, ring_down=0.0, **CELL
    )
    # Windows of one drive cycle: bounds from the phase of the chirp, as M8.1 and M8.3 say.
    rate = (drive["end_frequency"] - frequency) / drive["duration"]
    total = 0.5 * (frequency + drive["end_frequency"]) * drive["duration"]
    cycles = total + np.arange(-response.burst_end, 1.0)
    stop = 2.0 * cycles / (frequency + np.sqrt(frequency**2 + 2.0 * rate * cycles))
    before = cycles - 1.0
    start = 2.0 * before / (frequency + np.sqrt(frequency**2 + 2.0 * rate * before))
    nodes, weights = np.polynomial.legendre.leggauss(48)
    start, stop = start[1:, None], stop[1:, None]
    t = 0.5 * (start + stop) + 0.5 * (stop - start) * nodes
    turn = 2.0 * np.pi * (frequency * t + 0.5 * rate * t * t)
    expected = (weights * signal(t) * np.exp(-1j * turn)).sum(axis=-1)
    found = response.envelope[1:]
    assert np.abs(found - expected).max() < 1e-4 * np.abs(expected).max()


def test_velocity_and_acceleration_are_the_derivatives() -> None:
    frequency, duration = 1.03 * NATURAL, 21.4 / NATURAL
    options: dict[str, Any] = {
        "duration": duration,
        "drive_amplitude": 1.0,
        "ring_down": 1e-4,
        "tolerance": 1e-6,
        **CELL,
    }
    step = 1e-3 / frequency

    def moved(t: NDArray[np.float64]) -> NDArray[np.float64]:
        return linear_burst(t, frequency=frequency, duration=duration, volt=1.0, phase=0.0)

    def velocity(t: NDArray[np.float64]) -> NDArray[np.float64]:
        return (moved(t + step) - moved(t - step)) / (2.0 * step)

    found = burst_envelope(frequency, quantity="velocity", **options)
    expected = window_means(frequency, found.time, velocity)
    # Central differences of a step of 1e-3 cycles are off by (2 pi 1e-3)^2/6 = 7e-6.
    assert distance(found, expected) < 2e-5
    # Acceleration from the equation of motion, term by term.
    parts = [burst_envelope(frequency, quantity=q, **options) for q in QUANTITIES]
    drive = window_means(
        frequency,
        found.time,
        lambda t: FORCE * np.cos(2.0 * np.pi * frequency * t) * (t < duration),
    )
    x, v, a = (p.envelope for p in parts)
    residual = MASS * a + DAMPING * v + STIFFNESS * x - drive
    assert np.abs(residual).max() < 1e-5 * np.abs(STIFFNESS * x).max()


def test_error_falls_with_the_fourth_power_of_the_step() -> None:
    frequency, duration = 1.05 * NATURAL, 18.3 / NATURAL
    drive: dict[str, Any] = {
        "duration": duration,
        "drive_amplitude": 6.0,
        "cubic": CUBIC,
        "quadratic": 0.1 * STIFFNESS / 2e-6,
        "ring_down": 1e-4,
        **CELL,
    }
    fine = burst_envelope(frequency, steps_per_cycle=1024, **drive).envelope
    errors = [
        np.abs(burst_envelope(frequency, steps_per_cycle=n, **drive).envelope - fine).max()
        for n in (48, 96, 192)
    ]
    rates = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    np.testing.assert_allclose(rates, 4.0, rtol=0.06)


def test_verify_states_the_error_and_refines_to_the_tolerance() -> None:
    frequency, duration = 1.05 * NATURAL, 30.0 / NATURAL
    drive: dict[str, Any] = {"duration": duration, "drive_amplitude": 5.0, "cubic": CUBIC, **CELL}
    checked = burst_envelope(frequency, verify=True, tolerance=1e-7, **drive)
    signal = integrate(frequency=frequency, duration=duration, ring_down=0.0, volt=5.0, cubic=CUBIC)
    error = distance(checked, window_means(frequency, checked.time, signal))
    assert checked.status == TransientStatus.OK
    assert checked.error <= 1e-7
    # The reference itself is good to about 1e-9.
    np.testing.assert_allclose(error, checked.error, rtol=0.3)
    hopeless = burst_envelope(frequency, verify=True, tolerance=1e-15, **drive)
    assert hopeless.status == TransientStatus.UNRESOLVED
    assert np.isnan(hopeless.envelope).all()


def test_ring_down_follows_the_quality_factor() -> None:
    # A = exp(-w t/(2 Q)): -40 dB after 2 Q ln(100)/w, by the definition of Q.
    frequency = NATURAL * np.sqrt(1.0 - 0.25 / QUALITY**2)
    found = burst_envelope(
        frequency, duration=60 / NATURAL, drive_amplitude=1.0, ring_down=6e-4, **CELL
    )
    level = np.log(np.abs(found.envelope[found.burst_end + 1 :]))
    slope = np.polyfit(found.time[found.burst_end + 1 :], level, 1)[0]
    np.testing.assert_allclose(slope, -np.pi * NATURAL / QUALITY, rtol=1e-4)


def test_energy_balance_of_a_nonlinear_burst() -> None:
    """Work of the drive = stored + dissipated, from envelopes of a long, nearly steady burst."""
    frequency = 1.04 * NATURAL
    found = burst_envelope(
        frequency,
        duration=400 / NATURAL,
        drive_amplitude=3.0,
        cubic=CUBIC,
        quantity="velocity",
        **CELL,
    )
    v = found.envelope[found.burst_end]
    # In the steady state all work is dissipated: F Re(V)/2 = c mean(v^2). Third harmonic: < 1e-3.
    np.testing.assert_allclose(0.5 * FORCE * 3.0 * v.real, 0.5 * DAMPING * abs(v) ** 2, rtol=2e-3)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 2**31))
def test_an_oscillator_does_not_notice_its_batch(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 75
    drive: dict[str, Any] = {
        "frequency": rng.uniform(0.9, 1.1, n) * NATURAL,
        "duration": rng.uniform(1.0, 12.0, n) / NATURAL,
        "drive_amplitude": rng.uniform(0.1, 20.0, n),
        "drive_phase": rng.uniform(-3.0, 3.0, n),
        "cubic": CUBIC * rng.uniform(0.0, 1.0, n),
        "damping": DAMPING * rng.uniform(0.3, 3.0, n),
    }
    if seed % 2:
        drive["end_frequency"] = rng.uniform(0.9, 1.1, n) * NATURAL
    fixed = {"mass": MASS, "stiffness": STIFFNESS, "force_per_volt": FORCE, "ring_down": 5e-5}
    whole = burst_envelope(**drive, **fixed)
    threaded = burst_envelope(**drive, **fixed, parallel=True)
    assert np.array_equal(whole.envelope, threaded.envelope)
    for i in (0, 17, 74):
        alone = burst_envelope(**{k: v[i] for k, v in drive.items()}, **fixed)
        before = whole.burst_end - alone.burst_end
        kept = whole.envelope[i, before : before + alone.envelope.size]
        assert np.array_equal(kept, alone.envelope)
        assert alone.steps_per_cycle == whole.steps_per_cycle[i]
    order = rng.permutation(n)
    shuffled = burst_envelope(**{k: v[order] for k, v in drive.items()}, **fixed)
    assert np.array_equal(shuffled.envelope, whole.envelope[order])


def test_scaling_lengths_and_times() -> None:
    """x -> s x with k3/s^2, F s; t -> t/r with k r^2, c r: the same motion."""
    base = burst_envelope(
        1.03 * NATURAL, duration=15.2 / NATURAL, drive_amplitude=4.0, cubic=CUBIC, **CELL
    )
    s, r = 7.0, 0.31
    scaled = burst_envelope(
        1.03 * NATURAL * r,
        duration=15.2 / NATURAL / r,
        drive_amplitude=4.0,
        cubic=CUBIC / s**2 * r**2,
        mass=MASS,
        damping=DAMPING * r,
        stiffness=STIFFNESS * r**2,
        force_per_volt=FORCE * s * r**2,
    )
    assert (
        np.abs(scaled.envelope - s * base.envelope).max() < 1e-11 * s * np.abs(base.envelope).max()
    )
    np.testing.assert_allclose(scaled.time, base.time / r, rtol=1e-12)


def test_sampling_every_few_cycles_picks_the_same_windows() -> None:
    drive: dict[str, Any] = {
        "duration": 20.4 / NATURAL,
        "drive_amplitude": 1.0,
        "ring_down": 9e-5,
        **CELL,
    }
    every = burst_envelope(NATURAL, **drive)
    third = burst_envelope(NATURAL, periods_per_sample=3, **drive)
    picked = every.burst_end + 3 * (np.arange(third.time.size) - third.burst_end)
    inside = (picked >= 0) & (picked < every.time.size)
    assert np.array_equal(third.envelope[inside], every.envelope[picked[inside]])
    np.testing.assert_allclose(third.time[inside], every.time[picked[inside]], rtol=1e-12)


def test_status_of_bad_and_escaping_oscillators() -> None:
    softening = -0.2 * STIFFNESS / (2e-6) ** 2
    found = burst_envelope(
        NATURAL,
        duration=30 / NATURAL,
        drive_amplitude=np.array([0.05, 50.0, np.nan, 1.0, 1.0]),
        cubic=np.array([softening, softening, 0.0, 0.0, 0.0]),
        mass=np.array([MASS, MASS, MASS, -MASS, MASS]),
        damping=DAMPING,
        stiffness=STIFFNESS,
        force_per_volt=FORCE,
        verify=True,
    )
    assert found.status.tolist() == [
        TransientStatus.OK,
        TransientStatus.ESCAPED,
        TransientStatus.BAD_INPUT,
        TransientStatus.BAD_INPUT,
        TransientStatus.OK,
    ]
    assert np.isfinite(found.envelope[[0, 4]]).all()
    late = burst_envelope([NATURAL, -1.0], duration=1e-4, drive_amplitude=1.0, **CELL)
    assert np.isfinite(late.time).all(axis=-1).tolist() == [True, False]
    assert np.isnan(found.envelope[1:4]).all()


def test_undriven_stays_at_rest_and_empty_batch_is_allowed() -> None:
    still = burst_envelope(NATURAL, duration=1e-4, drive_amplitude=0.0, verify=True, **CELL)
    assert still.status == TransientStatus.OK
    assert np.all(still.envelope == 0.0)
    empty = burst_envelope(np.empty((0, 3)), duration=1e-4, drive_amplitude=1.0, **CELL)
    assert empty.envelope.shape[:2] == (0, 3)


@pytest.mark.parametrize(
    "wrong",
    [
        {"quantity": "jerk"},
        {"periods_per_sample": 0},
        {"ring_down": -1.0},
        {"tolerance": 0.0},
        {"steps_per_cycle": 33},
    ],
)
def test_user_mistakes_raise(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        burst_envelope(NATURAL, duration=1e-4, drive_amplitude=1.0, **CELL, **wrong)


def test_steps_grow_with_the_fourth_root_of_the_tolerance() -> None:
    law = {
        "frequency": NATURAL,
        "mass": MASS,
        "damping": DAMPING,
        "stiffness": STIFFNESS,
        "duration": 1e-3,
    }
    coarse, fine = (steps_for_tolerance(t, **law) for t in (1e-4, 1e-6))
    assert coarse in STEP_LADDER
    assert 2.2 < fine / coarse < 4.5  # 100^(1/4) = 3.16, on a ladder of ratios up to 1.5
    assert steps_for_tolerance(1e-4, **law, cubic=CUBIC, displacement=4e-6) > coarse


@pytest.mark.parametrize("detuning", [0.97, 1.0, 1.02, 1.05])
def test_long_burst_ends_in_the_steady_state(detuning: float) -> None:
    w = 2.0 * np.pi * detuning * NATURAL
    steady = steady_amplitude(
        np.array([w]),
        mass=MASS,
        damping=DAMPING,
        stiffness=STIFFNESS,
        cubic=CUBIC,
        force=FORCE * 0.2,
    ).amplitude[0]
    found = burst_envelope(
        detuning * NATURAL,
        duration=200 / NATURAL,
        drive_amplitude=0.2,
        cubic=CUBIC,
        **CELL,
    )
    # One harmonic against all: 3/4 k3 X/k1 is at most 0.01 here, the third harmonic 1/24 of that.
    gap = abs(found.envelope[found.burst_end] - steady) / abs(steady)
    assert 0.75 * CUBIC * abs(steady) ** 2 < 0.011 * STIFFNESS
    assert gap < 1e-3
