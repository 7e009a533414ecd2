"""Least times of calls: other processes may share the machine."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from arrayopt.physics.transient import one_mode_kernel as kernel


def costs(call: Callable[[], object], repeats: int = 3) -> tuple[float, float]:
    """Least elapsed and processor seconds of some repeats, after one more."""
    call()
    wall, processor = [], []
    for _ in range(repeats):
        start = time.perf_counter(), time.process_time()
        call()
        wall.append(time.perf_counter() - start[0])
        processor.append(time.process_time() - start[1])
    return min(wall), min(processor)


def best(call: Callable[[], object], repeats: int = 5) -> float:
    """Seconds of the fastest repeat."""
    return costs(call, repeats)[0]


def c_library(source: Path, folder: str) -> Path:
    """A C file compiled for this machine."""
    library = Path(folder) / "roofline.so"
    flags = ["-O3", "-march=native", "-ffast-math", "-fopenmp-simd", "-shared", "-fPIC"]
    subprocess.run(["gcc", *flags, "-o", library, source, "-lm"], check=True)
    return library


def hardening(count: int, cycles: int) -> np.ndarray:
    """Parameters (oscillator, row) of unit masses near 1 Hz under whole-cycle bursts."""
    rng = np.random.default_rng(1)
    par = np.zeros((count, kernel.PARAMETERS))
    par[:, kernel.STIFFNESS] = (2.0 * np.pi) ** 2 * rng.uniform(0.9, 1.1, count)
    par[:, kernel.QUADRATIC] = 2.0
    par[:, kernel.CUBIC] = 20.0
    par[:, kernel.DAMPING] = 2.0 * np.pi / 40.0
    par[:, kernel.FORCE] = rng.uniform(0.2, 3.0, count)
    par[:, [kernel.FREQUENCY, kernel.END_FREQUENCY]] = 1.0
    par[:, kernel.DURATION] = cycles
    return par


def in_lanes(par: np.ndarray) -> np.ndarray:
    """The same as the processor's kernel takes them, (block, row, lane)."""
    blocks = par.reshape(-1, kernel.LANES, par.shape[1])
    return np.ascontiguousarray(blocks.transpose(0, 2, 1))
