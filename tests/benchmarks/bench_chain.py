"""Designs per second of the whole chain beside a plain loop, and what a generation spends.

Run: python -m tests.benchmarks.bench_chain. Everything is timed side by side in one run; the
ratios are the result, the absolute times only say how busy the machine was.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.merits.figures import compute_merits
from arrayopt.models.array import UP
from arrayopt.models.cells import Cells, build_cells
from arrayopt.models.one_mode.response import array_pressure
from arrayopt.physics.numerics.threads import thread_count
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.sound.radiation import impedance_from_series
from arrayopt.runs.run import Budget, Task, run_tasks
from arrayopt.runs.study_run import identity
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.search.population import SearchSettings
from arrayopt.study.lattice import array_layout
from arrayopt.study.model import Strategy, Study
from arrayopt.study.read import read_study
from tests.benchmarks.timing import best
from tests.support.paths import STUDIES

STUDY = STUDIES / "duct-flow-meter"
DESIGNS, POINTS = 200, 400


def one_mode() -> Study:
    """The duct study with one mode everywhere: random designs would need several modes often."""
    study = read_study(STUDY)
    return replace(study, model=replace(study.model, escalate=False, mutual_radiation="none"))


def distinct(study: Study, groups: int) -> tuple[Study, Strategy]:
    """The combined strategy with the 64 cells in this many distinct groups."""
    base = study.strategy("combined")
    owner = np.arange(base.layout.n_cells) % groups
    layout = array_layout(
        base.layout.unit_position, class_of_cell=owner, channel_of_cell=owner, explicit=False
    )
    strategy = replace(base, layout=layout)
    return replace(study, strategies=(strategy,)), strategy


def random_designs(study: Study, strategy: Strategy, count: int) -> Designs:
    """Random designs inside the strategy's bounds."""
    space = DesignSpace(study, strategy)
    return space.decode(np.random.default_rng(3).random((count, space.n_variables)))


def plain_loop(
    cells: Cells, designs: Designs, study: Study, f: np.ndarray, count: int
) -> np.ndarray:
    """Cell after cell, frequency after frequency: sign changes, brentq, the largest root."""
    air, group = study.air_state, designs.layout.group_of_cell
    out = np.zeros((count, f.shape[1]), dtype=complex)
    for d in range(count):
        for n in range(group.size):
            g = group[n]
            force = cells.force_per_volt[d, g] * designs.drive_amplitude[d, g]
            for i, one in enumerate(f[d]):
                w = 2 * np.pi * one
                R, X, _ = impedance_from_series(
                    w * designs.radius[d, g] / air.sound_speed,
                    cells.resistance_series[d, g],
                    cells.reactance_series[d, g],
                )
                load = air.density * air.sound_speed * np.pi * designs.radius[d, g] ** 2
                stiff = cells.stiffness[d, g] - w * (w * cells.mass[d, g] + load * X)
                loss = w * (cells.damping[d, g] + load * R)
                bend = 0.75 * cells.effective_cubic[d, g]

                def balance(x: float, a=stiff, b=loss, c=bend, p=force**2) -> float:
                    return x * ((a + c * x) ** 2 + b**2) - p

                grid = np.linspace(0.0, (force / loss) ** 2 * (1 + 1e-9), 33)
                signs = np.array([balance(x) for x in grid])
                k = int(np.flatnonzero((signs[:-1] < 0) & (signs[1:] >= 0))[-1])
                x = brentq(balance, grid[k], grid[k + 1], rtol=1e-12, xtol=1e-300)
                turn = np.exp(1j * designs.drive_phase[d, g])
                q = force * turn / (stiff + bend * x + 1j * loss)
                out[d, i] += -(w**2) * air.density * cells.volume[d, g] * q
    r = study.target.distance
    return out * np.exp(-absorption(air, f[:count]) * r) / (2.0 * np.pi * r)


