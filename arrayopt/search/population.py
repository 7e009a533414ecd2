"""One population that a multi-objective algorithm evolves. The only home of pymoo.

It proposes designs, is told what they are worth, and can be frozen between the two: thawed, it goes
on with the same bits. Nothing here evaluates anything.
"""

from __future__ import annotations

import copy
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from pymoo.algorithms.moo.age2 import AGEMOEA2, AGEMOEA2Survival
from pymoo.algorithms.moo.nsga2 import NSGA2
from pymoo.algorithms.moo.sms import SMSEMOA
from pymoo.config import Config
from pymoo.core.population import Population as Individuals
from pymoo.core.problem import Problem
from pymoo.core.survival import Survival
from pymoo.core.termination import NoTermination
from pymoo.operators.survival.rank_and_crowding import RankAndCrowding

from arrayopt.base.arrays import Floats
from arrayopt.search.front import contributions, nondominated, thinned
from arrayopt.search.problem import Evaluator
from arrayopt.search.variation import varied

# pymoo prints, on standard output, that its optional compiled parts are missing.
Config.warnings["not_compiled"] = False

ALGORITHMS = ("nsga2", "sms-emoa", "age-moea2")

_ROUNDS = 10
_RANDOM_ROUNDS = 100

_GROWS_AFTER = 60
"""Generations: a long search needs more designs to tell the front's directions, a short one fewer
that improve faster."""


@dataclass(frozen=True)
class SearchSettings:
    """How to search; the defaults are what measured best on the shipped studies (docs/search.md).

    Parameters
    ----------
    algorithm : {"nsga2", "sms-emoa", "age-moea2"}
    population : int
        Designs evaluated per generation, at least 4; and designs kept, until these grow in number
        as the root of the generations.
    neighbours, shifts, largest_shift, smoothings : int, float, float, float
        How designs are made of others: see `varied`.
    islands : int
        Populations that evolve on their own, each of `population` designs.
    exchange_every : int
        Generations between two exchanges of designs between islands.
    migrants : int
        Designs that an island then gives to the next one, in a ring.
    """

    algorithm: Literal["nsga2", "sms-emoa", "age-moea2"] = "sms-emoa"
    population: int = 50
    neighbours: int = 4
    shifts: float = 0.3
    largest_shift: float = 0.3
    smoothings: float = 0.15
    islands: int = 1
    exchange_every: int = 10
    migrants: int = 5

    def __post_init__(self) -> None:
        if self.algorithm not in ALGORITHMS:
            raise ValueError(f'algorithm is "{self.algorithm}"; one of {", ".join(ALGORITHMS)}')
        if self.population < 4:
            raise ValueError(f"population is {self.population}; at least 4 designs are needed")
        if min(self.islands, self.exchange_every, self.migrants) < 1:
            raise ValueError("islands, exchange_every and migrants must be at least 1")


