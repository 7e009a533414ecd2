"""The prediction of `check`: bounded, and honest about what was not timed."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest

from arrayopt.runs.predict import predict
from arrayopt.study.read import read_study_text

ROOT = Path(__file__).parent.parent.parent
DUCT = (ROOT / "studies" / "duct-flow-meter" / "study.toml").read_text(encoding="utf-8")


@pytest.mark.slow
def test_a_study_too_slow_to_time_gets_a_lower_bound() -> None:
    text = re.sub(r"rows = 8\ncolumns = 8", "rows = 32\ncolumns = 32", DUCT)
    text = text.replace('die = ["10 mm", "10 mm"]', 'die = ["50 mm", "50 mm"]')
    assert "columns = 32" in text
    begun = time.monotonic()
    forecast = predict(read_study_text(text), evaluations=1000, workers=1, trial_seconds=3.0)
    assert time.monotonic() - begun < 600.0
    assert forecast.time_text.startswith("at least ")
    assert all(plan.trial.set_up > 0.0 for plan in forecast.strategies)
    slow = [plan for plan in forecast.strategies if plan.trial.described is None]
    assert slow
    for plan in slow:
        assert any(sentence.startswith(f"{plan.name}: ") for sentence in forecast.grounds)
