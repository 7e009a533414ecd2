"""Verification of a run's stored designs: which, and back into the front that holds them."""

from __future__ import annotations

import os
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import xarray as xr

from arrayopt.base.errors import ResultsError
from arrayopt.base.glossary import MERITS, VERIFIED_PREFIX
from arrayopt.base.output import digest
from arrayopt.base.status import VerifyStatus
from arrayopt.design.stored import find_design
from arrayopt.runs.kept.directory import HISTORY, RunDirectory, owner_of
from arrayopt.runs.kept.identity import RUN, read_identity
from arrayopt.runs.kept.store import FRONTS, load, open_fronts
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.search.front import hypervolume, nondominated, thinned
from arrayopt.search.problem import minimised
from arrayopt.study.model import Study
from arrayopt.study.read import read_study_text
from arrayopt.verify.designs import (
    Verification,
    verification_dataset,
    verify_designs,
)


@dataclass(frozen=True)
class VerifiedDesign:
    """One design's verification, and what was promised of it: merit -> value."""

    identifier: str
    found: Verification
    promised: Mapping[str, float]


ROUNDS = 6
"""How often designs that fall out are replaced by others of the archive."""
BATCH = 8
"""Designs verified at once."""
OUT = int(VerifyStatus.FEW_VALUES | VerifyStatus.LIMIT)
"""What takes a design off a verified front."""


@dataclass(frozen=True)
class VerifiedFront:
    """What became of a strategy's front: designs that were verified, of them fallen and held."""

    strategy: str
    chips: int
    tried: int
    fallen: int
    dominated: int
    front: xr.Dataset


def verify_fronts(
    directory: str | os.PathLike[str],
    *,
    chips: int | None = None,
    told: Callable[[str, int], object] = lambda strategy, done: None,
    note: Callable[[str], object] = lambda text: None,
) -> list[VerifiedFront]:
    """Verify every member of every front; designs of the archive take the place of those that fall.

    A member falls where too few chips have values or keep a limit. What is left and not dominated
    in verified values is the run's front. Each strategy's is written as soon as it is known.

    Parameters
    ----------
    directory : a run directory.
    chips : of each design; None for the study's.
    told : called with a strategy and the number of designs just verified.
    note : told what was tidied up.

    Raises
    ------
    ResultsError
        As `verify_run`.
    """
    place = Path(directory)
    before = _fronts_digest(place)
    _refuse_busy(place)
    tree = open_fronts(place)
    study = read_study_text(str(tree.attrs["study"]))
    fronts = {name: node.to_dataset() for name, node in tree.children.items()}
    out = []
    for name, front in fronts.items():
        past = load(place / HISTORY, group=name)
        found = _held(study, name, front, past, chips or study.verify.chips, partial(told, name))
        fronts = {**fronts, name: found.front}
        _write(place, fronts, tree.attrs, before, note)
        before = _fronts_digest(place)
        out.append(found)
    return out


def _held(
    study: Study,
    name: str,
    front: xr.Dataset,
    past: xr.Dataset,
    chips: int,
    told: Callable[[int], object],
) -> VerifiedFront:
    evaluator = StudyEvaluator(study, study.strategy(name))
    objectives = evaluator.objectives
    good = np.asarray(past["feasible"], dtype=np.bool_) & (past["status"].values == 0)
    past = past.isel(design=np.flatnonzero(good))
    number = past["evaluation"].values.astype(np.int64)
    F = minimised(np.stack([past[o.name].values for o in objectives], axis=1), objectives)
    known: dict[int, xr.Dataset] = {}
    out = np.zeros(number.size, dtype=np.bool_)
    on = np.zeros(0, dtype=np.int64)
    for _ in range(ROUNDS):
        left = np.flatnonzero(~out)
        on = left[nondominated(F[left])] if left.size else left
        on = on[thinned(F[on], study.search.front_size)] if on.size else on
        todo = [k for k in on if number[k] not in known]
        if not todo:
            break
        for first in range(0, len(todo), BATCH):
            rows = todo[first : first + BATCH]
            for k, one in zip(
                rows, _verified(evaluator, past.isel(design=rows), front, chips), strict=True
            ):
                known[number[k]] = one
                out[k] = int(one["verify_status"].values[0]) & OUT != 0
            told(len(rows))
    held = [known[number[k]] for k in on if not out[k]]
    whole = xr.concat(held, "design", data_vars="all") if held else front.isel(design=[])
    kept = np.zeros(0, dtype=np.int64)
    volume = 0.0
    if held:
        values = [whole[VERIFIED_PREFIX + o.name].values for o in objectives]
        F = minimised(np.stack(values, axis=1), objectives)
        kept = np.flatnonzero(nondominated(F))
        volume = hypervolume(F[kept], np.ones(len(objectives)))
    attributes = {
        **front.attrs,
        "verified": 1,
        "verified_hypervolume": volume,
        "front_members": kept.size,
    }
    if known and not kept.size:
        attributes["binding"] = ["every member breaks a limit on verified chips"]
    return VerifiedFront(
        name,
        chips,
        len(known),
        int(out.sum()),
        len(held) - kept.size,
        whole.isel(design=kept).assign_attrs(attributes),
    )


