"""The pipeline: search each strategy, keep every generation, and write the fronts."""

from __future__ import annotations

import hashlib
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.errors import ResultsError
from arrayopt.base.status import Status
from arrayopt.runs.kept.directory import LOG, STATUS, RunDirectory
from arrayopt.runs.kept.generations import STATE, Saved, replayed
from arrayopt.runs.kept.identity import RunIdentity
from arrayopt.runs.kept.store import generation_dataset
from arrayopt.runs.power.workers import Pool
from arrayopt.runs.progress import (
    LogProgress,
    Progress,
    Report,
    RotatingFile,
    SeveralProgress,
    SilentProgress,
)
from arrayopt.runs.signals import StopSignals
from arrayopt.runs.status import COMPLETE, FAILED, STOPPED, Health, StatusFile
from arrayopt.search.binding import Bound, binding
from arrayopt.search.front import thinned
from arrayopt.search.loop import Generation, search
from arrayopt.search.population import SearchSettings
from arrayopt.search.problem import Evaluation, Evaluator, minimised
from arrayopt.study.model import Objective

FRONTS_EVERY = 60.0
"""Least seconds between two fronts files written while a run goes on."""

FRONTS_SHARE = 0.01
"""Largest share of the time that writing them takes."""

LOG_PIECES = 3
"""Older pieces of ``run.log`` that are kept."""

REBUILT_QUIETLY = 20
"""Generations up to which rebuilding a search is too quick to be announced."""

RATE_GENERATIONS = 20
"""Generations of each strategy from which the time left is told."""


@dataclass(frozen=True)
class Budget:
    """When a run is complete; whichever comes first.

    Parameters
    ----------
    evaluations : int, optional
        Evaluations of each strategy, over all sittings; the generation that reaches it counts.
    hours : float, optional
        Hours of running of all strategies together, over all sittings; time during which the run
        was stopped does not count. The round under way is finished, so that every strategy had as
        many generations.
    """

    evaluations: int | None = None
    hours: float | None = None

    def __post_init__(self) -> None:
        if self.evaluations is None and self.hours is None:
            raise ValueError("a budget needs evaluations or hours")
        if (self.evaluations or 1) < 1 or (self.hours or 1.0) <= 0:
            raise ValueError("a budget must be positive")


@dataclass(frozen=True)
class Task:
    """One strategy to search.

    Parameters
    ----------
    name : str
    evaluator : Evaluator
    initial : array, shape (design, variable), optional
        Known good designs.
    describe : function, optional
        Dataset along "design" (vectors in), to be stored with the front beside what the history
        holds: responses, positions.
    bounds : sequence of Bound, optional
        What the columns of limits are, to say which of them bind where nothing is feasible.
    """

    name: str
    evaluator: Evaluator
    initial: Floats | None = None
    describe: Callable[[Floats], xr.Dataset] | None = None
    bounds: Sequence[Bound] = ()


@dataclass(frozen=True)
class Outcome:
    """How a run ended: ``complete`` when every strategy used its budget or ran out of designs."""

    complete: bool
    message: str
    fronts: Path
    history: Path
    evaluations: dict[str, int]
    hypervolume: dict[str, float]


@dataclass(frozen=True)
class PooledEvaluator:
    """An evaluator whose batches are computed by worker processes."""

    evaluator: Evaluator
    workers: Pool
    strategy: str

    @property
    def n_variables(self) -> int:
        """Length of a design vector."""
        return self.evaluator.n_variables

    @property
    def families(self) -> Sequence[Ints]:
        """Variables that are one quantity of one part after the other."""
        return self.evaluator.families

    @property
    def objectives(self) -> Sequence[Objective]:
        """What is wanted."""
        return self.evaluator.objectives

    def repair(self, X: Floats) -> Floats:
        """Nearest vectors that stand for themselves."""
        return self.evaluator.repair(X)

    def evaluate(self, X: Floats, front: Floats | None = None) -> Evaluation:
        """Evaluate designs on the workers."""
        return self.workers.evaluate(self.strategy, X, front, n_objectives=len(self.objectives))


def strategy_seed(seed: int, name: str) -> int:
    """A seed of its own for each strategy, whatever the others in the study."""
    return int.from_bytes(hashlib.sha256(f"{seed}/{name}".encode()).digest()[:7], "big")


