"""Starting a search from what another run found, though study or versions have changed since."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from arrayopt.base.errors import ArrayoptError, ResultsError
from arrayopt.design.designs import DesignSpace
from arrayopt.runs.kept.generations import generation_files, known_identity, stored_designs
from arrayopt.runs.kept.store import load
from arrayopt.search.problem import Floats
from arrayopt.study.model import Study
from arrayopt.study.read import read_study_text

RECENT = 5
"""Generations looked through for designs beside the front."""


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
