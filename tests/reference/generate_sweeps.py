"""Synthetic sweeps of one Duffing cell, integrated in time with scipy, with laboratory errors.

Independent of the package: x'' + x'/Q + x + k2 x^2 + k3 x^3 = F cos(w t) in units of the resonance
is integrated from rest along stepped sweeps (the state is kept from step to step), the fundamental
of the last cycles of each step is read, and noise, converter steps, drift of the resonance and a
gain error are added. All data sets are integrated at once.

    python tests/reference/generate_sweeps.py tests/reference/lab_sweeps.npz
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp

SETS = 200
POINTS = 48
SETTLE = 5.0  # time constants (Q/pi cycles) waited at each step, of the set with the highest Q
READ = 4  # cycles over which the fundamental is read
NOISE = 0.004  # of the largest reading of the sweep
BITS = 10
GAIN_ERROR = 0.03  # standard deviation
DRIFT = 2e-4  # standard deviation of the relative drift from sweep to sweep
SWEEPS = ((0.25, "up"), (0.7, "up"), (1.5, "up"), (1.5, "down"), (2.5, "up"))  # in onset forces


def onset_force(quality: np.ndarray, cubic: np.ndarray) -> np.ndarray:
    """Weak limit, Lifshitz & Cross 2008 (from memory): only sets how hard the sweeps drive."""
    zeta = 0.5 / quality
    return np.sqrt(256.0 / (9.0 * np.sqrt(3.0)) * zeta**3 / np.abs(cubic))


def integrate(w, force, quality, k2, k3, shift):
    """Fundamental amplitude (set, point) along each set's own frequencies w (set, point)."""
    sets, points = w.shape
    state = np.zeros(2 * sets)
    out = np.empty((sets, points))
    wait = int(np.ceil(SETTLE * 2.0 * quality.max() / (2.0 * np.pi)))
    samples = 16 * READ

    def rhs(_, s, w_now):
        x, v = s[:sets], s[sets:]
        # time is the drive's phase, so that all sets share the integrator's steps
        k1 = (1.0 + shift) ** 2
        a = force * np.cos(_) - v / quality - k1 * x - k2 * x * x - k3 * x**3
        return np.concatenate([v / w_now, a / w_now])

    for k in range(points):
        end = 2.0 * np.pi * (wait + READ)
        at = 2.0 * np.pi * (wait + READ * np.arange(samples) / samples)
        run = solve_ivp(
            rhs,
            (0.0, end),
            state,
            method="DOP853",
            args=(w[:, k],),
            t_eval=at,
            rtol=1e-6,
            atol=1e-9,
            max_step=1.5,
        )
        state = solve_ivp(
            rhs, (at[-1], end), run.y[:, -1], method="DOP853", args=(w[:, k],), rtol=1e-6, atol=1e-9
        ).y[:, -1]
        phasor = 2.0 * np.mean(run.y[:sets] * np.exp(-1j * at), axis=1)
        out[:, k] = np.abs(phasor)
    return out


def generate(sets: int = SETS, seed: int = 7) -> dict[str, np.ndarray]:
    """All data sets; lengths in units in which the cell's amplitudes are about 1."""
    rng = np.random.default_rng(seed)
    quality = np.exp(rng.uniform(np.log(15.0), np.log(45.0), sets))
    # scaled so that the onset amplitude is about 1; a third of the cells soften
    sign = np.where(np.arange(sets) % 3 == 2, -1.0, 1.0)
    effective = sign * rng.uniform(0.5, 1.5, sets) * (8.0 / (3.0 * np.sqrt(3.0))) / quality
    k2 = rng.uniform(0.0, 0.02, sets)
    k3 = effective + 10.0 / 9.0 * k2**2
    gain = 1.0 + GAIN_ERROR * rng.standard_normal(sets)
    critical = onset_force(quality, effective)
    frequency = np.empty((sets, len(SWEEPS), POINTS))
    reading = np.empty_like(frequency)
    shifts = DRIFT * rng.standard_normal((sets, len(SWEEPS)))
    for s, (drive, way) in enumerate(SWEEPS):
        climb = np.where(sign > 0, 1.0, -1.0) * 1.1 * max(drive, 1.0) ** 1.2
        middle = 1.0 + 0.5 * climb / quality
        half = (2.6 + 0.5 * np.abs(climb)) / quality
        grid = middle[:, None] + half[:, None] * np.linspace(-1.0, 1.0, POINTS)
        ordered = grid if way == "up" else grid[:, ::-1]
        clean = integrate(ordered, drive * critical, quality, k2, k3, shifts[:, s])
        clean = clean if way == "up" else clean[:, ::-1]
        top = clean.max(axis=1, keepdims=True)
        noisy = gain[:, None] * clean + NOISE * top * rng.standard_normal(clean.shape)
        step = 1.2 * top / 2**BITS
        frequency[:, s], reading[:, s] = grid, np.abs(np.round(noisy / step) * step)
    return {
        "frequency": frequency.astype(np.float32),
        "reading": reading.astype(np.float32),
        "force": np.array([d for d, _ in SWEEPS])[None, :] * critical[:, None],
        "quality_factor": quality,
        "effective_cubic": effective,
        "gain": gain,
    }


if __name__ == "__main__":
    np.savez_compressed(Path(sys.argv[1]), **generate())
