"""Designs per second of the multi-mode, multi-harmonic sweep (M7.11 to M7.17).

Run: python -m tests.benchmarks.bench_harmonic. One design: 8 groups of a clamped uniform disc, 3
modes, harmonics 0..3, 400 frequencies, drives from 0.5 to 8 times the onset of bistability, so that
nine sweeps in ten jump. Beside the elapsed time it prints processor time per frequency point, which
says more on a shared machine.
"""

from __future__ import annotations

import time

import numba
import numpy as np

from arrayopt.physics.plate.diaphragm import modes_at, plate_table
from arrayopt.physics.plate.laminate import Layer, sections
from arrayopt.physics.steady.harmonic import harmonic_sweep
from arrayopt.physics.steady.steady import onset_force

DESIGNS, GROUPS, POINTS, QUALITY, REPEATS = 20, 8, 400, 53.0, 6


def main() -> None:
    layer = Layer("plate", 2e-6, 155e9, 0.3, 2330.0, active=True, e31f=-1.0)
    table = plate_table(*sections((layer,)), ring=False)
    disc = modes_at(table, None, radius=np.array(200e-6), coverage=np.array(0.7), n_modes=3)
    natural = np.sqrt(disc.stiffness / disc.mass)
    damping = disc.mass * natural / QUALITY
    onset = onset_force(disc.mass[0], c=damping[0], k1=disc.stiffness[0], g=disc.cubic[0])
    drive = np.random.default_rng(0).uniform(0.5, 8.0, (DESIGNS, GROUPS, 1))
    w = np.linspace(0.7, 1.6, POINTS) * natural[0]
    print(f"{min(2, numba.config.NUMBA_NUM_THREADS)} threads")
    numba.set_num_threads(min(2, numba.config.NUMBA_NUM_THREADS))
    for label, options in (
        ("with stability at every 4th point", {}),
        ("folds only", {"stability_every": 0}),
        ("every point solved, folds only", {"stability_every": 0, "interpolation": 0.0}),
    ):
        elapsed, processor = np.inf, np.inf
        for _ in range(REPEATS):
            wall, cpu = time.perf_counter(), time.process_time()
            run = harmonic_sweep(
                w, mass=disc.mass, stiffness=disc.stiffness, damping=damping,
                quadratic_tensor=disc.quadratic_tensor, cubic_tensor=disc.cubic_tensor,
                force=drive * onset * disc.volume / disc.volume[0], length=2e-6, **options,
            )  # fmt: skip
            elapsed = min(elapsed, time.perf_counter() - wall)
            processor = min(processor, time.process_time() - cpu)
        jumps = np.isfinite(run.jump_frequency[..., 0]).mean()
        per_point = processor / (DESIGNS * GROUPS * POINTS)
        print(
            f"{label}: {DESIGNS / elapsed:.0f} designs/s elapsed; {1e6 * per_point:.2f} us of one "
            f"core a point = {2.0 / (per_point * GROUPS * POINTS):.0f} designs/s on 2 free cores; "
            f"{jumps:.0%} of sweeps jump; worst status {run.status.max()}"
        )


if __name__ == "__main__":
    main()
