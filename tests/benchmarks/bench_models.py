"""Designs per second of every model in the loop, where the time goes, and how it grows.

Run: python -m tests.benchmarks.bench_models. Random designs of the duct study's combined strategy,
its 64 cells in 8 or in 64 distinct groups. Elapsed time of all threads in one process; what grows
is the processor time, fitted as a power over the range shown.
"""

from __future__ import annotations

import resource
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.merits.figures import compute_merits
from arrayopt.models import beam
from arrayopt.models.array import UP
from arrayopt.models.cells import build_cells
from arrayopt.models.choose import ALIKE
from arrayopt.models.coupled.response import find_coupled_band, pack_coupled
from arrayopt.models.one_mode.band import find_band
from arrayopt.models.one_mode.model import OneMode
from arrayopt.models.one_mode.response import array_pressure, pack
from arrayopt.physics.numerics.threads import thread_count
from arrayopt.search.seeds import seed_vectors
from arrayopt.study.lattice import array_layout
from arrayopt.study.model import BurstLength, Strategy, Study
from tests.benchmarks.bench_chain import distinct, one_mode, random_designs
from tests.benchmarks.timing import costs

WANTED = frozenset({"fractional_bandwidth"})


def model(study: Study, **changes: object) -> Study:
    """The study with other model settings."""
    return replace(study, model=replace(study.model, **changes))  # type: ignore[arg-type]


def near_onset(study: Study, count: int) -> Designs:
    """Staggered designs as a search starts from, each radius moved by 0.3 %."""
    strategy = study.strategies[0]
    space = DesignSpace(study, strategy)
    designs = space.decode(seed_vectors(study, strategy, 5)[1:5])
    designs = designs.take(np.arange(count) % 4)
    jitter = np.random.default_rng(1).normal(1.0, 3e-3, designs.radius.shape)
    return replace(designs, radius=designs.radius * jitter)


def rates(study: Study) -> None:
    """Designs per second of each model for 8 and 64 groups."""
    burst = replace(study.target, excitation="burst", burst_length=BurstLength(0.4e-3))
    cases = (
        ("one mode, slow sweep", study, 200),
        ("several modes, slow sweep", model(study, kind="multi-mode"), 8),
        ("one mode, bursts", replace(study, target=burst), 16),
        ("mutual radiation, groups alike", model(study, mutual_radiation="group"), 16),
        ("mutual radiation, full", model(study, mutual_radiation="full"), 16),
    )
    print("| model | groups | designs/s | processor ms a design | without merits |")
    print("|---|---|---|---|---|")
    for label, changed, count in cases:
        for groups in (8, 64):
            one_study, strategy = distinct(changed, groups)
            designs = random_designs(one_study, strategy, count)
            if "mutual" in label:
                designs = near_onset(one_study, count)
            call = lambda d=designs, s=one_study: compute_merits(d, s, wanted=WANTED)  # noqa: E731
            wall, processor = costs(call)
            lost = float(np.mean(call().status != 0))
            print(
                f"| {label} | {groups} | {count / wall:.3g} | {1e3 * processor / count:.3g} | "
                f"{lost:.0%} |"
            )


def shares(study: Study) -> None:
    """Where the time of one batch goes, one mode."""
    changed, strategy = distinct(study, 64)
    designs = random_designs(changed, strategy, 200)
    cells = build_cells(designs, changed)
    packed = pack(cells, designs, changed)
    level = 10.0 ** (changed.target.level / 20.0)
    stages = {
        "cells (plate, statics, radiation series)": lambda: build_cells(designs, changed),
        "packing": lambda: pack(cells, designs, changed),
        "sweep, peak and edges": lambda: find_band(packed, level=level, sweep=UP),
        "all merits": lambda: compute_merits(designs, changed, wanted=WANTED),
    }
    spent = {name: costs(call)[1] for name, call in stages.items()}
    for name, seconds in spent.items():
        print(f"{name}: {1e3 * seconds:.0f} ms, {seconds / spent['all merits']:.0%} of all merits")


