"""M5 by wavenumber quadrature, and the pair expansion M5.9 to any order."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from arrayopt.base.arrays import Floats
from arrayopt.physics.sound import radiation as rad

Transform = Callable[[Floats], Floats]


def radiation_integral(
    first: Transform,
    second: Transform,
    *,
    ka: float,
    ratio: float = 1.0,
    spacing: float = 0.0,
    cutoff: float = 200.0,
    panel: float = 1.0,
) -> complex:
    """Self or mutual impedance of any profiles, ``(R + j X) / (rho0 c pi a b)`` (M5.4, M5.8).

    ``first, second``: Hankel transforms over the own disc's area, of wavenumber times *own* radius;
    ``ratio, spacing``: second radius and distance over the first radius. Clamped shapes fall as
    kappa^-7 beyond the ``cutoff`` of the evanescent part: 200 leaves 1e-12; a piston, kappa^-3,
    needs thousands. ``panel``: width of one 10-point panel over the larger of the lengths.
    """
    extent = max(1.0, ratio, spacing / 2.0)

    def integrand(u: Floats) -> Floats:
        value = first(u) * second(ratio * u)
        return value * special.j0(spacing * u) if spacing else value

    # u = ka sin t removes the singularity of the propagating part (R) ...
    t, w = _panels(np.pi / 2, math.ceil(ka * extent / panel) + 1)
    resistance = float(np.sum(w * integrand(ka * np.sin(t)) * np.sin(t)))
    # ... and u^2 = (ka)^2 + s^2 that of the evanescent part (X): u du / sqrt(u^2-(ka)^2) = ds
    s, w = _panels(cutoff, math.ceil(cutoff * extent / panel) + 1)
    reactance = float(np.sum(w * integrand(np.hypot(ka, s))))
    # each transform carries its disc's area: pi a^2 pi b^2 k^2 / (2 pi) = pi a b ka kb / 2
    return 0.5 * ratio * ka * complex(ka * resistance, reactance)


def _panels(stop: float, count: int) -> tuple[Floats, Floats]:
    """Nodes and weights of equal 10-point Gauss-Legendre panels from 0."""
    x, w = np.polynomial.legendre.leggauss(10)
    half = 0.5 * stop / count
    middle = half * (2.0 * np.arange(count) + 1.0)[:, None]
    return (middle + half * x).ravel(), np.tile(half * w, count)


def self_impedance(
    shape: ArrayLike,
    *,
    radius: ArrayLike = 1.0,
    wavenumber: ArrayLike,
    density: float = 1.0,
    sound_speed: float = 1.0,
    other: ArrayLike | None = None,
) -> tuple[Floats, Floats]:
    """R and X of one side (N s/m): the package's series up to ka = 4, quadrature beyond."""
    left = np.asarray(shape, dtype=float)
    right = left if other is None else np.asarray(other, dtype=float)
    a = np.asarray(radius, dtype=float)
    ka = a * np.asarray(wavenumber, dtype=float)
    series = rad.impedance_series(left, other=right)
    resistance, reactance, status = rad.impedance_from_series(ka, *series)
    for at in map(tuple, np.argwhere(status)):
        row, column = (np.broadcast_to(x, (*status.shape, x.shape[-1]))[at] for x in (left, right))
        u = float(np.broadcast_to(ka, status.shape)[at])
        z = radiation_integral(*(partial(rad.hankel_transform, x) for x in (row, column)), ka=u)
        resistance[at], reactance[at] = z.real, z.imag
    scale = density * sound_speed * np.pi * a * a
    return scale * resistance, scale * reactance


def pair_impedance(
    first: ArrayLike, second: ArrayLike, *, ka: float, ratio: float, spacing: float
) -> complex:
    """Exact mutual impedance of two discs of radii 1 and ``ratio``, rho = c = 1 (M5.8)."""
    transforms = (partial(rad.hankel_transform, x) for x in (first, second))
    return math.pi * ratio * radiation_integral(*transforms, ka=ka, ratio=ratio, spacing=spacing)


def mutual_matrix(
    position: ArrayLike,
    shape: ArrayLike,
    *,
    radius: ArrayLike,
    frequency: float,
    density: float = 1.0,
    sound_speed: float = 1.0,
    order: int = 2,
) -> NDArray[np.complex128]:
    """Mutual impedances (cell, cell) of an array by M5.9 (N s/m); zero on the diagonal."""
    xy = np.asarray(position, dtype=float)
    a = np.broadcast_to(np.asarray(radius, dtype=float), len(xy))
    w = 2.0 * np.pi * frequency
    k = w / sound_speed
    q = np.broadcast_to(rad.directivity_series(shape), (len(xy), rad.DIRECTIVITY_TERMS))
    n = np.arange(q.shape[1])
    t = [
        np.pi * a ** (2 + 2 * j)
        * (special.comb(n, j) * q * (k * a[:, None]) ** (2 * np.maximum(n - j, 0))).sum(axis=1)
        for j in range(order + 1)
    ]  # fmt: skip
    d = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(d, np.inf)
    # reverse Bessel polynomials: ((1/R) d/dR)^n e^(-jkR)/R = (-1/R^2)^n p_n(jkR) e^(-jkR)/R
    turn = 1j * k * np.where(np.isinf(d), 0.0, d)
    p: list[Any] = [1.0, 1.0 + turn]
    total = np.zeros(d.shape, dtype=complex)
    for m in range(order + 1):
        if m > 1:
            p.append((2 * m - 1) * p[-1] + turn**2 * p[-2])
        pairs = sum(np.outer(t[j], t[m - j]) for j in range(m + 1))
        odd = special.factorial2(2 * m - 1) if m else 1.0
        total += odd * pairs * (-1.0 / d**2) ** m * p[m] * np.exp(-turn) / (2.0 * np.pi * d)
    return np.asarray(1j * w * density * total)
