"""M5.8 to M5.10: mutual radiation of separate diaphragms in one baffle, exact and for arrays."""

from __future__ import annotations

import math
from enum import IntFlag
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.physics.sound.radiation import (
    DIRECTIVITY_LIMIT,
    Array,
    directivity_series,
    hankel_transform,
    radiation_integral,
)

ComplexArray = NDArray[np.complex128]

DEFAULT_ORDER = 2
"""Terms kept after the leading one: within 1 % of Z at touching up to ka = 1 (docs, M5.10)."""


class MutualStatus(IntFlag):
    """What makes a pair's mutual impedance unusable."""

    OK = 0
    OVERLAP = 1
    """The discs overlap: the expansion needs a spacing above the sum of the radii."""
    KA_RANGE = 2
    """ka above 8 for one of the cells: too few terms of the Hankel transform's series."""


def mutual_impedance(
    first: ArrayLike,
    second: ArrayLike,
    *,
    first_radius: float,
    second_radius: float,
    spacing: float,
    wavenumber: float,
    density: float,
    sound_speed: float,
    cutoff: float = 200.0,
    panel: float = 1.0,
) -> complex:
    """Mutual radiation impedance of two diaphragms by the full wavenumber integral (M5.8).

    Parameters
    ----------
    first, second : array (basis,)
        Shapes, see `radiation.hankel_transform`.
    first_radius, second_radius, spacing : float
        Radii and distance of the centres [m].
    wavenumber, density, sound_speed : float
        [rad/m], [kg/m3], [m/s].
    cutoff, panel : float
        Of `radiation.radiation_integral`, for refinement studies.

    Returns
    -------
    complex
        Force on one over the centre velocity of the other [N s/m], exp(+j omega t).

    Raises
    ------
    ValueError
        If the discs overlap.
    """
    if spacing < first_radius + second_radius:
        raise ValueError(
            f"spacing {spacing:g} m is below the sum of the radii, "
            f"{first_radius:g} m and {second_radius:g} m."
        )
    z = radiation_integral(
        partial(hankel_transform, first),
        partial(hankel_transform, second),
        ka=wavenumber * first_radius,
        ratio=second_radius / first_radius,
        spacing=spacing / first_radius,
        cutoff=cutoff,
        panel=panel,
    )
    return density * sound_speed * math.pi * first_radius * second_radius * z


def source_strengths(
    shape: ArrayLike, *, radius: ArrayLike, wavenumber: ArrayLike, order: int = DEFAULT_ORDER
) -> Array:
    """Taylor coefficients of Q in kappa^2 about k^2: a cell's part of M5.9.

    Parameters
    ----------
    shape : array (..., basis)
        Coefficients.
    radius, wavenumber : array (...)
        [m], [rad/m]; all leading axes broadcast.
    order : int
        Highest coefficient.

    Returns
    -------
    array (..., order + 1)
        t_j [m^(2 + 2j)]; t_0 = Q(k). Good up to ka = 8.
    """
    q_n = directivity_series(shape)
    a = np.asarray(radius, dtype=np.float64)
    ka2 = np.square(a * np.asarray(wavenumber, dtype=np.float64))
    columns = []
    for j in range(order + 1):
        total = np.zeros(np.broadcast_shapes(ka2.shape, q_n.shape[:-1]))
        for n in range(q_n.shape[-1] - 1, j - 1, -1):
            total = np.asarray(total * ka2 + math.comb(n, j) * q_n[..., n])
        columns.append(np.pi * a ** (2 + 2 * j) * total)
    return np.stack(columns, axis=-1)


