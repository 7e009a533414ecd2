"""Compiled core of M9: one frequency's coupled equations, and Newton on them.

All vectors of a state are (2 site,) floats, real parts first, so that loops vectorise.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.back.neck_kernel import NECK_COUNT, back_pressure, neck_coefficients
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.sound.pair import pair_term, paths, strengths
from arrayopt.physics.sound.radiation import self_reactance_series, self_resistance_series

KRYLOV = 40
"""Largest Krylov basis before a restart."""
NEWTON_STEPS = 8

CONVERGED, STALLED = 0, 1


class CoupledArrays(NamedTuple):
    """Coefficients of a batch of arrays; (design, group) in C order unless noted.

    A site stands for all cells that symmetry makes alike (`coupled.site_table`).
    """

    mass: Floats
    """Modal mass without air (kg)."""
    damping: Floats
    """Intrinsic damping (N s/m)."""
    stiffness: Floats
    """(N/m)."""
    cubic: Floats
    """(N/m3), either sign; zero for small signals."""
    force_re: Floats
    """Complex drive force amplitude, real part (N)."""
    force_im: Floats
    radius: Floats
    """(m)."""
    resistance: Floats
    """(design, group, term): series of the self impedance (M5.5), all radiating sides."""
    reactance: Floats
    terms: Ints
    """(design,): terms of both series that are used."""
    transform: Floats
    """(design, group, term): series of the shape's Hankel transform (M5.3)."""
    scale: Floats
    """(design,): metres per unit of ``distance``."""
    distance: Floats
    """(pair class,): the different distances between cells."""
    site_group: Ints
    """(site,)."""
    site_count: Floats
    """(site,): cells that the site stands for."""
    cell_site: Ints
    """(cell,)."""
    link: Ints
    """(link, 3): site that feels, site that is felt, which distance (`coupled.SiteTable`)."""
    weight: Floats
    """(link,): how many cells of the felt site lie there."""
    lead: Floats
    """(design, site): the drive lags by this time (s); used for steering."""
    coupling: Floats
    """(design,): factor on the mutual impedance: radiating sides, or 0 to leave it out."""
    volume: Floats
    """Displaced volume per centre displacement (m2), of cells with necks."""
    cavity: Floats
    """Pressure per displaced volume of a cavity with its necks closed (Pa/m3)."""
    neck: Floats
    """(4,): `neck_kernel.NECK_COUNT` and the places after it; 0 necks: cavities add nothing."""
    density: float
    sound_speed: float


class Workspace(NamedTuple):
    """Scratch of one thread; what belongs to the present frequency, and Newton's vectors."""

    detuning: Floats
    """(site,): k1 - w^2 m_eff (N/m)."""
    loss: Floats
    """(site,): w c_eff (N/m)."""
    inertia: Floats
    """(site,): 2 w m_eff (kg/s), of the slow flow."""
    force: Floats
    """(2 site,)."""
    c_re: Floats
    """(site from, site to): j w Z summed over the cells of the source site (N/m)."""
    c_im: Floats
    strength: Floats
    """(group, 3): t_0..t_2 of M5.9."""
    path: Floats
    """(pair class, 6): `pair.paths`."""
    alpha: Floats
    """(2 site,): Jacobian's part on A; beta: its part on conj(A); inverse_*: of each 2x2 block."""
    beta: Floats
    inverse_alpha: Floats
    inverse_beta: Floats
    basis: Floats
    """(KRYLOV + 1, 2 site)."""
    hessenberg: Floats
    small: Floats
    vector: Floats
    """(8, 2 site)."""


@kernel
def workspace(sites: int, groups: int, classes: int) -> Workspace:
    """Scratch for arrays of this size."""
    n = 2 * sites
    return Workspace(
        np.empty(sites),
        np.empty(sites),
        np.empty(sites),
        np.empty(n),
        np.empty((sites, sites)),
        np.empty((sites, sites)),
        np.empty((groups, 3)),
        np.empty((classes, 6)),
        np.empty(n),
        np.empty(n),
        np.empty(n),
        np.empty(n),
        np.empty((KRYLOV + 1, n)),
        np.empty((KRYLOV + 1, KRYLOV)),
        np.empty((4, KRYLOV + 1)),
        np.empty((8, n)),
    )


