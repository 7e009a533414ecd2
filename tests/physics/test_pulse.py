"""Figures of bursts (M8.7 to M8.12) on signals whose answers are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.signal.windows import tukey

from arrayopt.physics.intime.pulse import (
    PulseStatus,
    compressed,
    compressed_figures,
    contiguous_band,
    dead_zone,
    energy_density,
    pulse_spectrum,
    ring_down_time,
    span_above,
)
from arrayopt.physics.intime.waveform import Drive

SIX_DB = 20.0 * math.log10(2.0)


def test_band_of_a_triangle_and_its_status() -> None:
    f = np.array([[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]])
    rows = np.array(
        [
            [0.0, 1.0, 2.0, 3.0, 2.0, 1.0, 0.0],
            [0.0, 1.0, 2.0, 3.0, 2.0, 2.0, 2.0],
            [0.0] * 7,
            [0.0, 3.0, 1.0, 4.0, 1.0, 3.0, 0.0],  # side bands are not contiguous
            [0.0, 1.0, np.nan, 3.0, 2.0, 1.0, 0.0],
        ]
    )
    band = contiguous_band(f, rows, drop=SIX_DB)
    assert_allclose(band.lower[[0, 3]], [2.5, 3.0 + 1.0 / 3.0], rtol=1e-12)
    assert_allclose(band.upper[[0, 3]], [5.5, 5.0 - 1.0 / 3.0], rtol=1e-12)
    assert band.status.tolist() == [
        PulseStatus.OK,
        PulseStatus.OFF_GRID,
        PulseStatus.SILENT,
        PulseStatus.OK,
        PulseStatus.SILENT,
    ]
    assert np.isnan(band.width[[1, 2, 4]]).all()
    with pytest.raises(ValueError, match="drop"):
        contiguous_band(f, rows, drop=0.0)


def test_ring_down_of_exact_exponentials_in_a_batch() -> None:
    t = np.arange(200.0) * 0.1
    rate = np.array([1.0, 2.0, 5.0])[:, None]
    a = np.where(t < 3.0, 1.0, np.exp(-rate * (t - 3.0)))
    time, status = ring_down_time(t, a * 1j, duration=3.0, drop=40.0)
    assert_allclose(time, math.log(100.0) / rate[:, 0], rtol=1e-12)
    assert not status.any()
    silent, why = ring_down_time(t, 0.0 * a, duration=3.0, drop=40.0)
    assert np.isnan(silent).all()
    assert (why == PulseStatus.SILENT).all()


def rectangle(cycles: int, per_cycle: int) -> NDArray[np.float64]:
    """A gated sine of unit frequency, sampled mid-interval."""
    t = (np.arange(cycles * per_cycle) + 0.5) / per_cycle
    return np.sin(2.0 * np.pi * t)


def test_spectrum_of_a_gated_sine() -> None:
    cycles, per_cycle = 20, 64
    p = rectangle(cycles, per_cycle)
    f, energy = pulse_spectrum(p, time_step=1.0 / per_cycle, points=1 << 16)
    # Parseval: the energy is T/2.
    assert_allclose(energy.sum() * (f[1] - f[0]), 0.5 * cycles, rtol=1e-12)
    # sinc(x) = 1/2 at x = 0.6033545644 (root of sin(pi x)/(pi x), 1/2): width 1.2067091/T; the
    # image at negative frequencies shifts it by about 1/(pi N)^2.
    band = contiguous_band(f, np.sqrt(energy), drop=SIX_DB)
    assert_allclose(band.width, 2.0 * 0.6033545644 / cycles, rtol=2e-3)


def test_odd_and_even_lengths_keep_the_energy() -> None:
    rng = np.random.default_rng(5)
    for n in (63, 64):
        p = rng.normal(size=(3, n))
        f, energy = pulse_spectrum(p, time_step=1e-6)
        assert_allclose(energy.sum(axis=-1) * (f[1] - f[0]), (p**2).sum(axis=-1) * 1e-6, rtol=1e-12)


def test_range_figures() -> None:
    # 343 m/s, 17.15 kHz: 10 mm, by hand; 0.5 ms of burst and ring-down: 85.75 mm.
    assert_allclose(dead_zone(3e-4, ring_down=2e-4, sound_speed=343.0), 0.08575, rtol=1e-12)


def test_length_and_ring_down_of_a_linear_resonator_driven_at_its_resonance() -> None:
    """Closed form: 1 - e^(-d t) within the burst, then its end times e^(-d (t - T))."""
    step, lasts, decay = 1e-7, 3e-4, np.array([4e3, 9e3])[:, None]
    t = np.arange(30000) * step
    full = 1.0 - np.exp(-decay * lasts)
    size = np.where(t < lasts, 1.0 - np.exp(-decay * t), full * np.exp(-decay * (t - lasts)))
    first, last = span_above(size * np.exp(6e5j * t), step=step, drop=20.0)
    assert_allclose(first, -np.log(1.0 - 0.1 * full[:, 0]) / decay[:, 0], rtol=1e-3)
    assert_allclose(last, lasts + np.log(10.0) / decay[:, 0], rtol=1e-4)
    quiet, _ = ring_down_time(t, size, duration=lasts, drop=40.0)
    assert_allclose(quiet, np.log(100.0) / decay[:, 0], rtol=1e-4)
    late, early = span_above(np.array([[0.0, 0.0], [1.0, 1.0]]), step=1.0, drop=6.0)
    assert np.isnan(late[0])
    assert (late[1], early[1]) == (0.0, 1.0)


def test_energy_of_a_gated_tone() -> None:
    """A^2 T/(2 rho c) by hand."""
    trace = 3.0 * np.exp(1e5j * np.arange(1000) * 1e-6)
    found = energy_density(trace, step=1e-6, density=1.2, sound_speed=343.0)
    assert_allclose(found, 0.5 * 9.0 * 1e-3 / (1.2 * 343.0), rtol=1e-12)


CHIRP = (1e6, 4e-4)
"""Bandwidth [Hz] and duration [s]: a time-bandwidth product of 400."""


def chirped(taper: float) -> tuple[float, float, float]:
    """Width times bandwidth and side lobe of a linear chirp compressed by itself, and its step."""
    band, lasts = CHIRP
    points = 16001
    drive = Drive(2e6, lasts, end=2e6 + 0.5 * band, taper=taper)
    trace, step = drive.analytic(points), lasts / (points - 1)
    width, lobe = compressed_figures(compressed(trace, trace), step=step)
    return float(width) * band, float(lobe), step


def test_compressed_rectangular_chirp() -> None:
    """sin(x)/x: half at pi x = 1.8955, so 1.2067/B wide; first side lobe -13.26 dB (Cook &
    Bernfeld 1967, -13.3 dB; from memory); the triangle of finite length moves both by 1/(B T)."""
    width, lobe, _ = chirped(0.0)
    half = brentq(lambda x: np.sin(x) / x - 0.5, 1.0, 3.0) / np.pi
    assert_allclose(width, 2.0 * half, rtol=5e-3)
    assert abs(lobe + 13.26) < 0.1


@pytest.mark.parametrize("taper", [0.5, 1.0])
def test_compressed_tapered_chirp_is_the_transform_of_its_window(taper: float) -> None:
    """Of a long chirp the spectrum is its window: scipy's, squared, transformed (numpy)."""
    width, lobe, _ = chirped(taper)
    points = 4001
    size = np.abs(np.fft.rfft(tukey(points, taper) ** 2, 64 * points))
    size /= size[0]
    half = np.interp(-0.5, -size[:400], np.arange(400)) / 64.0
    first = int(np.flatnonzero(np.diff(size) > 0.0)[0])
    assert_allclose(width, 2.0 * half, rtol=0.02)
    # Fresnel ripples of a finite product: side lobes below -30 dB differ by a few dB
    assert abs(lobe - 20.0 * np.log10(size[first:].max())) < (0.5 if taper < 1.0 else 6.0)


def test_another_replica_and_what_has_no_pulse() -> None:
    """A delay moves the peak, not the width; a longer replica widens; silence gives nothing."""
    t = np.arange(4000)
    pulse = np.exp(-(((t - 2000) / 60.0) ** 2) + 0.4j * t)
    late = np.roll(pulse, 137)
    both = compressed(np.stack([pulse, late, 0.0 * pulse]), pulse)
    width, lobe = compressed_figures(both, step=1.0)
    # two Gaussians: sqrt(2) as wide, half at sqrt(ln 2) times that on either side
    assert_allclose(width[:2], 2.0 * 60.0 * math.sqrt(2.0 * math.log(2.0)), rtol=1e-3)
    assert np.abs(both[1]).argmax() - np.abs(both[0]).argmax() == 137
    assert np.isnan(width[2])
    assert lobe[0] < -100.0
    _, none = compressed_figures(np.exp(-(np.linspace(-3.0, 3.0, 201) ** 2)), step=1.0)
    assert none == -120.0