def propagation(
    position: ArrayLike, *, wavenumber: float, order: int = DEFAULT_ORDER
) -> ComplexArray:
    """Geometry's part of M5.9, shared by all designs with the same positions.

    Parameters
    ----------
    position : array (..., cell, 2)
        Centres [m].
    wavenumber : float
        [rad/m].
    order : int
        Highest term.

    Returns
    -------
    complex array (..., order + 1, cell, cell)
        ``(2n-1)!! ((1/R) d/dR)^n e^(-jkR)/(2 pi R)`` [m^-(1+2n)]; n = 0 is the leading term
        ``e^(-jkd)/(2 pi d)``. Symmetric; zero on the diagonal.
    """
    xy = np.asarray(position, dtype=np.float64)
    if xy.ndim < 2 or xy.shape[-1] != 2:
        raise ValueError(f"positions have shape {xy.shape}; (..., cell, 2) is needed.")
    d = np.hypot(
        xy[..., :, None, 0] - xy[..., None, :, 0], xy[..., :, None, 1] - xy[..., None, :, 1]
    )
    cells = d.shape[-1]
    off = ~np.eye(cells, dtype=bool)
    if np.any(d[..., off] == 0.0):
        raise ValueError("two cells have the same position.")
    safe = np.where(off, d, 1.0)
    jkd = 1j * wavenumber * safe
    leading = np.where(off, np.exp(-jkd) / (2.0 * np.pi * safe), 0.0)
    # reverse Bessel polynomials: ((1/R) d/dR)^n e^(-jkR)/R = (-1/R^2)^n p_n(jkR) e^(-jkR)/R
    polynomials = [np.ones_like(jkd), 1.0 + jkd]
    for n in range(2, order + 1):
        polynomials.append((2 * n - 1) * polynomials[-1] + jkd * jkd * polynomials[-2])
    terms = []
    odd_product = 1.0
    for n in range(order + 1):
        odd_product *= max(2 * n - 1, 1)
        terms.append(odd_product * (-1.0 / (safe * safe)) ** n * polynomials[n] * leading)
    return np.stack(terms, axis=-3)


def mutual_impedance_far(
    strengths: Array,
    paths: ComplexArray,
    *,
    angular_frequency: float,
    density: float,
) -> ComplexArray:
    """Mutual impedance matrices of arrays from separated factors (M5.9).

    Parameters
    ----------
    strengths : array (..., cell, order + 1)
        From `source_strengths`, for example (design, cell, order + 1).
    paths : complex array (..., order + 1, cell, cell)
        From `propagation`; without leading axes it is shared by all designs.
    angular_frequency, density : float
        [rad/s], [kg/m3].

    Returns
    -------
    complex array (..., cell, cell)
        Force on row over centre velocity of column [N s/m]; symmetric, zero diagonal (the self
        impedance is not included). Check the pairs with `mutual_status`.
    """
    order = strengths.shape[-1] - 1
    if paths.shape[-3] != order + 1:
        raise ValueError(
            f"strengths hold {order + 1} orders and paths {paths.shape[-3]}; make both alike."
        )
    total: ComplexArray | None = None
    for n in range(order + 1):
        pairs = sum(
            strengths[..., :, None, j] * strengths[..., None, :, n - j] for j in range(n + 1)
        )
        term = np.asarray(pairs * paths[..., n, :, :])
        total = term if total is None else total + term
    assert total is not None
    return np.asarray(1j * angular_frequency * density * total)


def mutual_status(
    position: ArrayLike, *, radius: ArrayLike, wavenumber: float
) -> NDArray[np.int64]:
    """Flags of `MutualStatus` for each pair of cells.

    Parameters
    ----------
    position : array (..., cell, 2)
        Centres [m].
    radius : array (..., cell)
        [m].
    wavenumber : float
        [rad/m].

    Returns
    -------
    integer array (..., cell, cell)
        0 on the diagonal and for usable pairs.
    """
    xy = np.asarray(position, dtype=np.float64)
    a = np.asarray(radius, dtype=np.float64)
    d = np.hypot(
        xy[..., :, None, 0] - xy[..., None, :, 0], xy[..., :, None, 1] - xy[..., None, :, 1]
    )
    largest = np.maximum(a[..., :, None], a[..., None, :])
    overlap = d < (a[..., :, None] + a[..., None, :]) * (1.0 - 1e-12)
    beyond = ~(largest * wavenumber <= DIRECTIVITY_LIMIT)
    flags = overlap * int(MutualStatus.OVERLAP) + beyond * int(MutualStatus.KA_RANGE)
    return np.asarray(np.where(np.eye(a.shape[-1], dtype=bool), 0, flags), dtype=np.int64)
