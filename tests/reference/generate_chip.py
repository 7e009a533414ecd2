"""Measurements of a made chip, INVENTED: sweeps of one of its cells and of the whole array.

Exact plates and time integration of studies/calibration-tutorial/generate_lab.py (scipy), with an
open and with a sealed back (adiabatic air spring under the diaphragm, sound on one side only). The
array's pressure is the sum of sixteen equal volume sources on a baffle, weakened by the absorption
of ISO 9613-1. The layers came out 1 % thicker than drawn and couple 4 % less.

    python tests/reference/generate_chip.py tests/reference/chip
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from generate_labs import tutorial
from scipy.integrate import simpson

lab = tutorial()

RADIUS, CELLS, VOLTS, DISTANCE, DEPTH = 470e-6, 1, 6.0, 0.3, 400e-6
CHIP = {
    "quality_factor": 85.0,
    "film_tension": 0.0,
    "thickness_scale": 1.01,
    "coupling_scale": 0.96,
    "cubic_scale": 1.0,
}
PRESSURE, GAMMA = 101325.0, 1.4
NOISE = 0.004


class SealedCell(lab.Cell):
    """The same diaphragm over a closed cavity of its own width."""

    def __init__(self, radius: float, truth: dict[str, float]) -> None:
        super().__init__(radius, 0.0, truth)
        spring = GAMMA * PRESSURE / (np.pi * radius**2 * DEPTH)
        self.k1 += spring * volume(self) ** 2
        w = np.sqrt(self.k1 / self.mass)
        for _ in range(6):
            w = np.sqrt(self.k1 / (self.mass + self.air(w)[1]))
        self.w0 = w
        resistance, added = self.air(w)
        self.quality = w * (self.mass + added) / (self.loss + resistance)

    def air(self, w: float) -> tuple[float, float]:
        resistance, mass = super().air(w)
        return 0.5 * resistance, 0.5 * mass


def volume(cell) -> float:
    """Displaced volume per centre displacement [m2]."""
    return 2.0 * np.pi * simpson(cell.shape * cell.r, x=cell.r)


def absorption(f: np.ndarray) -> np.ndarray:
    """ISO 9613-1:1993, equations (3) to (5), at 20 degC, 50 %, 101.325 kPa [Np/m]."""
    kelvin, reference, triple = 293.15, 293.15, 273.16
    saturation = 10.0 ** (-6.8346 * (triple / kelvin) ** 1.261 + 4.6151)
    h = 50.0 * saturation
    oxygen = 24.0 + 4.04e4 * h * (0.02 + h) / (0.391 + h)
    nitrogen = 9.0 + 280.0 * h
    t = kelvin / reference
    decibel = (
        8.686 * f**2 * (
            1.84e-11 * np.sqrt(t)
            + t**-2.5 * (
                0.01275 * np.exp(-2239.1 / kelvin) / (oxygen + f**2 / oxygen)
                + 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen + f**2 / nitrogen)
            )
        )
    )  # fmt: skip
    return decibel / 8.686


def main(folder: Path) -> None:
    """Two files for each back."""
    rng = np.random.default_rng(3)
    note = "# INVENTED data for a test (generate_chip.py); no chip was measured"
    for back, cell in (
        ("vented", lab.Cell(RADIUS, 0.0, CHIP)),
        ("sealed", SealedCell(RADIUS, CHIP)),
    ):
        f0 = cell.w0 / (2.0 * np.pi)
        plan = ((0.2, 1, 1.0), (2.0, 1, 2.2), (2.0, -1, 2.2), (None, 1, 3.0))
        volts = np.array([d * round(cell.onset, 1) if d else VOLTS for d, _, _ in plan])
        share = np.linspace(-1.0, 1.0, 81)
        hertz = np.array([
            f0 * (1.0 + (0.7 * (reach - 1.0) + 2.5 * reach * share) / cell.quality)[::way]
            for _, way, reach in plan
        ])  # fmt: skip
        moved = lab.sweeps([cell] * 4, volts, hertz, np.zeros(4))
        read = np.abs(moved)
        read += NOISE * read.max(axis=1, keepdims=True) * rng.standard_normal(read.shape)
        rows = [
            note, "# cell = 0", "# radius = 470 um", "# quantity = displacement",
            "drive_amplitude [V],sweep,frequency [Hz],magnitude [nm]",
        ]  # fmt: skip
        for k in range(3):
            way = "up" if plan[k][1] > 0 else "down"
            rows += [
                f"{volts[k]:.2f},{way},{f:.1f},{1e9 * abs(y):.3f}"
                for f, y in zip(hertz[k], read[k], strict=True)
            ]
        (folder / f"{back}_cell.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        w = 2.0 * np.pi * hertz[3]
        loss = np.exp(-absorption(hertz[3]) * DISTANCE)
        source = CELLS * lab.DENSITY * w**2 * volume(cell) / (2.0 * np.pi * DISTANCE)
        rows = [
            note, "# cell = array", "# quantity = pressure", f"# drive_amplitude = {VOLTS} V",
            f"# distance = {DISTANCE} m", "# sweep = up", "frequency [kHz],level [dB re 20 uPa]",
        ]  # fmt: skip
        for f, p in zip(hertz[3], source * loss * read[3], strict=True):
            level = 20.0 * np.log10(max(p, 1e-6) / np.sqrt(2.0) / 20e-6)
            rows.append(f"{f / 1e3:.4f},{level:.3f}")
        (folder / f"{back}_array.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        print(back, f0, cell.quality, cell.onset, (source * loss * read[3]).max())


if __name__ == "__main__":
    main(Path(sys.argv[1]))