@kernel
def set_frequency(arrays: CoupledArrays, d: int, w: float, s: Workspace) -> None:
    """Fill the workspace with the coefficients of design d at w (rad/s): M9.1, M5.5, M5.9."""
    k = w / arrays.sound_speed
    sites = arrays.site_group.size
    terms = arrays.terms[d]
    necked = arrays.neck[NECK_COUNT] > 0.0
    area = moving = resisting = 0.0
    if necked:
        area, moving, resisting = neck_coefficients(
            w, arrays.neck, arrays.density, arrays.sound_speed
        )
    for i in range(sites):
        g = arrays.site_group[i]
        a = arrays.radius[d, g]
        ka = k * a
        loading = arrays.density * arrays.sound_speed * np.pi * a * a
        reactance = loading * self_reactance_series(ka, arrays.reactance[d, g, :terms])
        resistance = loading * self_resistance_series(ka, arrays.resistance[d, g, :terms])
        s.detuning[i] = arrays.stiffness[d, g] - w * (w * arrays.mass[d, g] + reactance)
        s.loss[i] = w * (arrays.damping[d, g] + resistance)
        s.inertia[i] = 2.0 * (w * arrays.mass[d, g] + reactance)
        if necked:
            # the slow flow takes the neck as settled at w (M9.4): no part in the inertia
            pull, drag = back_pressure(w, arrays.cavity[d, g], area, moving, resisting)
            s.detuning[i] += pull * arrays.volume[d, g] ** 2
            s.loss[i] += drag * arrays.volume[d, g] ** 2
        turn_re, turn_im = np.cos(w * arrays.lead[d, i]), -np.sin(w * arrays.lead[d, i])
        re, im = arrays.force_re[d, g], arrays.force_im[d, g]
        s.force[i] = re * turn_re - im * turn_im
        s.force[sites + i] = re * turn_im + im * turn_re
    s.c_re[:] = 0.0
    s.c_im[:] = 0.0
    if arrays.coupling[d] == 0.0:
        return
    strengths(arrays.radius[d], arrays.transform[d], k, s.strength)
    factor = -w * w * arrays.density * arrays.coupling[d]
    paths(arrays.distance, arrays.scale[d], k, factor, s.path)
    for n in range(arrays.weight.size):
        i, j, u = arrays.link[n, 0], arrays.link[n, 1], arrays.link[n, 2]
        first, second = arrays.site_group[i], arrays.site_group[j]
        re, im = pair_term(s.strength, first, second, arrays.weight[n], s.path[u])
        s.c_re[j, i] += re
        s.c_im[j, i] += im


@inner
def dot(x: Floats, y: Floats) -> float:
    """Inner product."""
    total = 0.0
    for i in range(x.size):
        total += x[i] * y[i]
    return total


@inner
def add_coupling(s: Workspace, x: Floats, out: Floats) -> None:
    """out += C x, by columns."""
    sites = s.loss.size
    for j in range(sites):
        a, b = x[j], x[sites + j]
        for i in range(sites):
            out[i] += s.c_re[j, i] * a - s.c_im[j, i] * b
            out[sites + i] += s.c_re[j, i] * b + s.c_im[j, i] * a


@inner
def residual(
    arrays: CoupledArrays, d: int, s: Workspace, x: Floats, scale: float, out: Floats
) -> None:
    """scale F - (d + 3/4 g |A|^2 + j l) A - C A (N; M9.1)."""
    sites = s.loss.size
    for i in range(2 * sites):
        out[i] = 0.0
    add_coupling(s, x, out)
    for i in range(sites):
        re, im = x[i], x[sites + i]
        bend = 0.75 * arrays.cubic[d, arrays.site_group[i]] * (re * re + im * im)
        stiff = s.detuning[i] + bend
        out[i] = scale * s.force[i] - stiff * re + s.loss[i] * im - out[i]
        out[sites + i] = scale * s.force[sites + i] - stiff * im - s.loss[i] * re - out[sites + i]


@inner
def set_jacobian(arrays: CoupledArrays, d: int, s: Workspace, x: Floats) -> None:
    """Jacobian alpha v + beta conj(v) + C v at a state, and its diagonal blocks' inverses."""
    sites = s.loss.size
    for i in range(sites):
        re, im = x[i], x[sites + i]
        bend = 0.75 * arrays.cubic[d, arrays.site_group[i]]
        a_re = s.detuning[i] + 2.0 * bend * (re * re + im * im)
        a_im = s.loss[i]
        b_re, b_im = bend * (re * re - im * im), 2.0 * bend * re * im
        s.alpha[i], s.alpha[sites + i] = a_re, a_im
        s.beta[i], s.beta[sites + i] = b_re, b_im
        a_re += s.c_re[i, i]
        a_im += s.c_im[i, i]
        size = a_re * a_re + a_im * a_im
        det = size - b_re * b_re - b_im * b_im
        # a lone cell may sit on its fold although the array does not
        floor = 1e-2 * size
        if abs(det) < floor:
            det = floor if det >= 0.0 else -floor
        s.inverse_alpha[i], s.inverse_alpha[sites + i] = a_re / det, -a_im / det
        s.inverse_beta[i], s.inverse_beta[sites + i] = -b_re / det, -b_im / det


