"""One strategy of a study as the search sees it: vectors in, objectives and limits out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.design.designs import DesignSpace
from arrayopt.merits.chips import MeritTable, limits_in_force, merits_of_chips
from arrayopt.merits.evaluate import evaluate
from arrayopt.search.binding import bounds_of
from arrayopt.search.problem import Evaluation
from arrayopt.study.model import Objective, Strategy, Study
from arrayopt.study.read import read_study_text

if TYPE_CHECKING:
    import xarray as xr


class StudyEvaluator:
    """One strategy as the search sees it.

    Parameters
    ----------
    study, strategy : the strategy is one of the study's.
    """

    def __init__(self, study: Study, strategy: Strategy) -> None:
        study = study.of(strategy)
        self.study = study
        self.strategy = strategy
        self.space = DesignSpace(study, strategy)
        self.bounds = bounds_of(limits_in_force(study, strategy), study.chip)

    @property
    def n_variables(self) -> int:
        """Length of a design vector."""
        return self.space.n_variables

    @property
    def families(self) -> Sequence[Ints]:
        """The variables of each quantity, in the order of classes or channels."""
        return self.space.families

    @property
    def objectives(self) -> Sequence[Objective]:
        """What the study wants."""
        return self.study.objectives

    def repair(self, X: Floats) -> Floats:
        """Nearest vectors that stand for themselves: the electrode kind is rounded."""
        return self.space.encode(self.space.decode(X))

    def evaluate(
        self, X: Floats, front: Floats | None = None, *, sparing: bool = True
    ) -> Evaluation:
        """Objectives, limits and quick merits of vectors (design, variable) in 0..1.

        Where ``sparing``, what costs most is computed only of designs that keep the limits on the
        rest, and the onset only as far as a design may still join the ``front``; see
        `compute_merits`.
        """
        designs = self.space.decode(X)
        race = None if front is None else partial(onset_of_interest, self.objectives, front)
        table = merits_of_chips(designs, self.study, self.strategy, sparing=sparing, race=race)
        F = np.stack([table.values[o.name] for o in self.study.objectives], axis=1)
        G = np.stack(self._violations(table), axis=1)
        return Evaluation(F, G, dict(table.values), table.status)

    def describe(self, X: Floats) -> xr.Dataset:
        """Everything stored of a front: see `evaluate`."""
        return evaluate(self.space.decode(X), self.study, self.strategy)

    def _violations(self, table: MeritTable) -> list[Floats]:
        """Margins turned dimensionless, kept where <= 0."""
        margins = (-table.clearance_margin, -table.die_margin, *table.broken)
        return [m / bound.scale for m, bound in zip(margins, self.bounds, strict=True)]


def onset_of_interest(
    objectives: Sequence[Objective], front: Floats, merits: Mapping[str, Floats]
) -> Floats:
    """Highest onset voltage with which designs may join a front, (design,) [V].

    Parameters
    ----------
    objectives : what is wanted.
    front : (member, objective), in their own senses and units.
    merits : name -> (design,). Infinite where another objective than the onset is not among them,
        or low onsets are not what is wanted.
    """
    count = len(next(iter(merits.values())))
    others = [k for k, o in enumerate(objectives) if o.name != "onset_voltage"]
    onset = [k for k, o in enumerate(objectives) if k not in others and o.sense == "min"]
    if len(onset) != 1 or any(objectives[k].name not in merits for k in others):
        return np.full(count, np.inf)
    better = np.ones((count, len(front)), dtype=bool)
    for k in others:
        sign = 1.0 if objectives[k].sense == "min" else -1.0
        better &= sign * front[:, k] <= sign * merits[objectives[k].name][:, None]
    return np.asarray(np.where(better, front[:, onset[0]], np.inf).min(axis=1, initial=np.inf))


def build_evaluator(text: str) -> Callable[[str, Floats, Floats | None], Evaluation]:
    """What a worker process makes of a study's text: a function of strategy, vectors and front."""
    study = read_study_text(text)
    evaluators = {s.name: StudyEvaluator(study, s) for s in study.strategies}
    return lambda strategy, X, front: evaluators[strategy].evaluate(X, front)
