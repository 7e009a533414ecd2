"""Runs as their readers see them: fronts, history and study, with a sentence for what is amiss."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np
import xarray as xr

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.errors import ArrayoptError, ResultsError
from arrayopt.base.glossary import MERITS, VERIFIED_PREFIX
from arrayopt.runs.kept.directory import HISTORY
from arrayopt.runs.kept.generations import read_progress
from arrayopt.runs.kept.identity import RUN, read_identity
from arrayopt.runs.kept.store import FRONTS, load, open_fronts, open_results
from arrayopt.search.binding import binding
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.search.front import hypervolume, nondominated, thinned
from arrayopt.search.problem import minimised
from arrayopt.study.model import Objective, Study
from arrayopt.study.read import read_study_text

CHECKPOINTS = 40
"""Points of a convergence curve."""


@dataclass(frozen=True)
class Reading:
    """One run, as far as it can be read.

    Parameters
    ----------
    path : run directory or result file, as given.
    study : the study searched; None where its text is no longer accepted.
    text : the study file as it was searched.
    digest, seed : which search this is.
    versions : packages the run was made with.
    fronts : strategy -> front, as ``fronts.nc`` holds it; only those with members.
    history : strategy -> every evaluated design; empty where there is no history.
    evaluations : strategy -> designs evaluated.
    notes : what is unfinished, missing or doubtful, a sentence each.
    """

    path: Path
    study: Study | None
    text: str
    digest: str
    seed: int
    versions: dict[str, str]
    fronts: dict[str, xr.Dataset]
    history: dict[str, xr.Dataset]
    evaluations: dict[str, int]
    notes: tuple[str, ...]

    @property
    def objectives(self) -> tuple[Objective, ...]:
        """What the study wants; empty if no strategy has a front."""
        for front in self.fronts.values():
            return objectives_of(front)
        return ()


def read_run(path: str | os.PathLike[str]) -> Reading:
    """Read a run directory or result file, also one that is unfinished or partly damaged.

    Parameters
    ----------
    path : run directory, or a ``fronts.nc``.

    Returns
    -------
    Reading
        A run killed before it wrote its fronts is read from its saved generations.

    Raises
    ------
    ResultsError
        If there is nothing to show.
    """
    place = Path(path)
    notes: list[str] = []
    folder = place if place.is_dir() else place.parent
    if _behind(place):
        return _read_generations(place)
    tree = open_fronts(place)
    attributes = tree.attrs
    if not int(attributes["complete"]):
        notes.append(
            "The run was stopped before its budget was used up; the fronts show what it had found."
        )
    study = _study(attributes["study"], notes)
    versions = json.loads(attributes["versions"])
    fronts = {name: node.to_dataset() for name, node in tree.children.items()}
    evaluations = {name: int(f.attrs["evaluations"]) for name, f in fronts.items()}
    for name in [n for n, front in fronts.items() if front.sizes["design"] == 0]:
        notes.append(
            f"{name}: no design kept all limits in {evaluations[name]} evaluations; relax a limit, "
            "widen a bound or search longer. "
            + "; ".join(str(text) for text in np.atleast_1d(fronts[name].attrs.get("binding", [])))
        )
        del fronts[name]
    if study is not None:
        notes += [
            f"{s.name}: the run has no results for this strategy."
            for s in study.strategies
            if s.name not in tree.children
        ]
    _check_versions(versions, notes)
    return Reading(
        place,
        study,
        attributes["study"],
        attributes["digest"],
        int(attributes["seed"]),
        versions,
        fronts,
        _read_history(folder, attributes, notes),
        evaluations,
        tuple(notes),
    )


def current_results(path: str | os.PathLike[str]) -> xr.DataTree:
    """Stored results, also of a run that goes on or that died, up to its last saved generation.

    Parameters
    ----------
    path : run directory or result file.

    Returns
    -------
    xarray.DataTree
        As ``store.open_results``; where the fronts file is missing or behind, from the saved
        generations, with ``complete`` 0.

    Raises
    ------
    ResultsError
        If there is nothing to show.
    """
    place = Path(path)
    if not _behind(place):
        return open_fronts(place)
    reading = _read_generations(place)
    identity = read_identity(place)
    tree = xr.DataTree.from_dict(dict(reading.fronts))
    tree.attrs = {**identity.attributes(), "complete": 0}
    return tree


def _behind(place: Path) -> bool:
    """Whether a run directory has saved more generations than its fronts file tells of."""
    if not place.is_dir() or not (place / RUN).exists():
        return False
    if not (place / FRONTS).exists():
        return True
    try:
        saved = {n: read_progress(place, n) for n in read_identity(place).strategies}
    except ResultsError:
        return False  # the fronts file is the better witness
    fronts = open_fronts(place)
    return any(
        s is not None
        and (name not in fronts.children or s.evaluations != fronts[name].attrs["evaluations"])
        for name, s in saved.items()
    )


def _study(text: str, notes: list[str]) -> Study | None:
    try:
        return read_study_text(text)
    except ArrayoptError as error:
        notes.append(
            f"This version no longer accepts the study of these results ({error}); parts that "
            "need it are left out."
        )
    return None


def _check_versions(made_with: dict[str, str], notes: list[str]) -> None:
    different = []
    for name, then in made_with.items():
        try:
            now = version(name)
        except PackageNotFoundError:
            now = "not installed"
        if now != then:
            different.append(f"{name} {then} (here {now})")
    if different:
        notes.append(
            f"The results were made with other versions: {', '.join(different)}. Stored values "
            "are theirs; what is recomputed here may differ in the last digits or more."
        )


def _read_history(
    folder: Path, attributes: Mapping[Any, Any], notes: list[str]
) -> dict[str, xr.Dataset]:
    file = folder / HISTORY
    try:
        tree = open_results(file)
    except ResultsError as error:
        notes.append(f"There is no history of the search to show: {error}.")
        return {}
    if (tree.attrs.get("digest"), tree.attrs.get("seed")) != (
        attributes.get("digest"),
        attributes.get("seed"),
    ):
        notes.append(f"{file} belongs to another run than the fronts and is left out.")
        return {}
    return {name: node.to_dataset() for name, node in tree.children.items()}


def _read_generations(folder: Path) -> Reading:
    """What an unfinished run has saved so far, its fronts computed anew."""
    identity = read_identity(folder)
    notes = [
        f"{folder} is unfinished: this shows the generations saved so far. If it is not running, "
        "`arrayopt run STUDY --out DIR --resume` goes on."
    ]
    study = _study(identity.study, notes)
    _check_versions(dict(identity.versions), notes)
    history: dict[str, xr.Dataset] = {}
    for name in identity.strategies:
        parts = []
        for file in sorted((folder / name).glob("generation-*.nc")):
            try:
                parts.append(load(file).drop_vars("front", errors="ignore"))
            except ResultsError as error:
                notes.append(f"{error}; the generations before it are shown.")
                break
        if parts:
            history[name] = xr.concat(parts, "design", data_vars="all")
    if not history or study is None:
        raise ResultsError(
            f"{folder} holds no results yet: {FRONTS} is missing and no generation is complete "
            f"({RUN} is there, so the run has started; `arrayopt status {folder}` says how it is "
            "doing)"
        )
    fronts = {}
    for name, past in history.items():
        front = _front(past, study, name)
        if front is None:
            bounds = StudyEvaluator(study, study.strategy(name)).bounds
            told = "; ".join(binding(past["limit_value"].values, bounds))
            notes.append(f"{name}: no design has kept all limits so far. {told}")
        else:
            fronts[name] = front
    return Reading(
        folder,
        study,
        identity.study,
        identity.digest,
        identity.seed,
        dict(identity.versions),
        fronts,
        history,
        {name: past.sizes["design"] for name, past in history.items()},
        tuple(notes),
    )


def _front(past: xr.Dataset, study: Study, name: str) -> xr.Dataset | None:
    evaluator = StudyEvaluator(study, study.strategy(name))
    objectives = evaluator.objectives
    rows = feasible_rows(past)
    f = minimised(objective_values(past, objectives)[rows], objectives)
    rows = rows[nondominated(f)] if len(rows) else rows
    if not len(rows):
        return None
    f = minimised(objective_values(past, objectives)[rows], objectives)
    chosen = past.isel(design=rows[thinned(f, study.search.front_size)])
    described = evaluator.describe(chosen["vector"].values)
    return described.merge(chosen, compat="override", join="exact").assign_attrs(
        hypervolume=hypervolume(f, np.ones(f.shape[1])),
        evaluations=past.sizes["design"],
        front_members=len(rows),
        objectives=[o.name for o in objectives],
        senses=[o.sense for o in objectives],
        references=[o.reference for o in objectives],
        scales=[o.scale for o in objectives],
    )


def objectives_of(front: xr.Dataset) -> tuple[Objective, ...]:
    """The objectives a stored front was searched for."""
    names, senses, references, scales = (
        np.atleast_1d(front.attrs[key]) for key in ("objectives", "senses", "references", "scales")
    )
    return tuple(
        Objective(str(n), cast(Literal["max", "min"], str(s)), float(r), float(c))
        for n, s, r, c in zip(names, senses, references, scales, strict=True)
    )


def objective_values(designs: xr.Dataset, objectives: Sequence[Objective]) -> Floats:
    """Values (design, objective) in their own units."""
    return np.stack([np.asarray(designs[o.name], dtype=np.float64) for o in objectives], axis=1)


def feasible_rows(designs: xr.Dataset, evaluations: int | None = None) -> Ints:
    """Rows that keep all limits and may be trusted, of the first so many evaluations."""
    good = np.asarray(designs["feasible"], dtype=np.bool_).copy()
    if "status" in designs:
        good &= np.asarray(designs["status"]) == 0
    if evaluations is not None and "evaluation" in designs:
        good &= np.asarray(designs["evaluation"]) < evaluations
    return np.flatnonzero(good)


def members(reading: Reading, strategy: str, evaluations: int | None = None) -> xr.Dataset:
    """Every feasible design of a strategy after so many evaluations, without its responses.

    Taken from the history, which is complete; where there is none, from the stored front.
    """
    source = reading.history.get(strategy)
    if source is None:
        source, evaluations = reading.fronts[strategy], None
    flat = [name for name, value in source.data_vars.items() if value.dims == ("design",)]
    return source[flat].isel(design=feasible_rows(source, evaluations))


HIGH_YIELD = 0.9
"""Designs are recommended among those whose yield is at least this part of the front's highest."""