class Population:
    """Designs that evolve; ``asked`` holds those to be evaluated next.

    Parameters
    ----------
    problem : Evaluator
    settings : SearchSettings
    seed : int
        The same seed, problem and settings give the same designs.
    initial : array, shape (design, variable), optional
        Known good designs that open the first generation; the rest is a Latin hypercube.
    """

    def __init__(
        self,
        problem: Evaluator,
        settings: SearchSettings,
        *,
        seed: int,
        initial: Floats | None,
    ) -> None:
        self.asked = _first(problem, settings, np.random.default_rng([seed, 1]), initial)
        self._algorithm = _algorithm(settings, self.asked)
        self._algorithm.setup(_frame(problem), seed=seed, termination=NoTermination())
        self._individuals = self._algorithm.ask()
        self._algorithm.start_time = 0.0  # no clock in the state

    @classmethod
    def thawed(cls, algorithm: Any, problem: Evaluator) -> Population:
        """The population that was `frozen`; it has yet to `breed`."""
        self = cls.__new__(cls)
        algorithm.problem = _frame(problem)
        self._algorithm = algorithm
        return self

    def frozen(self) -> Any:
        """What to pickle: everything but the problem, and but offspring told of already."""
        twin = copy.copy(self._algorithm)
        twin.problem = twin.off = twin.initialization = None
        return twin

    def tell(self, f: Floats, violation: Floats) -> None:
        """Worth of the designs asked for: minimised objectives (design, objective), violations."""
        self._individuals.set("F", f, "G", violation[:, None])
        growth = max(1.0, (self._algorithm.n_iter / _GROWS_AFTER) ** 0.5)
        self._algorithm.pop_size = int(self._algorithm.n_offsprings * growth)
        with _degenerate_fronts():
            self._algorithm.tell(infills=self._individuals)

    def breed(self, problem: Evaluator, settings: SearchSettings, taken: set[bytes]) -> None:
        """Ask for the next generation: none of ``taken``, which it joins."""
        self.asked = _offspring(self._algorithm, problem, settings, taken)
        self._individuals = Individuals.new(X=self.asked)

    def emigrants(self, count: int) -> Any:
        """Copies of at most ``count`` of its best designs, spread over its front."""
        X, F, G = self._algorithm.pop.get("X", "F", "G")
        best = np.flatnonzero(G[:, 0] <= G.min())
        best = best[nondominated(F[best])]
        best = best[thinned(F[best], count)]
        return Individuals.new(X=X[best], F=F[best], G=G[best])

    def receive(self, migrants: Any) -> None:
        """Let designs of another population compete with its own."""
        known = set(_keys(self._algorithm.pop.get("X")))
        new = [k for k, key in enumerate(_keys(migrants.get("X"))) if key not in known]
        if new:
            with _degenerate_fronts():
                self._algorithm._advance(infills=migrants[new])  # `tell` would count a generation


@contextmanager
def _degenerate_fronts() -> Iterator[None]:
    """Fronts of one point or one value divide by zero inside the algorithms.

    These then fall back on ranks; nothing of that reaches the archive.
    """
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _frame(problem: Evaluator) -> Problem:
    return Problem(
        n_var=problem.n_variables,
        n_obj=len(problem.objectives),
        n_ieq_constr=1,
        xl=np.zeros(problem.n_variables),
        xu=np.ones(problem.n_variables),
    )


def _keys(X: Floats) -> list[bytes]:
    """One for each design: what tells it from others."""
    return [row.tobytes() for row in np.round(X, 12) + 0.0]


def _new_rows(candidates: Floats, problem: Evaluator, taken: set[bytes], room: int) -> list[Floats]:
    """At most `room` repaired candidates that are not taken yet; marks them as taken."""
    rows: list[Floats] = []
    repaired = problem.repair(np.clip(candidates, 0.0, 1.0))
    for row, key in zip(repaired, _keys(repaired), strict=True):
        if len(rows) == room:
            break
        if key not in taken:
            taken.add(key)
            rows.append(row)
    return rows


def _filled(
    rows: list[Floats],
    size: int,
    problem: Evaluator,
    taken: set[bytes],
    rounds: int,
    propose: Callable[[int], Floats],
) -> None:
    for _ in range(rounds):
        missing = size - len(rows)
        if missing == 0:
            return
        rows += _new_rows(propose(missing), problem, taken, missing)


def _as_array(rows: list[Floats], problem: Evaluator) -> Floats:
    return np.array(rows, dtype=np.float64).reshape(len(rows), problem.n_variables)


