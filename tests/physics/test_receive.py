"""Noise, matched filter, range and time of flight, beside textbook numbers (M14)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad

from arrayopt.physics.receive.amplifier import Load
from arrayopt.physics.receive.detection import detection, farthest
from arrayopt.physics.sound.echo import pitch_catch_way, plane_way, point_way

STILL = np.zeros(1, dtype=complex)
"""No cell moves."""


def bare(**changes: float) -> Load:
    """A load without an amplifier's own noise."""
    given = {"resistance": 1e3, "capacitance": 0.0, "voltage_noise": 0.0, "current_noise": 0.0}
    return Load(**{**given, "loss": 0.0, "temperature": 300.0, **changes})


@pytest.mark.parametrize("kelvin", [290, 300])
def test_johnson_noise(kelvin: int, check_outside: Callable[..., None]) -> None:
    density = bare(temperature=float(kelvin)).noise(np.ones(1), 0.0, STILL)[0]
    check_outside(f"rx.johnson.{kelvin}K", 1e9 * density**0.5, "M14.4")


def test_a_capacitor_holds_kt_over_c(check_outside: Callable[..., None]) -> None:
    """Whatever the resistance: the noise of resistor and capacitor over all frequencies."""
    for ohms in (1e3, 1e7):
        load = bare(resistance=ohms, capacitance=1e-12)
        corner = 1.0 / (2.0 * np.pi * ohms * 1e-12)

        def density(u: float, load: Load = load, corner: float = corner) -> float:
            w = np.array([2.0 * np.pi * corner * np.tan(u)])
            return float(load.noise(w, 0.0, STILL)[0] * corner / np.cos(u) ** 2)

        whole = quad(density, 0.0, 0.5 * np.pi - 1e-9)[0]
        check_outside("rx.ktc.1pF", 1e6 * whole**0.5, "M14.4")


def test_amplifier_noise_and_dielectric_loss() -> None:
    """By hand: 1 nF with tan d = 0.01 behind 10 Mohm, 5 nV and 10 fA, at 100 kHz."""
    w = np.array([2.0 * np.pi * 1e5])
    load = bare(resistance=1e7, voltage_noise=5e-9, current_noise=1e-14, loss=0.01)
    conductance = w[0] * 1e-9 * 0.01 + 1e-7
    current = 4.0 * 1.380649e-23 * 300.0 * conductance + 1e-28
    size = (w[0] * 1e-9) ** 2 + conductance**2
    assert_allclose(load.noise(w, 1e-9, STILL), 25e-18 + current / size, rtol=1e-12)


def test_white_noise_is_two_energies_over_its_density() -> None:
    """A sampled burst: ratio 2E/N0 (Turin 1960; from memory), and each bound's definition."""
    step, n0, carrier = 1e-7, 3e-12, 60e3
    t = step * np.arange(4096)
    signal = np.exp(-(((t - 1e-4) / 3e-5) ** 2)) * np.cos(2.0 * np.pi * carrier * t)
    f = np.fft.rfftfreq(t.size, step)
    found = detection(f, 4.0 * np.abs(np.fft.rfft(signal) * step) ** 2 / n0)
    energy = np.sum(signal**2) * step
    assert_allclose(found.ratio, 2.0 * energy / n0, rtol=1e-9)
    slope = np.gradient(signal, step)
    # Kay, Fundamentals of Statistical Signal Processing, vol. 1, 3.11 (from memory):
    # var >= (N0/2) / int (ds/dt)^2
    assert_allclose(found.delay, (0.5 * n0 / (np.sum(slope**2) * step)) ** 0.5, rtol=2e-3)
    # a Gaussian envelope exp(-(t/s)^2) has an rms angular bandwidth of 1/s
    assert_allclose(found.envelope_delay, 3e-5 / found.ratio**0.5, rtol=1e-6)


def test_flat_band(check_outside: Callable[..., None]) -> None:
    """A spectrum flat over B: sqrt(3)/(pi B sqrt(2E/N0)) of its envelope."""
    f = np.linspace(50e3, 70e3, 20001)
    found = detection(f, np.full(f.size, 1e4 / 20e3))
    bandwidth = 20001 / 20000 * 20e3  # every sample stands for a step
    inside = found.envelope_delay * np.pi * bandwidth * found.ratio**0.5
    check_outside("rx.crb.flat", inside, "M14.7")
    whole = (70e3**3 - 50e3**3) / (3.0 * 20e3)
    assert_allclose(found.delay * 2.0 * np.pi * (found.ratio * whole) ** 0.5, 1.0, rtol=1e-4)


def test_the_bound_is_what_a_matched_filter_reaches() -> None:
    """Delays read off noisy records scatter by the bound and not by less (200 records)."""
    rng, step, n0 = np.random.default_rng(5), 1e-6, 1e-9
    t = step * np.arange(512)
    omega = 2.0 * np.pi * 60e3

    def burst(delay: float) -> np.ndarray:
        u = t - 2.5e-4 - delay
        return np.exp(-((u / 4e-5) ** 2)) * np.cos(omega * u)

    f = np.fft.rfftfreq(t.size, step)
    bound = detection(f, 4.0 * np.abs(np.fft.rfft(burst(0.0)) * step) ** 2 / n0)
    assert bound.ratio > 1e4
    shifts = np.linspace(-3e-6, 3e-6, 61)
    bank = np.array([burst(s) for s in shifts])
    noise = rng.normal(0.0, (0.5 * n0 / step) ** 0.5, (200, t.size))
    score = (burst(0.0) + noise) @ bank.T
    top = score.argmax(axis=1)
    low, mid, high = (score[np.arange(200), top + k] for k in (-1, 0, 1))
    read = shifts[top] + 0.5 * (shifts[1] - shifts[0]) * (low - high) / (low - 2.0 * mid + high)
    # 200 draws tell a deviation to 5 %
    assert_allclose(np.std(read), bound.delay, rtol=0.15)


@pytest.mark.parametrize(("ways", "fall"), [(2, 1), (2, 2), (1, 1)])
def test_range_equation_by_hand(ways: int, fall: int) -> None:
    """At the range found the ratio, written out as of a radar, is the wanted one."""
    reach = farthest(
        np.array([5e-3]),
        np.array([0.2]),
        spacing=1e6,
        wanted=10.0,
        distance=0.5,
        ways=ways,
        fall=fall,
    )
    ratio = 5e3 * (0.5 / reach) ** (2 * fall) * np.exp(-2.0 * ways * 0.2 * (reach - 0.5))
    assert_allclose(ratio, 10.0, rtol=1e-9)
    still = {"spacing": 1e6, "wanted": 10.0, "distance": 0.5, "ways": ways, "fall": fall}
    # without absorption the fourth-power law of radars, or the square
    free = farthest(np.array([5e-3]), np.zeros(1), **still)
    assert_allclose(free, 0.5 * 500.0 ** (0.5 / fall), rtol=1e-9)
    assert np.isnan(farthest(np.zeros(1), np.zeros(1), **still))


def test_ways_back() -> None:
    """A wall is an image; a sphere of radius a has 20 log10(a/2) (Urick, from memory)."""
    assert plane_way() == (1.0, 1, 1)
    sphere = point_way(2.0, 20.0 * np.log10(0.5 * 0.1))
    # incident p at the sphere, a/(2 r) p comes back, doubled at the wall
    assert_allclose(sphere.gain, 2.0 * 0.1 / (2.0 * 2.0), rtol=1e-12)
    assert (sphere.back, sphere.fall) == (1, 2)
    assert pitch_catch_way() == (2.0, 0, 1)