def main() -> None:
    """Print the figures."""
    study = one_mode()
    print(f"{thread_count()} threads; {DESIGNS} designs, frequencies adapted to each design")
    for groups in (64, 8, 1):
        changed, strategy = distinct(study, groups)
        designs = random_designs(changed, strategy, DESIGNS)
        wanted = frozenset({"fractional_bandwidth"})
        seconds = best(lambda d=designs, s=changed, w=wanted: compute_merits(d, s, wanted=w))
        cells = best(lambda d=designs, s=changed: build_cells(d, s))
        print(
            f"{groups:3d} distinct groups: to merits {seconds:.3f} s = {DESIGNS / seconds:.0f} "
            f"designs/s, of which cells {cells / seconds:.0%}"
        )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"peak memory of this process {peak:.2f} GiB")

    changed, strategy = distinct(study, 64)
    designs = random_designs(changed, strategy, DESIGNS)
    cells = build_cells(designs, changed)
    f = np.tile(np.linspace(85e3, 145e3, POINTS), (DESIGNS, 1))
    fast = best(lambda: array_pressure(cells, designs, changed, frequency=f, sweep=UP))
    few = f[:, :: POINTS // 8]
    start = time.perf_counter()
    slow_pressure = plain_loop(cells, designs, changed, few, 1)
    per_state = (time.perf_counter() - start) / (64 * few.shape[1])
    ours = array_pressure(cells, designs, changed, frequency=few, sweep=UP)
    ratio = np.abs(slow_pressure[0]) / np.abs(ours.pressure[0])
    print(
        f"fixed {POINTS} frequencies, 64 groups: {fast:.3f} s; plain per-cell root finding "
        f"{per_state * DESIGNS * 64 * POINTS:.0f} s extrapolated from {64 * few.shape[1]} states: "
        f"{per_state * DESIGNS * 64 * POINTS / fast:.0f} times slower "
        f"(same response within {np.abs(ratio - 1.0).max():.1e})"
    )
    part = f[:, :: POINTS // 100]
    vector = best(lambda: vectorised(cells, designs, changed, part), 2) * POINTS / part.shape[1]
    same = array_pressure(cells, designs, changed, frequency=part, sweep=UP).pressure
    off = np.abs(np.abs(vectorised(cells, designs, changed, part)) / np.abs(same) - 1.0)
    print(
        f"the same in vectorised numpy: {vector:.2f} s, {vector / fast:.1f} times slower "
        f"(median difference {np.median(off):.0e})"
    )
    generation_shares(study)


def vectorised(cells: Cells, designs: Designs, study: Study, f: np.ndarray) -> np.ndarray:
    """Closed form of M7.1 (Cardano and Vieta) in whole-array numpy, then the sum over cells."""
    air = study.air_state
    w = 2.0 * np.pi * f[:, None, :]  # (design, 1, frequency)
    a = designs.radius[..., None]
    R, X, _ = impedance_from_series(
        w * a / air.sound_speed,
        cells.resistance_series[:, :, None],
        cells.reactance_series[:, :, None],
    )
    load = air.density * air.sound_speed * np.pi * a**2
    stiff = cells.stiffness[..., None] - w * (w * cells.mass[..., None] + load * X)
    loss = w * (cells.damping[..., None] + load * R)
    bend = 0.75 * cells.effective_cubic[..., None]
    force = (cells.force_per_volt * designs.drive_amplitude)[..., None]
    # monic cubic in X, depressed: t^3 + p t + q
    b, c, d = 2.0 * stiff / bend, (stiff**2 + loss**2) / bend**2, -((force / bend) ** 2)
    p, q = c - b * b / 3.0, 2.0 * b**3 / 27.0 - b * c / 3.0 + d
    disc = (q / 2.0) ** 2 + (p / 3.0) ** 3
    root = np.sqrt(np.maximum(disc, 0.0))
    single = np.cbrt(-q / 2.0 + root) + np.cbrt(-q / 2.0 - root)
    span = np.sqrt(np.maximum(-p / 3.0, 1e-60))
    angle = np.arccos(np.clip(-q / 2.0 / span**3, -1.0, 1.0)) / 3.0
    x = np.where(disc > 0.0, single, 2.0 * span * np.cos(angle)) - b / 3.0
    turn = np.exp(1j * designs.drive_phase)[..., None]
    response = force * turn / (stiff + bend * x + 1j * loss)
    volume = (cells.volume * designs.layout.group_count)[..., None]
    total = (-(w**2) * air.density * volume * response).sum(axis=1)
    r = study.target.distance
    return total * np.exp(-absorption(air, f) * r) / (2.0 * np.pi * r)


def generation_shares(study: Study) -> None:
    """Share of a generation of 200 designs of 64 groups that search and store take."""
    changed, strategy = distinct(study, 64)
    evaluator = StudyEvaluator(changed, strategy)
    begun: list[float] = []
    ended: list[float] = []

    class Timed:
        n_variables = evaluator.n_variables
        objectives = evaluator.objectives
        families = evaluator.families
        repair = staticmethod(evaluator.repair)

        @staticmethod
        def evaluate(X: np.ndarray):
            begun.append(time.perf_counter())
            result = evaluator.evaluate(X)
            ended.append(time.perf_counter())
            return result

    settings = SearchSettings(population=DESIGNS)
    with tempfile.TemporaryDirectory() as folder:
        run_tasks(
            [Task(strategy.name, Timed())],
            Path(folder) / "run",
            identity(changed, 1, settings),
            budget=Budget(evaluations=10 * DESIGNS),
            settings=settings,
        )
    whole = np.diff(begun)  # from one evaluation to the next: ranking, saving and mating in between
    share = np.median(1.0 - (np.array(ended) - begun)[:-1] / whole)
    print(
        f"a generation of {DESIGNS} x 64 groups: {np.median(whole):.3f} s, search and store "
        f"{share:.0%}"
    )


if __name__ == "__main__":
    sys.exit(main())
