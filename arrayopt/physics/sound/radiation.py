"""M5: self radiation of one baffled diaphragm: Hankel transforms, impedance series, directivity.

A shape is a coefficient vector over the basis ``(1 - rho^2)^2 rho^(2 i)``, rho = r / radius,
normalised to 1 at the centre; impedances multiply the centre velocity.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from arrayopt.base.arrays import Floats
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.sound.tables import (
    SERIES_TERMS,
    check_size,
    impedance_tensors,
    moment_matrix,
    power_matrix,
)

SERIES_LIMIT = 4.0
"""Largest ka at which `SERIES_TERMS` terms are good to 1e-9 of R and of |R + j X|."""

TERMS_FOR_LIMIT = {6: 0.75, 8: 1.25, 10: 2.0, 12: 3.0, 16: 4.0}
"""Largest ka for 1e-9 with fewer terms (measured, up to 10 basis functions; tested)."""

DIRECTIVITY_TERMS = 32
"""Default number of terms of `directivity_series`."""

DIRECTIVITY_LIMIT = 8.0
"""Largest k a sin(theta) of a directivity series with `DIRECTIVITY_TERMS` terms."""

STATUS_OK = 0
STATUS_SERIES_RANGE = 1
"""The series was asked for a ka above its limit."""


def directivity_series(shape: ArrayLike, n_terms: int = DIRECTIVITY_TERMS) -> Floats:
    """Power series of the Hankel transform in kappa^2 (M5.3).

    Parameters
    ----------
    shape : array (..., basis)
        Coefficients over ``(1 - rho^2)^2 rho^(2 i)``; at most `MAX_BASIS`.
    n_terms : int
        Number of terms.

    Returns
    -------
    array (..., n_terms)
        q_n with ``Q(kappa) = pi a^2 sum q_n (kappa a)^(2 n)``; ``pi a^2 q_0`` is the volume
        displaced per centre displacement [m2].

    Raises
    ------
    ValueError
        If the shape has no or too many coefficients.
    """
    coefficients = _shape(shape)
    return _contract(coefficients, moment_matrix(coefficients.shape[-1], n_terms))


@inner
def even_series(x: float, coefficients: Floats) -> Any:
    """Sum of ``coefficients[n] x^(2 n)`` by Horner's rule, for scalar x."""
    x2 = x * x
    total = 0.0
    for n in range(coefficients.shape[0] - 1, -1, -1):
        total = total * x2 + coefficients[n]
    return total


@kernel
def self_resistance_series(ka: float, r_n: Floats) -> Any:
    """R / (rho0 c pi a^2) at one ka (M5.5) from a row of `impedance_series`."""
    return ka * ka * even_series(ka, r_n)


@kernel
def self_reactance_series(ka: float, x_n: Floats) -> Any:
    """X / (rho0 c pi a^2) at one ka (M5.6) from a row of `impedance_series`."""
    return ka * even_series(ka, x_n)


@kernel
def directivity_scalar(kappa: float, q_n: Floats) -> Any:
    """Q(kappa) / Q(0) at one kappa = k a sin(theta), from a row of `directivity_series`."""
    return even_series(kappa, q_n) / q_n[0]


def hankel_transform(shape: ArrayLike, kappa: ArrayLike) -> Floats:
    """Hankel transform of a shape over its disc's area (M5.1, M5.2).

    Parameters
    ----------
    shape : array (..., basis)
        Coefficients; leading axes broadcast with `kappa`.
    kappa : array (...)
        Wavenumber times radius [1], any real value.

    Returns
    -------
    array, broadcast shape
        ``Q(kappa) / (pi a^2)``: the power series up to 8, Bessel functions beyond.
    """
    coefficients = _shape(shape)
    k = np.abs(np.asarray(kappa, dtype=np.float64))
    lead = np.broadcast_shapes(coefficients.shape[:-1], k.shape)
    k = np.broadcast_to(k, lead)
    q_n = directivity_series(coefficients)
    k2 = np.square(np.minimum(k, DIRECTIVITY_LIMIT))
    near = np.zeros(lead)
    for n in range(DIRECTIVITY_TERMS - 1, -1, -1):
        near = np.asarray(near * k2 + q_n[..., n])
    far = k > DIRECTIVITY_LIMIT
    if not far.any():
        return near
    size = coefficients.shape[-1]
    sonine = _contract(coefficients, power_matrix(size))
    rows = np.broadcast_to(sonine, (*lead, size))[far]
    x = k[far]
    total = np.zeros(x.shape)
    for l_ in range(size):  # Sonine: mu! 2^(mu+1) J_(mu+1)(x) / x^(mu+1), mu = l + 2
        mu = l_ + 2
        total += rows[:, l_] * (math.factorial(mu) * special.jv(mu + 1, x) * (2.0 / x) ** (mu + 1))
    near[far] = total
    return near