def run_tasks(
    tasks: Sequence[Task],
    directory: Path,
    identity: RunIdentity,
    *,
    budget: Budget,
    settings: SearchSettings,
    front_size: int = 200,
    resume: bool = False,
    fresh: bool = False,
    progress: Progress | None = None,
    health: Health | None = None,
    prepare: Callable[[], None] | None = None,
) -> Outcome:
    """Search every strategy up to the budget, in turns, and write the fronts and the history.

    Parameters
    ----------
    tasks : sequence of Task
        Named as in ``identity.strategies``.
    directory : Path
    identity : RunIdentity
    budget : Budget
        In total: a resumed run continues to it, and a larger one extends a complete run.
    settings : SearchSettings
    front_size : int
        Largest number of front members written to the result file.
    resume, fresh : bool
        See ``RunDirectory``.
    progress : Progress, optional
    health : function, optional
        Counters for the status file, see ``status.Health``.
    prepare : function, optional
        Called once the directory is held, before anything is searched.

    Returns
    -------
    Outcome
        Also after SIGINT or SIGTERM, when everything up to the last generation is saved.

    Raises
    ------
    ResultsError
        If the directory cannot be used or written.
    KeyboardInterrupt
        At a second signal; the last saved generation stands.
    """
    names = tuple(task.name for task in tasks)
    if names != identity.strategies:
        raise ValueError(f"tasks {names} differ from the strategies {identity.strategies}")
    with (
        progress or SilentProgress() as shown,
        RunDirectory(directory, identity, resume=resume, fresh=fresh) as run,
    ):
        if prepare is not None:  # a signal ends it at once
            prepare()
        run.record.add(STATUS, LOG, *(f"{LOG}.{k}" for k in range(1, LOG_PIECES + 1)))
        kept = StatusFile(
            run.path, {"evaluations": budget.evaluations, "hours": budget.hours}, health
        )
        told = SeveralProgress(
            shown, LogProgress(RotatingFile(run.path / LOG, keep=LOG_PIECES)), kept
        )
        try:
            with StopSignals(told.note) as stop:
                outcome = _run(tasks, run, budget, settings, front_size, stop, told)
        except BaseException as error:
            if isinstance(error, Exception):
                kept.finish(FAILED, f"{type(error).__name__}: {error}")
            else:
                kept.finish(STOPPED, "Stopped at once; the last saved generation stands.")
            raise
        kept.finish(COMPLETE if outcome.complete else STOPPED, outcome.message)
        return outcome


def _run(
    tasks: Sequence[Task],
    run: RunDirectory,
    budget: Budget,
    settings: SearchSettings,
    front_size: int,
    stop: StopSignals,
    progress: Progress,
) -> Outcome:
    for task in tasks:
        if len(files := run.unsearched(task.name)) > REBUILT_QUIETLY:
            progress.note(f"{task.name}: rebuilding its search from {len(files)} generations.")
    searches = [_Search(task, run, settings, run.identity.seed) for task in tasks]
    for note in run.notes:
        progress.note(note)
    current = _CurrentFronts(searches, run, front_size)
    complete = _take_turns(searches, budget, stop, progress, current)
    history = run.write_history()
    fronts = {s.task.name: _front(s, front_size) for s in searches if s.saved is not None}
    return Outcome(
        complete,
        "The budget is used up."
        if complete
        else f"Stopped; everything is saved in {run.path}. To go on, repeat the command with "
        "--resume.",
        run.write_fronts(fronts, {"complete": np.int32(complete)}),
        history,
        {s.task.name: s.evaluations for s in searches},
        {s.task.name: s.hypervolume for s in searches},
    )


class _CurrentFronts:
    """Writes the fronts file now and then while the run goes on, for whoever wants to look."""

    def __init__(self, searches: Sequence[_Search], run: RunDirectory, size: int) -> None:
        self._searches, self._run, self._size = searches, run, size
        self._due = time.monotonic() + FRONTS_EVERY

    def write_if_due(self) -> None:
        start = time.monotonic()
        if start < self._due:
            return
        fronts = {
            s.task.name: _front(s, self._size, complete=False)
            for s in self._searches
            if s.saved is not None
        }
        self._run.write_fronts(fronts, {"complete": np.int32(0)})
        cost = time.monotonic() - start
        self._due = start + cost + max(FRONTS_EVERY, cost / FRONTS_SHARE)


class _Search:
    """One strategy under way."""

    def __init__(self, task: Task, run: RunDirectory, settings: SearchSettings, seed: int) -> None:
        self.task, self.run = task, run
        self.saved = run.saved(task.name)
        self.exhausted = False
        self.recent: deque[tuple[float, int]] = deque(maxlen=RATE_GENERATIONS)
        start = run.identity.start_vectors(task.name)
        initial = task.initial if start is None else start
        own_seed = strategy_seed(seed, task.name)
        if files := run.unsearched(task.name):
            try:
                self.saved = replayed(
                    task.evaluator, settings, files,
                    run=run.run, seed=own_seed, initial=initial, saved=self.saved,
                )  # fmt: skip
            except ResultsError as error:
                raise ResultsError(
                    f"the search of {task.name} cannot be rebuilt from its saved generations: "
                    f"{error}; restore that file and {STATE} from a copy, or {run.otherwise()}"
                ) from error
            run.rebuilt(task.name, self.saved)
        self._generations: Iterator[Generation] = search(
            task.evaluator,
            settings,
            seed=own_seed,
            initial=initial,
            state=None if self.saved is None else self.saved.state,
        )

    @property
    def generation(self) -> int:
        return 0 if self.saved is None else self.saved.generation

    @property
    def evaluations(self) -> int:
        return 0 if self.saved is None else self.saved.evaluations

    @property
    def hypervolume(self) -> float:
        return 0.0 if self.saved is None else self.saved.hypervolume

    @property
    def seconds(self) -> float:
        return 0.0 if self.saved is None else self.saved.seconds

    def step(self) -> Generation | None:
        """Compute and keep one generation; None when there are no more designs."""
        start = time.monotonic()  # not the wall clock, which may jump
        generation = next(self._generations, None)
        if generation is None:
            self.exhausted = True
            return None
        dataset = _dataset(generation, self.task.evaluator.objectives)
        saved = Saved(
            generation.number,
            generation.evaluations,
            self.seconds + time.monotonic() - start,
            generation.hypervolume,
            generation.state,
        )
        self.run.save(self.task.name, dataset, saved)
        self.recent.append((time.monotonic() - start, len(generation.X)))
        self.saved = saved
        return generation


