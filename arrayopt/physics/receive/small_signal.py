"""The array as a receiver at small signal, every cell coupled to every other one (M14.1, M14.2)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from arrayopt.base.arrays import Complex, Floats
from arrayopt.physics.intime.flow_kernel import ChipArrays, cell_operators, coupling_matrix


class Receiver(NamedTuple):
    """A chip with all electrodes in parallel, short-circuited; (frequency,), e^{+jwt}."""

    charge: Complex
    """Per pressure of a wave from the target's direction, as it acts on a rigid wall [C/Pa]."""
    motional: Complex
    """What the moving cells take up per volt, beside the film's own capacitance [C/V]."""


def receiver(arrays: ChipArrays, design: int, chip: int, push: Floats, w: Floats) -> Receiver:
    """Small-signal response of one chip.

    Parameters
    ----------
    arrays : ChipArrays
        Springs are taken as linear; drive and steering are left out.
    design, chip : which one in ``arrays``.
    push : (cell,): force per volt [N/V], which is also charge per displacement [C/m].
    w : (frequency,) [rad/s].

    Returns
    -------
    Receiver
        Exact up to rounding for one mode a cell (M9.4), ka below 4. Inputs must be finite.
    """
    charge, motional = np.empty(w.size, np.complex128), np.empty(w.size, np.complex128)
    strength, own = arrays.strength[design, chip], np.arange(push.size)
    eta = push.astype(np.complex128)
    for k, omega in enumerate(w):
        alone, weight = cell_operators(arrays, design, chip, omega)
        operator = strength[:, None] * coupling_matrix(arrays, design, omega) * strength
        operator[own, own] = alone
        moved = np.linalg.solve(operator, eta)
        charge[k], motional[k] = (weight * moved).sum(), (push * moved).sum()
    return Receiver(charge, motional)