def knee(front: xr.Dataset) -> int:
    """The member of high yield that alone dominates the largest volume below the reference point.

    In units of the objectives' scales: the product of its gains over the references. Where no
    member is better than the reference in every objective, the one with the least shortfall. Yields
    are those of verified chips where there are any.
    """
    f = minimised(objective_values(front, objectives_of(front)), objectives_of(front))
    high = np.ones(len(f), dtype=np.bool_)
    if "yield" in front:
        yields = np.asarray(front["yield"], dtype=np.float64)
        if VERIFIED_PREFIX + "yield" in front:
            verified = np.asarray(front[VERIFIED_PREFIX + "yield"], dtype=np.float64)
            yields = np.where(np.isfinite(verified), verified, yields)
        high = yields >= HIGH_YIELD * np.fmax.reduce(yields)
    gain = np.where(high, np.prod(np.clip(1.0 - f, 0.0, None), axis=1), 0.0)
    if gain.max() > 0.0:
        return int(np.argmax(gain))
    short = np.clip(f - 1.0, 0.0, None).sum(axis=1)
    return int(np.argmin(np.where(high, short, np.inf)))


def ranked(reading: Reading) -> list[str]:
    """Strategies with a front, the largest hypervolume first."""
    volumes = {name: float(f.attrs["hypervolume"]) for name, f in reading.fronts.items()}
    return sorted(volumes, key=lambda name: -volumes[name])


