"""Copies of rows, where slices of arrays would take long to compile."""

from __future__ import annotations

from arrayopt.base.arrays import Floats
from arrayopt.physics.numerics.compiled import inner


@inner
def put(to: Floats, of: Floats) -> None:
    """Copy row ``of`` to row ``to``, which is as long."""
    for i in range(to.size):
        to[i] = of[i]
