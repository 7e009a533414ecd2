"""Sweeps made as fast chirps: what a linear cell shows in one, beside its steady response (C.8)."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from arrayopt.base.arrays import Complex, Floats
from arrayopt.physics.intime.waveform import Drive

FINE = 100.0
"""Steps in a cycle of the highest frequency; the drive is linear between: 3e-4."""
FASTEST = np.pi
"""Fastest chirp, over the square of the linewidth: one linewidth in a time constant of the cell."""


def too_fast(drive: Drive, resonance: float, quality: float) -> bool:
    """Whether a chirp is over before a cell of these figures shows what it is."""
    rate = 2.0 * abs(drive.last - drive.carrier) / drive.duration
    return rate > FASTEST * (resonance / quality) ** 2


def chirped_share(drive: Drive, frequency: Floats, resonance: float, quality: float) -> Floats:
    """Amplitude in a chirp over the steady one, (point,), at the time of each frequency.

    Parameters
    ----------
    drive : a linear chirp from rest.
    frequency : (point,), between its ends [Hz].
    resonance, quality : of the linear cell, w0 from its stiffness and mass [Hz].
    """
    w0, start = 2.0 * np.pi * resonance, 2.0 * drive.carrier - drive.last
    step = 1.0 / (FINE * max(start, drive.last))
    time = np.arange(0.0, drive.duration, step)
    root = w0 * complex(-0.5 / quality, np.sqrt(1.0 - 0.25 / quality**2))
    driven = drive.at(time)
    # w0^2 / (s^2 + w0 s / Q + w0^2) as two poles, each integrated exactly over linear pieces
    part = w0**2 / (2j * root.imag)
    moved = np.abs(part * _pole(root, driven, step) - part * _pole(root.conjugate(), driven, step))
    at = (frequency - start) / (drive.last - start) * drive.duration
    ratio = frequency / resonance
    steady = 1.0 / np.hypot(1.0 - ratio**2, ratio / quality)
    return np.asarray(np.interp(at, time, moved) / steady)


def _pole(root: complex, driven: Complex, step: float) -> Complex:
    """y' = root y + driven from rest at every step."""
    z = root * step
    grown = np.exp(z)
    new = (grown - 1.0 - z) / z**2
    old = (grown - 1.0) / z - new
    feed = step * (new * driven[1:] + old * driven[:-1])
    return np.concatenate([[0.0], lfilter([1.0], [1.0, -grown], feed)])
