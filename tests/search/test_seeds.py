"""Closed-form seeds: near the centre frequency, driven within limits, the same for any count."""

from __future__ import annotations

import numpy as np
import pytest

from arrayopt.design.designs import DesignSpace
from arrayopt.models.cells import build_cells
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.search.seeds import BELOW, DRIVE, seed_vectors
from arrayopt.study.read import read_study
from tests.support.paths import STUDIES


@pytest.mark.parametrize("folder", ["duct-flow-meter", "dock-rangefinder"])
@pytest.mark.parametrize("name", ["uniform-nonlinear", "overlapping-radii", "combined"])
def test_seeds_are_centred_and_driven_as_the_limits_ask(folder: str, name: str) -> None:
    study = read_study(STUDIES / folder)
    strategy = study.strategy(name)
    X = seed_vectors(study, strategy, 30)
    assert X.shape == (30, DesignSpace(study, strategy).n_variables)
    np.testing.assert_array_equal(seed_vectors(study, strategy, 10), X[:10])
    designs = DesignSpace(study, strategy).decode(X)
    cells = build_cells(designs, study)
    low, high = study.target.centre_frequency
    inside = (cells.natural_frequency > 0.8 * low) & (cells.natural_frequency < 1.2 * high)
    assert inside.mean() > 0.9
    drive = (designs.drive_amplitude / cells.onset).max(axis=1)
    low, high = BELOW if name == "overlapping-radii" else DRIVE
    least, most = 0.5 * low, 1.05 * high
    assert (drive > least).all()
    assert (drive < most).all()
    evaluation = StudyEvaluator(study, strategy).evaluate(X[:12])
    kept = (evaluation.status == 0) & (evaluation.G <= 0.0).all(axis=1)
    assert kept.sum() >= 2
