"""Compiled core of `arrayopt.physics.plate.diaphragm`: one cell after the other (M2.7 to M3.6).

Nothing here depends on how the cells are grouped, so results are the same to the last bit
whatever the batch or the number of threads.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.vectors import put

# plain integers for the compiled code; the public flags are `diaphragm.PlateStatus`
BUCKLED, NOT_CONVERGED, COVERAGE, INPUT = 1, 2, 4, 8
_MOST_ITERATIONS = 40
_SMALLEST_LOAD_STEP = 1.0 / 256.0
# relative Newton step after which one more step would be below rounding (quadratic convergence)
_STEP_TOLERANCE = 1e-9


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
def _newton(
    q: Any,
    load: Any,
    stiff: Any,
    stress: Any,
    t3: Any,
    t4: Any,
    level: float,
    largest_step: float,
    first: Any,
    second: Any,
    weight: Any,
    tangent: Any,
    y: Any,
    d: Any,
    r3: Any,
    r4: Any,
) -> int:
    """Newton from q at one load level; leaves the factored tangent. 0, BUCKLED, NOT_CONVERGED."""
    n, pairs = len(q), len(first)
    for _ in range(_MOST_ITERATIONS):
        for p in range(pairs):
            y[p] = weight[p] * q[first[p]] * q[second[p]]
        for i in range(n):
            d[i] = -level * load[i]
        _apply(t3, q, r3)
        _apply(t4, y, r4)
        for p in range(pairs):
            i, j = first[p], second[p]
            base = stiff[p] + level * stress[p]
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
    q: Any,
    q_try: Any,
    load: Any,
    stiff: Any,
    stress: Any,
    t3: Any,
    t4: Any,
    thickness: float,
    first: Any,
    second: Any,
    weight: Any,
    tangent: Any,
    y: Any,
    d: Any,
    r3: Any,
    r4: Any,
) -> int:
    """Follow the equilibrium from the unloaded flat plate to full load (M2.7)."""
    reached, step = 0.0, 1.0
    q[:] = 0.0
    while reached < 1.0:
        level = min(1.0, reached + step)
        put(q_try, q)
        status = _newton(
            q_try, load, stiff, stress, t3, t4, level, 0.5 * thickness,
            first, second, weight, tangent, y, d, r3, r4,
        )  # fmt: skip
        if status == 0:
            put(q, q_try)
            reached = level
            step *= 2.0
        else:
            step *= 0.5
            if step < _SMALLEST_LOAD_STEP:
                return status
    return 0


@kernel
def solve_cells(
    start: int,
    stop: int,
    series: Any,
    ends: Any,
    first: Any,
    second: Any,
    weight: Any,
    third: Any,
    fourth: Any,
    n3: int,
    mean: Any,
    thickness: float,
    radius: Any,
    edge: Any,
    kind: Any,
    bias: Any,
    pressure: Any,
    status: Any,
    static: Any,
    shape: Any,
    mass: Any,
    stiffness: Any,
    force: Any,
    volume: Any,
    volt: Any,
    quadratic: Any,
    cubic: Any,
) -> None:
    """Cells start..stop: operating point, modes and modal tensors."""
    n, pairs, modes = len(mean), len(first), mass.shape[1]
    coefficient = np.empty(series.shape[3])
    stress, load = np.empty(pairs), np.empty(n)
    stiff = np.empty(pairs)
    t3, t4 = np.empty((n, pairs)), np.empty((pairs, pairs))
    r3, r4 = np.empty(pairs), np.empty(pairs)
    q, q_try, d, y = np.empty(n), np.empty(n), np.empty(n), np.empty(pairs)
    tangent, c, v = np.empty((n, n)), np.empty((n, n)), np.empty((n, n))
    phi, product = np.empty((modes, n)), np.empty((modes * (modes + 1) // 2, pairs))
    gradient = np.empty((modes, pairs))
    for cell in range(start, stop):
        if status[cell] != 0:
            continue
        _contract(series[kind[cell]], ends, edge[cell], coefficient)
        o_bend, o_res, o_volt = pairs, 2 * pairs, 3 * pairs
        o_load, o_drive, o_third = 4 * pairs, 4 * pairs + n, 4 * pairs + 2 * n
        o_fourth = o_third + n3
        area = radius[cell] * radius[cell]
        for p in range(pairs):
            stiff[p] = coefficient[o_bend + p] / area
            stress[p] = coefficient[o_res + p] + bias[cell] * coefficient[o_volt + p]
            for k in range(n):
                t3[k, p] = coefficient[o_third + third[p, k]] / area
            for k in range(pairs):
                t4[p, k] = coefficient[o_fourth + fourth[p, k]] / area
        for i in range(n):
            load[i] = (
                coefficient[o_load + i]
                + bias[cell] * coefficient[o_drive + i]
                - pressure[cell] * np.pi * area * mean[i]
            )
        status[cell] = _operating_point(
            q, q_try, load, stiff, stress, t3, t4, thickness, first, second, weight, tangent, y, d,
            r3, r4,
        )  # fmt: skip
        if status[cell] != 0:
            continue
        # tangent at the operating point itself (Newton's last one is a step behind)
        for p in range(pairs):
            y[p] = weight[p] * q[first[p]] * q[second[p]]
        _apply(t3, q, r3)
        _apply(t4, y, r4)
        for p in range(pairs):
            r = stiff[p] + stress[p] + 6.0 * r3[p] + 12.0 * r4[p]
            tangent[first[p], second[p]] = r
            tangent[second[p], first[p]] = r
            c[first[p], second[p]] = coefficient[p] * area
            c[second[p], first[p]] = coefficient[p] * area
        if not _cholesky(tangent, n):
            status[cell] = BUCKLED
            continue
        # c <- L^-1 M L^-T: its eigenvalues are 1/omega^2, the lowest mode the most accurate
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
        _jacobi_eigen(c, v, n)
        for m in range(modes):
            best = -1
            for i in range(n):
                if c[i, i] > 0.0 and (best < 0 or c[i, i] > c[best, best]):
                    best = i
            inverse = c[best, best]
            c[best, best] = -1.0  # taken
            centre = 0.0
            for i in range(n - 1, -1, -1):
                x = v[i, best]
                for k in range(i + 1, n):
                    x -= tangent[k, i] * phi[m, k]
                phi[m, i] = x / tangent[i, i]
                centre += phi[m, i]
            mean_m = 0.0
            for i in range(n):
                phi[m, i] /= centre
                mean_m += phi[m, i] * mean[i]
                shape[cell, m, i] = phi[m, i]
            # the vector was normalised to unit stiffness
            stiffness[cell, m] = 1.0 / (centre * centre)
            mass[cell, m] = inverse * stiffness[cell, m]
            volume[cell, m] = np.pi * area * mean_m
            f = 0.0
            for i in range(n):
                f -= phi[m, i] * coefficient[o_drive + i]
            force[cell, m] = f
        for i in range(n):
            static[cell, i] = q[i]
        # tensors about the operating point (M3.4): pair products of the mode shapes
        row = 0
        for a in range(modes):
            for b in range(a, modes):
                for p in range(pairs):
                    i, j = first[p], second[p]
                    product[row, p] = phi[a, i] * phi[b, j]
                    if i != j:
                        product[row, p] += phi[a, j] * phi[b, i]
                row += 1
        # gradient[m] (pair): (3 T3 + 12 T4 q) contracted with mode m
        for m in range(modes):
            for p in range(pairs):
                i, j = first[p], second[p]
                y[p] = q[i] * phi[m, j]
                if i != j:
                    y[p] += q[j] * phi[m, i]
            _apply(t3, phi[m], r3)
            _apply(t4, y, r4)
            for p in range(pairs):
                gradient[m, p] = 3.0 * r3[p] + 12.0 * r4[p]
        row = 0
        for a in range(modes):
            for b in range(a, modes):
                x = 0.0
                for p in range(pairs):
                    x += product[row, p] * coefficient[o_volt + p]
                volt[cell, a, b] = x
                volt[cell, b, a] = x
                for m in range(modes):
                    x = 0.0
                    for p in range(pairs):
                        x += product[row, p] * gradient[m, p]
                    quadratic[cell, m, a, b] = x
                    quadratic[cell, m, b, a] = x
                _apply(t4, product[row], r4)
                other = 0
                for e in range(modes):
                    for g in range(e, modes):
                        x = 0.0
                        for p in range(pairs):
                            x += 4.0 * r4[p] * product[other, p]
                        cubic[cell, a, b, e, g] = x
                        cubic[cell, b, a, e, g] = x
                        cubic[cell, a, b, g, e] = x
                        cubic[cell, b, a, g, e] = x
                        other += 1
                row += 1
        # force per volt at the operating point: -(L_V + K_V q_s) . phi
        for p in range(pairs):
            i, j = first[p], second[p]
            x = coefficient[o_volt + p]
            for m in range(modes):
                r = phi[m, i] * q[j]
                if i != j:
                    r += phi[m, j] * q[i]
                force[cell, m] -= x * r