def _first(
    problem: Evaluator,
    settings: SearchSettings,
    random: np.random.Generator,
    initial: Floats | None,
) -> Floats:
    """Known designs, then a Latin hypercube, then single random designs: a full population."""
    size, n = settings.population, problem.n_variables
    taken: set[bytes] = set()
    rows: list[Floats] = []
    if initial is not None and len(initial) > 0:
        initial = np.asarray(initial, dtype=np.float64)
        if initial.ndim != 2 or initial.shape[1] != n or not np.isfinite(initial).all():
            raise ValueError(
                f"initial designs must be finite and of shape (design, {n}); got {initial.shape}"
            )
        rows += _new_rows(initial, problem, taken, size)

    def hypercube(count: int) -> Floats:
        strata = random.permuted(np.tile(np.arange(count)[:, None], (1, n)), axis=0)
        return np.asarray((strata + random.random((count, n))) / count)

    _filled(rows, size, problem, taken, _RANDOM_ROUNDS, hypercube)
    return _as_array(rows, problem)


def _offspring(
    algorithm: Any, problem: Evaluator, settings: SearchSettings, taken: set[bytes]
) -> Floats:
    """New designs made of the population's; where that repeats known ones, random designs."""
    X, F, violation = algorithm.pop.get("X", "F", "G")
    taken |= set(_keys(X))
    size, rows = algorithm.n_offsprings, list[Floats]()

    def made(count: int) -> Floats:
        return varied(
            X,
            F,
            violation[:, 0],
            problem.families,
            algorithm.random_state,
            count,
            neighbours=settings.neighbours,
            shifts=settings.shifts,
            largest_shift=settings.largest_shift,
            smoothings=settings.smoothings,
        )

    def scattered(count: int) -> Floats:
        return np.asarray(algorithm.random_state.random((count, problem.n_variables)))

    _filled(rows, size, problem, taken, _ROUNDS, made)
    _filled(rows, size, problem, taken, _RANDOM_ROUNDS, scattered)
    return _as_array(rows, problem)


class _AgeSurvival(AGEMOEA2Survival):  # type: ignore[misc]
    """AGE-MOEA-II's survival that stands a front of one single value (it divides by its norm)."""

    def survival_score(self, front: Floats, ideal_point: Floats) -> Any:
        if (np.round(front, 12) == np.round(front[0], 12)).all():
            return np.zeros(len(front)), 1.0, np.ones(front.shape[1])
        return super().survival_score(front, ideal_point)


class _ContributionSurvival(Survival):  # type: ignore[misc]
    """Keeps designs that add hypervolume, as the run measures it: against the references.

    Selection as in SMS-EMOA (Beume, Naujoks & Emmerich 2007), but that up to a quarter of the
    excess goes at once, and designs past a reference go first, the farthest ahead.
    """

    def __init__(self) -> None:
        super().__init__(filter_infeasible=True)

    def _do(self, problem: Any, pop: Any, *args: Any, n_survive: int, **unused: Any) -> Any:
        F = pop.get("F")
        kept, left = np.zeros(0, dtype=np.int64), np.arange(len(F))
        while len(kept) < n_survive:
            front = nondominated(F[left])
            best, left = left[front], left[~front]
            while (excess := len(kept) + len(best) - n_survive) > 0:
                outside = np.maximum(F[best] - 1.0, 0.0).sum(axis=1)
                worth = contributions(F[best], np.ones(F.shape[1])) - outside
                best = np.delete(best, np.argsort(worth, kind="stable")[: 1 + excess // 4])
            kept = np.concatenate([kept, best])
        return pop[kept]


def _algorithm(settings: SearchSettings, first: Floats) -> Any:
    """The algorithm, for what it keeps of a population."""
    common: dict[str, Any] = {
        "pop_size": settings.population,
        "sampling": first,
        "eliminate_duplicates": False,  # done here, with repair and refill
        "output": None,
    }
    if settings.algorithm == "nsga2":
        algorithm = NSGA2(survival=RankAndCrowding(), **common)
    elif settings.algorithm == "sms-emoa":
        algorithm = SMSEMOA(survival=_ContributionSurvival(), **common)
    else:
        algorithm = AGEMOEA2(**common)
        algorithm.survival = _AgeSurvival()
    algorithm.mating = None  # designs are made by `varied`
    return algorithm
