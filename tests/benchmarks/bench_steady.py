"""Points per second of the one-mode closed form beside a C loop of the same formulas.

Run: python -m tests.benchmarks.bench_steady. The arrays stay in cache; every thread works
on its own rows. The C side (steady_roofline.c, gcc -O3 -march=native -ffast-math) runs in as many
threads of its own: ctypes releases the interpreter lock.
"""

from __future__ import annotations

import ctypes
import shutil
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numba
import numpy as np

from arrayopt.physics.steady.steady import amplitude_rows
from tests.benchmarks.timing import best, c_library

SOURCE = Path(__file__).with_name("steady_roofline.c")
ROWS, POINTS, CALLS, REPEATS = 64, 1024, 4, 150
THREADS = min(2, numba.config.NUMBA_NUM_THREADS)


def main() -> None:
    numba.set_num_threads(THREADS)
    rng = np.random.default_rng(1)
    d = np.tile(np.linspace(0.5, -0.5, POINTS), (ROWS, 1))
    l = np.full_like(d, 0.02)  # noqa: E741
    g, F = np.full(ROWS, 1.0), 0.05 * rng.uniform(0.5, 2.0, ROWS)
    out, upper = np.empty_like(d), np.ones(ROWS, dtype=bool)

    def kernel() -> None:
        for _ in range(CALLS):
            amplitude_rows(d, l, g, F, upper, out)

    work = CALLS * ROWS * POINTS / 1e6
    ours = work / best(kernel, REPEATS)
    print(f"{THREADS} threads, numba: {ours:.0f} M points/s")
    if shutil.which("gcc") is None:
        print("no gcc here: C roofline skipped")
        return
    with tempfile.TemporaryDirectory() as folder:
        rows = ctypes.CDLL(str(c_library(SOURCE, folder))).rows
        pointer = ctypes.c_void_p
        rows.argtypes = [ctypes.c_int, *[ctypes.c_long] * 3, *[pointer] * 5]
        rows.restype = None
        result = np.empty_like(d)
        half = ROWS // THREADS

        def part(libm: int, thread: int) -> None:
            mine = slice(thread * half, (thread + 1) * half)
            arrays = [a[mine].ctypes.data for a in (d, l, g, F, result)]
            rows(libm, CALLS, half, POINTS, *arrays)

        for libm, label in enumerate(("same form", "libm form")):
            with ThreadPoolExecutor(THREADS) as pool:
                call = lambda: list(pool.map(part, [libm] * THREADS, range(THREADS)))  # noqa: B023, E731
                bound = work / best(call, REPEATS)
            worst = np.abs(out / result - 1).max()
            print(
                f"C, {label}: {bound:.0f} M points/s; numba/C = {ours / bound:.2f}; "
                f"largest difference {worst:.1e}"
            )


if __name__ == "__main__":
    main()
