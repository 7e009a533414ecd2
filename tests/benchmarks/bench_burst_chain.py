"""Designs per second of the burst band, and how far its grid can be trusted.

Run: python -m tests.benchmarks.bench_burst_chain. Arrays of the duct study's 8 groups: staggered
designs near their onset, as a search starts from, and random ones, whose resonances lie much
further apart. Rates are also given per second of processor time, since others may share the
machine; steps are those of the oscillators kept, a second pass for hardening ones not counted.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.models.cells import build_cells
from arrayopt.models.excitations import burst as burst_band
from arrayopt.models.one_mode import envelopes as burst
from arrayopt.models.one_mode.model import OneMode
from arrayopt.physics.numerics.threads import thread_count
from arrayopt.physics.transient.one_mode import BurstResponse
from arrayopt.search.seeds import seed_vectors
from arrayopt.study.model import BurstLength, Study
from tests.support.chain import duct, random_designs

LENGTH = BurstLength(0.4e-3)
LEVEL = 10.0 ** (-6.0 / 20.0)
COUNT, REPEATS = 64, 5


class Counter:
    """Stands in for the stepper and counts what it does."""

    def __init__(self) -> None:
        self.oscillators = self.steps = 0
        self.original: Callable[..., BurstResponse] = burst.burst_envelope

    def __call__(self, frequency, **arguments):  # type: ignore[no-untyped-def]
        found = self.original(frequency, **arguments)
        self.oscillators += found.status.size
        cycles = np.asarray(frequency) * arguments["duration"]
        self.steps += int((found.steps_per_cycle * cycles).sum())
        return found


def staggered(study: Study) -> Designs:
    """Resonances 0.5 to 1.5 linewidths apart at 0.95 of the onset, each radius moved by 0.3 %."""
    space = DesignSpace(study, study.strategy("combined"))
    designs = space.decode(seed_vectors(study, study.strategy("combined"), 5)[1:5])
    designs = designs.take(np.arange(COUNT) % 4)
    jitter = np.random.default_rng(1).normal(1.0, 3e-3, designs.radius.shape)
    return replace(designs, radius=designs.radius * jitter)


def main() -> None:
    study = duct()
    counter = Counter()
    burst.burst_envelope = counter
    for name, designs in (
        ("staggered near onset", staggered(study)),
        ("random", random_designs(study, "combined", COUNT)),
    ):
        cells = build_cells(designs, study)
        model, bursts = OneMode(designs, study, cells), burst_band.Burst(LENGTH)
        band = bursts.band(model, LEVEL)
        wall, processor = [], []
        for _ in range(REPEATS):
            counter.oscillators = counter.steps = 0
            start = time.perf_counter(), time.process_time()
            bursts.band(model, LEVEL)
            wall.append(time.perf_counter() - start[0])
            processor.append(time.process_time() - start[1])
        carriers = counter.oscillators / COUNT / cells.mass.shape[1]
        print(
            f"{name}: {carriers:.0f} carriers a design, {thread_count()} threads: "
            f"{COUNT / min(wall):.0f} designs/s, {counter.steps / min(wall) / 1e6:.0f} M steps/s; "
            f"{COUNT / min(processor):.0f} designs and {counter.steps / min(processor) / 1e6:.0f} "
            "M steps per second of one processor"
        )
        start = time.perf_counter(), 0.0
        bursts.pulse(model, band)
        print(f"  ring-down and spectrum: {COUNT / (time.perf_counter() - start[0]):.0f} designs/s")
        step, burst_band.STEP = burst_band.STEP, 0.2 * burst_band.STEP
        fine = bursts.band(model, LEVEL)
        burst_band.STEP = step
        width = band.upper_edge - band.lower_edge
        gap = np.abs(width / (fine.upper_edge - fine.lower_edge) - 1.0)
        good = np.isfinite(gap)
        print(
            f"  bandwidth beside a grid five times finer: median {np.median(gap[good]):.1e}, "
            f"{(gap[good] > 1e-6).sum()} of {good.sum()} off by more than 1e-6, "
            f"{(gap[good] > 1e-3).sum()} by more than 1e-3; peak within "
            f"{np.nanmax(np.abs(band.peak_pressure / fine.peak_pressure - 1.0)):.1e}; "
            f"{(~good).sum()} without a band"
        )


if __name__ == "__main__":
    main()
