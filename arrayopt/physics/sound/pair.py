"""M5.9: mutual radiation of two diaphragms in one baffle, to the second order.

Within 0.2 % of the exact impedance at touching up to ka = 1 (M5.10), good up to ka = 8; the discs
must not overlap.
"""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.physics.numerics.compiled import inner


@inner
def strengths(radius: Floats, transform: Floats, k: float, out: Floats) -> None:
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
def paths(distance: Floats, scale: float, k: float, factor: float, out: Floats) -> None:
    """``factor`` (2n-1)!! ((1/R) d/dR)^n e^(-jkR)/(2 pi R), n = 0 to 2, for every distance R.

    ``distance`` (pair class,) in units of ``scale`` m, above 0; ``out`` (pair class, 6): real and
    imaginary parts in turn.
    """
    for u in range(distance.size):
        r = distance[u] * scale
        y = k * r
        lead = factor / (2.0 * np.pi * r)
        re, im = lead * np.cos(y), -lead * np.sin(y)
        one, two = -1.0 / (r * r), 3.0 / (r * r * r * r)
        out[u, 0], out[u, 1] = re, im
        out[u, 2], out[u, 3] = one * (re - y * im), one * (im + y * re)
        real, imag = 3.0 - y * y, 3.0 * y
        out[u, 4], out[u, 5] = two * (real * re - imag * im), two * (real * im + imag * re)


@inner
def pair_term(t: Floats, i: int, j: int, weight: float, path: Floats) -> tuple[float, float]:
    """Sum over the orders of M5.9, times ``weight``, for rows i and j of `strengths`."""
    p0 = weight * t[i, 0] * t[j, 0]
    p1 = weight * (t[i, 0] * t[j, 1] + t[i, 1] * t[j, 0])
    p2 = weight * (t[i, 0] * t[j, 2] + t[i, 1] * t[j, 1] + t[i, 2] * t[j, 0])
    return (
        p0 * path[0] + p1 * path[2] + p2 * path[4],
        p0 * path[1] + p1 * path[3] + p2 * path[5],
    )