def _verified(
    evaluator: StudyEvaluator, past: xr.Dataset, front: xr.Dataset, chips: int
) -> Iterator[xr.Dataset]:
    """Designs of the history with everything stored of a front's members, verified; one by one."""
    designs = evaluator.space.decode(past["vector"].values)
    promised = {o.name: past[o.name].values for o in evaluator.objectives}
    found = verify_designs(designs, evaluator.study, evaluator.strategy, promised, chips=chips)
    verified = verification_dataset(found)
    stored = front["evaluation"].values.astype(np.int64)
    for k, number in enumerate(past["evaluation"].values.astype(np.int64)):
        place = np.flatnonzero(stored == number)
        if place.size:
            one = front.isel(design=place)
            one = one.drop_vars([n for n in one.data_vars if n in verified])
        else:
            mine = past.isel(design=[k])
            described = evaluator.describe(mine["vector"].values)
            one = described.merge(mine, compat="override", join="exact")
        yield one.merge(verified.isel(design=[k])).assign_attrs({})


def verify_run(
    directory: str | os.PathLike[str],
    identifiers: Sequence[str],
    *,
    chips: int | None = None,
    note: Callable[[str], object] = lambda text: None,
) -> list[VerifiedDesign]:
    """Verify stored designs and write what was found into the run's fronts.

    Parameters
    ----------
    directory : a run directory.
    identifiers : designs (``strategy/evaluation``).
    chips : of each design; None for the study's.
    note : told what was tidied up.

    Returns
    -------
    One `VerifiedDesign` for each, in order.

    Raises
    ------
    ResultsError
        Unknown design, a directory that another process is writing or that holds the fronts of
        another run, or fronts that were written anew meanwhile; the file is then as it was.
    """
    _refuse_busy(Path(directory))
    before = _fronts_digest(Path(directory))
    tree = open_fronts(directory)
    designs = [find_design(tree, name) for name in dict.fromkeys(identifiers)]
    fronts = {name: node.to_dataset() for name, node in tree.children.items()}
    out = []
    for design in designs:
        front = fronts[design.strategy.name]
        row = _row(front, design.identifier)
        promised = {
            name: float(front[name].values[row]) for name in MERITS if name in front.data_vars
        }
        found = verify_designs(
            design.designs,
            design.study,
            design.strategy,
            {name: np.array([value]) for name, value in promised.items()},
            chips=chips,
        )
        fronts[design.strategy.name] = _with_verification(front, row, found)
        out.append(VerifiedDesign(design.identifier, found, promised))
    if out:
        _write(Path(directory), fronts, tree.attrs, before, note)
    return out


def _refuse_busy(directory: Path) -> None:
    if (owner := owner_of(directory)) is not None:
        raise ResultsError(f"{directory} is in use by another run ({owner}); verify it afterwards")


def _fronts_digest(directory: Path) -> str | None:
    """Digest of the fronts about to be replaced; None without a plain file."""
    try:
        return digest(directory / FRONTS)
    except OSError:
        return None


def _row(front: xr.Dataset, identifier: str) -> int:
    number = int(identifier.rpartition("/")[2])
    return int(np.flatnonzero(front["evaluation"].values == number)[0])


def _with_verification(front: xr.Dataset, row: int, found: Verification) -> xr.Dataset:
    changed = front.copy()
    for name, variable in verification_dataset(found).data_vars.items():
        if name not in changed:
            # A design that was not verified has NaN, no chips, and -1 as its status.
            nothing = {"verify_status": -1, "verify_chips": 0}.get(str(name), np.nan)
            empty = np.full(front.sizes["design"], nothing)
            changed[name] = ("design", empty.astype(variable.dtype), variable.attrs)
        values = changed[name].values.copy()
        values[row] = variable.values[0]
        changed[name] = ("design", values, variable.attrs)
    return changed


def _write(
    directory: Path,
    fronts: dict[str, xr.Dataset],
    attributes: Mapping[Hashable, object],
    before: str | None,
    note: Callable[[str], object],
) -> None:
    """Replace the fronts file, owning the directory meanwhile."""
    if not directory.is_dir():
        raise ResultsError(f"{directory} is no run directory; its designs cannot be verified in it")
    identity = read_identity(directory)
    own = identity.attributes()
    if any(attributes.get(key) != own[key] for key in ("digest", "seed")):
        raise ResultsError(f"{directory / FRONTS} is of another run than {directory / RUN}")
    done = {"complete": attributes["complete"]} if "complete" in attributes else {}
    with RunDirectory(directory, identity, resume=True, fresh=False) as run:
        for text in run.notes:
            note(text)
        if before is None or _fronts_digest(directory) != before:
            raise ResultsError(
                f"{directory / FRONTS} was written anew while designs were verified; it is left as "
                "it is: verify again"
            )
        run.write_fronts(fronts, done)
