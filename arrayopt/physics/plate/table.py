"""Condensed Ritz coefficients of a clamped disc as functions of electrode coverage (M2).

Everything that does not depend on radius, bias or pressure is done once per stack here; what is
left per cell is a short Chebyshev sum (`arrayopt.physics.plate.diaphragm`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, eigh
from scipy.special import eval_jacobi

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.plate.laminate import Section

#: Radial and tangential strain of each function, (function, point); None where it is zero.
Strain = tuple[Floats, Floats | None]

#: Smallest electrode coverage for which the tables are meant.
MINIMUM_COVERAGE = 0.02
#: Largest tail of a Chebyshev series relative to the largest coefficient of its block.
TABLE_TOLERANCE = 1e-11
#: Ends of the pieces of the range of s, each with its own short series: closer together towards
#: 0 and 1, where polynomials of high degree vary fastest.
PIECE_ENDS = 0.5 * (1.0 - np.cos(np.pi * np.arange(9) / 8))
_MOST_NODES = 65


class Symmetric(NamedTuple):
    """Unique-entry storage of symmetric tensors over n functions.

    ``first, second`` (pair): the indices of each unordered pair; ``weight`` (pair): how often it
    occurs; ``third`` (pair, n) and ``fourth`` (pair, pair): place of an entry in the lists of
    unique third- and fourth-order entries, of lengths ``n3`` and ``n4``.
    """

    first: Ints
    second: Ints
    weight: Floats
    third: Ints
    fourth: Ints
    n3: int
    n4: int


def symmetric_storage(n: int) -> Symmetric:
    """Index maps of the unique entries of symmetric tensors of order 2, 3 and 4."""
    first, second = (x.astype(np.int64) for x in np.triu_indices(n))
    k = np.arange(n)

    def place(*indices: NDArray[np.int64]) -> tuple[Ints, int]:
        ordered = np.sort(np.stack(np.broadcast_arrays(*indices)), axis=0)
        code = np.zeros(ordered.shape[1:], dtype=np.int64)
        for row in ordered:
            code = code * n + row
        unique, inverse = np.unique(code, return_inverse=True)
        return inverse.reshape(code.shape).astype(np.int64), len(unique)

    third, n3 = place(first[:, None], second[:, None], k[None, :])
    fourth, n4 = place(first[:, None], second[:, None], first[None, :], second[None, :])
    weight = np.where(first == second, 1.0, 2.0)
    return Symmetric(first, second, weight, third, fourth, n3, n4)


@dataclass(frozen=True)
class PlateTable:
    """Chebyshev series in s = (electrode edge radius / radius)^2 of the condensed coefficients.

    ``series`` (piece, order, coefficient), one series for each piece between `PIECE_ENDS`: mass,
    bending, residual and per-volt stress stiffness (one entry per pair of functions), residual
    and per-volt load (n), cubic (n3) and quartic (n4) energy. ``strain_series`` (piece, order,
    coefficient): in-plane strain at the centre, then radial strain at the edge: residual, per
    volt, linear (n) and quadratic (pair) each. The internal
    functions have the value 1 at the centre; ``to_monomial`` (basis, n) turns their coefficients
    into those of (1 - rho^2)^2 rho^(2 i); ``mean`` (n) holds their means over the disc.
    ``tail`` is the relative size of the first neglected terms.
    """

    covered: Section
    bare: Section
    ring: bool
    n_transverse: int
    n_inplane: int
    storage: Symmetric
    series: Floats
    strain_series: Floats
    to_monomial: Floats
    mean: Floats
    tail: float


def _jacobi(n: int, alpha: int, beta: int, s: Floats, derivative: int) -> Floats:
    """Jacobi polynomials of 2 s - 1 (rows: degree), or their derivatives to s."""
    degree = np.arange(n)[:, None]
    x = 2.0 * s[None, :] - 1.0
    factor = np.ones_like(degree, dtype=float)
    for k in range(derivative):
        factor = factor * (degree + alpha + beta + 1 + k)
    lowered = np.maximum(degree - derivative, 0)
    values = eval_jacobi(lowered, alpha + derivative, beta + derivative, x)
    return np.where(degree >= derivative, factor * values, 0.0)


def _transverse(n: int, s: Floats) -> tuple[Floats, Floats, Floats]:
    """(1-s)^2 P_i^(4,0)(2s-1) and its first two derivatives to s, each (n, point)."""
    p, p1, p2 = (_jacobi(n, 4, 0, s, d) for d in range(3))
    r = 1.0 - s
    return (
        r**2 * p,
        r**2 * p1 - 2.0 * r * p,
        r**2 * p2 - 4.0 * r * p1 + 2.0 * p,
    )


def _inplane(n: int, s: Floats) -> tuple[Floats, Floats]:
    """Strains u' and u/rho of rho (1-s) P_j^(2,1)(2s-1), each (n, point)."""
    p, p1 = _jacobi(n, 2, 1, s, 0), _jacobi(n, 2, 1, s, 1)
    return (1.0 - 3.0 * s) * p + 2.0 * s * (1.0 - s) * p1, (1.0 - s) * p


