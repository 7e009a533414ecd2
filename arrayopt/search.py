"""Multi-objective search: a generator that yields complete generations. The only home of pymoo.

A generation carries everything needed to store it and, in ``state``, everything needed to go on
from it: a search resumed from a state yields the same bits as one that was never interrupted.
Nothing here knows of files, processes or clocks.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import cloudpickle
import numpy as np
from numpy.typing import NDArray
from pymoo.algorithms.moo.age2 import AGEMOEA2, AGEMOEA2Survival
from pymoo.algorithms.moo.nsga2 import NSGA2, binary_tournament
from pymoo.algorithms.moo.sms import (
    SMSEMOA,
    LeastHypervolumeContributionSurvival,
    cv_and_dom_tournament,
)
from pymoo.config import Config
from pymoo.core.population import Population
from pymoo.core.problem import Problem
from pymoo.core.termination import NoTermination
from pymoo.operators.crossover.sbx import SBX
from pymoo.operators.mutation.pm import PM
from pymoo.operators.selection.tournament import TournamentSelection
from pymoo.operators.survival.rank_and_crowding import RankAndCrowding

from arrayopt.front import hypervolume, nondominated
from arrayopt.problem import Bools, Evaluation, Evaluator, Floats, Ints, minimised

# pymoo prints, on standard output, that its optional compiled parts are missing.
Config.warnings["not_compiled"] = False

ALGORITHMS = ("nsga2", "sms-emoa", "age-moea2")

# A design without trustworthy values ranks behind every design that merely breaks limits, and the
# objectives pymoo sees stay within a range whose squares and differences are exact enough to sort.
LARGEST_VIOLATION = 1e6
LARGEST_OBJECTIVE = 1e6

_MATING_ROUNDS = 10
_RANDOM_ROUNDS = 100


@dataclass(frozen=True)
class SearchSettings:
    """How to search.

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
    """

    algorithm: Literal["nsga2", "sms-emoa", "age-moea2"] = "nsga2"
    population: int = 100
    crossover_probability: float = 0.9
    crossover_index: float = 15.0
    mutation_index: float = 20.0

    def __post_init__(self) -> None:
        if self.algorithm not in ALGORITHMS:
            raise ValueError(f'algorithm is "{self.algorithm}"; one of {", ".join(ALGORITHMS)}')
        if self.population < 4:
            raise ValueError(f"population is {self.population}; at least 4 designs are needed")


@dataclass(frozen=True)
class Generation:
    """One complete generation: what was evaluated, and where the search stands after it.

    ``index`` numbers evaluations over the whole search from 0; ``front`` holds, ascending, those
    numbers of all feasible designs found so far that no other feasible design dominates (of equals
    the first). ``hypervolume`` is that front's, in units of the objectives' scales, against their
    references. ``violation`` sums the broken limits; 0 exactly where ``feasible``.
    """

    number: int
    index: Ints
    X: Floats
    F: Floats
    G: Floats
    violation: Floats
    feasible: Bools
    status: Ints
    columns: Mapping[str, NDArray[np.generic]]
    front: Ints
    front_objectives: Floats
    hypervolume: float
    evaluations: int
    state: bytes


@dataclass(frozen=True)
class _Archive:
    """All nondominated feasible designs of the whole history."""

    index: Ints
    F: Floats
    f: Floats  # minimised and scaled

    def with_designs(self, index: Ints, F: Floats, f: Floats) -> _Archive:
        index = np.concatenate([self.index, index])
        F, f = np.concatenate([self.F, F]), np.concatenate([self.f, f])
        if len(index) == 0:
            return self
        keep = nondominated(f)
        return _Archive(index[keep], F[keep], f[keep])


def search(
    problem: Evaluator,
    settings: SearchSettings,
    *,
    seed: int,
    initial: Floats | None = None,
    state: bytes | None = None,
) -> Iterator[Generation]:
    """Search without end, yielding each generation after it was evaluated.

    Parameters
    ----------
    problem : Evaluator
    settings : SearchSettings
    seed : int
        The same seed, problem and settings give the same generations.
    initial : array, shape (design, variable), optional
        Known good designs that open the first generation (the first `population` of them); the
        rest of it is a Latin hypercube.
    state : bytes, optional
        ``Generation.state`` to go on from, of a search with the same problem and settings; it is
        unpickled, so it must come from a place that only this program writes. `seed` and `initial`
        are then not used.

    Yields
    ------
    Generation
        Of `population` designs each, all different from one another and from the population;
        fewer only where a discrete space has no more. Ends when it has none at all.

    Raises
    ------
    ValueError
        If an evaluation does not have the shape asked for.
    """
    frame = Problem(
        n_var=problem.n_variables,
        n_obj=len(problem.objectives),
        n_ieq_constr=1,
        xl=np.zeros(problem.n_variables),
        xu=np.ones(problem.n_variables),
    )
    if state is None:
        number, evaluations = 0, 0
        n = len(problem.objectives)
        archive = _Archive(np.zeros(0, dtype=np.int64), np.zeros((0, n)), np.zeros((0, n)))
        X = _first(problem, settings, np.random.default_rng([seed, 1]), initial)
        algorithm = _algorithm(settings, X)
        algorithm.setup(frame, seed=seed, termination=NoTermination())
        asked = algorithm.ask()
        algorithm.start_time = 0.0  # no clock in the state
    else:
        number, evaluations, archive, algorithm = cloudpickle.loads(state)
        algorithm.problem = frame
        X = _offspring(algorithm, problem)
        asked = Population.new(X=X)

    while len(X) > 0:
        evaluation = problem.evaluate(X)
        f, violation, feasible = _ranked(evaluation, X, problem)
        asked.set("F", f, "G", violation[:, None])
        with np.errstate(all="ignore"), warnings.catch_warnings():
            # Degenerate fronts (one point, one value) divide by zero inside the algorithms, which
            # then fall back on ranks; nothing of that reaches the archive.
            warnings.simplefilter("ignore")
            algorithm.tell(infills=asked)
        number += 1
        index = np.arange(evaluations, evaluations + len(X), dtype=np.int64)
        evaluations += len(X)
        exact = minimised(evaluation.F[feasible], problem.objectives)
        archive = archive.with_designs(index[feasible], evaluation.F[feasible], exact)
        yield Generation(
            number,
            index,
            X,
            evaluation.F,
            evaluation.G,
            violation,
            feasible,
            evaluation.status,
            evaluation.columns,
            archive.index,
            archive.F,
            hypervolume(archive.f, np.ones(len(problem.objectives))),
            evaluations,
            _state(number, evaluations, archive, algorithm),
        )
        X = _offspring(algorithm, problem)
        asked = Population.new(X=X)


def _ranked(evaluation: Evaluation, X: Floats, problem: Evaluator) -> tuple[Floats, Floats, Bools]:
    """Finite minimised objectives and violations for pymoo, and which designs keep every limit."""
    wanted = (len(X), len(problem.objectives))
    if evaluation.F.shape != wanted:
        raise ValueError(
            f"{wanted[0]} designs with {wanted[1]} objectives were asked for, and objectives of "
            f"shape {evaluation.F.shape} came back"
        )
    good = (
        (evaluation.status == 0)
        & np.isfinite(evaluation.F).all(axis=1)
        & ~np.isnan(evaluation.G).any(axis=1)
    )
    violation = np.full(len(X), LARGEST_VIOLATION)
    broken = np.maximum(evaluation.G[good], 0.0).sum(axis=1)
    violation[good] = np.minimum(broken, 0.5 * LARGEST_VIOLATION)
    f = np.ones(wanted)  # the reference point, so that no normalisation is upset
    f[good] = np.clip(
        minimised(evaluation.F[good], problem.objectives), -LARGEST_OBJECTIVE, LARGEST_OBJECTIVE
    )
    return f, violation, violation == 0.0


def _state(number: int, evaluations: int, archive: _Archive, algorithm: Any) -> bytes:
    frame, algorithm.problem = algorithm.problem, None
    algorithm.off = None  # evaluated already; the survivors among them are in the population
    algorithm.initialization = None
    try:
        return bytes(cloudpickle.dumps((number, evaluations, archive, algorithm)))
    finally:
        algorithm.problem = frame


def _key(x: Floats) -> bytes:
    return (np.round(x, 12) + 0.0).tobytes()


def _new_rows(candidates: Floats, problem: Evaluator, taken: set[bytes], room: int) -> list[Floats]:
    """At most `room` repaired candidates that are not taken yet; marks them as taken."""
    rows: list[Floats] = []
    for row in problem.repair(np.clip(candidates, 0.0, 1.0)):
        if len(rows) == room:
            break
        key = _key(row)
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


def _offspring(algorithm: Any, problem: Evaluator) -> Floats:
    """New designs by mating; where that repeats known ones, random designs."""
    taken = {_key(x) for x in algorithm.pop.get("X")}
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
            selection=TournamentSelection(func_comp=cv_and_dom_tournament),
            survival=LeastHypervolumeContributionSurvival(),
            **common,
        )
    algorithm = AGEMOEA2(selection=TournamentSelection(func_comp=binary_tournament), **common)
    algorithm.survival = _AgeSurvival()
    return algorithm
