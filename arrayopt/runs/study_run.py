"""A whole study: from its file to a run directory with fronts.nc and history.nc."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass, replace
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

from arrayopt.base.errors import ArrayoptError
from arrayopt.runs.kept.identity import RunIdentity
from arrayopt.runs.power.cluster import ClusterWorkers
from arrayopt.runs.power.workers import Pool, Workers
from arrayopt.runs.progress import Progress, SilentProgress
from arrayopt.runs.run import Budget, Outcome, PooledEvaluator, Task, run_tasks
from arrayopt.runs.start import start_from
from arrayopt.search.evaluator import StudyEvaluator, build_evaluator
from arrayopt.search.population import SearchSettings
from arrayopt.search.seeds import seed_vectors
from arrayopt.study.model import Study

NUMBER_PACKAGES = ("arrayopt", "numpy", "scipy", "numba", "pymoo")
"""Packages whose change may change numbers; a run goes on only with the same ones."""


@dataclass(frozen=True)
class RunOptions:
    """What a person may choose when starting a run.

    Parameters
    ----------
    evaluations : per strategy; None takes the study's, unless ``hours`` is given.
    hours : of running, all strategies together.
    seed : None takes the study's.
    workers : processes; None takes one per processor.
    resume, fresh : go on with, or discard, what the directory holds.
    scheduler : address of a dask scheduler, or its scheduler file, whose workers evaluate.
    start_from : run directory whose population the search starts from.
    """

    evaluations: int | None = None
    hours: float | None = None
    seed: int | None = None
    workers: int | None = None
    resume: bool = False
    fresh: bool = False
    start_from: Path | None = None
    scheduler: str | None = None


def run_study(
    study: Study,
    directory: str | os.PathLike[str],
    *,
    options: RunOptions | None = None,
    progress: Progress | None = None,
    prepare: Callable[[], None] | None = None,
) -> Outcome:
    """Search every strategy of a study and write its fronts.

    Parameters
    ----------
    study : Study
    directory : where ``fronts.nc``, ``history.nc`` and the saved generations go.
    options : RunOptions, optional
    progress : Progress, optional
        Told of every generation.
    prepare : function, optional
        As for ``run_tasks``.

    Returns
    -------
    Outcome
        Same study, seed and versions: the same fronts, for any number of workers.

    Raises
    ------
    ResultsError
        If the directory holds another run or cannot be written.
    """
    chosen = options or RunOptions()
    shown = progress or SilentProgress()
    settings = SearchSettings(
        algorithm=study.search.algorithm,
        population=study.search.population,
        islands=study.search.islands,
        exchange_every=study.search.exchange_every,
        migrants=study.search.migrants,
    )
    seed = study.seed if chosen.seed is None else chosen.seed
    known = identity(study, seed, settings)
    if chosen.start_from is not None:
        known = replace(known, start=_start(study, Path(directory), chosen, shown))
    with _pool(study, chosen, shown) as workers:
        return run_tasks(
            [_task(study, name, workers) for name in (s.name for s in study.strategies)],
            Path(directory),
            known,
            budget=budget(study, chosen),
            settings=settings,
            front_size=study.search.front_size,
            resume=chosen.resume,
            fresh=chosen.fresh,
            progress=shown,
            health=workers.health,
            prepare=prepare,
        )


def _pool(
    study: Study, options: RunOptions, progress: Progress
) -> AbstractContextManager[Workers | ClusterWorkers]:
    """Processes here, or a cluster."""
    processes = options.workers or len(os.sched_getaffinity(0))
    if options.scheduler is None:
        return Workers(build_evaluator, study.text, workers=processes)
    return ClusterWorkers(
        build_evaluator,
        study.text,
        address=options.scheduler,
        versions=NUMBER_PACKAGES,
        local=processes,
        note=progress.note,
    )


def _start(
    study: Study, directory: Path, options: RunOptions, progress: Progress
) -> dict[str, Any]:
    """Designs to start from, out of another run's directory."""
    source = options.start_from
    assert source is not None
    if options.resume:
        raise ArrayoptError(
            "--resume and --start-from exclude each other: a run remembers where it started from"
        )
    if source.resolve() == directory.resolve():
        raise ArrayoptError("--start-from needs another directory than --out, which stays as it is")
    return start_from(source, study, study.search.generation, progress.note)


def budget(study: Study, options: RunOptions) -> Budget:
    """Evaluations as asked, else hours as asked, else the study's evaluations."""
    if options.evaluations is None and options.hours is None:
        return Budget(evaluations=study.search.evaluations)
    return Budget(evaluations=options.evaluations, hours=options.hours)


def identity(study: Study, seed: int, settings: SearchSettings) -> RunIdentity:
    """What must agree before a run is continued."""
    recorded: dict[str, Any] = {
        **asdict(settings),
        "seeded_designs": study.search.seeds,
        "front_size": study.search.front_size,
    }
    return RunIdentity(
        study=study.text,
        digest=study.digest,
        seed=seed,
        strategies=tuple(strategy.name for strategy in study.strategies),
        settings=recorded,
        versions={name: version(name) for name in NUMBER_PACKAGES},
    )


def _task(study: Study, name: str, workers: Pool) -> Task:
    strategy = study.strategy(name)
    evaluator = StudyEvaluator(study, strategy)
    return Task(
        name,
        PooledEvaluator(evaluator, workers, name),
        initial=seed_vectors(study, strategy, study.search.seeds),
        describe=partial(StudyEvaluator.describe, evaluator),
    )