@lru_cache(maxsize=1024)  # tables of several stacks meet at the same edges
def _functions(
    n: int, n_inplane: int, n_points: int, edge: float
) -> tuple[Floats, Floats, tuple[Floats, Floats, Floats], tuple[Floats, Floats]]:
    """Points and weights inside and outside an edge, and `_transverse` and `_inplane` there."""
    inner, outer = _quadrature(n_points, 0.0, edge), _quadrature(n_points, edge, 1.0)
    s = np.concatenate([inner[0], outer[0]])
    weight = np.concatenate([inner[1], outer[1]])
    return s, weight, _transverse(n, s), _inplane(n_inplane, s)


@cache
def _legendre(n_points: int) -> tuple[Floats, Floats]:
    x, weight = np.polynomial.legendre.leggauss(n_points)
    return x, weight


def _quadrature(n_points: int, lower: float, upper: float) -> tuple[Floats, Floats]:
    x, weight = _legendre(n_points)
    half = 0.5 * (upper - lower)
    return lower + half * (x + 1.0), half * weight


def _reference_modes(n: int) -> Floats:
    """Coefficients (function, n) of the uniform plate's Ritz modes, centre value 1.

    In these functions mass and stiffness of any stack are nearly diagonal, so that the small
    eigenproblem of each cell takes few rotations. The pencil is solved for 1/omega^2: the low
    modes then keep their digits however stiff the highest function is.
    """
    s, weight = _quadrature(2 * n + 6, 0.0, 1.0)
    f, f1, f2 = _transverse(n, s)
    laplacian = 4.0 * (f1 + s * f2)
    mass = np.einsum("ip,jp,p->ij", f, f, weight)
    stiffness = np.einsum("ip,jp,p->ij", laplacian, laplacian, weight)
    _, vectors = eigh(mass, stiffness)
    vectors = vectors[:, ::-1]
    centre = _transverse(n, np.zeros(1))[0][:, 0]
    return np.asarray(vectors / (centre @ vectors))


class _Condensed(NamedTuple):
    """Condensed coefficients at one electrode edge; the blocks of ``PlateTable.series``."""

    blocks: tuple[Floats, ...]
    strains: tuple[Floats, ...]


