"""The search of a strategy rebuilt from its saved generations, without evaluating a design.

The search asks for designs and is told what they are worth, and nothing else moves it. Told again
what was saved, it comes to the same state, bit for bit. Asking for the saved designs shows that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from arrayopt.base.errors import ResultsError
from arrayopt.runs.kept.generations import Saved, progress_in
from arrayopt.runs.kept.store import load
from arrayopt.search.loop import search
from arrayopt.search.population import SearchSettings
from arrayopt.search.problem import Evaluation, Evaluator, Floats, Ints
from arrayopt.study.model import Objective


class _Told:
    """A problem whose evaluations are those of saved generations, one file after the other."""

    def __init__(self, problem: Evaluator, files: Sequence[Path], run: str) -> None:
        self._problem, self._left, self._run = problem, list(files), run

    @property
    def n_variables(self) -> int:
        return self._problem.n_variables

    @property
    def families(self) -> Sequence[Ints]:
        return self._problem.families

    @property
    def objectives(self) -> Sequence[Objective]:
        return self._problem.objectives

    def repair(self, X: Floats) -> Floats:
        return self._problem.repair(X)

    def evaluate(self, X: Floats) -> Evaluation:
        self.file = self._left.pop(0)
        self.saved = load(self.file)
        if self.saved.attrs.get("run") != self._run:
            raise ResultsError(f"{self.file} belongs to another run")
        if not np.array_equal(X, self.saved["vector"].values):
            raise ResultsError(f"{self.file} does not hold the designs that its search asks for")
        F = np.stack([self.saved[o.name].values for o in self.objectives], axis=1)
        return Evaluation(
            F, self.saved["limit_value"].values, {}, self.saved["status"].values.astype(np.int64)
        )


def replayed(
    problem: Evaluator,
    settings: SearchSettings,
    files: Sequence[Path],
    *,
    run: str,
    seed: int,
    initial: Floats | None,
    saved: Saved | None,
) -> Saved:
    """Where a strategy stands after saved generations.

    Parameters
    ----------
    problem, settings, seed, initial
        As the search had them.
    files : generations after ``saved``, in order, at least one.
    run : SHA-256 of the run file they must belong to.
    saved : where to begin; None at the start.

    Raises
    ------
    ResultsError
        If a file is damaged or foreign, or is not what this search would have made.
    """
    told = _Told(problem, files, run)
    state = None if saved is None else saved.state
    search_ = search(told, settings, seed=seed, initial=initial, state=state)
    there = saved
    for file in files:
        generation = next(search_, None)
        if generation is None or not (
            np.array_equal(generation.front, told.saved["front"].values)
            and np.array_equal(generation.violation, told.saved["violation"].values)
            and np.array_equal(generation.index, told.saved["evaluation"].values)
        ):
            raise ResultsError(f"{file} does not hold what its search came to")
        told_of = progress_in(told.saved.attrs, generation.number, file)
        there = replace(told_of, hypervolume=generation.hypervolume, state=generation.state)
    if there is None:
        raise ValueError("there are no generations to replay")
    return there
