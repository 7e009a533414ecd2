"""Slow sweeps and pulses of chips: beside a C program of the reference arithmetic, and per second.

Run: python tests/benchmarks/bench_intime.py. 64 cells of the duct study, lanes are chips, as many
threads on both sides; rates are those of one processor, by processor time. The C program
(intime_roofline.c, gcc -O3 -march=native -ffast-math) takes two stages with a product each to a
step of 0.12 decay times; ours takes one product to such a step and records pressure, power,
deflection and beats on the way. Both are counted in steps.
"""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np

from arrayopt.design.chips import Draws
from arrayopt.design.designs import DesignSpace
from arrayopt.models.cells import build_cells
from arrayopt.models.made import Made, made_chips
from arrayopt.physics.intime.slow_flow import ChipSweep, chip_sweep, sweep_range
from arrayopt.physics.intime.waveform import Drive, Pulses, chip_pulses
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.numerics.threads import thread_count
from arrayopt.study.read import read_study

STUDY = Path(__file__).parents[2] / "studies" / "duct-flow-meter"
SOURCE = Path(__file__).with_name("intime_roofline.c")
CHIPS, DRIVE, SCATTER = 64, 1.5, 0.003
REPEATS = 3


def chips(strategy: int, count: int, drive: float = DRIVE, modes: int = 1) -> Made:
    """One design in the middle of its ranges with chips of scattered radius."""
    study = read_study(STUDY)
    space = DesignSpace(study, study.strategies[strategy])
    X = np.full((1, space.n_variables), 0.5)
    classes = [k for k, name in enumerate(space.names) if name.startswith("radius")]
    for place, k in enumerate(classes):
        X[:, k] += 0.5 * (place / max(len(classes) - 1, 1) - 0.5) if len(classes) > 1 else 0.0
    designs = space.decode(X)
    onset = build_cells(designs, study).onset.min()
    designs = replace(
        designs, drive_amplitude=np.full(designs.drive_amplitude.shape, drive * onset)
    )
    off = SCATTER * np.random.default_rng(1).normal(size=(count, len(designs.layout.unit_position)))
    none = np.zeros_like(off)
    return made_chips(designs, study, Draws(off, none, none, none, none), n_modes=modes)


def best(call: Callable[[], object]) -> float:
    """Processor seconds of the fastest repeat (others share the machine)."""
    call()
    times = []
    for _ in range(REPEATS):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)


def roofline(folder: str, single: bool, threads: int) -> float:
    """Million chip-steps per second of the C program."""
    library = Path(folder) / "roofline.so"
    if not library.exists():
        flags = [
            "-O3",
            "-march=native",
            "-ffast-math",
            "-fdisable-tree-cunrolli",
        ]  # lanes in vectors
        shared = ["-shared", "-fPIC", "-o", library, SOURCE, "-lm"]
        subprocess.run(["gcc", *flags, *shared], check=True, capture_output=True)
    call = getattr(ctypes.CDLL(str(library)), "sweep_single" if single else "sweep_double")
    pointer, n, steps = ctypes.c_void_p, 64, 1000
    call.argtypes = [ctypes.c_int, ctypes.c_long, *[pointer] * 6]
    kind = np.float32 if single else np.float64
    rng = np.random.default_rng(3)
    matrix = (0.02 * rng.normal(size=(n, n, 2))).astype(kind)
    given = rng.normal(size=(n, 6, LANES))
    given[:, 0], given[:, 2], given[:, 5] = -0.12, 0.01, 0.01

    def part(_: int) -> None:
        k = np.ascontiguousarray(given.astype(kind))
        x, y, first = (np.zeros((n, 2, LANES), dtype=kind) for _ in range(3))
        keep = np.zeros((n, 5, LANES), dtype=kind)
        call(n, steps, *(a.ctypes.data for a in (matrix, k, x, y, first, keep)))
        assert np.isfinite(x).all()

    with ThreadPoolExecutor(threads) as pool:
        spent = best(lambda: list(pool.map(part, range(2 * threads))))
    return 2 * threads * steps * LANES / spent / 1e6


def main() -> None:
    threads = thread_count()
    print(f"{threads} threads, 64 cells; rates of one processor")
    made = chips(1, CHIPS)
    start, stop = sweep_range(made.arrays)
    drive = Drive(0.5 * float(start[0] + stop[0]), 2e-4)
    with tempfile.TemporaryDirectory() as folder:
        for single in (False, True):
            name = "float32" if single else "float64"

            def sweep(single: bool = single) -> ChipSweep:
                return chip_sweep(made.arrays, start=start, stop=stop, single=single)

            def pulse(single: bool = single) -> Pulses:
                springs = {"quadratic": made.quadratic, "cubic": made.cubic, "single": single}
                return chip_pulses(made.arrays, drives=drive, ring=2e-4, **springs)

            steps = sweep().steps[0]
            spent = best(sweep)
            ours = CHIPS * steps / spent / 1e6
            print(
                f"{name}: {ours:.2f} M chip-steps/s, {CHIPS / spent:.0f} sweeps/s of {steps} steps"
            )
            if shutil.which("gcc"):
                bound = roofline(folder, single, threads)
                print(f"{name}, C: {bound:.2f} M chip-steps/s; ours/C {ours / bound:.2f}")
            print(f"{name}: {CHIPS / best(pulse):.0f} pulses/s of 0.2 ms, 0.2 ms of ring-down")
    for modes in (2, 3):
        made = chips(1, LANES, modes=modes)
        for single in (False, True):

            def several(made: Made = made, single: bool = single) -> ChipSweep:
                more = {"modal": made.modal, "slowness": 2.0, "single": single}
                return chip_sweep(made.arrays, start=start, stop=stop, **more)

            rate = LANES * several().steps[0] / best(several) / 1e6
            print(f"{modes} modes, {'float32' if single else 'float64'}: {rate:.3f} M chip-steps/s")
    print("\n| array | drive/onset | K | width beside K = 100: median, largest | peak | chips/s |")
    print("|---|---|---|---|---|---|")
    for strategy, push in ((0, 0.3), (0, 0.9), (1, 0.5), (1, 1.5), (1, 3.0)):
        arrays = chips(strategy, LANES, push).arrays
        start, stop = sweep_range(arrays)
        widths, peaks = {}, {}
        for slowness in (100.0, 30.0, 20.0, 15.0, 10.0):
            begun = time.process_time()
            found = chip_sweep(arrays, start=start, stop=stop, slowness=slowness, single=True)
            spent = time.process_time() - begun
            f, p = found.frequency[0], np.abs(found.volume[0]) * found.frequency[0] ** 2
            widths[slowness] = np.array([_width(f, row) for row in p])
            peaks[slowness] = p.max(axis=1)
            off, high = (np.abs(x[slowness] / x[100.0] - 1.0) for x in (widths, peaks))
            print(
                f"| {('uniform', 'overlapping')[strategy]} | {push} | {slowness:.0f} "
                f"| {np.median(off):.2%}, {off.max():.2%} | {np.median(high):.2%} "
                f"| {LANES / spent:.0f} |"
            )


def _width(f: np.ndarray, p: np.ndarray) -> float:
    """-6 dB width around the peak."""
    top, limit = int(np.argmax(p)), 10.0**-0.3 * p.max()
    low = top - int(np.argmax(p[top::-1] < limit))
    high = top + int(np.argmax(p[top:] < limit))
    ends = [np.interp(limit, p[[k, j]], f[[k, j]]) for k, j in ((low, low + 1), (high, high - 1))]
    return float(ends[1] - ends[0])


if __name__ == "__main__":
    main()