class _Assembler:
    """Integrates and condenses the energy M2.4 for one stack at given electrode edges."""

    def __init__(
        self, covered: Section, bare: Section, ring: bool, n_transverse: int, n_inplane: int
    ) -> None:
        self.covered, self.bare, self.ring = covered, bare, ring
        self.n, self.n_inplane = n_transverse, n_inplane
        self.storage = symmetric_storage(n_transverse)
        self.modes = _reference_modes(n_transverse)
        # highest degree in s of an integrand: w'^4, u' w'^2, u'^2
        degree = max(4 * n_transverse + 6, n_inplane + 2 * n_transverse + 5, 2 * n_inplane + 3)
        self.n_points = degree // 2 + 1

    def at(self, edge: float) -> _Condensed:
        """Coefficients with the electrode edge at s = ``edge``."""
        s, weight, transverse, (u_r, u_t) = _functions(self.n, self.n_inplane, self.n_points, edge)
        under = (np.arange(len(s)) < self.n_points) != self.ring
        area = np.pi * weight  # dA = pi a^2 ds

        def field(name: str) -> Floats:
            return np.where(under, getattr(self.covered, name), getattr(self.bare, name)) * area

        f, f1, f2 = (self.modes.T @ x for x in transverse)
        slope_over_rho = 2.0 * f1
        kappa_r, kappa_t = -(2.0 * f1 + 4.0 * s * f2), -slope_over_rho
        i, j = self.storage.first, self.storage.second
        # half w'^2 of each pair: the nonlinear part of the radial strain
        half_slope2 = 0.5 * s * slope_over_rho[i] * slope_over_rho[j]

        def form(a: Strain, b: Strain, direct: Floats, cross: Floats) -> Floats:
            total = np.zeros((a[0].shape[0], b[0].shape[0]))
            for p, left in enumerate(a):
                for r, right in enumerate(b):
                    # the nonlinear strain has no tangential part
                    if left is not None and right is not None:
                        total += (left * (direct if p == r else cross)) @ right.T
            return total

        u: Strain = (u_r, u_t)
        kappa: Strain = (kappa_r, kappa_t)
        stretch: Strain = (half_slope2, None)
        A = field("A11"), field("A12")
        B = field("B11"), field("B12")
        K_uu = form(u, u, *A)
        G = form(u, stretch, *A)  # (inplane, pair)
        C = form(u, kappa, *B)  # (inplane, n)
        trace_u = u_r + u_t
        f0, fv = trace_u @ field("N0"), trace_u @ field("N_per_volt")
        factor = cho_factor(K_uu)
        condensed = cho_solve(factor, np.column_stack([f0, fv, C, G]))
        p0, pv, p1, p2 = (
            condensed[:, 0],
            condensed[:, 1],
            condensed[:, 2 : 2 + self.n],
            condensed[:, 2 + self.n :],
        )
        bending = form(kappa, kappa, field("D11"), field("D12")) - C.T @ p1
        cubic = form(stretch, kappa, *B) - G.T @ p1  # (pair, n)
        quartic = 0.5 * (form(stretch, stretch, *A) - G.T @ p2)  # (pair, pair)
        trace_kappa = kappa_r + kappa_t
        blocks = (
            np.einsum("kp,kp,p->k", f[i], f[j], field("areal_mass")),
            0.5 * (bending + bending.T)[i, j],
            2.0 * (half_slope2 @ field("N0") - G.T @ p0),
            2.0 * (half_slope2 @ field("N_per_volt") - G.T @ pv),
            trace_kappa @ field("M0") - C.T @ p0,
            trace_kappa @ field("M_per_volt") - C.T @ pv,
            _symmetrise(cubic, self.storage.third, self.storage.n3, self.storage.weight),
            _symmetrise(quartic, self.storage.fourth, self.storage.n4, self.storage.weight),
        )
        centre = -_inplane(self.n_inplane, np.zeros(1))[0][:, 0]
        rim = -_inplane(self.n_inplane, np.ones(1))[0][:, 0]
        strains = tuple(np.concatenate([[e @ p0], [e @ pv], e @ p1, e @ p2]) for e in (centre, rim))
        return _Condensed(blocks, strains)

    def scales(self) -> list[float]:
        """Size of each block below which an error has no effect on the plate."""
        c, b = self.covered, self.bare
        h = max(c.thickness, b.thickness)
        stretch, bend = max(c.A11, b.A11), max(c.D11, b.D11)
        # A membrane force of 1e-6 strain, a film moment at 1e-6 strain; of a larger force that acts
        # alike under and beside the electrode, the moment's work is zero but for rounding.
        force = max(1e-6 * stretch, abs(c.N0), abs(b.N0))
        volt = abs(c.N_per_volt)
        return [c.areal_mass, bend, force, volt, force * h, volt * h, stretch * h, stretch]


def _symmetrise(matrix: Floats, place: Ints, length: int, weight: Floats) -> Floats:
    """Mean over index permutations of a tensor given on (pair, index) or (pair, pair)."""
    w = weight[:, None] * (weight[None, :] if matrix.shape[1] == len(weight) else 1.0)
    w = np.broadcast_to(w, matrix.shape)
    total = np.bincount(place.ravel(), (matrix * w).ravel(), minlength=length)
    count = np.bincount(place.ravel(), w.ravel(), minlength=length)
    return np.asarray(total / count)


