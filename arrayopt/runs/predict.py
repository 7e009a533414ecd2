"""What a run of a study will take, measured on a few of its own designs."""

from __future__ import annotations

import math
import multiprocessing
import os
import resource
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection

import numpy as np

from arrayopt.design.designs import DesignSpace
from arrayopt.merits.evaluate import RESPONSE_POINTS
from arrayopt.runs.power.workers import inherited_by_workers
from arrayopt.runs.progress import duration
from arrayopt.search.binding import always
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.study.lattice import ArrayLayout, array_layout
from arrayopt.study.model import Study
from arrayopt.study.read import read_study_text

SAMPLE = 200
"""Most designs tried of each strategy: so many only while all of them break the same limit."""

TIMED = 64
"""Most designs timed otherwise, as if all kept the limits: then all is computed of them."""

ONCE = 20
"""Designs tried at once after that."""

ENOUGH_SECONDS = 3.0
"""Of one processor for a step of a trial that needs no larger one after it."""

FEW = 4
"""Cells of the array on which a trial's kernels are compiled or loaded."""

TRIAL_SECONDS = 60.0
"""Of one processor for all trials together: what is slower is told as "at least"."""

PATIENCE = 4.0
"""Times so long on the wall, beside `COMPILE_SECONDS`, a trial is waited for: others work, too."""

COMPILE_SECONDS = 150.0
"""On the wall for compiling before the trials."""

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
MERITS_OF_CHIPS = 20
"""Numbers stored of every cell of a front member, beside its group's responses."""

GENERATION_BYTES = 24e3
"""Size of a generation's file beside its numbers, and its share of log and state (measured)."""

RESULTS_BYTES = 250e3
"""What the two result files hold beside numbers: names, units, indices (measured)."""


@dataclass(frozen=True)
class Trial:
    """What was timed of one strategy: designs, and seconds for set-up and of each.

    ``described`` seconds for all that is stored of a front member; None where the time was up.
    ``memory`` bytes of the process. ``binding``: limits that every one of them breaks, in words.
    """

    designs: int = 0
    set_up: float = 0.0
    seconds: float | None = None
    described: float | None = None
    memory: float = 0.0
    binding: tuple[str, ...] = ()


@dataclass(frozen=True)
class StrategyForecast:
    """Name, length of the search vector, seconds of one processor for each evaluation.

    ``seconds`` is the least it can be where not even one design was done (``trial.designs`` 0).
    """

    name: str
    variables: int
    seconds: float
    trial: Trial


