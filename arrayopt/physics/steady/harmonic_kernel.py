"""Compiled harmonic balance of a few coupled modes at one frequency (M7.11 to M7.14).

Mass-normalised, dimensionless modal coordinates u (all masses 1). Unknowns x: the m means, then for
each harmonic h and mode i the pair (cos, sin). Everything here works on one oscillator group.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.numerics.compiled import inner
from arrayopt.physics.numerics.fused import fma

# As numpy scalars: numba compiles a callee anew for every constant of Python's own types.
FRESH: bool = np.bool_(False)  # type: ignore[assignment]
"""`newton` without old factors."""
FEW_ITERATIONS: int = np.int64(6)  # type: ignore[assignment]
ITERATIONS: int = np.int64(12)  # type: ignore[assignment]
MORE_ITERATIONS: int = np.int64(20)  # type: ignore[assignment]
NONE: int = np.int64(0)  # type: ignore[assignment]


class Balance(NamedTuple):
    """One group of coupled modes and the workspace of its harmonic balance (arrays only).

    Axes marked + are padded with zeros to a multiple of four: sums run four terms at a time.
    """

    basis: Floats  # (2H+1 +, N) 1, cos, sin, cos 2, ... at N >= 4H+1 samples: cubic terms exact
    fourier: Floats  # (N, 2(2H+1) +) cos r and sin r, r = 0..2H, times 1/N
    pairs: Ints  # (pair, 2) mode indices p <= q; also the order of symmetric m x m matrices
    place: Ints  # (m, m) position of (i, j) in pairs
    k: Floats  # (m,) linear stiffness
    c: Floats  # (m,) linear damping
    secant_weights: Floats  # (pair, 1 + m + pair +) force = secant u; over (drive, u_p, u_p u_q)
    tangent_weights: Floats  # (pair, 1 + m + pair +)
    force: Floats  # (m,)
    KL: Floats  # (H, m, m) dynamic stiffness, in phase, at the current frequency
    CL: Floats  # (H, m, m) quadrature part h w c
    features: Floats  # (1 + m + pair +, N) samples of drive, u_p, u_p u_q
    coefficients: Floats  # (m, 2H+1 +) of u
    secant: Floats  # (pair, N)
    tangent: Floats  # (pair, N)
    spectrum: Floats  # (pair, 2(2H+1) +) half Fourier coefficients: force, then tangent
    nonlinear: Floats  # (m, N) nonlinear force
    A: Floats  # (n, n) Jacobian, then its factors
    r: Floats  # (n,) residual, then the Newton step


class Rows(NamedTuple):
    """Groups of coupled modes, one a row, in the units of `Balance` (arrays only)."""

    basis: Floats
    fourier: Floats
    pairs: Ints
    place: Ints
    harmonics: Ints  # (H,) 1 to H
    k: Floats  # (row, m)
    c: Floats
    secant_weights: Floats  # (row, pair, 1 + m + pair +)
    tangent_weights: Floats
    force: Floats
    nodes: Floats  # (row, node) frequencies of the radiation matrices
    R: Floats  # (row, node, H, m, m), no nodes without radiation
    X: Floats
    unit: Floats  # (row,) of frequency [rad/s]
    size: Floats  # (row, m) of displacement [m]

    def take(self, index: Ints) -> Rows:
        """Some of the rows."""
        shared = ("basis", "fourier", "pairs", "place", "harmonics")
        return Rows(*(x if n in shared else x[index] for n, x in self._asdict().items()))


@inner
def _combine(weights: Floats, rows: Floats, out: Floats) -> None:
    """out[s] = sum over k of weights[s, k] rows[k]; the number of rows is a multiple of four."""
    for s in range(out.shape[0]):
        for k in range(0, rows.shape[0], 4):
            a, c, d, e = weights[s, k], weights[s, k + 1], weights[s, k + 2], weights[s, k + 3]
            if k == 0:
                for t in range(out.shape[1]):
                    last = fma(d, rows[2, t], e * rows[3, t])
                    out[s, t] = fma(a, rows[0, t], fma(c, rows[1, t], last))
            else:
                for t in range(out.shape[1]):
                    last = fma(d, rows[k + 2, t], fma(e, rows[k + 3, t], out[s, t]))
                    out[s, t] = fma(a, rows[k, t], fma(c, rows[k + 1, t], last))


@inner
def residual(
    x: Floats,
    basis: Floats,
    fourier: Floats,
    pairs: Ints,
    place: Ints,
    k: Floats,
    weights: Floats,
    force: Floats,
    KL: Floats,
    CL: Floats,
    features: Floats,
    coefficients: Floats,
    secant: Floats,
    nonlinear: Floats,
    spectrum: Floats,
    r: Floats,
) -> None:
    """r <- balance residual at x (M7.12), leaving the sampled motion in features.

    Fields of `Balance` one by one: taking them from the tuple counts references at every access.
    """
    m, samples = nonlinear.shape
    harmonics = KL.shape[0]
    orders = 2 * harmonics + 1
    for i in range(m):
        coefficients[i, 0] = x[i]
        for h in range(harmonics):
            at = m + 2 * (h * m + i)
            coefficients[i, 2 * h + 1] = x[at]
            coefficients[i, 2 * h + 2] = x[at + 1]
    u = features[1 : 1 + m]
    _combine(coefficients, basis, u)
    for s in range(pairs.shape[0]):
        p, q = pairs[s, 0], pairs[s, 1]
        for t in range(samples):
            features[1 + m + s, t] = u[p, t] * u[q, t]
    _combine(weights, features, secant)
    for i in range(m):
        s = place[i, 0]
        for t in range(samples):
            nonlinear[i, t] = secant[s, t] * u[0, t]
        for j in range(1, m):
            s = place[i, j]
            for t in range(samples):
                nonlinear[i, t] = fma(secant[s, t], u[j, t], nonlinear[i, t])
    half = spectrum[:m]
    _combine(nonlinear, fourier, half)
    for i in range(m):
        r[i] = 2.0 * (half[i, 0] + k[i] * x[i])  # twice the mean keeps J symmetric
        for h in range(harmonics):
            cos, sin = 2.0 * half[i, h + 1], 2.0 * half[i, orders + h + 1]
            for j in range(m):
                at = m + 2 * (h * m + j)
                cos += KL[h, i, j] * x[at] + CL[h, i, j] * x[at + 1]
                sin += KL[h, i, j] * x[at + 1] - CL[h, i, j] * x[at]
            at = m + 2 * (h * m + i)
            r[at] = cos
            r[at + 1] = sin
        r[m + 2 * i] -= force[i]


@inner
def jacobian(
    place: Ints,
    k: Floats,
    weights: Floats,
    KL: Floats,
    CL: Floats,
    features: Floats,
    fourier: Floats,
    tangent: Floats,
    spectrum: Floats,
    A: Floats,
) -> None:
    """A <- derivative of the residual at the motion that `residual` left in features (M7.13)."""
    m = k.size
    harmonics = KL.shape[0]
    orders = 2 * harmonics + 1
    _combine(weights, features, tangent)
    _combine(tangent, fourier, spectrum)
    for i in range(m):
        for j in range(m):
            row = spectrum[place[i, j]]
            A[i, j] = 2.0 * row[0]
            if i == j:
                A[i, j] += 2.0 * k[i]
            for h in range(1, harmonics + 1):
                at = m + 2 * ((h - 1) * m + i)
                A[at, j] = 2.0 * row[h]
                A[at + 1, j] = 2.0 * row[orders + h]
                A[j, at] = A[at, j]
                A[j, at + 1] = A[at + 1, j]
                for g in range(1, harmonics + 1):
                    to = m + 2 * ((g - 1) * m + j)
                    gap = abs(h - g)
                    near, far = row[gap], row[h + g]
                    near_s, far_s = row[orders + gap], row[orders + h + g]
                    if g < h:
                        near_s = -near_s
                    A[at, to] = near + far
                    A[at + 1, to + 1] = near - far
                    A[at, to + 1] = far_s + near_s
                    A[at + 1, to] = far_s - near_s
                to = m + 2 * ((h - 1) * m + j)
                A[at, to] += KL[h - 1, i, j]
                A[at + 1, to + 1] += KL[h - 1, i, j]
                A[at, to + 1] += CL[h - 1, i, j]
                A[at + 1, to] -= CL[h - 1, i, j]


@inner
def factor(A: Floats, m: int) -> float:
    """LU of A in place; returns the sign of det A, 0 where it is singular.

    Pivots: the m means one by one (a stiffness), then each cos/sin pair as a 2 x 2 block, whose
    determinant is (stiffness)^2 + (damping)^2 and so does not vanish at resonance. No row search.
    """
    n = A.shape[0]
    sign = 1.0
    for p in range(m):
        pivot = A[p, p]
        if pivot == 0.0:
            return 0.0
        sign = sign if pivot > 0.0 else -sign
        inverse = 1.0 / pivot
        A[p, p] = inverse
        for i in range(p + 1, n):
            f = A[i, p] * inverse
            A[i, p] = f
            for j in range(p + 1, n):
                A[i, j] = fma(-f, A[p, j], A[i, j])
    for p in range(m, n, 2):
        a, c, d, e = A[p, p], A[p, p + 1], A[p + 1, p], A[p + 1, p + 1]
        det = a * e - c * d
        if not abs(det) > 0.0:
            return 0.0
        sign = sign if det > 0.0 else -sign
        a, c, d, e = e / det, -c / det, -d / det, a / det
        A[p, p], A[p, p + 1], A[p + 1, p], A[p + 1, p + 1] = a, c, d, e
        for i in range(p + 2, n, 2):  # two rows at a time share the loads of the pivot rows
            f = A[i, p] * a + A[i, p + 1] * d
            g = A[i, p] * c + A[i, p + 1] * e
            A[i, p], A[i, p + 1] = f, g
            f2 = A[i + 1, p] * a + A[i + 1, p + 1] * d
            g2 = A[i + 1, p] * c + A[i + 1, p + 1] * e
            A[i + 1, p], A[i + 1, p + 1] = f2, g2
            for j in range(p + 2, n):
                first, second = A[p, j], A[p + 1, j]
                A[i, j] = fma(-f, first, fma(-g, second, A[i, j]))
                A[i + 1, j] = fma(-f2, first, fma(-g2, second, A[i + 1, j]))
    return sign


@inner
def solve(A: Floats, m: int, y: Floats) -> None:
    """y <- A^-1 y with the factors of `factor`."""
    n = A.shape[0]
    for i in range(1, n):
        # row i was reduced by every pivot before its own block
        stop = i if i < m else m + 2 * ((i - m) // 2)
        total = 0.0
        for j in range(stop):
            total += A[i, j] * y[j]
        y[i] -= total
    for p in range(n - 2, m - 2, -2):
        first, second = y[p], y[p + 1]
        for j in range(p + 2, n):
            first -= A[p, j] * y[j]
            second -= A[p + 1, j] * y[j]
        y[p] = A[p, p] * first + A[p, p + 1] * second
        y[p + 1] = A[p + 1, p] * first + A[p + 1, p + 1] * second
    for p in range(m - 1, -1, -1):
        total = y[p]
        for j in range(p + 1, n):
            total -= A[p, j] * y[j]
        y[p] = total * A[p, p]


@inner
def newton(b: Balance, x: Floats, tolerance: float, have_factors: bool, limit: int) -> int:
    """Solve the balance from the guess x; 1 converged on a branch of stable index, 0 not.

    Old factors (of a neighbouring frequency) are used while they contract the step fourfold, and
    renewed when they do not. A negative determinant marks a saddle, the far side of a fold.
    """
    basis, fourier, pairs, place, k, _, secants, tangents, force, KL, CL = b[:11]
    features, coefficients, secant, tangent, spectrum, nonlinear, A, r = b[11:]
    m = k.size
    n = x.size
    fresh = False
    renewals = 0
    previous = np.inf
    for step in range(limit):
        residual(
            x, basis, fourier, pairs, place, k, secants, force, KL, CL, features, coefficients,
            secant, nonlinear, spectrum, r,
        )  # fmt: skip
        if not have_factors:
            jacobian(place, k, tangents, KL, CL, features, fourier, tangent, spectrum, A)
            if factor(A, m) <= 0.0:
                return 0
            have_factors, fresh = True, True
            renewals += 1
        solve(A, m, r)
        largest, size = 0.0, 0.0
        for i in range(n):
            x[i] -= r[i]
            largest = max(largest, abs(r[i]))
            size = max(size, abs(x[i]))
        if not largest < 1e6:
            return 0
        change = largest / (size + 1e-300)
        if change < tolerance:
            return 1
        if change > 0.25 * previous or (step == 0 and change > 0.03 and not fresh):
            if fresh and renewals > 6:
                return 0
            have_factors = False
        previous = change
    return 0


@inner
def cubic_weights(nodes: Floats, w: float) -> tuple[int, int, Floats]:
    """First node, number and weights of Lagrange's polynomial at w, the nearest end's outside."""
    count = min(4, nodes.size)
    w = min(max(w, nodes[0]), nodes[nodes.size - 1])
    low, high = 0, nodes.size - 1
    while high - low > 1:
        middle = (low + high) // 2
        if nodes[middle] <= w:
            low = middle
        else:
            high = middle
    first = min(max(low - 1, 0), nodes.size - count)
    weights = np.ones(4)
    for i in range(count):
        for j in range(count):
            if j != i:
                gap = nodes[first + i] - nodes[first + j]
                weights[i] *= (w - nodes[first + j]) / gap
    return first, count, weights


@inner
def set_frequency(b: Balance, w: float, nodes: Floats, R: Floats, X: Floats) -> None:
    """b.KL, b.CL <- dynamic stiffness of every harmonic at w, radiation from that at the nodes."""
    KL, CL, k, c = b.KL, b.CL, b.k, b.c
    harmonics, m = KL.shape[0], k.size
    first, count, weights = cubic_weights(nodes, w)
    if R.shape[0] == 0:
        count = 0
    for h in range(harmonics):
        hw = (h + 1) * w
        for i in range(m):
            for j in range(m):
                r, x = 0.0, 0.0
                for t in range(count):
                    r += weights[t] * R[first + t, h, i, j]
                    x += weights[t] * X[first + t, h, i, j]
                KL[h, i, j] = -hw * x
                CL[h, i, j] = hw * r
            KL[h, i, i] += k[i] - hw * hw
            CL[h, i, i] += hw * c[i]


@inner
def balance_of(rows: Rows, row: int) -> Balance:
    """One row's balance, with a workspace of its own."""
    k = rows.k[row]
    weights = rows.secant_weights[row]
    m, harmonics = k.size, rows.harmonics.size
    n = m * (2 * harmonics + 1)
    padded, samples = rows.basis.shape
    pair, feature = weights.shape
    features = np.zeros((feature, samples))
    for t in range(samples):
        features[0, t] = rows.basis[1, t]
    return Balance(
        rows.basis,
        rows.fourier,
        rows.pairs,
        rows.place,
        k,
        rows.c[row],
        weights,
        rows.tangent_weights[row],
        rows.force[row],
        np.empty((harmonics, m, m)),
        np.empty((harmonics, m, m)),
        features,
        np.zeros((m, padded)),
        np.empty((pair, samples)),
        np.empty((pair, samples)),
        np.empty((pair, rows.fourier.shape[1])),
        np.empty((m, samples)),
        np.empty((n, n)),
        np.empty(n),
    )