def convergence(run: Reading | str | os.PathLike[str]) -> xr.Dataset:
    """Hypervolume against the number of evaluations, from the history.

    Parameters
    ----------
    run : a reading, or the run directory to read.

    Returns
    -------
    xarray.Dataset
        ``hypervolume`` and ``evaluations``, both (strategy, checkpoint); in units of the
        objectives' scales against their references. Without strategies where there is no history.
    """
    reading = run if isinstance(run, Reading) else read_run(run)
    objectives = reading.objectives
    names = [name for name in reading.history if name in reading.fronts]
    volume = np.zeros((len(names), CHECKPOINTS))
    spent = np.zeros((len(names), CHECKPOINTS), dtype=np.int64)
    for row, name in enumerate(names):
        past = reading.history[name]
        total = past.sizes["design"]
        rows = feasible_rows(past)
        f = minimised(objective_values(past, objectives)[rows], objectives)
        number = np.asarray(past["evaluation"])[rows]
        spent[row] = np.round(np.linspace(total / CHECKPOINTS, total, CHECKPOINTS)).astype(int)
        front = np.zeros((0, len(objectives)))
        seen = 0
        for k, stop in enumerate(spent[row]):
            upto = int(np.searchsorted(number, stop))
            if upto > seen:
                front = np.concatenate([front, f[seen:upto]])
                front, seen = front[nondominated(front)], upto
            volume[row, k] = hypervolume(front, np.ones(len(objectives)))
    dims = ("strategy", "checkpoint")
    return xr.Dataset(
        {
            "hypervolume": (dims, volume, {"units": "1", "long_name": "hypervolume"}),
            "evaluations": (dims, spent, {"units": "1", "long_name": "designs evaluated"}),
        },
        coords={"strategy": names},
    )


def identifier(strategy: str, design: xr.Dataset) -> str:
    """STRATEGY/NUMBER of a design (a dataset without the design axis)."""
    return f"{strategy}/{int(design['evaluation'])}"


def verified_merits(front: xr.Dataset) -> tuple[str, ...]:
    """Merits of which a front holds verified values (``verified_NAME``)."""
    return tuple(name for name in MERITS if VERIFIED_PREFIX + name in front)