def _chebyshev(values: Floats) -> Floats:
    """Chebyshev coefficients from values at the nodes cos(pi (k + 1/2)/N), along axis 1."""
    n = values.shape[1]
    angle = np.pi * (np.arange(n) + 0.5) / n
    series = (2.0 / n) * np.cos(np.outer(np.arange(n), angle)) @ values
    series[:, 0] *= 0.5
    return np.asarray(series)


def plate_table(
    covered: Section,
    bare: Section,
    *,
    ring: bool,
    n_transverse: int = 5,
    n_inplane: int = 8,
) -> PlateTable:
    """Tabulate the condensed Ritz coefficients of one stack and electrode kind.

    Parameters
    ----------
    covered, bare : Section
        From `laminate.sections`, about one reference plane.
    ring : bool
        False: the electrode covers 0 to coverage*radius; True: (1 - coverage)*radius to radius.
    n_transverse, n_inplane : int
        Number of functions for w and u. The defaults give the lowest frequency of a uniform
        plate to 1e-7, its cubic coefficient to 1e-5 (docs/models/M2-diaphragm.md).

    Returns
    -------
    PlateTable
        Good for every coverage, radius, bias and pressure.

    Raises
    ------
    ValueError
        For fewer than one function.
    ArithmeticError
        When the series in the coverage does not reach `TABLE_TOLERANCE` (an extreme contrast
        between the sections).
    """
    if n_transverse < 1 or n_inplane < 1:
        raise ValueError(
            f"n_transverse = {n_transverse}, n_inplane = {n_inplane}: at least 1 of each is needed"
        )
    assembler = _Assembler(covered, bare, ring, n_transverse, n_inplane)
    scales = assembler.scales()
    n_nodes = 13
    while True:
        unit_nodes = 0.5 * (1.0 + np.cos(np.pi * (np.arange(n_nodes) + 0.5) / n_nodes))
        edges = PIECE_ENDS[:-1, None] + np.diff(PIECE_ENDS)[:, None] * unit_nodes
        nodes = [[assembler.at(float(edge)) for edge in piece] for piece in edges]
        blocks = [
            _chebyshev(np.array([[x.blocks[k] for x in piece] for piece in nodes]))
            for k in range(len(scales))
        ]
        relative = np.zeros(n_nodes)
        for block, scale in zip(blocks, scales, strict=True):
            size = np.abs(block).max(axis=(0, 2))
            unit = max(size.max(), 1e-3 * scale)
            if unit > 0.0:
                relative = np.maximum(relative, size / unit)
        tail = float(relative[-2:].max())
        if tail < TABLE_TOLERANCE:
            break
        n_nodes += 8
        if n_nodes > _MOST_NODES:
            raise ArithmeticError(
                "the sections under and beside the electrode differ too much (a series of "
                f"{n_nodes - 8} terms in the coverage is off by {tail:.1e})"
            )
    kept = int(np.flatnonzero(relative >= TABLE_TOLERANCE).max()) + 1
    strains = _chebyshev(np.array([[np.concatenate(x.strains) for x in p] for p in nodes]))
    mean, monomial = _conversions(assembler.modes)
    return PlateTable(
        covered=covered,
        bare=bare,
        ring=ring,
        n_transverse=n_transverse,
        n_inplane=n_inplane,
        storage=assembler.storage,
        series=np.ascontiguousarray(np.concatenate(blocks, axis=2)[:, :kept]),
        strain_series=strains[:, :kept],
        to_monomial=monomial,
        mean=mean,
        tail=max(tail, float(relative[kept:].max(initial=0.0))),
    )


def _conversions(modes: Floats) -> tuple[Floats, Floats]:
    """Means over the disc, and the matrix to coefficients of (1-s)^2 s^i."""
    n = len(modes)
    s, weight = _quadrature(n + 2, 0.0, 1.0)
    mean = modes.T @ (_transverse(n, s)[0] @ weight)
    # P_i^(4,0)(2s-1) = sum_k (-1)^(i-k) C(i,k) (i+k+4)! / ((i+4)! ... ) s^k, by recurrence in k
    powers = np.zeros((n, n))
    for i in range(n):
        term = (-1.0) ** i
        for k in range(i + 1):
            powers[k, i] = term
            term *= -(i - k) * (i + k + 5) / ((k + 1) ** 2)
    return mean, powers @ modes