def directivity(shape: ArrayLike, kappa: ArrayLike) -> Floats:
    """Directivity ``Q(k a sin theta) / Q(0)`` of a shape; 1 on the axis (M5.7).

    Parameters
    ----------
    shape : array (..., basis)
        Coefficients; leading axes broadcast with `kappa`.
    kappa : array (...)
        ``k a sin(theta)`` [1].

    Returns
    -------
    array, broadcast shape
        Real, signed. Not finite for a shape that displaces no volume: use `hankel_transform`.
    """
    return hankel_transform(shape, kappa) / hankel_transform(shape, 0.0)


def impedance_series(
    shape: ArrayLike, n_terms: int = SERIES_TERMS, *, other: ArrayLike | None = None
) -> tuple[Floats, Floats]:
    """Exact power series in ka of the self radiation impedance (M5.5, M5.6).

    Parameters
    ----------
    shape : array (..., basis)
        Coefficients of the shape.
    n_terms : int
        Number of terms; `TERMS_FOR_LIMIT` gives the largest ka each serves.
    other : array (..., basis), optional
        Second shape of the same diaphragm (leading axes broadcast): the cross impedance between
        two modes. Default: `shape` itself.

    Returns
    -------
    (r_n, x_n) : two arrays (..., n_terms)
        ``R = rho0 c pi a^2 (ka)^2 sum r_n (ka)^(2n)``,
        ``X = rho0 c pi a^2 ka sum x_n (ka)^(2n)``, referring to the centre velocities [1].
    """
    left = _shape(shape)
    right = left if other is None else _shape(other)
    if left.shape[-1] != right.shape[-1]:
        raise ValueError(
            f"the two shapes have {left.shape[-1]} and {right.shape[-1]} basis coefficients; "
            "they must have the same number."
        )
    r, x = impedance_tensors(left.shape[-1], n_terms)
    left, right = np.broadcast_arrays(left, right)
    lead = left.shape[:-1]
    flat_left = np.array(left.reshape(-1, left.shape[-1]), order="C")
    flat_right = np.array(right.reshape(-1, right.shape[-1]), order="C")
    return (
        _quadratic_forms(flat_left, flat_right, r).reshape(*lead, n_terms),
        _quadratic_forms(flat_left, flat_right, x).reshape(*lead, n_terms),
    )


def impedance_from_series(
    ka: ArrayLike, r_n: Floats, x_n: Floats, *, limit: float = SERIES_LIMIT
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Evaluate the series of `impedance_series` on an array of ka.

    Parameters
    ----------
    ka : array (...)
        Wavenumber times radius [1].
    r_n, x_n : array (..., n_terms)
        Leading axes broadcast with `ka`.
    limit : float
        Largest ka for which the number of terms suffices.

    Returns
    -------
    (R, X, status)
        R and X over ``rho0 c pi a^2``; NaN with `STATUS_SERIES_RANGE` where ka > `limit`.
    """
    x = np.asarray(ka, dtype=np.float64)
    bad = ~((x >= 0.0) & (x <= limit))
    k2 = np.square(np.where(bad, 0.0, x))
    resistance = np.zeros(np.broadcast_shapes(x.shape, r_n.shape[:-1]))
    reactance = np.zeros(resistance.shape)
    for n in range(r_n.shape[-1] - 1, -1, -1):
        resistance = resistance * k2 + r_n[..., n]
        reactance = reactance * k2 + x_n[..., n]
    status = np.where(np.broadcast_to(bad, resistance.shape), STATUS_SERIES_RANGE, STATUS_OK)
    nan = np.where(bad, np.nan, 1.0)
    return np.array(resistance * k2 * nan), np.array(reactance * np.sqrt(k2) * nan), status


def _shape(shape: ArrayLike) -> Floats:
    coefficients = np.asarray(shape, dtype=np.float64)
    if coefficients.ndim == 0:
        raise ValueError("a shape needs a last axis of basis coefficients; a scalar was given.")
    check_size(coefficients.shape[-1])
    return coefficients


@kernel
def _contract_rows(rows: Floats, matrix: Floats) -> Any:
    out = np.zeros((rows.shape[0], matrix.shape[1]))
    for b in range(rows.shape[0]):
        for i in range(matrix.shape[0]):
            for n in range(matrix.shape[1]):
                out[b, n] += rows[b, i] * matrix[i, n]
    return out


def _contract(coefficients: Floats, matrix: Floats) -> Floats:
    """Last-axis product without BLAS, so that a row's result does not depend on the batch."""
    flat = np.ascontiguousarray(coefficients.reshape(-1, coefficients.shape[-1]))
    result: Floats = _contract_rows(flat, matrix)
    return result.reshape(*coefficients.shape[:-1], matrix.shape[1])


@kernel
def _quadratic_forms(left: Floats, right: Floats, tensor: Floats) -> Any:
    out = np.zeros((left.shape[0], tensor.shape[0]))
    for b in range(left.shape[0]):
        for n in range(tensor.shape[0]):
            total = 0.0
            for i in range(tensor.shape[1]):
                row = 0.0
                for j in range(tensor.shape[2]):
                    row += tensor[n, i, j] * right[b, j]
                total += left[b, i] * row
            out[b, n] = total
    return out
