"""Least times of calls: other processes may share the machine."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from pathlib import Path


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
