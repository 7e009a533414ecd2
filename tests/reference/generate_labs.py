"""200 laboratories that measure the tutorial's three cells, each with a chip of its own.

Independent of the package: exact plates and time integration of studies/calibration-tutorial/
generate_lab.py (scipy). Every chip has its own thickness, tension, coupling, losses and cubic
scale, every laboratory its own gain error; cells of one chip differ by radius, thickness, tension,
losses and coupling, so that all sweeps of one cell share its departure; sweeps drift, are noisy and
pass a converter. The sweeps of many laboratories are integrated at once.

    python tests/reference/generate_labs.py tests/reference/labs.npz
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np

from tests.support.paths import STUDIES

LABS, PART = 200, 50
CHIP = {  # how chips differ from what was drawn: lowest, highest
    "quality_factor": (50.0, 110.0),
    "film_tension": (-20.0, 100.0),
    "thickness_scale": (0.96, 1.04),
    "coupling_scale": (0.7, 1.1),
    "cubic_scale": (0.9, 1.1),
}
CELL = {  # how cells of one chip differ: standard deviation
    "quality_factor": 0.008,  # relative
    "film_tension": 0.05,  # N/m
    "thickness_scale": 1e-4,
    "coupling_scale": 0.004,  # relative
}
RADIUS = 40e-9
GAIN_ERROR = 0.03
RELATIVE = ("quality_factor", "coupling_scale")


def tutorial():
    """The tutorial's generator as a module."""
    path = STUDIES / "calibration-tutorial" / "generate_lab.py"
    spec = importlib.util.spec_from_file_location("generate_lab", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def generate(labs: int, seed: int) -> dict[str, np.ndarray]:
    """Readings (lab, trace, point) as shares of ``top``, and what was true of each chip."""
    lab = tutorial()
    rng = np.random.default_rng(seed)
    cells, truths, hertz = [], [], []
    for _ in range(labs):
        chip = {name: rng.uniform(*ends) for name, ends in CHIP.items()}
        truths.append(list(chip.values()))
        made: dict[str, tuple[float, dict[str, float]]] = {}
        solved: dict[tuple[str, float], object] = {}
        for name, radius, bias, drive, way in lab.PLAN:
            if name not in made:
                own = dict(chip)
                for key, spread in CELL.items():
                    step = spread * rng.standard_normal()
                    own[key] = own[key] * (1.0 + step) if key in RELATIVE else own[key] + step
                made[name] = radius + RADIUS * rng.standard_normal(), own
            if (name, bias) not in solved:
                solved[name, bias] = lab.Cell(made[name][0], bias, made[name][1])
            cell = solved[name, bias]
            cells.append(cell)
            climb = 1.1 * max(drive, 1.0) ** 1.2 if drive > 0.5 else 0.0
            reach = 2.6 + 0.5 * climb
            ends = 0.5 * climb + reach * np.array([-1.0, 1.0])
            ends = np.round(cell.w0 / (2.0 * np.pi) * (1.0 + ends / cell.quality), 1)
            hertz.append(ends if way == "up" else ends[::-1])
    count = len(lab.PLAN)
    drive = np.tile([row[3] for row in lab.PLAN], labs)
    volts = np.round(drive * np.array([cell.onset for cell in cells]), 2)
    ends = np.array(hertz)
    grid = ends[:, :1] + (ends[:, 1:] - ends[:, :1]) * np.linspace(0.0, 1.0, lab.POINTS)
    clean = lab.sweeps(cells, volts, grid, lab.DRIFT * rng.standard_normal(len(cells)))
    gain = 1.0 + GAIN_ERROR * rng.standard_normal(labs)
    top = np.abs(clean).max(axis=1, keepdims=True)
    noise = rng.standard_normal(clean.shape) + 1j * rng.standard_normal(clean.shape)
    read = np.repeat(gain, count)[:, None] * clean + lab.NOISE * top * noise
    step = 1.2 * top / 2**lab.BITS
    size = np.hypot(np.round(read.real / step), np.round(read.imag / step)) * step
    full = 1.3 * top
    return {
        "reading": np.round(65535.0 * size / full).astype(np.uint16).reshape(labs, count, -1),
        "full": (full / 65535.0).reshape(labs, count),
        "ends": ends.reshape(labs, count, 2),
        "volts": volts.reshape(labs, count),
        "gain": gain,
        "truth": np.array(truths),
    }


def joined(labs: int = LABS, seed: int = 29) -> dict[str, np.ndarray]:
    """The same in parts that are integrated one after another, each with the next seed."""
    parts = [generate(PART, seed + k) for k in range(labs // PART)]
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


if __name__ == "__main__":
    np.savez_compressed(Path(sys.argv[1]), **joined())
