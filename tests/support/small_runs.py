"""Small real runs of the shipped duct study, made once for all tests of readers of results."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache, partial
from pathlib import Path

from arrayopt.runs.run import Budget, Task, run_tasks
from arrayopt.runs.study_run import identity
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.search.population import SearchSettings
from arrayopt.search.seeds import seed_vectors
from arrayopt.study.model import Study
from arrayopt.study.read import read_study_text
from tests.support.paths import STUDIES

STUDY = STUDIES / "duct-flow-meter" / "study.toml"
POPULATION = 20


def study_text(*changes: tuple[str, str]) -> str:
    """The study's text with four cells, a small population and other changes (old, new)."""
    text = STUDY.read_text(encoding="utf-8")
    small = (
        ("rows = 8", "rows = 2"),
        ("columns = 8", "columns = 2"),
        ("count = 8", "count = 2"),
        ("population = 50", f"population = {POPULATION}\nseeded_designs = 8"),
        ("front_size = 40", "front_size = 12"),
    )
    for old, new in (*small, *changes):
        assert old in text, old
        text = text.replace(old, new)
    return text


def run_small(
    folder: Path, *, seed: int, evaluations: int = 60, changes: tuple[tuple[str, str], ...] = ()
) -> Study:
    """Search in this process, without workers."""
    study = read_study_text(study_text(*changes))
    settings = SearchSettings(population=POPULATION)
    tasks = []
    for strategy in study.strategies:
        evaluator = StudyEvaluator(study, strategy)
        tasks.append(
            Task(
                strategy.name,
                evaluator,
                initial=seed_vectors(study, strategy, study.search.seeds),
                describe=partial(StudyEvaluator.describe, evaluator),
            )
        )
    run_tasks(
        tasks,
        folder,
        identity(study, seed, settings),
        budget=Budget(evaluations=evaluations),
        settings=settings,
        front_size=study.search.front_size,
    )
    return study


@cache
def runs() -> tuple[Path, Path, Path]:
    """Three runs of one study with seeds 1, 2, 3; the third twice as long. Not to be changed."""
    place = Path(tempfile.mkdtemp(prefix="small-runs-"))
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    for seed in (1, 2, 3):
        run_small(place / f"seed{seed}", seed=seed, evaluations=120 if seed == 3 else 60)
    return place / "seed1", place / "seed2", place / "seed3"
