"""A two-variable study solved by brute force: the search must find at least 99 % of it.

The exhaustive front owes nothing to the search: every design of a fine grid, dominance and the
dominated area by sorting (two objectives). Only the merits are the package's.
"""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest
from numpy.typing import NDArray

from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.search.loop import search
from arrayopt.search.population import SearchSettings
from arrayopt.study.read import read_study_text
from tests.support.chain import duct

STEPS = 61
EVALUATIONS = 600
WANTED = """
objectives = [["fractional_bandwidth", "max"], ["drive_power", "min"]]
reference = { fractional_bandwidth = "0 %", drive_power = "1 mW" }
scale = { fractional_bandwidth = "10 %", drive_power = "1 mW" }
"""
VARIED = """
[fixed]
phase = "0 deg"
electrode_coverage = "67 %"
bias = "5 V"

[vary]
radius = ["400 um", "520 um"]
amplitude = ["0.2 V", "20 V"]

[target]"""
STRATEGY = """
[strategy.two]
classes = { scheme = "one" }
channels = { scheme = "one" }
"""


def two_variable_study() -> StudyEvaluator:
    """The duct study with one cell, radius and drive left to choose, two objectives."""
    text = duct().text.replace("rows = 8", "rows = 1").replace("columns = 8", "columns = 1")
    head, _, rest = text.partition("[fixed]")
    target = rest.partition("[target]")[2].partition("[reference]")[0]
    study = read_study_text(WANTED + head + VARIED + target + STRATEGY)
    return StudyEvaluator(study, study.strategies[0])


def dominated_area(wide: NDArray[np.float64], power: NDArray[np.float64], ref: float) -> float:
    """Area of bandwidth (large is good, from 0) x power (small is good, below ``ref``)."""
    order = np.argsort(power, kind="stable")
    area = best = 0.0
    for w, v in zip(wide[order], power[order], strict=True):
        if v < ref and w > best:
            area += (w - best) * (ref - v)
            best = w
    return area


@pytest.fixture(scope="module")
def exhaustive() -> float:
    evaluator = two_variable_study()
    axis = np.linspace(0.0, 1.0, STEPS)
    X = np.stack(np.meshgrid(axis, axis, indexing="ij"), axis=-1).reshape(-1, 2)
    found = evaluator.evaluate(X)
    good = (found.status == 0) & (found.G <= 0.0).all(axis=1)
    assert 0.02 < good.mean() < 0.98  # limits cut the square somewhere
    objectives = evaluator.objectives
    assert [o.sense for o in objectives] == ["max", "min"]
    unit = objectives[0].scale * objectives[1].scale
    return dominated_area(*found.F[good].T, ref=objectives[1].reference) / unit


@pytest.mark.parametrize(
    ("algorithm", "seed", "share"),
    [
        ("sms-emoa", 4, 0.99),
        pytest.param("sms-emoa", 5, 0.99, marks=pytest.mark.slow),
        # The other two leave a corner of the front out with some seeds: measured 98.4 to 99.9 %.
        ("nsga2", 4, 0.98),
        pytest.param("age-moea2", 4, 0.98, marks=pytest.mark.slow),
    ],
)
def test_search_finds_the_exhaustive_front(
    exhaustive: float, algorithm: str, seed: int, share: float
) -> None:
    evaluator = two_variable_study()
    settings = SearchSettings(algorithm=algorithm, population=40)  # type: ignore[arg-type]
    last = list(islice(search(evaluator, settings, seed=seed), EVALUATIONS // 40))[-1]
    assert last.evaluations == EVALUATIONS < STEPS**2 / 5
    wide, power = last.front_objectives.T
    reference = evaluator.objectives[1].reference
    unit = evaluator.objectives[0].scale * evaluator.objectives[1].scale
    # the search's own figure is the area of its front
    assert abs(last.hypervolume / (dominated_area(wide, power, reference) / unit) - 1.0) < 1e-9
    assert last.hypervolume >= share * exhaustive
    # and not more than a grid of 1/60 of each range can have missed
    assert last.hypervolume <= 1.03 * exhaustive
