"""M9.3 about a state: operator, Jacobian and growth rates, from the compiled coefficients."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats
from arrayopt.physics.coupled.newton import CoupledArrays, set_frequency, workspace


class LinearPart(NamedTuple):
    """M9.3 at one frequency of one design; arrays over sites."""

    operator: NDArray[np.complex128]
    """(site, site): d + j l on the diagonal, and j w Z summed over each source site's cells."""
    force: NDArray[np.complex128]
    inertia: Floats
    """2 w m_eff (kg/s)."""
    cubic: Floats


def linear_part(arrays: CoupledArrays, *, design: int, frequency: float) -> LinearPart:
    """The coupled equations' linear operator and drive at a frequency [Hz]."""
    sites = arrays.site_group.size
    s = workspace(sites, arrays.mass.shape[1], arrays.distance.size)
    set_frequency(arrays, design, 2.0 * np.pi * frequency, s)
    operator = (s.c_re + 1j * s.c_im).T.copy()
    operator[np.diag_indices(sites)] += s.detuning + 1j * s.loss
    force = s.force[:sites] + 1j * s.force[sites:]
    return LinearPart(operator, force, s.inertia, arrays.cubic[design, arrays.site_group])


def jacobian(part: LinearPart, state: NDArray[np.complex128]) -> Floats:
    """Real Jacobian (2 site, 2 site) of M9.3's left side at a state (site,)."""
    stiff = part.operator + np.diag(1.5 * part.cubic * np.abs(state) ** 2)
    twist = np.diag(0.75 * part.cubic * state**2)
    return np.block(
        [
            [(stiff + twist).real, (twist - stiff).imag],
            [(stiff + twist).imag, (stiff - twist).real],
        ]
    )


def growth_rates(part: LinearPart, state: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Eigenvalues of the slow flow about a state, largest real part first (M9.4).

    Stable where every real part is negative; arrays without symmetry reduction also show what
    breaks the symmetry.
    """
    J = jacobian(part, state)
    n = len(state)
    # A' = -j (F - ...)/(2 w m): the perturbation obeys v' = j J v / (2 w m)
    flow = np.vstack([-J[n:], J[:n]]) / np.tile(part.inertia, 2)[:, None]
    rates = np.linalg.eigvals(flow)
    return np.asarray(rates[np.argsort(-rates.real)])
