"""Oscillator steps per second of the burst stepper beside C, and its error beside solve_ivp.

Run: python -m tests.benchmarks.bench_transient. Rates are of the fastest of many short repeats,
since other processes may share the machine. The C side (transient_roofline.c, gcc -O3 -march=native
-ffast-math) does the same arithmetic, keeps no samples and runs in as many threads: ctypes
releases the interpreter lock. C on one and on two threads tells whether the two cores have
arithmetic units of their own.
"""

from __future__ import annotations

import ctypes
import shutil
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

from arrayopt.physics.numerics.threads import spread, thread_count
from arrayopt.physics.transient import one_mode_kernel as kernel
from arrayopt.physics.transient.modes import modes_burst_envelope
from arrayopt.physics.transient.one_mode import burst_envelope
from tests.benchmarks.timing import best, c_library, hardening, in_lanes

SOURCE = Path(__file__).with_name("transient_roofline.c")
BLOCKS, CYCLES, STEPS, REPEATS = 32, 50, 64, 200
THREADS = thread_count()
LANES = kernel.LANES


def filled(samples: int) -> tuple[np.ndarray[Any, Any], ...]:
    """Rows of the lanes, and what the stepper fills: envelope, peak, end."""
    count = BLOCKS * LANES
    rows = np.arange(count).reshape(BLOCKS, LANES)
    return rows, np.zeros((count, samples), dtype=complex), np.zeros(count), np.zeros((count, 2))


