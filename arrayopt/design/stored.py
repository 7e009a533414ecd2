"""Identifiers of stored designs: ``strategy/evaluation``, and the designs they stand for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.errors import ResultsError, nearest_name
from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.study.model import Strategy, Study
from arrayopt.study.read import read_study_text

if TYPE_CHECKING:
    import xarray as xr  # slow to load, and an export from a design file needs none of it


@dataclass(frozen=True)
class FoundDesign:
    """A stored design: identifier, study with its strategy's cells, strategy, a batch of one."""

    identifier: str
    study: Study
    strategy: Strategy
    designs: Designs


def identifier_of(strategy: str, evaluation: int) -> str:
    """The identifier of a front member.

    Parameters
    ----------
    strategy : name of the strategy.
    evaluation : its number of the evaluation, as stored.
    """
    return f"{strategy}/{int(evaluation)}"


def find_design(tree: xr.DataTree, identifier: str) -> FoundDesign:
    """The design of an identifier.

    Parameters
    ----------
    tree : opened results (`store.open_results`).
    identifier : ``strategy/evaluation``, for example ``combined/17``.

    Raises
    ------
    ResultsError : there is no such strategy or member; the text names near ones.
    """
    name, _, number = identifier.rpartition("/")
    names = list(tree.children)
    if name not in names:
        nearest = nearest_name(name or identifier, names)
        hint = f"did you mean {nearest}/{number}?" if nearest else f"known: {', '.join(names)}"
        raise ResultsError(
            f"design {identifier!r}: there is no strategy {name!r} in these results; {hint}"
        )
    group = tree[name].to_dataset()
    evaluations = group["evaluation"].values.astype(np.int64)
    if not len(evaluations):
        raise ResultsError(
            f"design {identifier!r}: the front of {name} is empty, because no design kept all "
            "limits; relax a limit, widen a bound or search longer"
        )
    counted = number.isascii() and number.isdigit() and len(number) < 18
    if not counted or int(number) not in evaluations:
        if counted:
            near = evaluations[np.argsort(np.abs(evaluations - int(number)))[:5]]
        else:
            near = evaluations[:5]
        shown = ", ".join(identifier_of(name, n) for n in sorted(near))
        raise ResultsError(
            f"design {identifier!r} is not on the front; its {len(evaluations)} members include "
            f"{shown}"
        )
    index = int(np.flatnonzero(evaluations == int(number))[0])
    study = read_study_text(str(tree.attrs["study"]))
    strategy = study.strategy(name)
    vectors = group["vector"].values[index : index + 1]
    designs = DesignSpace(study, strategy).decode(vectors)
    return FoundDesign(identifier_of(name, int(number)), study.of(strategy), strategy, designs)
