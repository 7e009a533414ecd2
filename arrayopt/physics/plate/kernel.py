"""Compiled core of `arrayopt.physics.plate.diaphragm`: one cell after the other (M2.7 to M3.6).

Nothing here depends on how the cells are grouped, so results are the same to the last bit
whatever the batch or the number of threads.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.vectors import put
from arrayopt.physics.plate.table import Symmetric

# plain integers for the compiled code; the public flags are `diaphragm.PlateStatus`
BUCKLED, NOT_CONVERGED, COVERAGE, INPUT = 1, 2, 4, 8
_MOST_ITERATIONS = 40
_SMALLEST_LOAD_STEP = 1.0 / 256.0
# relative Newton step after which one more step would be below rounding (quadratic convergence)
_STEP_TOLERANCE = 1e-9


class Cells(NamedTuple):
    """What is given of every cell, (cell,)."""

    radius: Any
    edge: Any
    kind: Any
    bias: Any
    pressure: Any


class Solved(NamedTuple):
    """What is found of every cell, (cell, ...); tensors over modes."""

    static: Any
    shape: Any
    mass: Any
    stiffness: Any
    force: Any
    volume: Any
    quadratic: Any
    cubic: Any


class _Plate(NamedTuple):
    """Energy of one cell over its functions, and scratch: pairs (pair,), products (pair,)."""

    load: Any
    stiff: Any
    stress: Any
    t3: Any
    t4: Any
    tangent: Any
    y: Any
    r3: Any
    r4: Any


@inner
def _cholesky(a: Any, n: int) -> bool:
    """Lower factor in place; False when the matrix is not positive definite."""
    for j in range(n):
        d = a[j, j]
        for k in range(j):
            d -= a[j, k] * a[j, k]
        # a pivot that lost ten digits is the buckling point within rounding
        if not d > 1e-10 * abs(a[j, j]):
            return False
        d = np.sqrt(d)
        a[j, j] = d
        for i in range(j + 1, n):
            x = a[i, j]
            for k in range(j):
                x -= a[i, k] * a[j, k]
            a[i, j] = x / d
    return True


@inner
def _jacobi_eigen(c: Any, v: Any, n: int) -> None:
    """Eigenvalues on the diagonal of c, vectors in the columns of v (cyclic Jacobi)."""
    for i in range(n):
        for j in range(n):
            v[i, j] = 1.0 if i == j else 0.0
    for _ in range(30):
        rotated = False
        for p in range(n - 1):
            for q in range(p + 1, n):
                off = c[p, q]
                # relative to the diagonal product: graded matrices keep their small values
                if off * off <= 1e-31 * abs(c[p, p] * c[q, q]):
                    continue
                rotated = True
                theta = 0.5 * (c[q, q] - c[p, p]) / off
                t = 1.0 / (abs(theta) + np.sqrt(theta * theta + 1.0))
                if theta < 0.0:
                    t = -t
                cs = 1.0 / np.sqrt(t * t + 1.0)
                sn = t * cs
                c[p, p] -= t * off
                c[q, q] += t * off
                c[p, q] = 0.0
                c[q, p] = 0.0
                for k in range(n):
                    if k != p and k != q:
                        x, y = c[k, p], c[k, q]
                        c[k, p] = cs * x - sn * y
                        c[p, k] = c[k, p]
                        c[k, q] = sn * x + cs * y
                        c[q, k] = c[k, q]
                    x, y = v[k, p], v[k, q]
                    v[k, p] = cs * x - sn * y
                    v[k, q] = sn * x + cs * y
        if not rotated:
            return


@inner
def _contract(series: Any, ends: Any, s: float, out: Any) -> None:
    """Chebyshev sum of every coefficient at s in 0..1."""
    pieces, order, m = series.shape
    piece = 0
    while piece < pieces - 1 and s > ends[piece + 1]:
        piece += 1
    x = 2.0 * (s - ends[piece]) / (ends[piece + 1] - ends[piece]) - 1.0
    before, now = 1.0, x
    for c in range(m):
        out[c] = series[piece, 0, c]
    for k in range(1, order):
        for c in range(m):
            out[c] += now * series[piece, k, c]
        before, now = now, 2.0 * x * now - before


@inner
def _apply(tensor: Any, x: Any, out: Any) -> None:
    """out[p] = sum over k of x[k] tensor[k, p]: this order vectorises without reassociation."""
    for p in range(len(out)):
        out[p] = 0.0
    for k in range(len(x)):
        for p in range(len(out)):
            out[p] += x[k] * tensor[k, p]


@inner
def _curve(plate: _Plate, store: Symmetric, q: Any) -> None:
    """Third- and fourth-order terms of the energy at q: contracted into ``r3`` and ``r4``."""
    for p in range(len(store.first)):
        plate.y[p] = store.weight[p] * q[store.first[p]] * q[store.second[p]]
    _apply(plate.t3, q, plate.r3)
    _apply(plate.t4, plate.y, plate.r4)


@inner
def _newton(
    q: Any, plate: _Plate, store: Symmetric, level: float, largest_step: float, d: Any
) -> int:
    """Newton from q at one load level; leaves the factored tangent. 0, BUCKLED, NOT_CONVERGED."""
    n, tangent, r3, r4 = len(q), plate.tangent, plate.r3, plate.r4
    for _ in range(_MOST_ITERATIONS):
        for i in range(n):
            d[i] = -level * plate.load[i]
        _curve(plate, store, q)
        for p in range(len(store.first)):
            i, j = store.first[p], store.second[p]
            base = plate.stiff[p] + level * plate.stress[p]
            secant = base + 3.0 * r3[p] + 4.0 * r4[p]
            d[i] -= secant * q[j]
            if i != j:
                d[j] -= secant * q[i]
            tangent[i, j] = base + 6.0 * r3[p] + 12.0 * r4[p]
            tangent[j, i] = tangent[i, j]
        if not _cholesky(tangent, n):
            return BUCKLED
        largest, size = 0.0, 0.0
        for i in range(n):
            for k in range(i):
                d[i] -= tangent[i, k] * d[k]
            d[i] /= tangent[i, i]
        for i in range(n - 1, -1, -1):
            for k in range(i + 1, n):
                d[i] -= tangent[k, i] * d[k]
            d[i] /= tangent[i, i]
            largest = max(largest, abs(d[i]))
        scale = 1.0 if largest <= largest_step else largest_step / largest
        for i in range(n):
            q[i] += scale * d[i]
            size = max(size, abs(q[i]))
        if not np.isfinite(size):
            return NOT_CONVERGED
        if largest <= _STEP_TOLERANCE * size or largest == 0.0:
            return 0
    return NOT_CONVERGED


@inner
def _operating_point(
    q: Any, q_try: Any, plate: _Plate, store: Symmetric, thickness: float, d: Any
) -> int:
    """Follow the equilibrium from the unloaded flat plate to full load (M2.7)."""
    reached, step = 0.0, 1.0
    q[:] = 0.0
    while reached < 1.0:
        level = min(1.0, reached + step)
        put(q_try, q)
        status = _newton(q_try, plate, store, level, 0.5 * thickness, d)
        if status == 0:
            put(q, q_try)
            reached = level
            step *= 2.0
        else:
            step *= 0.5
            if step < _SMALLEST_LOAD_STEP:
                return status
    return 0


@inner
def _assemble(
    coefficient: Any,
    area: float,
    bias: float,
    pressure: float,
    mean: Any,
    store: Symmetric,
    plate: _Plate,
) -> None:
    """The energy of a cell of pi ``area`` from its condensed coefficients (M2.7)."""
    n, pairs = len(mean), len(store.first)
    o_third = 4 * pairs + 2 * n
    o_fourth = o_third + store.n3
    for p in range(pairs):
        plate.stiff[p] = coefficient[pairs + p] / area
        plate.stress[p] = coefficient[2 * pairs + p] + bias * coefficient[3 * pairs + p]
        for k in range(n):
            plate.t3[k, p] = coefficient[o_third + store.third[p, k]] / area
        for k in range(pairs):
            plate.t4[p, k] = coefficient[o_fourth + store.fourth[p, k]] / area
    for i in range(n):
        plate.load[i] = (
            coefficient[4 * pairs + i]
            + bias * coefficient[4 * pairs + n + i]
            - pressure * np.pi * area * mean[i]
        )


@inner
def _pencil(coefficient: Any, area: float, q: Any, store: Symmetric, plate: _Plate, c: Any) -> bool:
    """c <- L^-1 M L^-T with the tangent L L^T at q itself; False where it has buckled."""
    n, tangent = len(q), plate.tangent
    # Newton's last tangent is a step behind
    _curve(plate, store, q)
    for p in range(len(store.first)):
        i, j = store.first[p], store.second[p]
        r = plate.stiff[p] + plate.stress[p] + 6.0 * plate.r3[p] + 12.0 * plate.r4[p]
        tangent[i, j] = r
        tangent[j, i] = r
        c[i, j] = coefficient[p] * area
        c[j, i] = coefficient[p] * area
    if not _cholesky(tangent, n):
        return False
    for j in range(n):
        for i in range(n):
            x = c[i, j]
            for k in range(i):
                x -= tangent[i, k] * c[k, j]
            c[i, j] = x / tangent[i, i]
    for i in range(n):
        for j in range(n):
            x = c[i, j]
            for k in range(j):
                x -= tangent[j, k] * c[i, k]
            c[i, j] = x / tangent[j, j]
    for i in range(n):
        for j in range(i):
            c[i, j] = 0.5 * (c[i, j] + c[j, i])
            c[j, i] = c[i, j]
    return True


@inner
def _mode(c: Any, v: Any, tangent: Any, phi: Any) -> tuple[float, float]:
    """Shape, stiffness and mass of the lowest mode left, 1 at the centre (M3.1, M3.2)."""
    n, best = len(phi), -1
    for i in range(n):
        if c[i, i] > 0.0 and (best < 0 or c[i, i] > c[best, best]):
            best = i
    inverse = c[best, best]
    c[best, best] = -1.0  # taken
    centre = 0.0
    for i in range(n - 1, -1, -1):
        x = v[i, best]
        for k in range(i + 1, n):
            x -= tangent[k, i] * phi[k]
        phi[i] = x / tangent[i, i]
        centre += phi[i]
    for i in range(n):
        phi[i] /= centre
    # the vector was normalised to unit stiffness
    stiffness = 1.0 / (centre * centre)
    return stiffness, inverse * stiffness


@inner
def _tensors(
    cell: int,
    phi: Any,
    q: Any,
    volt_tension: Any,
    store: Symmetric,
    plate: _Plate,
    product: Any,
    gradient: Any,
    out: Solved,
) -> None:
    """Tensors about the operating point (M3.4), and the force per volt there (M3.6)."""
    modes, pairs = phi.shape[0], len(store.first)
    row = 0
    for a in range(modes):
        for b in range(a, modes):
            for p in range(pairs):
                i, j = store.first[p], store.second[p]
                product[row, p] = phi[a, i] * phi[b, j]
                if i != j:
                    product[row, p] += phi[a, j] * phi[b, i]
            row += 1
    # gradient[m] (pair): (3 T3 + 12 T4 q) contracted with mode m
    for m in range(modes):
        for p in range(pairs):
            i, j = store.first[p], store.second[p]
            plate.y[p] = q[i] * phi[m, j]
            if i != j:
                plate.y[p] += q[j] * phi[m, i]
        _apply(plate.t3, phi[m], plate.r3)
        _apply(plate.t4, plate.y, plate.r4)
        for p in range(pairs):
            gradient[m, p] = 3.0 * plate.r3[p] + 12.0 * plate.r4[p]
    row = 0
    for a in range(modes):
        for b in range(a, modes):
            for m in range(modes):
                x = 0.0
                for p in range(pairs):
                    x += product[row, p] * gradient[m, p]
                out.quadratic[cell, m, a, b] = x
                out.quadratic[cell, m, b, a] = x
            _apply(plate.t4, product[row], plate.r4)
            other = 0
            for e in range(modes):
                for g in range(e, modes):
                    x = 0.0
                    for p in range(pairs):
                        x += 4.0 * plate.r4[p] * product[other, p]
                    out.cubic[cell, a, b, e, g] = x
                    out.cubic[cell, b, a, e, g] = x
                    out.cubic[cell, a, b, g, e] = x
                    out.cubic[cell, b, a, g, e] = x
                    other += 1
            row += 1
    # -(L_V + K_V q_s) . phi
    for p in range(pairs):
        i, j = store.first[p], store.second[p]
        for m in range(modes):
            r = phi[m, i] * q[j]
            if i != j:
                r += phi[m, j] * q[i]
            out.force[cell, m] -= volt_tension[p] * r


@kernel
def solve_cells(
    start: int,
    stop: int,
    series: Any,
    ends: Any,
    store: Symmetric,
    mean: Any,
    thickness: float,
    cells: Cells,
    status: Any,
    out: Solved,
) -> None:
    """Cells start..stop: operating point, modes and modal tensors."""
    n, pairs, modes = len(mean), len(store.first), out.mass.shape[1]
    coefficient = np.empty(series.shape[3])
    plate = _Plate(
        np.empty(n), np.empty(pairs), np.empty(pairs), np.empty((n, pairs)),
        np.empty((pairs, pairs)), np.empty((n, n)), np.empty(pairs), np.empty(pairs),
        np.empty(pairs),
    )  # fmt: skip
    q, q_try, d = np.empty(n), np.empty(n), np.empty(n)
    c, v, phi = np.empty((n, n)), np.empty((n, n)), np.empty((modes, n))
    product, gradient = np.empty((modes * (modes + 1) // 2, pairs)), np.empty((modes, pairs))
    for cell in range(start, stop):
        if status[cell] != 0:
            continue
        _contract(series[cells.kind[cell]], ends, cells.edge[cell], coefficient)
        area = cells.radius[cell] * cells.radius[cell]
        _assemble(coefficient, area, cells.bias[cell], cells.pressure[cell], mean, store, plate)
        status[cell] = _operating_point(q, q_try, plate, store, thickness, d)
        if status[cell] != 0:
            continue
        if not _pencil(coefficient, area, q, store, plate, c):
            status[cell] = BUCKLED
            continue
        # eigenvalues are 1/omega^2: the lowest mode is the most accurate
        _jacobi_eigen(c, v, n)
        for m in range(modes):
            stiffness, mass = _mode(c, v, plate.tangent, phi[m])
            mean_m = f = 0.0
            for i in range(n):
                mean_m += phi[m, i] * mean[i]
                out.shape[cell, m, i] = phi[m, i]
                f -= phi[m, i] * coefficient[4 * pairs + n + i]
            out.stiffness[cell, m], out.mass[cell, m] = stiffness, mass
            out.volume[cell, m] = np.pi * area * mean_m
            out.force[cell, m] = f
        for i in range(n):
            out.static[cell, i] = q[i]
        volt_tension = coefficient[3 * pairs : 4 * pairs]
        _tensors(cell, phi, q, volt_tension, store, plate, product, gradient, out)