def steppers(par: np.ndarray[Any, Any]) -> dict[str, Callable[[], object]]:
    """The compiled stepper with a sample a cycle, on one thread and on all."""
    fixed = (np.full(BLOCKS, STEPS), False, np.full(BLOCKS, CYCLES))

    def call(threads: int, stride: int) -> Callable[[], object]:
        arguments = (par, *fixed, CYCLES, 0, stride, 0, *filled(CYCLES // stride))
        if threads == 1:
            return lambda: kernel.run(0, BLOCKS, *arguments)
        return lambda: spread(kernel.run, BLOCKS, *arguments)

    return {
        "numba, 1 thread, a sample a cycle": call(1, 1),
        "numba, 1 thread, a sample a burst": call(1, CYCLES),
        f"numba, {THREADS} threads, a sample a cycle": call(THREADS, 1),
        f"numba, {THREADS} threads, a sample a burst": call(THREADS, CYCLES),
    }


def roofline(par: np.ndarray[Any, Any], folder: str) -> dict[int, float]:
    """C's rate by number of threads."""
    bursts = ctypes.CDLL(str(c_library(SOURCE, folder))).bursts
    bursts.argtypes = [ctypes.c_int] * 3 + [ctypes.c_void_p] * 2
    bursts.restype = None
    h = 1.0 / STEPS
    rows = [kernel.STIFFNESS, kernel.QUADRATIC, kernel.CUBIC, kernel.DAMPING, kernel.FORCE]
    scale = np.array([h * h / 4.0] * 3 + [h / 2.0, h * h / 4.0])[:, None]
    packed = np.ascontiguousarray(par[:, rows] * scale)
    result = np.zeros((BLOCKS, LANES))

    def part(first: int, count: int) -> None:
        bursts(count, CYCLES, STEPS, packed[first:].ctypes.data, result[first:].ctypes.data)

    rates = {}
    for threads in (1, THREADS):
        share = BLOCKS // threads
        with ThreadPoolExecutor(threads) as pool:
            call = lambda: list(  # noqa: E731
                pool.map(part, range(0, BLOCKS, share), [share] * threads)  # noqa: B023
            )
            rates[threads] = BLOCKS * LANES * CYCLES * STEPS / best(call, REPEATS) / 1e6
    motion = filled(1)
    steps, cycles = np.full(BLOCKS, STEPS), np.full(BLOCKS, CYCLES)
    kernel.run(0, BLOCKS, par, steps, False, cycles, CYCLES, 0, CYCLES, 0, *motion)
    worst = np.abs(motion[3][:, 0].reshape(result.shape) - result).max() / np.abs(result).max()
    print(f"largest difference of the final displacement, numba and C: {worst:.1e}")
    return rates


def error_against_solve_ivp() -> None:
    """Envelope error of hard nonlinear bursts at several step counts (DOP853, rtol 1e-10)."""
    w0, quality, cubic = 2.0 * np.pi, 40.0, 40.0
    cell = {"mass": 1.0, "damping": w0 / quality, "stiffness": w0**2, "force_per_volt": 1.0}
    for carrier, volt in ((1.0, 0.5), (1.05, 1.5), (1.1, 4.0)):
        duration = 20.0 / carrier

        def rhs(t: float, y: Any, carrier: float = carrier, volt: float = volt) -> list[float]:
            push = volt * np.cos(2.0 * np.pi * carrier * t)
            return [y[1], push - w0 / quality * y[1] - w0**2 * y[0] - cubic * y[0] ** 3]

        exact = solve_ivp(
            rhs, (0, duration), [0, 0], method="DOP853", rtol=1e-10, atol=1e-13, dense_output=True
        )
        nodes, weights = np.polynomial.legendre.leggauss(48)
        t = (np.arange(20)[:, None] + 0.5 + 0.5 * nodes) / carrier
        x = exact.sol(t.ravel())[0].reshape(t.shape)
        truth = (weights * x * np.exp(-2j * np.pi * carrier * t)).sum(axis=1)
        line = []
        for steps in (None, 32, 64, 128):
            found = burst_envelope(
                carrier,
                duration=duration,
                drive_amplitude=volt,
                cubic=cubic,
                steps_per_cycle=steps,
                **cell,
            )
            gap = np.abs(found.envelope - truth).max() / np.abs(truth).max()
            chosen = f"{int(found.steps_per_cycle)} (chosen)" if steps is None else str(steps)
            line.append(f"{chosen}: {gap:.1e}")
        print(f"carrier {carrier}, drive {volt}: error at steps a cycle " + ", ".join(line))


def coupled() -> None:
    """Rates of the coupled-mode stepper, one thread."""
    rng = np.random.default_rng(2)
    for modes in (1, 2, 3, 4):
        ratio = np.array([1.0, 3.89, 8.72, 15.5])[:modes]
        cell = {
            "mass": np.ones(modes),
            "damping": 0.15 * ratio,
            "stiffness": (2.0 * np.pi * ratio) ** 2,
            "force_per_volt": np.ones(modes),
            "quadratic_tensor": rng.normal(size=(modes,) * 3),
            "cubic_tensor": np.ones((modes,) * 4),
        }
        carriers = np.linspace(0.95, 1.05, 256)
        call = lambda: modes_burst_envelope(  # noqa: E731
            carriers,  # noqa: B023
            duration=20.0,
            drive_amplitude=1.0,
            steps_per_cycle=96,
            **cell,  # noqa: B023
        )
        rate = 256 * 20.5 * 96 / best(call, 20) / 1e6
        print(
            f"{modes} coupled modes, 1 thread: {rate:.0f} M steps/s, all modes of one counted once"
        )


def main() -> None:
    par = in_lanes(hardening(BLOCKS * LANES, CYCLES))
    work = BLOCKS * LANES * CYCLES * STEPS / 1e6
    rates = {label: work / best(call, REPEATS) for label, call in steppers(par).items()}
    for label, rate in rates.items():
        print(f"{label}: {rate:.0f} M steps/s")
    if shutil.which("gcc"):
        with tempfile.TemporaryDirectory() as folder:
            bound = roofline(par, folder)
        for threads, rate in bound.items():
            print(f"C, {threads} thread(s): {rate:.0f} M steps/s")
        for label, rate in rates.items():
            threads = 1 if "1 thread" in label else THREADS
            print(f"{label}: {rate / bound[threads]:.2f} of C on as many threads")
        print(f"C on {THREADS} threads gains {bound[THREADS] / bound[1]:.2f} over one")
    else:
        print("no gcc here: C roofline skipped")
    coupled()
    error_against_solve_ivp()


if __name__ == "__main__":
    main()
