"""Evaluations and processor seconds until a search has 95 and 99 % of a reference hypervolume.

Run: python tests/benchmarks/search_efficiency.py [evaluations] [seeds]; an hour on two processors.
The combined strategy of both shipped studies, with the closed-form seeds unless stated. The
reference is the hypervolume of all fronts of a study put together, so no search can reach more.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path

import numpy as np

from arrayopt.evaluate import StudyEvaluator
from arrayopt.front import hypervolume, nondominated
from arrayopt.population import SearchSettings
from arrayopt.problem import minimised
from arrayopt.search import search
from arrayopt.seeds import seed_vectors
from arrayopt.study import read_study

STUDIES = Path(__file__).parents[2] / "studies"
EVALUATIONS = int(sys.argv[1]) if len(sys.argv) > 1 else 20000
SEEDS = int(sys.argv[2]) if len(sys.argv) > 2 else 3


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


@dataclass(frozen=True)
class Variant:
    name: str
    settings: SearchSettings
    seeded: bool = True
    evaluator: type[StudyEvaluator] = StudyEvaluator


VARIANTS = (
    Variant("nsga2, 100", SearchSettings("nsga2", 100)),
    Variant("nsga2, 50", SearchSettings("nsga2", 50)),
    Variant("nsga2, 200", SearchSettings("nsga2", 200)),
    Variant("nsga2, 100, no seeds", SearchSettings("nsga2", 100), seeded=False),
    Variant("nsga2, 100, radii in order", SearchSettings("nsga2", 100), evaluator=Sorted),
    Variant("nsga2, 100, crossover eta 5", SearchSettings("nsga2", 100, crossover_index=5.0)),
    Variant("sms-emoa, 100", SearchSettings("sms-emoa", 100)),
    Variant("age-moea2, 100", SearchSettings("age-moea2", 100)),
)


def follow(folder: str, variant: Variant, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """(evaluations, hypervolume, seconds) of every generation, and the last front, minimised."""
    study = read_study(STUDIES / folder)
    strategy = study.strategy("combined")
    evaluator = variant.evaluator(study, strategy)
    initial = seed_vectors(study, strategy, variant.settings.population // 2)
    rows = []
    start = time.process_time()
    generations = search(
        evaluator, variant.settings, seed=seed, initial=initial if variant.seeded else None
    )
    for _ in count():
        generation = next(generations)
        rows.append((generation.evaluations, generation.hypervolume, time.process_time() - start))
        if generation.evaluations >= EVALUATIONS:
            break
    return np.array(rows), minimised(generation.front_objectives, evaluator.objectives)


def reached(rows: np.ndarray, goal: float) -> tuple[float, float]:
    """Evaluations and seconds at which the goal is reached; inf where it is not."""
    there = np.flatnonzero(rows[:, 1] >= goal)
    return (rows[there[0], 0], rows[there[0], 2]) if len(there) else (np.inf, np.inf)


def main() -> None:
    for folder in ("duct-flow-meter", "dock-rangefinder"):
        runs = {v.name: [follow(folder, v, seed) for seed in range(1, SEEDS + 1)] for v in VARIANTS}
        points = np.concatenate([front for each in runs.values() for _, front in each])
        reference = hypervolume(points[nondominated(points)], np.ones(points.shape[1]))
        print(
            f"\n{folder}: reference hypervolume {reference:.4f}, {EVALUATIONS} evaluations, ",
            end="",
        )
        print(f"median of {SEEDS} seeds\n")
        print(
            "| search | share reached | evaluations to 95 % | to 99 % | seconds to 95 % | in all |"
        )
        print("|---|---|---|---|---|---|")
        for name, each in runs.items():
            share = np.median([rows[-1, 1] for rows, _ in each]) / reference
            to95 = np.median([reached(rows, 0.95 * reference) for rows, _ in each], axis=0)
            to99 = np.median([reached(rows, 0.99 * reference) for rows, _ in each], axis=0)
            seconds = np.median([rows[-1, 2] for rows, _ in each])
            print(
                f"| {name} | {share:.1%} | {to95[0]:.0f} | {to99[0]:.0f} | {to95[1]:.1f} | "
                f"{seconds:.0f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
