"""Stepped sweeps of two coupled modes by direct time integration -> two_mode_sweeps.csv.

Independent of the package: scipy DOP853 on u_i'' + (w_i/Q) u_i' + w_i^2 u_i + dU/du_i = f_i cos wt,
the phase continuous from one frequency to the next. The cubic coefficients are those of the first
two axisymmetric modes of a clamped uniform disc of Poisson's ratio 0.3, mass-normalised, lengths in
thicknesses; the quadratic ones are invented, of the size a slight bow gives. First harmonics and
means come from the last WINDOW periods. Run: python tests/reference/generate_two_mode_sweeps.py
(some minutes).
"""

import csv
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp

DWELL, WINDOW, SAMPLES = 110, 8, 64
SQUARE = (1.0, 15.1562)  # w_i^2
QUALITY = 30.0
CUBIC = (0.50084, 0.43869, 1.37988, 3.19111, 17.31839)  # C_1111, C_1112, C_1122, C_1222, C_2222
QUADRATIC = (0.15, -0.10, 0.05, 0.0)  # Q_111, Q_112, Q_122, Q_222
FORCE = (0.08, -0.045)
FIRST, LAST, STEP = 0.96, 1.44, 0.006


def potential_force(u: np.ndarray) -> tuple[float, float]:
    a, b = u
    c40, c31, c22, c13, c04 = CUBIC
    q30, q21, q12, q03 = QUADRATIC
    first = q30 * a * a + 2 * q21 * a * b + q12 * b * b
    first += c40 * a**3 + 3 * c31 * a * a * b + 3 * c22 * a * b * b + c13 * b**3
    second = q21 * a * a + 2 * q12 * a * b + q03 * b * b
    second += c31 * a**3 + 3 * c22 * a * a * b + 3 * c13 * a * b * b + c04 * b**3
    return first, second


def sweep(frequencies: np.ndarray) -> list[list[float]]:
    state, phase, rows = np.zeros(4), 0.0, []
    for w in frequencies:

        def rhs(t: float, y: np.ndarray, w: float = w, phase: float = phase) -> list[float]:
            n1, n2 = potential_force(y[:2])
            drive = np.cos(w * t + phase)
            loss = SQUARE[0] ** 0.5 / QUALITY, SQUARE[1] ** 0.5 / QUALITY
            return [
                y[2],
                y[3],
                FORCE[0] * drive - loss[0] * y[2] - SQUARE[0] * y[0] - n1,
                FORCE[1] * drive - loss[1] * y[3] - SQUARE[1] * y[1] - n2,
            ]

        period = 2 * np.pi / w
        start = (DWELL - WINDOW) * period
        times = start + np.arange(WINDOW * SAMPLES + 1) * period / SAMPLES
        out = solve_ivp(rhs, (0, times[-1]), state, "DOP853", times, rtol=1e-8, atol=1e-10)
        carrier = np.exp(-1j * (w * out.t[:-1] + phase))
        first = 2 * np.mean(out.y[:2, :-1] * carrier, axis=1)
        rows.append([*np.abs(first), *out.y[:2, :-1].mean(axis=1)])
        state = out.y[:, -1]
        phase = (phase + w * times[-1]) % (2 * np.pi)
    return rows


def main() -> None:
    target = Path(__file__).with_name("two_mode_sweeps.csv")
    w = np.round(np.arange(FIRST, LAST + STEP / 2, STEP), 6)
    rows = []
    for up in (1, 0):
        order = w if up else w[::-1]
        rows += [[up, f, *values] for f, values in zip(order, sweep(order), strict=True)]
    with target.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["sweep_up", "w", "first_1", "first_2", "mean_1", "mean_2"])
        writer.writerows([up, f, *(f"{v:.7e}" for v in values)] for up, f, *values in rows)


if __name__ == "__main__":
    main()
