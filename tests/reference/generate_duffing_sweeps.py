"""Stepped sweeps of a Duffing oscillator by direct time integration -> duffing_sweeps.csv.

Independent of the package: scipy DOP853 on x'' + 2 zeta x' + x + g x^3 = F cos(wt), the phase
continuous from one frequency to the next, DWELL periods each; the first harmonic comes from the
last WINDOW periods by projection. The dwell is 12 decay times (zeta = 0.02), so what is left of the
transient is about 1e-5 away from jumps. Run: python tests/reference/generate_duffing_sweeps.py.
"""

import csv
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp

DWELL, WINDOW, SAMPLES = 100, 8, 64
CASES = [  # zeta, g, F, first and last frequency, step
    (0.02, 0.5, 0.04, 0.94, 1.24, 0.004),
    (0.02, -0.1, 0.05, 0.84, 1.06, 0.004),
]


def sweep(zeta: float, g: float, F: float, frequencies: np.ndarray) -> list[float]:
    state, phase, amplitudes = np.zeros(2), 0.0, []
    for w in frequencies:

        def rhs(t: float, y: np.ndarray, w: float = w, phase: float = phase) -> list[float]:
            return [y[1], F * np.cos(w * t + phase) - 2 * zeta * y[1] - y[0] - g * y[0] ** 3]

        period = 2 * np.pi / w
        start = (DWELL - WINDOW) * period
        times = start + np.arange(WINDOW * SAMPLES + 1) * period / SAMPLES
        out = solve_ivp(rhs, (0, times[-1]), state, "DOP853", times, rtol=1e-9, atol=1e-12)
        carrier = np.exp(-1j * (w * out.t[:-1] + phase))
        amplitudes.append(2 * abs(np.mean(out.y[0, :-1] * carrier)))
        state = out.y[:, -1]
        phase = (phase + w * times[-1]) % (2 * np.pi)
    return amplitudes


def main() -> None:
    target = Path(__file__).with_name("duffing_sweeps.csv")
    with target.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["zeta", "g", "F", "sweep_up", "w", "first_harmonic"])
        for zeta, g, F, first, last, step in CASES:
            w = np.round(np.arange(first, last + step / 2, step), 6)
            for up in (1, 0):
                order = w if up else w[::-1]
                for f, a in zip(order, sweep(zeta, g, F, order), strict=True):
                    writer.writerow([zeta, g, F, up, f, f"{a:.7e}"])


if __name__ == "__main__":
    main()
