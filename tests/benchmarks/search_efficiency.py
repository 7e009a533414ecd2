"""Evaluations and processor seconds until a search has 90, 95 and 99 % of a reference hypervolume.

Run: python -m tests.benchmarks.search_efficiency [evaluations] [seeds]; uses every processor.
The combined strategy of both shipped studies, with the closed-form seeds unless stated, on four
chips of each design: ways of searching are compared here, not designs. The reference is the
hypervolume of all fronts of a study put together, those of searches ten times as
long among them, so no search can reach more.
"""

from __future__ import annotations

import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from arrayopt.search import population
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.search.front import hypervolume, nondominated
from arrayopt.search.loop import search
from arrayopt.search.population import SearchSettings
from arrayopt.search.problem import minimised
from arrayopt.search.seeds import seed_vectors
from arrayopt.search.variation import varied
from arrayopt.study.read import read_study
from tests.support.paths import STUDIES

EVALUATIONS = int(sys.argv[1]) if len(sys.argv) > 1 else 20000
SEEDS = int(sys.argv[2]) if len(sys.argv) > 2 else 3
GROWS_AFTER = population._GROWS_AFTER


class Sorted(StudyEvaluator):
    """Every design written with its radii ascending: one of the many names of the same array."""

    def repair(self, X: np.ndarray) -> np.ndarray:
        X = super().repair(X)
        designs = self.space.decode(X)
        order = np.argsort(designs.radius, axis=1, kind="stable")
        per_group = ("radius", "electrode_coverage", "ring", "drive_amplitude", "drive_phase")
        rows = np.arange(len(X))[:, None]
        moved = {name: getattr(designs, name)[rows, order] for name in per_group}
        return self.space.encode(replace(designs, **moved))


def crossed(
    X: np.ndarray,
    F: np.ndarray,
    violation: np.ndarray,
    families: object,
    random: np.random.Generator,
    count: int,
    **unused: object,
) -> np.ndarray:
    """Simulated binary crossover (eta 2) and polynomial mutation (eta 20) of parents by tournament.

    In the place of `arrayopt.search.variation.varied`; Deb & Agrawal 1995, Deb & Goyal 1996.
    """
    n, m = X.shape
    two = random.integers(n, size=(count, 2, 2))
    winner = np.where(violation[two[..., 0]] <= violation[two[..., 1]], two[..., 0], two[..., 1])
    u = random.random((count, m))
    beta = np.where(u <= 0.5, (2.0 * u) ** (1 / 3), (0.5 / (1.0 - u)) ** (1 / 3))
    beta = np.where(
        random.random((count, m)) < 0.45, beta, 1.0
    )  # 0.9 of couples, half of variables
    one, other = X[winner[:, 0]], X[winner[:, 1]]
    children = np.clip(0.5 * ((1.0 + beta) * one + (1.0 - beta) * other), 0.0, 1.0)
    u = random.random((count, m))
    down = (2 * u + (1 - 2 * u) * (1 - children) ** 21) ** (1 / 21) - 1.0
    up = 1.0 - (2 * (1 - u) + (2 * u - 1) * children**21) ** (1 / 21)
    step = np.where(u < 0.5, down, up)
    return np.clip(children + np.where(random.random((count, m)) < 1 / m, step, 0.0), 0.0, 1.0)


@dataclass(frozen=True)
class Variant:
    name: str
    settings: SearchSettings
    seeded: bool = True
    evaluator: type[StudyEvaluator] = StudyEvaluator
    crossed: bool = False
    grows: bool = True
    times: int = 1
    """How many times the evaluations of the others."""


