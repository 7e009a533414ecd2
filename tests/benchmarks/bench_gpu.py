"""Bursts on a graphics card: steps and designs per second, the processor beside it, what differs.

Run on a machine with a card: python -m tests.benchmarks.bench_gpu. Rates of the kernel are of a
million oscillators whose numbers lie on the card already; whole calls start and end in numpy
arrays. The limit is what this arithmetic (35 operations a step, 32 steps a cycle) reached on one
H100 in CUDA C++ without samples. The processor steps the same bursts in as many threads as it has.
"""

from __future__ import annotations

import os
import time
from typing import Any

import numpy as np
from numba import cuda as numba_cuda

from arrayopt.merits.evaluate import evaluate
from arrayopt.models.one_mode import envelopes as burst
from arrayopt.physics.numerics.threads import spread, thread_count
from arrayopt.physics.transient import card_kernel as transient_gpu
from arrayopt.physics.transient import one_mode_kernel as kernel
from arrayopt.physics.transient.one_mode import BurstResponse, burst_envelope
from arrayopt.study.model import BurstLength
from tests.benchmarks.timing import best, hardening, in_lanes
from tests.support.chain import at_target, duct, random_designs

cuda: Any = numba_cuda
LIMIT = {False: 344e9, True: 663e9}
OSCILLATORS, CYCLES, STEPS = 2**20, 50, 32
DESIGNS, GROUPS, CARRIERS, TOLERANCE = 200, 8, 100, 2e-4
EVALUATED, LENGTH = 512, BurstLength(0.4e-3)
NAMES = {False: "float64", True: "float32"}