def _take_turns(
    searches: Sequence[_Search],
    budget: Budget,
    stop: StopSignals,
    progress: Progress,
    current: _CurrentFronts,
) -> bool:
    """Advance the strategy that is furthest behind until the budget is used; whether it was."""
    while True:
        active = [
            s
            for s in searches
            if not s.exhausted
            and (budget.evaluations is None or s.evaluations < budget.evaluations)
        ]
        if not active:
            return True
        level = {s.generation for s in active}
        spent = sum(s.seconds for s in searches)
        if budget.hours is not None and spent >= 3600 * budget.hours and len(level) == 1:
            return True
        if stop.requested:
            return False
        turn = min(active, key=lambda s: s.generation)
        generation = turn.step()
        if generation is None:
            progress.note(f"{turn.task.name}: every design there is has been evaluated.")
        else:
            progress.report(_report(turn, generation, searches, budget))
            current.write_if_due()


def _dataset(generation: Generation, objectives: Sequence[Objective]) -> xr.Dataset:
    return generation_dataset(
        {**generation.columns, "status": generation.status},
        objectives={o.name: generation.F[:, k] for k, o in enumerate(objectives)},
        own={
            "vector": generation.X,
            "limit_value": generation.G,
            "violation": generation.violation,
            "feasible": generation.feasible,
            "evaluation": generation.index,
            "generation": np.full(len(generation.X), generation.number),
            "front": generation.front,
        },
    )


def _front(search_: _Search, size: int, *, complete: bool = True) -> xr.Dataset:
    """The archive's front, thinned, with everything the history and the task know about it.

    The history must have been written if it is `complete`; else the saved generations are read.
    """
    name, objectives = search_.task.name, search_.task.evaluator.objectives
    members = search_.run.designs(name, search_.run.front(name), joined=complete)
    F = np.stack([members[o.name].values for o in objectives], axis=1)
    front = members.isel(design=thinned(minimised(F, objectives), size))
    if search_.task.describe is not None and front.sizes["design"] > 0:
        described = search_.task.describe(front["vector"].values)
        front = described.merge(front, compat="override", join="exact")
    if not len(F) and search_.task.bounds:
        every = search_.run.designs(name, np.arange(search_.evaluations), joined=complete)
        told = binding(every["limit_value"].values, search_.task.bounds)
        front = front.assign_attrs(binding=told)
    return front.assign_attrs(
        hypervolume=search_.hypervolume,
        evaluations=search_.evaluations,
        generations=search_.generation,
        front_members=len(F),
        objectives=[o.name for o in objectives],
        senses=[o.sense for o in objectives],
        references=[o.reference for o in objectives],
        scales=[o.scale for o in objectives],
    )


def _report(
    turn: _Search, generation: Generation, searches: Sequence[_Search], budget: Budget
) -> Report:
    best = {}
    for k, objective in enumerate(turn.task.evaluator.objectives):
        values = generation.front_objectives[:, k]
        if len(values):
            best[objective.name] = float(values.max() if objective.sense == "max" else values.min())
    spent = sum(s.seconds for s in searches)
    left = []
    if budget.hours is not None:
        left.append(max(0.0, 3600 * budget.hours - spent))
    if budget.evaluations is not None:
        left.append(sum(_seconds_left(s, budget.evaluations) for s in searches))
    return Report(
        turn.task.name,
        generation.number,
        generation.evaluations,
        budget.evaluations,
        float(
            generation.feasible.sum()
            / max((generation.status & int(Status.OUTRACED) == 0).sum(), 1)
        ),
        generation.hypervolume,
        len(generation.front),
        best,
        min(left),
        []
        if best or not turn.task.bounds
        else binding(generation.G, turn.task.bounds, first=int(generation.index[0]))[:1],
    )


def _seconds_left(search_: _Search, budget: int) -> float:
    """Seconds until a strategy's budget, at the median pace of its last generations."""
    paces = sorted(seconds / max(count, 1) for seconds, count in search_.recent)
    pace = paces[(len(paces) - 1) // 2] if paces else 0.0
    return max(0, budget - search_.evaluations) * pace
