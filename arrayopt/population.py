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
from pymoo.algorithms.moo.nsga2 import NSGA2, binary_tournament
from pymoo.algorithms.moo.sms import (
    SMSEMOA,
    LeastHypervolumeContributionSurvival,
    cv_and_dom_tournament,
)
from pymoo.config import Config
from pymoo.core.population import Population as Individuals
from pymoo.core.problem import Problem
from pymoo.core.termination import NoTermination
from pymoo.operators.crossover.sbx import SBX
from pymoo.operators.mutation.pm import PM
from pymoo.operators.selection.tournament import TournamentSelection
from pymoo.operators.survival.rank_and_crowding import RankAndCrowding

from arrayopt.front import nondominated, thinned
from arrayopt.problem import Evaluator, Floats

# pymoo prints, on standard output, that its optional compiled parts are missing.
Config.warnings["not_compiled"] = False

ALGORITHMS = ("nsga2", "sms-emoa", "age-moea2")

_MATING_ROUNDS = 10
_RANDOM_ROUNDS = 100


@dataclass(frozen=True)
class SearchSettings:
    """How to search; the defaults are what measured best on the shipped studies (docs/search.md).

    Parameters
    ----------
    algorithm : {"nsga2", "sms-emoa", "age-moea2"}
    population : int
        Designs kept, and designs evaluated per generation; at least 4.
    crossover_probability, crossover_index : float
        Simulated binary crossover (Deb & Agrawal 1995): share of couples crossed, and eta.
    mutation_index : float
        Polynomial mutation (Deb & Goyal 1996): eta; each variable mutates with probability
        1/variables.
    islands : int
        Populations that evolve on their own, each of `population` designs.
    exchange_every : int
        Generations between two exchanges of designs between islands.
    migrants : int
        Designs that an island then gives to the next one, in a ring.
    """

    algorithm: Literal["nsga2", "sms-emoa", "age-moea2"] = "sms-emoa"
    population: int = 50
    crossover_probability: float = 0.9
    crossover_index: float = 2.0
    mutation_index: float = 20.0
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
        with _degenerate_fronts():
            self._algorithm.tell(infills=self._individuals)

    def breed(self, problem: Evaluator, taken: set[bytes]) -> None:
        """Ask for the next generation: none of ``taken``, which it joins."""
        self.asked = _offspring(self._algorithm, problem, taken)
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


def _offspring(algorithm: Any, problem: Evaluator, taken: set[bytes]) -> Floats:
    """New designs by mating; where that repeats known ones, random designs."""
    taken |= set(_keys(algorithm.pop.get("X")))
    size, rows = algorithm.n_offsprings, list[Floats]()

    def mated(count: int) -> Floats:
        with np.errstate(all="ignore"):
            children = algorithm.mating.do(
                algorithm.problem,
                algorithm.pop,
                count,
                algorithm=algorithm,
                random_state=algorithm.random_state,
            )
        return np.asarray(children.get("X"), dtype=np.float64)

    def scattered(count: int) -> Floats:
        return np.asarray(algorithm.random_state.random((count, problem.n_variables)))

    _filled(rows, size, problem, taken, _MATING_ROUNDS, mated)
    _filled(rows, size, problem, taken, _RANDOM_ROUNDS, scattered)
    return _as_array(rows, problem)


class _AgeSurvival(AGEMOEA2Survival):  # type: ignore[misc]
    """AGE-MOEA-II's survival that stands a front of one single value (it divides by its norm)."""

    def survival_score(self, front: Floats, ideal_point: Floats) -> Any:
        if (np.round(front, 12) == np.round(front[0], 12)).all():
            return np.zeros(len(front)), 1.0, np.ones(front.shape[1])
        return super().survival_score(front, ideal_point)


def _by_dominance(*args: Any, **kwargs: Any) -> Any:
    """As pymoo has it, but with a name that pickle finds."""
    return cv_and_dom_tournament(*args, **kwargs)


def _algorithm(settings: SearchSettings, first: Floats) -> Any:
    """The algorithm with operators of its own: pymoo's defaults are objects shared by all."""
    common: dict[str, Any] = {
        "pop_size": settings.population,
        "sampling": first,
        "crossover": SBX(eta=settings.crossover_index, prob=settings.crossover_probability),
        "mutation": PM(eta=settings.mutation_index),
        "eliminate_duplicates": False,  # done here, with repair and refill
        "output": None,
    }
    if settings.algorithm == "nsga2":
        return NSGA2(
            selection=TournamentSelection(func_comp=binary_tournament),
            survival=RankAndCrowding(),
            **common,
        )
    if settings.algorithm == "sms-emoa":
        return SMSEMOA(
            selection=TournamentSelection(func_comp=_by_dominance),
            survival=LeastHypervolumeContributionSurvival(),
            **common,
        )
    algorithm = AGEMOEA2(selection=TournamentSelection(func_comp=binary_tournament), **common)
    algorithm.survival = _AgeSurvival()
    return algorithm