@inner
def _blocks(alpha: Floats, beta: Floats, v: Floats, out: Floats) -> None:
    """out = alpha v + beta conj(v), cell by cell."""
    n = v.size // 2
    for i in range(n):
        re, im = v[i], v[n + i]
        out[i] = (alpha[i] + beta[i]) * re + (beta[n + i] - alpha[n + i]) * im
        out[n + i] = (alpha[n + i] + beta[n + i]) * re + (alpha[i] - beta[i]) * im


@inner
def solve_jacobian(s: Workspace, r: Floats, reduce: float, out: Floats) -> float:
    """GMRES for J out = r, preconditioned by the diagonal blocks; relative residual reached."""
    n = r.size
    H, v = s.hessenberg, s.basis
    cosine, sine, rhs, y = s.small[0], s.small[1], s.small[2], s.small[3]
    z = s.vector[7]
    size = np.sqrt(dot(r, r))
    out[:] = 0.0
    if size == 0.0:
        return 0.0
    for i in range(n):
        v[0, i] = r[i] / size
    rhs[0] = size
    m = min(n, KRYLOV)
    used = 0
    for k in range(m):
        w = v[k + 1]
        _blocks(s.inverse_alpha, s.inverse_beta, v[k], z)
        _blocks(s.alpha, s.beta, z, w)
        add_coupling(s, z, w)
        for i in range(k + 1):
            h = dot(w, v[i])
            H[i, k] = h
            for q in range(n):
                w[q] -= h * v[i, q]
        norm = np.sqrt(dot(w, w))
        for i in range(k):
            a, b = H[i, k], H[i + 1, k]
            H[i, k] = cosine[i] * a + sine[i] * b
            H[i + 1, k] = cosine[i] * b - sine[i] * a
        length = np.hypot(H[k, k], norm)
        used = k + 1
        if not length > 0.0:
            used = k
            break
        cosine[k], sine[k] = H[k, k] / length, norm / length
        H[k, k] = length
        rhs[k + 1] = -sine[k] * rhs[k]
        rhs[k] = cosine[k] * rhs[k]
        if abs(rhs[k + 1]) <= reduce * size or norm == 0.0:
            break
        for q in range(n):
            w[q] /= norm
    for i in range(used - 1, -1, -1):
        total = rhs[i]
        for q in range(i + 1, used):
            total -= H[i, q] * y[q]
        y[i] = total / H[i, i]
    for q in range(n):
        z[q] = 0.0
    for i in range(used):
        for q in range(n):
            z[q] += y[i] * v[i, q]
    _blocks(s.inverse_alpha, s.inverse_beta, z, out)
    return abs(rhs[used]) / size


@inner
def newton(
    arrays: CoupledArrays,
    d: int,
    s: Workspace,
    x: Floats,
    scale: float,
    tolerance: float,
    reach: float,
) -> int:
    """Newton from x, in place; CONVERGED when the residual is below tolerance x |F|.

    It gives up early: a step beyond ``reach`` times |x|, or one that does not halve the residual,
    means that the state is not near, and the caller has something better to do.
    """
    r, step = s.vector[0], s.vector[1]
    target = tolerance * scale * np.sqrt(dot(s.force, s.force))
    last = np.inf
    for _ in range(NEWTON_STEPS):
        residual(arrays, d, s, x, scale, r)
        size = np.sqrt(dot(r, r))
        if size <= target:
            return CONVERGED
        if not size < 0.5 * last:
            return STALLED
        last = size
        set_jacobian(arrays, d, s, x)
        solve_jacobian(s, r, min(max(0.3 * target / size, 1e-4), 1e-2), step)
        if not dot(step, step) <= reach * reach * dot(x, x):
            return STALLED
        for i in range(x.size):
            x[i] += step[i]
    return STALLED


@inner
def near(x: Floats, y: Floats, sites: int, bound: float) -> bool:
    """Whether no cell differs by more than ``bound`` of its amplitude (or 5 % of the largest)."""
    top = 0.0
    for i in range(sites):
        top = max(top, x[i] * x[i] + x[sites + i] * x[sites + i])
    floor = 0.05 * np.sqrt(top)
    for i in range(sites):
        a = np.hypot(x[i], x[sites + i])
        b = np.hypot(y[i], y[sites + i])
        if not np.hypot(x[i] - y[i], x[sites + i] - y[sites + i]) <= bound * (max(a, b) + floor):
            return False
    return True
