"""Exact tables of the radiation series over the basis ``(1 - rho^2)^2 rho^(2 i)`` (M5.2 to M5.6).

Rational arithmetic, rounded once: the alternating sums over the basis would cost digits in floats.
"""

from __future__ import annotations

import math
from fractions import Fraction
from functools import lru_cache

import numpy as np

from arrayopt.base.arrays import Floats

MAX_BASIS = 10
"""Largest number of basis functions of a shape."""

SERIES_TERMS = 16
"""Default number of terms of `impedance_series`."""


@lru_cache(maxsize=16)
def impedance_tensors(size: int, n_terms: int = SERIES_TERMS) -> tuple[Floats, Floats]:
    """Quadratic forms (term, basis, basis) of the series, exact before rounding (M5.5, M5.6)."""
    check_size(size)
    q = _exact_moments(size, n_terms)
    r = np.empty((n_terms, size, size))
    x = np.empty((n_terms, size, size))
    power = _exact_powers(size)
    for n in range(n_terms):
        scale = Fraction(4**n * math.factorial(n) ** 2, 2 * math.factorial(2 * n + 1))
        core = [[_sonine_moment(l_ + 2, m + 2, n) for m in range(size)] for l_ in range(size)]
        half = [
            [sum(power[i][l_] * core[l_][m] for l_ in range(i + 1)) for m in range(size)]
            for i in range(size)
        ]
        for i in range(size):
            for j in range(i + 1):
                product = sum(q[h][i] * q[n - h][j] for h in range(n + 1))
                r[n, i, j] = r[n, j, i] = float(scale * product)
                value = sum(half[i][m] * power[j][m] for m in range(j + 1))
                x[n, i, j] = x[n, j, i] = float(value) / np.pi
    r.flags.writeable = x.flags.writeable = False
    return r, x


def _sonine_moment(mu: int, nu: int, n: int) -> Fraction:
    """Pi times half the n-th expansion coefficient of X for (1-rho^2)^mu and (1-rho^2)^nu.

    Binomial expansion of u / sqrt(u^2 - k^2) under the integral; each power is the analytic
    continuation of the Weber-Schafheitlin integral (Watson 13.41(2)), so no term is lost.
    Gamma at half-integers is rational times sqrt(pi), hence exact arithmetic.
    """
    exponent = mu + nu + 2 + 2 * n
    gamma_low = Fraction((-4) ** n * math.factorial(n), math.factorial(2 * n))  # G(1/2 - n)
    weber = (
        math.factorial(exponent - 1)
        * gamma_low
        / (
            2**exponent
            * _half_gamma(mu + n + 1)
            * _half_gamma(nu + n + 1)
            * _half_gamma(mu + nu + n + 2)
        )
    )
    binomial = Fraction(math.comb(2 * n, n), 4**n)
    transforms = 2 ** (mu + nu + 2) * math.factorial(mu) * math.factorial(nu)
    return Fraction(1, 2) * binomial * transforms * weber


def _half_gamma(m: int) -> Fraction:
    """Gamma(m + 1/2) / sqrt(pi)."""
    return Fraction(math.factorial(2 * m), 4**m * math.factorial(m))


def _exact_moments(size: int, n_terms: int) -> list[list[Fraction]]:
    """q_n of each basis function: (-1/4)^n / n!^2 times its 2n-th radial moment (M5.3)."""
    return [
        [
            Fraction((-1) ** n * 2, 4**n * math.factorial(n) ** 2)
            / ((i + n + 1) * (i + n + 2) * (i + n + 3))
            for i in range(size)
        ]
        for n in range(n_terms)
    ]


def _exact_powers(size: int) -> list[list[int]]:
    """rho^(2 i) = sum_l power[i][l] (1 - rho^2)^l."""
    return [[(-1) ** m * math.comb(i, m) for m in range(size)] for i in range(size)]


@lru_cache(maxsize=16)
def moment_matrix(size: int, n_terms: int) -> Floats:
    """Array (basis, term): q_n of each basis function (M5.3)."""
    rows = _exact_moments(size, n_terms)
    return np.array([[float(rows[n][i]) for n in range(n_terms)] for i in range(size)])


@lru_cache(maxsize=16)
def power_matrix(size: int) -> Floats:
    """Array (i, l): rho^(2 i) = sum_l array[i, l] (1 - rho^2)^l (M5.2)."""
    return np.array(_exact_powers(size), dtype=np.float64)


def check_size(size: int) -> None:
    """Refuse a number of basis functions that is not handled."""
    if not 1 <= size <= MAX_BASIS:
        raise ValueError(f"a shape of {size} coefficients was given; 1 to {MAX_BASIS} are handled.")
