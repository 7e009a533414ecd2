"""Small operations on rows, where slices and sorts of arrays would take long to compile."""

from __future__ import annotations

from arrayopt.base.arrays import Floats
from arrayopt.physics.numerics.compiled import inner


@inner
def put(to: Floats, of: Floats) -> None:
    """Copy row ``of`` to row ``to``, which is as long."""
    for i in range(to.size):
        to[i] = of[i]


@inner
def ascend(row: Floats) -> None:
    """Sort a short row, or one that is all but ascending."""
    for i in range(1, row.size):
        x, k = row[i], i
        while k > 0 and row[k - 1] > x:
            row[k] = row[k - 1]
            k -= 1
        row[k] = x


@inner
def insert(row: Floats, n: int, new: Floats) -> None:
    """Sort new values into the first n of a row; both ascending."""
    k, i = new.size - 1, n - 1
    while k >= 0:
        if i < 0 or new[k] > row[i]:
            row[i + k + 1] = new[k]
            k -= 1
        else:
            row[i + k + 1] = row[i]
            i -= 1
