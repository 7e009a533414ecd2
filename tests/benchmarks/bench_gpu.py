"""Slow sweeps of chips on a graphics card: rates of whole calls, and what differs from the cpu.

Run on a machine with a card: python -m tests.benchmarks.bench_gpu. Calls start and end in numpy
arrays. The limit is what this step with a thread a cell and four chips a thread reached on one
H200 in CUDA C++, kernel alone, without records.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np
from numba import cuda as numba_cuda

from arrayopt.physics.intime import card
from arrayopt.physics.intime.pulse import contiguous_band
from arrayopt.physics.intime.slow_flow import ChipSweep, chip_sweep
from arrayopt.physics.numerics.threads import thread_count
from tests.benchmarks.bench_intime import chips

cuda: Any = numba_cuda
CHIPS, BESIDE, REPEATS = 10_000, 256, 3
LIMIT = {"gpu": 204e6, "gpu-single": 439e6}


def merits(sweep: ChipSweep) -> list[np.ndarray[Any, Any]]:
    """Peak, -6 dB width and largest deflection of every chip of the first design."""
    f = sweep.frequency[0]
    band = contiguous_band(f, np.abs(sweep.volume[0]) * f**2, drop=6.0)
    return [band.peak, band.width, sweep.deflection[0].max(axis=1)]


def main() -> None:
    print(f"card: {cuda.get_current_device().name}; {thread_count()} threads beside it")
    for drive in (1.5, 3.0):
        arrays, start, stop = chips(1, CHIPS, drive)
        few, *_ = chips(1, BESIDE, drive)
        begun = time.perf_counter()
        wanted = chip_sweep(few, start=start, stop=stop, device="cpu")
        spent = time.perf_counter() - begun
        print(f"{drive} onsets, cpu: {BESIDE * wanted.steps[0] / spent / 1e6:.2f} M chip-steps/s")
        for device, limit in LIMIT.items():
            times = []
            for _ in range(1 + REPEATS):
                begun = time.perf_counter()
                found = chip_sweep(arrays, start=start, stop=stop, device=device)
                times.append(time.perf_counter() - begun)
            rate = CHIPS * found.steps[0] / min(times[1:])
            print(
                f"{drive} onsets, {device}: {rate / 1e6:.0f} M chip-steps/s, {rate / limit:.2f} of "
                f"the limit, {CHIPS / min(times[1:]):.0f} chips/s; first call {times[0]:.1f} s; "
                f"trouble: {np.count_nonzero(found.status)}"
            )
            beside = chip_sweep(few, start=start, stop=stop, device=device)
            for name, mine, theirs in zip(
                ("peak", "width", "deflection"), merits(beside), merits(wanted), strict=True
            ):
                gap = np.abs(mine / theirs - 1.0)
                print(
                    f"  {name}: median {np.nanmedian(gap):.1e}, 95 % below "
                    f"{np.nanquantile(gap, 0.95):.1e}, largest {np.nanmax(gap):.1e}"
                )
    print(f"registers {card.REGISTERS}, threads {card.WORKERS}")


if __name__ == "__main__":
    main()
