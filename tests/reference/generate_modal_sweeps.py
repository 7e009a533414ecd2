"""Stepped sweeps of a shipped study's modal equation by time integration -> modal_sweeps.csv.

The coefficients are the plate's (M3) of one cell of studies/duct-flow-meter, written into the
file; everything after them is scipy: DOP853 on

    m_i q_i'' + c_i q_i' + k_i q_i + sum K2_ijk q_j q_k + sum K3_ijkl q_j q_k q_l = eta_i V cos(wt)

with one and with two modes, radiation mass and resistance of each mode taken at the frequency of
the step. The phase is continuous from one frequency to the next, DWELL periods each; first
harmonics come from the last WINDOW periods by projection.
Run: python tests/reference/generate_modal_sweeps.py (about two minutes).
"""

import csv
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp

from arrayopt.models.cells import build_cells
from tests.oracles.sound import self_impedance
from tests.support.chain import duct, uniform_design

DWELL, WINDOW, SAMPLES = 100, 8, 48
BIAS = 5.0
DRIVES = (2.0, 5.0)  # times the onset
STEP = 0.004  # of the small-signal resonance


def main() -> None:
    study = duct()
    cells = build_cells(uniform_design(study, bias=BIAS), study)
    air, modes = study.air_state, cells.modes
    radius, w0 = float(cells.radius[0, 0]), 2 * np.pi * float(cells.natural_frequency[0, 0])
    q0 = study.thickness
    force0 = float(cells.stiffness[0, 0]) * q0
    volts = np.array(DRIVES) * float(cells.onset[0, 0])

    def loaded(w: float, n: int) -> tuple[np.ndarray, np.ndarray]:
        mass, damping = np.empty(n), np.empty(n)
        for i in range(n):
            shape = modes.shape[0, 0, i]
            r, x = self_impedance(
                shape,
                radius=radius,
                wavenumber=w / air.sound_speed,
                density=air.density,
                sound_speed=air.sound_speed,
            )
            m, k = modes.mass[0, 0, i], modes.stiffness[0, 0, i]
            mass[i] = m + 2 * float(x) / w
            damping[i] = np.sqrt(m * k) / study.cell.quality_factor + 2 * float(r)
        return mass, damping

    def sweep(n: int, volt: float, frequencies: np.ndarray) -> list[float]:
        k1 = modes.stiffness[0, 0, :n] * q0 / force0
        k2 = modes.quadratic_tensor[0, 0, :n, :n, :n] * q0**2 / force0
        k3 = modes.cubic_tensor[0, 0, :n, :n, :n, :n] * q0**3 / force0
        drive = modes.force_per_volt[0, 0, :n] * volt / force0
        state, phase, amplitudes = np.zeros(2 * n), 0.0, []
        for w in frequencies:
            mass, damping = loaded(w * w0, n)
            m, c = mass * w0**2 * q0 / force0, damping * w0 * q0 / force0

            def rhs(t, y, w=w, phase=phase, m=m, c=c):
                q, v = y[:n], y[n:]
                spring = restoring(q, k1, k2, k3)
                return np.concatenate([v, (drive * np.cos(w * t + phase) - c * v - spring) / m])

            period = 2 * np.pi / w
            times = (DWELL - WINDOW) * period + np.arange(WINDOW * SAMPLES + 1) * period / SAMPLES
            out = solve_ivp(rhs, (0, times[-1]), state, "DOP853", times, rtol=1e-7, atol=1e-10)
            carrier = np.exp(-1j * (w * out.t[:-1] + phase))
            amplitudes.append(2 * abs(np.mean(out.y[:n, :-1].sum(axis=0) * carrier)))
            state = out.y[:, -1]
            phase = (phase + w * times[-1]) % (2 * np.pi)
        return amplitudes

    with Path(__file__).with_name("modal_sweeps.csv").open("w", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["modes", "volt", "sweep_up", "frequency", "centre_amplitude"])
        for n in (1, 2):
            for volt, top in zip(volts, (1.10, 1.22), strict=True):
                w = np.round(np.arange(0.96, top, STEP), 6)
                for up in (1, 0):
                    order = w if up else w[::-1]
                    for f, a in zip(order, sweep(n, volt, order), strict=True):
                        hertz = f * w0 / (2 * np.pi)
                        writer.writerow([n, f"{volt:.9e}", up, f"{hertz:.9e}", f"{a * q0:.7e}"])


def restoring(q: np.ndarray, k1: np.ndarray, k2: np.ndarray, k3: np.ndarray) -> np.ndarray:
    """Spring force of coupled modes."""
    return k1 * q + (k2 @ q) @ q + ((k3 @ q) @ q) @ q


if __name__ == "__main__":
    main()
