"""What a run of a study will take, measured on a few of its own designs."""

from __future__ import annotations

import os
import resource
import time
from dataclasses import dataclass

import numpy as np

from arrayopt.merits.evaluate import RESPONSE_POINTS
from arrayopt.runs.progress import duration
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.study.model import Study

SAMPLE = 64
"""Designs timed for each strategy."""

SEARCH_SECONDS = 0.03
"""Search and saving for each generation: 8 ms of pymoo and two small files (measured)."""

START_SECONDS = 8.0
"""Starting the workers and loading their compiled kernels."""

BYTES_PER_NUMBER = 8
HISTORY_NUMBERS = 24
"""Merits, limits and bookkeeping kept of every evaluation, beside its vector."""

HISTORY_SHARE = 0.7
"""Size of the joined, compressed history over that of the generations' numbers (measured)."""

CELL_NUMBERS = 12
"""Numbers stored of every cell of a front member, beside its group's responses."""

GENERATION_BYTES = 24e3
"""Size of a generation's file beside its numbers, and its share of log and state (measured)."""

RESULTS_BYTES = 250e3
"""What the two result files hold beside numbers: names, units, indices (measured)."""


@dataclass(frozen=True)
class StrategyForecast:
    """Name, length of the search vector, seconds of one processor for each evaluation."""

    name: str
    variables: int
    seconds: float


@dataclass(frozen=True)
class Forecast:
    """Predicted cost of a run: seconds on the wall, bytes of memory and of disk."""

    strategies: tuple[StrategyForecast, ...]
    seconds: float
    memory: float
    disk: float
    workers: int
    sampled: int

    @property
    def time_text(self) -> str:
        """The time for people."""
        return duration(self.seconds)


def predict(study: Study, *, evaluations: int, workers: int | None = None) -> Forecast:
    """Time a few random designs of every strategy and extrapolate.

    Parameters
    ----------
    study : Study
    evaluations : for each strategy.
    workers : processes; None takes one per processor.

    Returns
    -------
    Forecast
        Good to about a factor of two: feasible designs cost a little more than random ones, and
        kernels compile for a minute when the package is used for the first time.
    """
    processes = workers or len(os.sched_getaffinity(0))
    rng = np.random.default_rng(study.seed)
    plans, total, disk = [], START_SECONDS, RESULTS_BYTES
    search = study.search
    generations = -(-evaluations // search.generation)
    for strategy in study.strategies:
        evaluator = StudyEvaluator(study, strategy)
        X = evaluator.repair(rng.random((SAMPLE, evaluator.n_variables)))
        evaluator.evaluate(X[:2])
        start = time.process_time()
        evaluator.evaluate(X)
        seconds = (time.process_time() - start) / SAMPLE
        plans.append(StrategyForecast(strategy.name, evaluator.n_variables, seconds))
        total += evaluations * seconds / processes + generations * search.islands * SEARCH_SECONDS
        numbers = evaluator.n_variables + HISTORY_NUMBERS
        # Generations stay beside the joined history.
        disk += (1.0 + HISTORY_SHARE) * evaluations * numbers * BYTES_PER_NUMBER
        disk += generations * GENERATION_BYTES
        responses = (1 + 2 * (3 + 2 * strategy.layout.n_groups)) * RESPONSE_POINTS
        described = responses + CELL_NUMBERS * strategy.layout.n_cells
        disk += search.front_size * described * BYTES_PER_NUMBER
    memory = 1024.0 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 + processes)
    return Forecast(tuple(plans), total, memory, disk, processes, SAMPLE * len(plans))
