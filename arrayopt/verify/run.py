"""Verification of a run's stored designs: which, and back into the front that holds them."""

from __future__ import annotations

import os
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import xarray as xr

from arrayopt.base.errors import ResultsError
from arrayopt.base.glossary import MERITS
from arrayopt.base.output import digest
from arrayopt.design.stored import find_design, identifier_of
from arrayopt.runs.kept.directory import RunDirectory, owner_of
from arrayopt.runs.kept.identity import RUN, read_identity
from arrayopt.runs.kept.store import FRONTS, open_fronts
from arrayopt.study.read import read_study_text
from arrayopt.verify.designs import (
    Verification,
    spread_over,
    verification_dataset,
    verify_designs,
)


@dataclass(frozen=True)
class VerifiedDesign:
    """One design's verification, and what was promised of it: merit -> value."""

    identifier: str
    found: Verification
    promised: Mapping[str, float]


def spread_of(tree: xr.DataTree) -> list[str]:
    """Identifiers of the designs a run verifies by itself: a spread of every front."""
    study = read_study_text(str(tree.attrs["study"]))
    chosen = []
    for name, node in tree.children.items():
        front = node.to_dataset()
        if front.sizes.get("design", 0) and study.verify.designs:
            objectives = [str(o) for o in np.atleast_1d(front.attrs["objectives"])]
            for k in spread_over(front, objectives, study.verify.designs):
                chosen.append(identifier_of(name, int(front["evaluation"].values[k])))
    return chosen


def verify_run(
    directory: str | os.PathLike[str],
    identifiers: Sequence[str] | None = None,
    *,
    chips: int | None = None,
    told: Callable[[str, int], object] = lambda design, done: None,
) -> list[VerifiedDesign]:
    """Verify stored designs and write what was found into the run's fronts.

    Parameters
    ----------
    directory : a run directory.
    identifiers : designs (``strategy/evaluation``); None for a spread of every front.
    chips : of each design; None for the study's.
    told : called with a design and the number of its chips just computed.

    Returns
    -------
    One `VerifiedDesign` for each, in order.

    Raises
    ------
    ResultsError
        Unknown design, a directory that another process is writing or that holds the fronts of
        another run, or fronts that were written anew meanwhile; the file is then as it was.
    """
    if (owner := owner_of(Path(directory))) is not None:
        raise ResultsError(f"{directory} is in use by another run ({owner}); verify it afterwards")
    before = _fronts_digest(Path(directory))
    tree = open_fronts(directory)
    wanted = spread_of(tree) if identifiers is None else list(dict.fromkeys(identifiers))
    designs = [find_design(tree, name) for name in wanted]
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
            told=partial(told, design.identifier),
        )
        fronts[design.strategy.name] = _with_verification(front, row, found)
        out.append(VerifiedDesign(design.identifier, found, promised))
    if out:
        _write(Path(directory), fronts, tree.attrs, before)
    return out


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
        if before is None or _fronts_digest(directory) != before:
            raise ResultsError(
                f"{directory / FRONTS} was written anew while designs were verified; it is left as "
                "it is: verify again"
            )
        run.write_fronts(fronts, done)
