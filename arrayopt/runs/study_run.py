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

import numpy as np
import xarray as xr

from arrayopt.base.arrays import Floats
from arrayopt.base.errors import ArrayoptError, ResultsError
from arrayopt.design.designs import DesignSpace
from arrayopt.runs.kept.generations import generation_files, known_identity, stored_designs
from arrayopt.runs.kept.identity import RunIdentity
from arrayopt.runs.kept.store import load
from arrayopt.runs.power.cluster import ClusterWorkers
from arrayopt.runs.power.workers import Pool, Workers
from arrayopt.runs.progress import Progress, SilentProgress
from arrayopt.runs.run import Budget, Outcome, PooledEvaluator, Task, run_tasks
from arrayopt.search.evaluator import StudyEvaluator, build_evaluator
from arrayopt.search.population import SearchSettings
from arrayopt.search.seeds import seed_vectors
from arrayopt.study.model import Study
from arrayopt.study.read import read_study_text

NUMBER_PACKAGES = ("arrayopt", "numpy", "scipy", "numba", "pymoo")
"""Packages whose change may change numbers; a run goes on only with the same ones."""

RECENT = 5
"""Generations of another run looked through for designs beside its front."""


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
        bounds=evaluator.bounds,
    )


def start_from(
    directory: Path, study: Study, size: int, note: Callable[[str], None]
) -> dict[str, Any]:
    """What ``RunIdentity.start`` holds for a search that starts from another run's population.

    Its front comes first, spread over the evaluations if it is larger than the population, then the
    latest designs, those that break limits least first. Designs are carried over by their physical
    values: what the new study varies is set within its bounds, everything else is its own. Only
    numbers are read, no search state.

    Parameters
    ----------
    directory : a run directory, complete or not.
    study : the study to be searched.
    size : designs wanted for each strategy, at most.
    note : told of strategies that cannot be started from there, a sentence each.

    Returns
    -------
    dict
        ``from`` and ``vectors``.

    Raises
    ------
    ResultsError
        If there is no run, this version cannot read its study, or no strategy fits.
    """
    there = known_identity(directory)
    try:
        old = read_study_text(there.study)
    except ArrayoptError as error:
        raise ResultsError(
            f"{directory} cannot be started from: this version does not accept its study ({error})"
        ) from error
    vectors: dict[str, Any] = {}
    for strategy in study.strategies:
        folder = Path(directory) / strategy.name
        if strategy.name not in there.strategies or not folder.is_dir():
            note(f"{strategy.name}: {directory} has no such strategy; it starts anew.")
            continue
        stored = _population(folder, size, note)
        if stored is None:
            note(f"{strategy.name}: {directory} has saved no generation of it; it starts anew.")
            continue
        try:
            designs = DesignSpace(old, old.strategy(strategy.name)).decode(stored)
            rows = DesignSpace(study, strategy).encode(designs)
        except ValueError as error:
            note(f"{strategy.name}: starts anew, because {error}.")
            continue
        vectors[strategy.name] = rows.tolist()
    if not vectors:
        raise ResultsError(
            f"{directory} has nothing that this study could start from; leave --start-from out"
        )
    return {"from": f"{there.digest} seed {there.seed}", "vectors": vectors}


def _population(folder: Path, size: int, note: Callable[[str], None]) -> Floats | None:
    """Vectors (design, variable) of a strategy's front and its latest good designs, if readable."""
    latest: list[xr.Dataset] = []
    for _, file in sorted(generation_files(folder).items(), reverse=True):
        try:
            latest.append(load(file))
        except ResultsError as error:
            note(f"{error}; it is left out.")
        if len(latest) == RECENT:
            break
    if not latest:
        return None
    front = np.asarray(latest[0]["front"].values, dtype=np.int64)
    spread = np.unique(np.linspace(0, len(front) - 1, min(size, len(front))).round().astype(int))
    rows: list[Floats] = []
    if len(front):
        try:
            rows.append(_vectors(stored_designs(folder, front[spread])))
        except ResultsError as error:
            note(f"{error}; the latest designs are taken in place of the front.")
            front = front[:0]
    recent = xr.concat([one.drop_vars("front") for one in latest[::-1]], "design", data_vars="all")
    violation = recent["violation"].values
    latest_first = np.lexsort([-recent["evaluation"].values, violation])
    others = latest_first[~np.isin(recent["evaluation"].values[latest_first], front)]
    rows.append(_vectors(recent)[others])
    return np.concatenate(rows)[:size]


def _vectors(stored: xr.Dataset) -> Floats:
    return np.asarray(stored["vector"].values, dtype=np.float64)
