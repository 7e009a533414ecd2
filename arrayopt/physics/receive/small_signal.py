"""The array as a receiver at small signal, every cell coupled to every other one (M14.1, M14.2)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Complex, Floats, Ints
from arrayopt.physics.intime.flow_kernel import (
    DECAY,
    DETUNE,
    PULL,
    ChipArrays,
    cell_row,
    coupling_matrix,
    neck_row,
    weight_term,
)
from arrayopt.physics.numerics.compiled import kernel
from arrayopt.physics.numerics.lanes import LANES

LARGEST = 2**20
"""Most elements of the matrices that are solved at once (16 MiB)."""


class Receiver(NamedTuple):
    """Chips with all electrodes in parallel, short-circuited; (lane, frequency), e^{+jwt}."""

    charge: Complex
    """Per pressure of a wave from the target's direction, as it acts on a rigid wall [C/Pa]."""
    motional: Complex
    """What the moving cells take up per volt, beside the film's own capacitance [C/V]."""


def receiver(arrays: ChipArrays, design: int, first: int, push: Floats, w: Floats) -> Receiver:
    """Small-signal response of as many chips as there are lanes.

    Parameters
    ----------
    arrays : ChipArrays
        Springs are taken as linear; drive and steering are left out.
    design, first : of the first chip in ``arrays``.
    push : (lane, cell): force per volt [N/V], which is also charge per displacement [C/m].
    w : (frequency,) [rad/s].

    Returns
    -------
    Receiver
        Exact up to rounding for one mode a cell (M9.4), ka below 4. NaN of chips whose coefficients
        are. A chip's values at a frequency depend on nothing else.
    """
    cells = push.shape[1]
    out = Receiver(*np.full((2, LANES, w.size), np.nan + 0j))
    at_once = max(LARGEST // cells**2, 1)
    for lane in range(0, LANES, at_once):
        some = range(lane, min(lane + at_once, LANES))
        good = np.array([c for c in some if np.isfinite(push[c]).all()], dtype=np.int64)
        for k, omega in enumerate(w if good.size else ()):
            operator, weight = _operators(arrays, design, first + good, omega)
            moved = np.linalg.solve(operator, push[good].astype(np.complex128)[..., None])[..., 0]
            out.charge[good, k] = (weight * moved).sum(axis=1)
            out.motional[good, k] = (push[good] * moved).sum(axis=1)
    return out


@kernel
def _operators(
    a: ChipArrays, d: int, chip: Ints, w: float
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Force per displacement of some chips (chip, cell, cell) [N/m], volume heard (chip, cell)."""
    cells, chips = a.nominal.shape[1], chip.size
    operator = np.empty((chips, cells, cells), dtype=np.complex128)
    weight = np.empty((chips, cells), dtype=np.complex128)
    between, neck = coupling_matrix(a, d, w), neck_row(a, w)
    for i in range(cells):
        re, im = weight_term(a, d, i, w)
        for n in range(chips):
            c = chip[n]
            s = a.strength[d, c, i]
            row = cell_row(a, d, c, i, w, 1.0, neck)
            scale = row[PULL] / (s * s)
            weight[n, i] = complex(s * re, s * im)
            for j in range(cells):
                operator[n, i, j] = s * a.strength[d, c, j] * between[i, j]
            operator[n, i, i] = complex(row[DETUNE] / scale, -row[DECAY] / scale)
    return operator, weight
