"""What a search needs to know of a problem: its objectives and what one evaluated batch returns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.study.model import Objective

EVALUATION_LOST = -1
"""The evaluation was tried alone and still ran out of memory or killed its process."""


def minimised(F: Floats, objectives: Sequence[Objective]) -> Floats:
    """Objectives turned so that less is better, 0 is one scale past the reference, 1 the reference.

    Parameters
    ----------
    F : array, shape (design, objective)
        Objectives in their own senses and units.
    objectives : sequence of Objective

    Returns
    -------
    array, shape (design, objective)
        Dimensionless; not a number where F is not.
    """
    sign = np.array([1.0 if o.sense == "min" else -1.0 for o in objectives])
    reference = np.array([o.reference for o in objectives])
    scale = np.array([o.scale for o in objectives])
    return np.asarray(1.0 + sign * (F - reference) / scale, dtype=np.float64)


@dataclass(frozen=True)
class Evaluation:
    """Everything computed about one batch of designs.

    Parameters
    ----------
    F : array, shape (design, objective)
        Objectives in their own senses and units; anything, even nan, where status is not 0.
    G : array, shape (design, limit)
        Limits, kept where g <= 0; dimensionless, of comparable size (relative margins). A design
        that breaks one may have nan in others and in F.
    columns : mapping of str to array, shape (design, ...)
        Everything else to be kept, by its name in the glossary of quantities.
    status : integer array, shape (design,)
        0 where the values may be trusted.
    """

    F: Floats
    G: Floats
    columns: Mapping[str, NDArray[np.generic]] = field(default_factory=dict)
    status: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    def __post_init__(self) -> None:
        n = len(self.F)
        if len(self.status) == 0 and n > 0:
            object.__setattr__(self, "status", np.zeros(n, dtype=np.int64))
        wrong = [
            f"{name} {np.shape(value)}"
            for name, value in {"G": self.G, "status": self.status, **self.columns}.items()
            if np.ndim(value) == 0 or len(value) != n
        ]
        if np.ndim(self.F) != 2 or np.ndim(self.G) != 2 or wrong:
            raise ValueError(
                f"an evaluation of {n} designs must have F and G of two axes and {n} rows in "
                f"everything; F has shape {np.shape(self.F)}, G {np.shape(self.G)}"
                + (f", and these differ: {', '.join(wrong)}" if wrong else "")
            )


class Evaluator(Protocol):
    """A problem as the search sees it: vectors in 0..1 in, objectives and limits out."""

    @property
    def n_variables(self) -> int:
        """Length of a design vector."""

    @property
    def objectives(self) -> Sequence[Objective]:
        """What is wanted, in the order of the columns of ``Evaluation.F``."""

    @property
    def families(self) -> Sequence[Ints]:
        """Variables that are one quantity of one part after the other; all, each in one family."""

    def repair(self, X: Floats) -> Floats:
        """Nearest vectors that stand for themselves, so that one design has one vector.

        Must leave its own result unchanged; shape (design, variable) in and out.
        """

    def evaluate(self, X: Floats, front: Floats | None = None) -> Evaluation:
        """Evaluate designs given as rows of X, shape (design, variable).

        ``front`` (member, objective): objectives that are known, in their own senses and units. A
        design that they dominate need not be computed to the end; its status then says so.
        """


def joined(parts: Sequence[Evaluation]) -> Evaluation:
    """Evaluations of consecutive batches as one.

    A column that a batch lacks because its designs were lost is filled with nan (0 for integers,
    false, empty text); its status says so.
    """
    if len(parts) == 1:
        return parts[0]
    names = list(dict.fromkeys(name for part in parts for name in part.columns))
    columns: dict[str, NDArray[np.generic]] = {}
    for name in names:
        have = [np.asarray(part.columns[name]) for part in parts if name in part.columns]
        tail, kind = have[0].shape[1:], np.result_type(*have)
        fill = np.zeros(1, kind) if kind.kind not in "fc" else np.full(1, np.nan, kind)
        columns[name] = np.concatenate(
            [
                np.asarray(part.columns[name])
                if name in part.columns
                else np.broadcast_to(fill.reshape((1,) * (1 + len(tail))), (len(part.F), *tail))
                for part in parts
            ]
        )
    widest = max(part.G.shape[1] for part in parts)
    return Evaluation(
        np.concatenate([part.F for part in parts]),
        np.concatenate(
            [
                part.G if part.G.shape[1] == widest else np.full((len(part.F), widest), np.nan)
                for part in parts
            ]
        ),
        columns,
        np.concatenate([part.status for part in parts]),
    )


def lost(n: int, n_objectives: int) -> Evaluation:
    """The evaluation of designs about which nothing could be computed."""
    return Evaluation(
        np.full((n, n_objectives), np.nan),
        np.zeros((n, 0)),
        {},
        np.full(n, EVALUATION_LOST, dtype=np.int64),
    )
