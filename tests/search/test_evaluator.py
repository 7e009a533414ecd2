"""A study as the search sees it: what it says of a design owes nothing to the designs beside it."""

from __future__ import annotations

import numpy as np

from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.study.read import read_study_text
from tests.support.tiny_study import tiny_text


def test_values_do_not_depend_on_the_batch() -> None:
    """In one piece and one by one, to the bit: workers and clusters divide batches as they like."""
    study = read_study_text(tiny_text())
    evaluator = StudyEvaluator(study, study.strategies[0])
    X = np.random.default_rng(5).random((24, evaluator.n_variables))
    whole, parts = evaluator.evaluate(X), [evaluator.evaluate(x[None]) for x in X]
    for name, values in whole.columns.items():
        np.testing.assert_array_equal(values, np.concatenate([p.columns[name] for p in parts]))
    np.testing.assert_array_equal(whole.G, np.concatenate([p.G for p in parts]))