def card_rates(par: np.ndarray[Any, Any]) -> dict[tuple[bool, int], np.ndarray[Any, Any]]:
    """Print the kernel's rates; return the last envelopes by precision and sampling."""
    kept = {}
    on_card = cuda.to_device(par)
    rows = cuda.to_device(np.arange(OSCILLATORS))
    peak = cuda.device_array(OSCILLATORS, np.float64)
    end = cuda.device_array((OSCILLATORS, 2), np.float64)
    for single in (False, True):
        compiled = transient_gpu.make_kernel(single)
        table = transient_gpu.phasors(STEPS, single)
        for stride, label in ((1, "a sample a cycle"), (CYCLES, "a sample a burst")):
            out = cuda.device_array((OSCILLATORS, CYCLES // stride), np.complex128)
            shape = (OSCILLATORS // transient_gpu.THREADS, transient_gpu.THREADS)

            def call(
                compiled: Any = compiled,
                table: Any = table,
                stride: int = stride,
                out: Any = out,
                shape: Any = shape,
            ) -> None:
                compiled[shape](
                    on_card, rows, STEPS, table, False, CYCLES, 0, stride, 0, out, peak, end
                )
                cuda.synchronize()

            seconds = best(call, 20)
            rate = OSCILLATORS * CYCLES * STEPS / seconds
            print(
                f"card, {NAMES[single]}, {label}: {rate / 1e9:.0f} G steps/s, "
                f"{rate / LIMIT[single]:.2f} of {LIMIT[single] / 1e9:.0f}"
            )
            kept[single, stride] = out.copy_to_host()
    return kept


def processor_rate(par: np.ndarray[Any, Any], count: int) -> np.ndarray[Any, Any]:
    """Print the processor's rate on all threads; return its envelopes (oscillator, cycle)."""
    blocks = count // kernel.LANES
    packed = in_lanes(par[:count])
    rows = np.arange(count).reshape(blocks, kernel.LANES)
    motion = (np.zeros((count, CYCLES), dtype=complex), np.zeros(count), np.zeros((count, 2)))
    fixed = (np.full(blocks, STEPS), False, np.full(blocks, CYCLES), CYCLES, 0, 1, 0)
    seconds = best(lambda: spread(kernel.run, blocks, packed, *fixed, rows, *motion), 5)
    rate = count * CYCLES * STEPS / seconds
    print(
        f"processor, float64, {thread_count()} threads, a sample a cycle: "
        f"{rate / 1e9:.2f} G steps/s"
    )
    return motion[0]


def whole_calls(cycles: int, stride: int) -> None:
    """burst_envelope as a study calls it: cells near 100 kHz, carriers over their band."""
    rng = np.random.default_rng(3)
    cell = (DESIGNS, 1, GROUPS)
    natural = 1e5 * rng.uniform(0.95, 1.05, cell)
    mass = 1e-10
    stiffness = mass * (2.0 * np.pi * natural) ** 2
    carrier = np.linspace(0.9e5, 1.15e5, CARRIERS)[None, :, None]
    options = {
        "duration": cycles / carrier,
        "drive_amplitude": rng.uniform(0.5, 5.0, cell),
        "mass": mass,
        "damping": mass * 2.0 * np.pi * natural / 50.0,
        "stiffness": stiffness,
        "cubic": stiffness / (1e-6) ** 2,
        "force_per_volt": 0.002 * stiffness * 1e-6,
        "quantity": "acceleration",
        "tolerance": TOLERANCE,
        "parallel": True,
        "periods_per_sample": stride,
    }
    wanted = burst_envelope(carrier, device="cpu", **options)
    steps = float(wanted.steps_per_cycle.sum()) * cycles
    print(
        f"{DESIGNS} designs x {GROUPS} groups x {CARRIERS} carriers x {cycles} cycles, a sample "
        f"each {stride}: {steps / 1e9:.2f} G steps, {np.unique(wanted.steps_per_cycle)} a cycle"
    )
    peak = np.abs(wanted.envelope).max(axis=-1)
    for device in ("cpu", "gpu", "gpu-single"):
        found = burst_envelope(carrier, device=device, **options)
        gap = (np.abs(found.envelope - wanted.envelope).max(axis=-1) / peak).max()
        same = np.array_equal(found.steps_per_cycle, wanted.steps_per_cycle)
        seconds = best(lambda: burst_envelope(carrier, device=device, **options), 5)  # noqa: B023
        print(
            f"burst_envelope on {device}: {seconds * 1e3:.0f} ms, "
            f"{DESIGNS / seconds:.0f} designs/s, largest difference {gap:.1e}, same steps: {same}"
        )


class Timed:
    """Stands in for the stepper and adds up its time."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def __call__(self, frequency: Any, **arguments: Any) -> BurstResponse:
        start = time.perf_counter()
        found = burst_envelope(frequency, **arguments)
        self.seconds += time.perf_counter() - start
        return found


def whole_evaluations() -> None:
    """All merits of random designs of the duct study with bursts of 0.4 ms beside the sweep's."""
    study = at_target(duct(), burst_length=LENGTH)
    strategy = study.strategy("combined")
    designs = random_designs(study, "combined", EVALUATED)
    timed = Timed()
    burst.burst_envelope = timed  # type: ignore[assignment]
    wanted = None
    for device in ("cpu", "gpu", "gpu-single"):
        os.environ["ARRAYOPT_DEVICE"] = device
        evaluate(designs.take(np.arange(8)), study, strategy)
        timed.seconds = 0.0
        start = time.perf_counter()
        found = evaluate(designs, study, strategy)
        seconds = time.perf_counter() - start
        width = found.burst_bandwidth.values
        wanted = width if wanted is None else wanted
        gap = np.abs(width / wanted - 1.0)
        print(
            f"evaluate on {device}, {thread_count()} threads: {EVALUATED / seconds:.0f} designs/s, "
            f"{timed.seconds / seconds:.0%} of the time in burst_envelope; "
            f"burst bandwidth differs by {np.nanmax(gap):.1e} at most, "
            f"{(np.isnan(width) != np.isnan(wanted)).sum()} found by one only"
        )
    del os.environ["ARRAYOPT_DEVICE"]


def main() -> None:
    print(f"card: {cuda.get_current_device().name}")
    par = hardening(OSCILLATORS, CYCLES)
    found = card_rates(par)
    count = 2**16
    wanted = processor_rate(par, count)
    peak = np.abs(wanted).max(axis=1)
    for single, name in NAMES.items():
        gap = np.abs(found[single, 1][:count] - wanted).max(axis=1) / peak
        print(
            f"difference from the processor, {name}, of each peak: median {np.median(gap):.1e}, "
            f"99.9 % below {np.quantile(gap, 0.999):.1e}, largest {gap.max():.1e}"
        )
    whole_calls(40, 1)
    whole_calls(400, 10)
    whole_evaluations()


if __name__ == "__main__":
    main()