NEW = SearchSettings()
VARIANTS = (
    Variant("default, ten times as long", NEW, times=10),
    Variant("population does not grow, ten times as long", NEW, grows=False, times=10),
    Variant("crossover, ten times as long", NEW, crossed=True, times=10),
    Variant("default", NEW),
    Variant("crossover", NEW, crossed=True),
    Variant("no differences", replace(NEW, shifts=0.65, smoothings=0.35)),
    Variant("no shifts", replace(NEW, shifts=0.0)),
    Variant("no smoothing", replace(NEW, smoothings=0.0)),
    Variant("smoothing twice as often", replace(NEW, smoothings=0.3)),
    Variant("shifts a third as large", replace(NEW, largest_shift=0.1)),
    Variant("20 neighbours at least", replace(NEW, neighbours=20)),
    Variant("population 30", replace(NEW, population=30)),
    Variant("population 100", replace(NEW, population=100)),
    Variant("no seeds", NEW, seeded=False),
    Variant("radii in order", NEW, evaluator=Sorted),
    Variant("2 islands of 25", replace(NEW, population=25, islands=2)),
    Variant("nsga2", replace(NEW, algorithm="nsga2")),
    Variant("age-moea2", replace(NEW, algorithm="age-moea2")),
)


def follow(folder: str, variant: Variant, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """(evaluations, hypervolume, seconds) of every generation, and the last front, minimised."""
    study = read_study(STUDIES / folder)
    study = replace(study, fabrication=replace(study.fabrication, chips=4))
    strategy = study.strategy("combined")
    evaluator = variant.evaluator(study, strategy)
    initial = seed_vectors(study, strategy, study.search.seeds)
    rows = []
    population.varied = crossed if variant.crossed else varied
    population._GROWS_AFTER = GROWS_AFTER if variant.grows else 10**9
    start = time.process_time()
    generations = search(
        evaluator, variant.settings, seed=seed, initial=initial if variant.seeded else None
    )
    for generation in generations:
        rows.append((generation.evaluations, generation.hypervolume, time.process_time() - start))
        if generation.evaluations >= variant.times * EVALUATIONS:
            break
    return np.array(rows), minimised(generation.front_objectives, evaluator.objectives)


def reached(rows: np.ndarray, goal: float) -> tuple[float, float]:
    """Evaluations and seconds at which the goal is reached; inf where it is not."""
    there = np.flatnonzero(rows[:, 1] >= goal)
    return (rows[there[0], 0], rows[there[0], 2]) if len(there) else (np.inf, np.inf)


def table(folder: str, runs: dict[str, list[tuple[np.ndarray, np.ndarray]]]) -> None:
    """Print the searches of one study."""
    points = np.concatenate([front for each in runs.values() for _, front in each])
    reference = hypervolume(points[nondominated(points)], np.ones(points.shape[1]))
    print(f"{folder}: reference hypervolume {reference:.4f}, {EVALUATIONS} evaluations, "
          f"median of {SEEDS} seeds")  # fmt: skip
    print("| search | share at a tenth | at the end | evaluations to 90 % | to 95 % | to 99 % | "
          "seconds to 90 % | to 95 % | to 99 % | in all |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|---|---|")
    for name, each in runs.items():
        share = np.median([rows[-1, 1] for rows, _ in each]) / reference
        to = [
            np.median([reached(rows, goal * reference) for rows, _ in each], axis=0)
            for goal in (0.9, 0.95, 0.99)
        ]
        counts = [f"{found[0]:.0f}" if np.isfinite(found[0]) else "-" for found in to]
        times = [f"{found[1]:.1f}" if np.isfinite(found[1]) else "-" for found in to]
        early = np.median([rows[rows[:, 0] <= 0.1 * EVALUATIONS][-1, 1] for rows, _ in each])
        seconds = np.median([rows[-1, 2] for rows, _ in each])
        print(f"| {name} | {early / reference:.1%} | {share:.1%} | {' | '.join(counts)} | "
              f"{' | '.join(times)} | {seconds:.0f} |")  # fmt: skip


def main() -> None:
    folders = ("duct-flow-meter", "dock-rangefinder")
    os.environ["NUMBA_NUM_THREADS"] = "1"  # of the processes that search
    with ProcessPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        pool.submit(follow, folders[0], replace(VARIANTS[0], times=0), 1).result()  # compiles
        jobs = {
            (folder, variant.name): [
                pool.submit(follow, folder, variant, seed) for seed in range(1, SEEDS + 1)
            ]
            for variant in VARIANTS
            for folder in folders
        }
        for folder in folders:
            table(
                folder,
                {v.name: [job.result() for job in jobs[folder, v.name]] for v in VARIANTS},
            )


if __name__ == "__main__":
    main()
