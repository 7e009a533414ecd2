"""Analytic problems with known fronts for the tests of search, workers and run."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.search.problem import Evaluation
from arrayopt.study.model import Objective

# Zitzler, Deb & Thiele, Evolutionary Computation 8 (2000) 173: ZDT1, front f2 = 1 - sqrt(f1).
ZDT1 = (Objective("die_area", "min", 1.1, 1.1), Objective("peak_pressure", "min", 1.1, 1.1))


def zdt1(X: Floats) -> Floats:
    """ZDT1's two objectives, shape (design, 2)."""
    first = X[:, 0]
    g = 1.0 + 9.0 * X[:, 1:].mean(axis=1)
    return np.stack([first, g * (1.0 - np.sqrt(first / g))], axis=1)


@dataclass
class Toy:
    """ZDT1 with one limit, a maximised twin of the second objective, and a failing corner."""

    n_variables: int = 5
    maximise: bool = True
    steps: int = 0
    failing: bool = True
    objectives: tuple[Objective, ...] = field(default=ZDT1)

    def __post_init__(self) -> None:
        if self.maximise:
            # the second objective turned round: 2 - f2, wanted large
            self.objectives = (ZDT1[0], Objective("peak_pressure", "max", 0.9, 1.1))

    @property
    def families(self) -> Sequence[np.ndarray]:
        return tuple(np.arange(self.n_variables)[:, None])

    def repair(self, X: Floats) -> Floats:
        return np.round(X * self.steps) / self.steps if self.steps else X

    def evaluate(self, X: Floats, front: Floats | None = None) -> Evaluation:
        F = zdt1(X)
        if self.maximise:
            F[:, 1] = 2.0 - F[:, 1]
        status = np.zeros(len(X), dtype=np.int64)
        if self.failing:
            bad = X[:, 1] > 0.9
            status[bad] = 4
            F[bad, 0] = np.nan
            F[X[:, 2] > 0.95, 1] = np.inf  # not finite, yet called good
        limit = 0.05 - X[:, 0]
        return Evaluation(
            F, limit[:, None], {"drive_power": X.sum(axis=1), "pressure": X[:, :3]}, status
        )


def build(text: str) -> Callable[[str, Floats], Evaluation]:
    """What a worker makes of the study text: here the text only selects faults."""
    toy = Toy()

    def evaluate(strategy: str, X: Floats, front: Floats | None = None) -> Evaluation:
        words = text.split()
        if "memory" in words and len(X) > 3:
            raise MemoryError
        if "hog" in words and (X[:, 0] > 0.5).any():
            raise MemoryError
        if "die-once" in words:
            mark = words[words.index("die-once") + 1]
            if not os.path.exists(mark):
                with open(mark, "w", encoding="utf-8"):
                    pass
                os.kill(os.getpid(), signal.SIGKILL)
        if "die-always" in words and (X[:, 0] > 0.9).any():
            os.kill(os.getpid(), signal.SIGKILL)
        if "wrong" in words:
            raise ZeroDivisionError("invented")
        return toy.evaluate(X)

    return evaluate
