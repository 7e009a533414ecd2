"""A small run of two strategies for the tests of run directories and resuming."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from arrayopt.runs.kept.identity import RunIdentity
from arrayopt.runs.run import Budget, Outcome, Task, run_tasks
from arrayopt.search.population import SearchSettings
from tests.support.toy_problem import Toy

IDENTITY = RunIdentity(
    study="invented = true", digest="0123", seed=11, strategies=("alpha", "beta"),
    settings={"population": 8}, versions={"arrayopt": "0.1.0"},
)  # fmt: skip


def run_toy(
    directory: Path,
    *,
    evaluations: int = 24,
    identity: RunIdentity = IDENTITY,
    wrap: Callable[[str, Toy], Any] = lambda name, toy: toy,
    **options: Any,
) -> Outcome:
    """A small run of two strategies; ``wrap`` may replace their evaluators."""
    tasks = [
        Task(name, wrap(name, Toy(n_variables=3 + k)), initial=np.full((1, 3 + k), 0.4))
        for k, name in enumerate(identity.strategies)
    ]
    options.setdefault("budget", Budget(evaluations=evaluations))
    return run_tasks(tasks, directory, identity, settings=SearchSettings(population=8), **options)
