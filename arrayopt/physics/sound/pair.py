"""M5.9: mutual radiation of two diaphragms in one baffle, to the second order.

Within 0.2 % of the exact impedance at touching up to ka = 1 (M5.10), good up to ka = 8; the discs
must not overlap.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from arrayopt.physics.numerics.compiled import inner

Array = NDArray[np.float64]


@inner
def strengths(radius: Array, transform: Array, k: float, out: Array) -> None:
    """t_j = (1/j!) d^j Q/d(kappa^2)^j at k (rad/m) of every group, j = 0 to 2 (m^(2 + 2j)).

    ``radius`` (group,) in m; ``transform`` (group, term), see `radiation.directivity_series`;
    ``out`` (group, 3).
    """
    for g in range(radius.shape[0]):
        a2 = radius[g] ** 2
        x = k * k * a2
        t0 = t1 = t2 = 0.0
        for n in range(transform.shape[1] - 1, -1, -1):
            t0 = t0 * x + transform[g, n]
            if n >= 1:
                t1 = t1 * x + n * transform[g, n]
            if n >= 2:
                t2 = t2 * x + 0.5 * n * (n - 1) * transform[g, n]
        area = np.pi * a2
        out[g, 0], out[g, 1], out[g, 2] = area * t0, area * a2 * t1, area * a2 * a2 * t2


@inner
def paths(distance: Array, scale: float, k: float, factor: float, re: Array, im: Array) -> None:
    """``factor`` (2n-1)!! ((1/R) d/dR)^n e^(-jkR)/(2 pi R), n = 0 to 2, for every distance R.

    ``distance`` (pair class,) in units of ``scale`` m, above 0; ``re, im`` (3, pair class).
    """
    for u in range(distance.size):
        r = distance[u] * scale
        y = k * r
        lead = factor / (2.0 * np.pi * r)
        e_re, e_im = lead * np.cos(y), -lead * np.sin(y)
        one, two = -1.0 / (r * r), 3.0 / (r * r * r * r)
        re[0, u], im[0, u] = e_re, e_im
        re[1, u], im[1, u] = one * (e_re - y * e_im), one * (e_im + y * e_re)
        real, imag = 3.0 - y * y, 3.0 * y
        re[2, u] = two * (real * e_re - imag * e_im)
        im[2, u] = two * (real * e_im + imag * e_re)


@inner
def pair_term(
    t: Array, v: Array, weight: float, re: Array, im: Array, u: int
) -> tuple[float, float]:
    """Sum over the orders of M5.9, times ``weight``, of cells of strengths t and v, distance u."""
    p0 = weight * t[0] * v[0]
    p1 = weight * (t[0] * v[1] + t[1] * v[0])
    p2 = weight * (t[0] * v[2] + t[1] * v[1] + t[2] * v[0])
    return (
        p0 * re[0, u] + p1 * re[1, u] + p2 * re[2, u],
        p0 * im[0, u] + p1 * im[1, u] + p2 * im[2, u],
    )
