"""Figures of bursts (M8.7 to M8.12) on signals whose answers are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from arrayopt.physics.intime.pulse import (
    PulseStatus,
    contiguous_band,
    dead_zone,
    pulse_spectrum,
    ring_down_time,
)

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