@dataclass(frozen=True)
class Forecast:
    """Predicted cost of a run: seconds on the wall, bytes of memory and of disk."""

    strategies: tuple[StrategyForecast, ...]
    seconds: float
    memory: float
    disk: float
    workers: int

    @property
    def sampled(self) -> int:
        """Designs timed."""
        return sum(plan.trial.designs for plan in self.strategies)

    @property
    def time_text(self) -> str:
        """The time for people."""
        known = all(plan.trial.described is not None for plan in self.strategies)
        return ("" if known else "at least ") + duration(self.seconds)

    @property
    def grounds(self) -> tuple[str, ...]:
        """What the prediction rests on, and what is extrapolated, a sentence each."""
        told = [f"Timed just now: {self.sampled} designs; the rest is extrapolated from them."]
        for plan in self.strategies:
            trial = plan.trial
            if not trial.designs:
                text = f"not one design was done in {duration(plan.seconds)}, so the run takes more"
            elif trial.described is None:
                text = f"only {trial.designs} designs were timed before the time for it was up"
            else:
                continue
            told.append(f"{plan.name}: {text}; fewer chips or cells are faster.")
        told.append(
            "Verifying the fronts at the end comes on top, seconds for each member; --no-verify "
            "leaves it out."
        )
        return tuple(told)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Limits that no design tried keeps, a sentence each."""
        return tuple(
            f"{plan.name}: all {plan.trial.designs} designs tried break a limit: {text}. A search "
            "may find others, or spend its time in vain: look at the limit and at [vary]."
            for plan in self.strategies
            if plan.trial.designs >= SAMPLE
            for text in plan.trial.binding
        )


def predict(
    study: Study,
    *,
    evaluations: int,
    workers: int | None = None,
    trial_seconds: float = TRIAL_SECONDS,
) -> Forecast:
    """Time a few random designs of every strategy, in a process of their own, and extrapolate.

    Parameters
    ----------
    study : Study
    evaluations : for each strategy.
    workers : processes; None takes one per processor.
    trial_seconds : of one processor for all trials; each strategy gets an equal part.

    Returns
    -------
    Forecast
        Good to about a factor of two: feasible designs cost a little more than random ones, and
        kernels compile for a minute when the package is used for the first time. Verification at
        the end of a run is not in it.
    """
    processes = workers or len(os.sched_getaffinity(0))
    plans, total, disk, largest = [], START_SECONDS, RESULTS_BYTES, 0.0
    search = study.search
    generations = -(-evaluations // search.generation)
    share = max(trial_seconds / len(study.strategies), 1.0)
    for number, strategy in enumerate(study.strategies):
        trial = _timed(study, number, share)
        seconds = share if trial.seconds is None else trial.seconds
        variables = DesignSpace(study, strategy).n_variables
        plans.append(StrategyForecast(strategy.name, variables, seconds, trial))
        largest = max(largest, trial.memory)
        total += evaluations * seconds / processes + generations * search.islands * SEARCH_SECONDS
        total += trial.set_up + min(search.front_size, evaluations) * (trial.described or 0.0)
        numbers = variables + HISTORY_NUMBERS
        # Generations stay beside the joined history.
        disk += (1.0 + HISTORY_SHARE) * evaluations * numbers * BYTES_PER_NUMBER
        disk += generations * GENERATION_BYTES
        responses = 6 * RESPONSE_POINTS + MERITS_OF_CHIPS * study.fabrication.chips
        described = responses + CELL_NUMBERS * strategy.layout.n_cells
        disk += search.front_size * described * BYTES_PER_NUMBER
    memory = max(_memory(), largest)
    return Forecast(tuple(plans), total, memory * (1 + processes), disk, processes)


def _timed(study: Study, number: int, limit: float) -> Trial:
    """The trial of one strategy as far as it comes in so much time; then it is ended."""
    start = multiprocessing.get_context("spawn")
    receiving, sending = start.Pipe(duplex=False)
    process = start.Process(target=_report, args=(sending, study.text, number, limit), daemon=True)
    trial, end = Trial(), time.monotonic() + COMPILE_SECONDS + PATIENCE * limit
    try:
        with inherited_by_workers():
            process.start()
        sending.close()
        while receiving.poll(max(end - time.monotonic(), 0.0)):
            trial = receiving.recv()
    except EOFError:
        pass  # all said
    finally:
        process.kill()
        process.join()
    return trial


def _report(sending: Connection, text: str, number: int, limit: float) -> None:
    for trial in _steps(text, number):
        if not trial.designs:  # the kernel ends it, also in the midst of compiled code
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            most = math.ceil(time.process_time() + limit)
            resource.setrlimit(resource.RLIMIT_CPU, (most, most))
        sending.send(trial)


def _steps(text: str, number: int) -> Iterator[Trial]:
    """A trial after one design, more and more of them, and after describing one."""
    begun = time.monotonic()
    study = read_study_text(text)
    strategy = study.strategies[number]
    rng = np.random.default_rng(study.seed)
    few = StudyEvaluator(study, replace(strategy, layout=_few_cells(strategy.layout)))
    small = few.repair(rng.random((1, few.n_variables)))
    few.evaluate(small)  # compiles, or loads what is compiled
    few.describe(small)
    evaluator = StudyEvaluator(study, strategy)
    X = evaluator.repair(rng.random((SAMPLE, evaluator.n_variables)))
    yield (trial := Trial(set_up=time.monotonic() - begun, memory=_memory()))
    begun = time.process_time()
    parts = [evaluator.evaluate(X[:1], sparing=False).G]
    first = time.process_time() - begun
    yield (trial := replace(trial, designs=1, seconds=first, memory=_memory()))
    while trial.designs < TIMED:
        rows = X[trial.designs : min(3 * trial.designs, TIMED)]
        begun = time.process_time()
        parts.append(evaluator.evaluate(rows, sparing=False).G)
        spent = time.process_time() - begun
        # the last and largest step, in which loading no longer counts
        trial = replace(trial, seconds=spent / len(rows), memory=_memory())
        yield (trial := replace(trial, designs=trial.designs + len(rows)))
        if spent > ENOUGH_SECONDS:
            break
    begun = time.process_time()
    evaluator.describe(X[:1])
    yield (trial := replace(trial, described=time.process_time() - begun, memory=_memory()))
    told = always(np.concatenate(parts), evaluator.bounds)
    while told and trial.designs < SAMPLE:
        rows = X[trial.designs : trial.designs + ONCE]
        parts.append(evaluator.evaluate(rows).G)
        told = always(np.concatenate(parts), evaluator.bounds)
        yield (trial := replace(trial, designs=trial.designs + len(rows), binding=tuple(told)))


def _few_cells(layout: ArrayLayout) -> ArrayLayout:
    """The first cells of an array: they need the same kernels."""
    classes, channels = (
        np.unique(of_cell[:FEW], return_inverse=True)[1].reshape(-1)
        for of_cell in (layout.class_of_cell, layout.channel_of_cell)
    )
    return array_layout(
        layout.unit_position[:FEW],
        class_of_cell=classes,
        channel_of_cell=channels,
        explicit=layout.explicit,
    )


def _memory() -> float:
    return 1024.0 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
