"""Least times of calls: other processes may share the machine."""

from __future__ import annotations

import time
from collections.abc import Callable


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
