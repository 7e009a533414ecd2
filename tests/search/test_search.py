"""Search: known fronts, reproducibility, resumption, and hostile evaluations."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import islice

import numpy as np
import pytest

from arrayopt.search.front import contributions, hypervolume, nondominated, thinned
from arrayopt.search.loop import Generation, search
from arrayopt.search.population import ALGORITHMS, Population, SearchSettings
from arrayopt.search.problem import Evaluation, joined, lost, minimised
from arrayopt.study.model import Objective
from tests.support.toy_problem import Toy

SMALL = SearchSettings(population=20)


def same(a: Generation, b: Generation) -> None:
    for name in ("number", "evaluations", "hypervolume"):
        assert getattr(a, name) == getattr(b, name)
    for name in (
        "index",
        "X",
        "F",
        "G",
        "violation",
        "feasible",
        "status",
        "front",
        "front_objectives",
    ):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name), strict=True)
    assert a.columns.keys() == b.columns.keys()
    for name in a.columns:
        np.testing.assert_array_equal(a.columns[name], b.columns[name], strict=True)


# Fronts of ZDT1 and ZDT2: Zitzler, Deb & Thiele 2000. DTLZ2: Deb, Thiele, Laumanns & Zitzler 2002.


def das_dennis(divisions: int) -> np.ndarray:
    """Equally spaced directions in three objectives (Das & Dennis 1998)."""
    rows = [
        (i, j, divisions - i - j) for i in range(divisions + 1) for j in range(divisions + 1 - i)
    ]
    return np.array(rows) / divisions


@pytest.mark.parametrize(
    ("id_", "front", "reference"),
    [
        ("moo.hv.zdt1.1.1", lambda t: 1 - np.sqrt(t), 1.1),
        ("moo.hv.zdt1.1.0", lambda t: 1 - np.sqrt(t), 1.0),
        ("moo.hv.zdt2.1.1", lambda t: 1 - t**2, 1.1),
    ],
)
def test_hypervolume_of_continuous_fronts(
    check_outside: Callable[..., None], id_: str, front: Callable[..., np.ndarray], reference: float
) -> None:
    # Stairs through the front bound the area from inside, stairs one step lower from outside; their
    # mean is the trapezoidal rule.
    t = np.linspace(0.0, 1.0, 20_001) ** 2
    inner = hypervolume(np.stack([t, front(t)], axis=1), np.full(2, reference))
    outer = hypervolume(
        np.stack([t, np.append(front(t)[1:], front(t)[-1])], axis=1), np.full(2, reference)
    )
    check_outside(id_, 0.5 * (inner + outer), "search")


@pytest.mark.parametrize(
    ("id_", "reference"), [("moo.hv.dtlz2m3.1.0", 1.0), ("moo.hv.dtlz2m3.1.1", 1.1)]
)
def test_hypervolume_of_the_sphere(
    check_outside: Callable[..., None], id_: str, reference: float
) -> None:
    # As above with 400 steps a side. The sphere meets the plane f3 = 0 at a right angle, where the
    # mean of the two stairs is good to steps^-1.5 = 1.3e-4 and not to the closed form's 1e-6.
    x = np.linspace(0.0, 1.0, 401)
    height = np.sqrt(np.maximum(0.0, 1.0 - x[:, None] ** 2 - x[None, :] ** 2))
    lower = np.pad(height[1:, 1:], ((0, 1), (0, 1)))
    a, b = np.meshgrid(x, x, indexing="ij")
    inner, outer = (
        hypervolume(np.stack([a, b, c], axis=-1).reshape(-1, 3), np.full(3, reference))
        for c in (height, lower)
    )
    check_outside(id_, 0.5 * (inner + outer), "search", rel_tol=1.3e-4)


def test_hypervolume_of_point_sets(check_outside: Callable[..., None]) -> None:
    directions = das_dennis(12)
    sphere = directions / np.linalg.norm(directions, axis=1)[:, None]
    check_outside("moo.hv.dtlz2m3.91pts.1.1", hypervolume(sphere, np.full(3, 1.1)), "search")
    t = np.linspace(0.0, 1.0, 11)
    line = np.stack([t, 1.0 - t], axis=1)
    check_outside("moo.hv.line11.1.1", hypervolume(line, np.full(2, 1.1)), "search")


def test_hypervolume_leaves_out_what_does_not_count() -> None:
    inside = np.array([[0.25, 0.5]])
    more = np.array([[0.25, 0.5], [np.nan, 0.1], [1.5, 0.1], [-np.inf, 0.2], [1.0, 0.0]])
    assert hypervolume(inside, np.ones(2)) == pytest.approx(0.375, rel=1e-12)
    assert hypervolume(more, np.ones(2)) == hypervolume(inside, np.ones(2))
    assert hypervolume(np.zeros((0, 2)), np.ones(2)) == 0.0


def test_contributions_against_the_definition() -> None:
    F = np.random.default_rng(5).random((60, 3)) * 1.2
    best = nondominated(F) & (F < 1.0).all(axis=1)
    whole = hypervolume(F[best], np.ones(3))
    rest = [hypervolume(np.delete(F[best], k, axis=0), np.ones(3)) for k in range(best.sum())]
    found = contributions(F, np.ones(3))
    # a difference of volumes near one is rounded on that scale
    np.testing.assert_allclose(found[best], whole - np.array(rest), rtol=1e-9, atol=1e-14)
    assert (found[~best] == 0.0).all()
    assert found.max() > 0.01


def test_long_searches_keep_more_designs() -> None:
    population = Population(Toy(), SMALL, seed=1, initial=None)
    random = np.random.default_rng(1)
    for _ in range(245):
        t = random.random(20)
        population.tell(np.stack([t, 1.0 - t], axis=1), np.zeros(20))
        population.breed(Toy(), SMALL, set())
    assert len(population.frozen().pop) == 40  # twice as many after four times 60 generations


def test_nondominated_against_the_definition() -> None:
    random = np.random.default_rng(3)
    F = np.round(random.random((150, 3)), 1)
    worse = (F[None, :, :] <= F[:, None, :]).all(-1) & (F[None, :, :] < F[:, None, :]).any(-1)
    best = ~worse.any(axis=1)
    first = np.array([not any((F[j] == F[i]).all() for j in range(i)) for i in range(len(F))])
    np.testing.assert_array_equal(nondominated(F), best & first)


def test_minimised_turns_and_scales() -> None:
    objectives = (Objective("a", "max", 2.0, 4.0), Objective("b", "min", 10.0, 5.0))
    np.testing.assert_allclose(
        minimised(np.array([[2.0, 10.0], [6.0, 5.0]]), objectives), [[1, 1], [0, 0]], rtol=1e-12
    )


def test_thinned_keeps_the_ends_and_spreads() -> None:
    t = np.linspace(0.0, 1.0, 401) ** 3
    F = np.stack([t, 1 - t], axis=1)
    rows = thinned(F, 9)
    assert len(rows) == 9
    assert {0, 400} <= set(rows)
    gaps = np.diff(t[rows])
    assert gaps.max() / gaps.min() < 2.1  # farthest-point choice halves gaps, so a factor of two
    np.testing.assert_array_equal(thinned(F[:5], 9), np.arange(5))
    twice = np.array([[0.0, 0.0], [0.5, 0.5], [1.0, 1.0]])  # row 0 is best in both objectives
    np.testing.assert_array_equal(thinned(twice, 2), [0, 2])


@pytest.mark.parametrize("algorithm", ALGORITHMS)
def test_finds_the_known_front(algorithm: str) -> None:
    toy = Toy(maximise=False, failing=False)
    settings = SearchSettings(algorithm=algorithm, population=40)  # type: ignore[arg-type]
    last = list(islice(search(toy, settings, seed=1), 60))[-1]
    assert last.evaluations == 2400
    # Outside value moo.hv.zdt1.1.1 less the strip 0 <= f1 < 0.05 that the toy's limit forbids:
    # from 0.05 to 1 the front is 1 - sqrt(t), then the box to 1.1.
    exact = (0.1 * 0.95 + 2 / 3 * (1 - 0.05**1.5)) + 0.1 * 1.1
    assert last.hypervolume * 1.1**2 == pytest.approx(exact, rel=0.02)
    assert last.hypervolume * 1.1**2 <= exact
    assert (last.front_objectives[:, 0] >= 0.05).all()


@pytest.mark.parametrize("algorithm", ALGORITHMS)
def test_same_seed_same_generations_and_resume_from_any_state(algorithm: str) -> None:
    settings = replace(SMALL, algorithm=algorithm)  # type: ignore[arg-type]
    known = np.full((2, 5), 0.3)
    whole = list(islice(search(Toy(), settings, seed=7, initial=known), 6))
    again = list(islice(search(Toy(), settings, seed=7, initial=known), 6))
    for a, b in zip(whole, again, strict=True):
        same(a, b)
    for start in (0, 2, 4):
        resumed = islice(search(Toy(), settings, seed=99, state=whole[start].state), 5 - start)
        for a, b in zip(whole[start + 1 :], resumed, strict=True):
            same(a, b)
    step_by_step = whole[0]
    for expected in whole[1:]:
        step_by_step = next(search(Toy(), settings, seed=0, state=step_by_step.state))
        same(step_by_step, expected)
    other = next(search(Toy(), settings, seed=8))
    assert not np.array_equal(other.X[2:], whole[0].X[2:])


@pytest.mark.parametrize("algorithm", ALGORITHMS)
def test_islands_exchange_and_resume_from_any_state(algorithm: str) -> None:
    settings = SearchSettings(
        algorithm=algorithm,  # type: ignore[arg-type]
        population=12,
        islands=3,
        exchange_every=2,
        migrants=3,
    )
    whole = list(islice(search(Toy(), settings, seed=5), 6))
    assert all(len(generation.X) == 36 for generation in whole)
    for k in range(5):
        resumed = search(Toy(), settings, seed=0, state=whole[k].state)
        for again, expected in zip(islice(resumed, 5 - k), whole[k + 1 :], strict=True):
            same(again, expected)
    alone = list(islice(search(Toy(), replace(settings, exchange_every=100), seed=5), 3))
    same(alone[1], whole[1])
    assert (alone[2].X != whole[2].X).any()  # the first exchange is after the second generation


def test_the_first_island_is_the_plain_search_until_the_first_exchange() -> None:
    plain = list(islice(search(Toy(), SMALL, seed=5), 3))
    settings = replace(SMALL, islands=2, exchange_every=2)
    islands = list(islice(search(Toy(), settings, seed=5), 3))
    for k in range(2):
        np.testing.assert_array_equal(islands[k].X[:20], plain[k].X, strict=True)
    assert (islands[2].X[:20] != plain[2].X).any()


def test_an_island_takes_the_best_of_its_neighbour() -> None:
    toy = Toy()
    random = np.random.default_rng(1)
    poor, rich = (
        Population(toy, SMALL, seed=k, initial=X)
        for k, X in enumerate(random.random((2, 20, toy.n_variables)))
    )
    n = len(toy.objectives)
    spread = np.linspace(0.0, 1.0, 20)
    front = np.stack([spread, 1.0 - spread] + [np.zeros(20)] * (n - 2), axis=1)
    poor.tell(front + 1.0, np.zeros(20))
    rich.tell(front, np.zeros(20))
    given = rich.emigrants(4)
    assert len(given) == 4
    assert {0.0, 1.0} <= set(given.get("F")[:, 0])  # the ends of the front are among them
    poor.receive(given)
    poor.receive(given)  # known by now
    kept = poor.frozen().pop
    assert len(kept) == 20
    assert (kept.get("F").max(axis=1) <= 1.0).sum() == 4


def test_two_searches_at_once_do_not_disturb_each_other() -> None:
    alone = list(islice(search(Toy(), SMALL, seed=1), 4))
    one, two = search(Toy(), SMALL, seed=1), search(Toy(n_variables=3), SMALL, seed=2)
    for expected in alone:
        same(next(one), expected)
        next(two)


def test_warm_start_is_first_and_filled_up() -> None:
    known = np.array([[0.1] * 5, [0.1] * 5, [0.2] * 5, [-3.0] * 5])
    first = next(search(Toy(), SMALL, seed=1, initial=known))
    assert first.X.shape == (20, 5)
    np.testing.assert_array_equal(first.X[:3], [[0.1] * 5, [0.2] * 5, [0.0] * 5])
    assert len(np.unique(first.X, axis=0)) == 20
    many = np.random.default_rng(0).random((50, 5))
    np.testing.assert_array_equal(
        next(search(Toy(), SMALL, seed=1, initial=many)).X, many[:20], strict=True
    )
    with pytest.raises(ValueError, match=r"\(design, 5\); got \(1, 4\)"):
        next(search(Toy(), SMALL, seed=1, initial=np.zeros((1, 4))))


def test_archive_is_the_front_of_the_whole_history() -> None:
    toy = Toy()
    generations = list(islice(search(toy, SMALL, seed=5), 12))
    F = np.concatenate([g.F for g in generations])
    feasible = np.concatenate([g.feasible for g in generations])
    rows = np.flatnonzero(feasible)
    expected = rows[nondominated(minimised(F[rows], toy.objectives))]
    np.testing.assert_array_equal(generations[-1].front, expected)
    np.testing.assert_array_equal(generations[-1].front_objectives, F[expected])
    volumes = [g.hypervolume for g in generations]
    assert volumes == sorted(volumes)
    assert volumes[-1] > volumes[0]


def test_nan_and_bad_status_never_reach_the_front() -> None:
    generations = list(islice(search(Toy(), SMALL, seed=2), 10))
    hit = [(g.status != 0) | ~np.isfinite(g.F).all(axis=1) for g in generations]
    assert np.concatenate(hit).any()
    for g, bad in zip(generations, hit, strict=True):
        assert not (g.feasible & bad).any()
        assert (g.violation[bad] > 0).all()
        assert np.isfinite(g.violation).all()
        np.testing.assert_array_equal(g.feasible, g.violation == 0)
        assert np.isfinite(g.front_objectives).all()
    # the failing corner is a tenth of the cube; selection must have left it
    assert np.mean(hit[-1]) < np.mean(hit[0])


class Fixed(Toy):
    """Always the same values, whatever the design."""

    value: float = 0.5
    limit: float = -1.0

    def evaluate(self, X: np.ndarray, front: np.ndarray | None = None) -> Evaluation:
        return Evaluation(np.full((len(X), 2), self.value), np.full((len(X), 1), self.limit), {})


@pytest.mark.parametrize("algorithm", ALGORITHMS)
@pytest.mark.parametrize(
    ("value", "limit", "front"),
    [(0.5, -1.0, 1), (np.nan, -1.0, 0), (np.inf, -1.0, 0), (0.5, np.nan, 0), (0.5, np.inf, 0),
     (1e300, -1.0, 1), (0.5, 2.0, 0)],
)  # fmt: skip
def test_degenerate_values(algorithm: str, value: float, limit: float, front: int) -> None:
    problem = Fixed()
    problem.value, problem.limit = value, limit
    settings = replace(SMALL, algorithm=algorithm)  # type: ignore[arg-type]
    last = list(islice(search(problem, settings, seed=1), 4))[-1]
    assert len(last.front) == front
    assert len(last.X) == 20


def test_proposals_that_repeat_themselves_are_refilled_at_random() -> None:
    # 3 levels of 3 variables are 27 designs: 20 fill the first generation, and the rest soon
    # repeats them.
    coarse = Toy(n_variables=3, steps=2, failing=False)
    first, second = islice(search(coarse, SMALL, seed=1), 2)
    assert len(np.unique(first.X, axis=0)) == 20
    pairs = np.concatenate([first.X, second.X])
    assert len(second.X) == 7
    assert len(np.unique(pairs, axis=0)) == 27
    wide = Toy(n_variables=4, steps=3, failing=False)
    twin = replace(SMALL, shifts=1.0, largest_shift=0.0)  # children equal parents
    generations = list(islice(search(wide, twin, seed=1), 3))
    assert [len(g.X) for g in generations] == [20, 20, 20]
    assert len(np.unique(np.concatenate([g.X for g in generations[:2]]), axis=0)) == 40


def test_an_exhausted_space_ends_the_search() -> None:
    tiny = Toy(n_variables=3, steps=1, failing=False)  # 8 designs
    generations = list(search(tiny, SMALL, seed=1))
    assert [len(g.X) for g in generations] == [8]


def test_wrong_shapes_are_refused_with_their_sizes() -> None:
    class Short(Toy):
        def evaluate(self, X: np.ndarray, front: np.ndarray | None = None) -> Evaluation:
            return super().evaluate(X[:-1])

    with pytest.raises(ValueError, match=r"20 designs with 2 objectives .* \(19, 2\)"):
        next(search(Short(), SMALL, seed=1))
    with pytest.raises(ValueError, match=r"status \(2,\)"):
        Evaluation(np.zeros((3, 2)), np.zeros((3, 1)), {}, np.zeros(2, dtype=np.int64))
    with pytest.raises(ValueError, match="population is 2"):
        SearchSettings(population=2)
    with pytest.raises(ValueError, match="scale positive"):
        Objective("a", "max", 0.0, 0.0)


def test_joined_fills_what_lost_designs_lack() -> None:
    some = Evaluation(
        np.ones((2, 2)), np.zeros((2, 1)), {"a": np.ones((2, 3)), "n": np.array([4, 5])}
    )
    whole = joined([some, lost(1, 2), some])
    assert whole.F.shape == (5, 2)
    assert whole.columns["a"].shape == (5, 3)
    assert np.isnan(whole.columns["a"][2]).all()
    np.testing.assert_array_equal(whole.columns["n"], [4, 5, 0, 4, 5])
    np.testing.assert_array_equal(whole.status, [0, 0, -1, 0, 0])
    assert np.isnan(whole.G[2]).all()
