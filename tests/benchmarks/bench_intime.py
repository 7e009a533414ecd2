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

from arrayopt.design.designs import DesignSpace
from arrayopt.models.cells import build_cells
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.slow_flow import ChipSweep, chip_arrays, chip_sweep
from arrayopt.physics.intime.waveform import Drive, Pulses, chip_pulses
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.numerics.threads import thread_count
from arrayopt.study.read import read_study

STUDY = Path(__file__).parents[2] / "studies" / "duct-flow-meter"
SOURCE = Path(__file__).with_name("intime_roofline.c")
CHIPS, DRIVE, SCATTER = 64, 1.5, 0.003
REPEATS = 3


def chips(strategy: int, count: int, drive: float = DRIVE) -> tuple[ChipArrays, float, float]:
    """One design in the middle of its ranges with chips of scattered radius, and a sweep's ends."""
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
    cells = build_cells(designs, study)
    group = designs.layout.group_of_cell
    off = SCATTER * np.random.default_rng(1).normal(size=(1, count, group.size))

    def spread_out(value: np.ndarray) -> np.ndarray:
        return np.repeat(value[:, None, group], count, axis=1)

    arrays = chip_arrays(
        designs.layout.unit_position,
        mass=spread_out(cells.mass) * (1.0 + 2.0 * off),
        damping=spread_out(cells.damping),
        stiffness=spread_out(cells.stiffness) * (1.0 - 2.0 * off),
        cubic=spread_out(cells.effective_cubic),
        force=spread_out(cells.force_per_volt * designs.drive_amplitude + 0j),
        radius=spread_out(cells.radius) * (1.0 + off),
        volume=spread_out(cells.volume) * (1.0 + 2.0 * off),
        nominal=cells.radius[:, group],
        shape=cells.shape[:, group],
        resistance=cells.resistance_series[:, group],
        reactance=cells.reactance_series[:, group],
        density=study.air_state.density,
        sound_speed=study.air_state.sound_speed,
        scale=designs.pitch,
        sides=2,
    )
    f = cells.natural_frequency
    return arrays, 0.85 * f.min(), 1.3 * f.max()


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
    arrays, start, stop = chips(1, CHIPS)
    drive = Drive(0.5 * (start + stop), 2e-4)
    with tempfile.TemporaryDirectory() as folder:
        for single in (False, True):
            name = "float32" if single else "float64"

            def sweep(single: bool = single) -> ChipSweep:
                return chip_sweep(arrays, start=start, stop=stop, single=single)

            def pulse(single: bool = single) -> Pulses:
                quiet = {"quadratic": 0.0, "cubic": arrays.cubic, "single": single}
                return chip_pulses(arrays, drives=drive, ring=2e-4, **quiet)

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
    print("\n| array | drive/onset | K | band beside K = 100: median, largest | chips/s |")
    print("|---|---|---|---|---|")
    for strategy, push in ((0, 0.5), (1, 1.5), (1, 3.0)):
        arrays, start, stop = chips(strategy, 16, push)
        widths = {}
        for slowness in (100.0, 20.0, 10.0):
            begun = time.process_time()
            found = chip_sweep(arrays, start=start, stop=stop, slowness=slowness, single=True)
            spent = time.process_time() - begun
            p = np.abs(found.volume[0]) * found.frequency[0] ** 2
            inside = p > 0.501 * p.max(axis=1, keepdims=True)
            widths[slowness] = inside.sum(axis=1) * np.diff(found.frequency[0, :2])[0]
            off = np.abs(widths[slowness] / widths[100.0] - 1.0)
            print(
                f"| {('uniform', 'overlapping')[strategy]} | {push} | {slowness:.0f} "
                f"| {np.median(off):.2%}, {off.max():.2%} | {16 / spent:.0f} |"
            )


if __name__ == "__main__":
    main()
