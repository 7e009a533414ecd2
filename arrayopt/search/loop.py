"""Multi-objective search: a generator that yields complete generations.

A generation carries everything needed to store it and, in ``state``, everything needed to go on
from it: a search resumed from a state yields the same bits as one that was never interrupted.
Nothing here knows of files, processes or clocks.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Bools, Floats, Ints
from arrayopt.search.front import hypervolume, nondominated
from arrayopt.search.population import Population, SearchSettings
from arrayopt.search.problem import Evaluation, Evaluator, minimised

# A design without trustworthy values ranks behind every design that merely breaks limits, and the
# objectives pymoo sees stay within a range whose squares and differences are exact enough to sort.
LARGEST_VIOLATION = 1e6
LARGEST_OBJECTIVE = 1e6


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
        Known good designs that open the first generation, dealt out to the islands (the first
        `population` of them to each); the rest of it is a Latin hypercube.
    state : bytes, optional
        ``Generation.state`` to go on from, of a search with the same problem and settings; it is
        unpickled, so it must come from a place that only this program writes. `seed` and `initial`
        are then not used.

    Yields
    ------
    Generation
        Of `population` designs for each island, different from one another (of the first
        generation: within an island) and from their island's population; fewer only where a
        discrete space has no more. Ends when it has none at all.

    Raises
    ------
    ValueError
        If an evaluation does not have the shape asked for.
    """
    if state is None:
        number, evaluations = 0, 0
        n = len(problem.objectives)
        archive = _Archive(np.zeros(0, dtype=np.int64), np.zeros((0, n)), np.zeros((0, n)))
        populations = [
            Population(
                problem,
                settings,
                seed=_island_seed(seed, k),
                initial=None if initial is None else initial[k :: settings.islands],
            )
            for k in range(settings.islands)
        ]
    else:
        number, evaluations, archive, frozen = pickle.loads(state)
        populations = [Population.thawed(algorithm, problem) for algorithm in frozen]
        _breed(populations, problem, settings)

    while True:
        X = np.concatenate([population.asked for population in populations])
        if len(X) == 0:
            return
        full = len(archive.F) >= settings.population
        evaluation = problem.evaluate(X, archive.F if full else None)
        f, violation, feasible = _ranked(evaluation, X, problem)
        start = 0
        for population in populations:
            stop = start + len(population.asked)
            if stop > start:
                population.tell(f[start:stop], violation[start:stop])
            start = stop
        number += 1
        if number % settings.exchange_every == 0:
            _exchange(populations, settings.migrants)
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
            _state(number, evaluations, archive, populations),
        )
        _breed(populations, problem, settings)


def readable(state: bytes) -> bool:
    """Whether this version can go on from a state; it is unpickled, see `search`."""
    try:
        pickle.loads(state)
    except Exception:  # anything can come of classes that are elsewhere by now
        return False
    return True


def _breed(populations: list[Population], problem: Evaluator, settings: SearchSettings) -> None:
    taken: set[bytes] = set()
    for population in populations:
        population.breed(problem, settings, taken)


def _state(
    number: int, evaluations: int, archive: _Archive, populations: list[Population]
) -> bytes:
    frozen = [population.frozen() for population in populations]
    return pickle.dumps((number, evaluations, archive, frozen))


def _island_seed(seed: int, island: int) -> int:
    """The seed itself for the first, so that one island is the plain search."""
    if island == 0:
        return seed
    return int(np.random.default_rng([seed, 2, island]).integers(2**31))


def _exchange(populations: list[Population], count: int) -> None:
    """Every island gives copies of its best designs to the next, all at the same time."""
    if len(populations) > 1:
        leaving = [population.emigrants(count) for population in populations]
        for k, population in enumerate(populations):
            population.receive(leaving[k - 1])


def _ranked(evaluation: Evaluation, X: Floats, problem: Evaluator) -> tuple[Floats, Floats, Bools]:
    """Finite minimised objectives and violations for pymoo, and which designs keep every limit."""
    wanted = (len(X), len(problem.objectives))
    if evaluation.F.shape != wanted:
        raise ValueError(
            f"{wanted[0]} designs with {wanted[1]} objectives were asked for, and objectives of "
            f"shape {evaluation.F.shape} came back"
        )
    broken = np.maximum(np.nan_to_num(evaluation.G, nan=0.0), 0.0).sum(axis=1)
    whole = np.isfinite(evaluation.F).all(axis=1) & ~np.isnan(evaluation.G).any(axis=1)
    good = (evaluation.status == 0) & (whole | (broken > 0.0))
    violation = np.full(len(X), LARGEST_VIOLATION)
    violation[good] = np.minimum(broken[good], 0.5 * LARGEST_VIOLATION)
    f = np.ones(wanted)  # the reference point, so that no normalisation is upset
    known = good & np.isfinite(evaluation.F).all(axis=1)
    f[known] = np.clip(
        minimised(evaluation.F[known], problem.objectives), -LARGEST_OBJECTIVE, LARGEST_OBJECTIVE
    )
    return f, violation, violation == 0.0