def exponent(sizes: list[int], calls: list[Callable[[], object]]) -> str:
    """Fitted power of the processor time in the size."""
    spent = [costs(call)[1] for call in calls]
    power = np.polyfit(np.log(sizes), np.log(spent), 1)[0]
    times = ", ".join(f"{1e3 * s:.0f}" for s in spent)
    return f"{power:.2f} ({sizes[0]} to {sizes[-1]}: {times} ms)"


def square(study: Study, side: int) -> tuple[Study, Strategy]:
    """The combined strategy with side x side cells in 8 groups."""
    base = study.strategy("combined")
    place = np.arange(side) - 0.5 * (side - 1)
    owner = np.arange(side * side) % 8
    layout = array_layout(
        np.stack(np.meshgrid(place, place), axis=-1).reshape(-1, 2),
        class_of_cell=owner,
        channel_of_cell=owner,
        explicit=False,
    )
    strategy = replace(base, layout=layout)
    return replace(study, strategies=(strategy,)), strategy


def growth(study: Study) -> None:
    """Powers of the processor time."""
    changed, strategy = distinct(study, 64)
    batch = random_designs(changed, strategy, 800)

    def merits(designs: Designs, one: Study) -> Callable[[], object]:
        return lambda: compute_merits(designs, one, wanted=WANTED)

    counts = [100, 200, 400, 800]
    print("designs:", exponent(counts, [merits(batch.take(np.arange(n)), changed) for n in counts]))
    sizes = [8, 16, 32, 64]
    by_groups = [distinct(study, n) for n in sizes]
    calls = [merits(random_designs(s, t, 200), s) for s, t in by_groups]
    print("groups, 64 cells:", exponent(sizes, calls))
    few = batch.take(np.arange(100))
    cells = build_cells(few, changed)
    grids = [200, 400, 800, 1600]
    rows = [np.tile(np.linspace(85e3, 145e3, n), (100, 1)) for n in grids]
    calls = [lambda f=f: array_pressure(cells, few, changed, frequency=f, sweep=UP) for f in rows]
    print("frequencies, fixed grid:", exponent(grids, calls))
    model, at, turns = OneMode(few, changed, cells), np.full(100, 100e3), [91, 181, 361, 721]

    def patterns(count: int) -> None:
        beam.ANGLES = count
        beam.beam_patterns(model, at, UP)

    usual = beam.ANGLES
    print("directions of a pattern:", exponent(turns, [partial(patterns, n) for n in turns]))
    beam.ANGLES = usual
    sides = [4, 6, 8, 12, 16]
    calls = []
    for side in sides:
        one, strategy = square(study, side)
        designs = random_designs(one, strategy, 100)
        calls.append(partial(compute_merits, designs, one))
    print("cells in 8 groups, all merits:", exponent([n * n for n in sides], calls))
    modes = [1, 2, 3, 4]
    eight, strategy = distinct(study, 8)
    some = random_designs(eight, strategy, 4)
    calls = [merits(some, model(eight, kind="multi-mode", modes=n)) for n in modes]
    print("modes, harmonic balance:", exponent(modes, calls))
    sites = [8, 16, 32, 64]
    calls = []
    for n in sites:
        one, strategy = distinct(study, n)
        designs = near_onset(one, 8)
        coupled = pack_coupled(build_cells(designs, one), designs, one, alike=ALIKE["group"])
        calls.append(
            lambda c=coupled, s=one: find_coupled_band(
                c, level=10.0 ** (s.target.level / 20.0), sweep=UP
            )
        )
    print("cells that move apart, mutual radiation:", exponent(sites, calls))


def main() -> None:
    study = one_mode()
    print(f"{thread_count()} threads\n")
    rates(study)
    print("\nWhere the time goes: 200 designs of 64 groups, one mode, processor time\n")
    shares(study)
    print("\nPower of the processor time in\n")
    growth(study)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"\npeak memory of this process {peak:.2f} GiB")


if __name__ == "__main__":
    main()
