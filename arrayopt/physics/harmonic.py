"""Steady states of several coupled modes with several harmonics (M7.11 to M7.17).

M q'' + C q' + K q + Q(q, q) + T(q, q, q) + cos(wt) P q = F cos wt for 1 to 4 modes, balanced in
the harmonics 0..H and followed along slow frequency sweeps through their jumps.
"""

from __future__ import annotations

import math
from enum import IntFlag
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.physics.harmonic_kernel import Array, Index
from arrayopt.physics.harmonic_motion import ESCAPED, UNCONVERGED, UNSTABLE
from arrayopt.physics.harmonic_sweep import sweep_rows
from arrayopt.physics.threads import spread

_JUMPS = 4
_SYMMETRY = 1e-6


class HarmonicStatus(IntFlag):
    """What is wrong with a multi-harmonic steady state; 0 means nothing."""

    OK = 0
    INVALID = 1
    """Mass, stiffness, damping or frequency not positive, or a value not finite: nan."""
    UNCONVERGED = UNCONVERGED
    """After a jump no steady state was reached in the time allowed: the motion may be
    quasi-periodic; try more harmonics or a finer grid, or integrate in time. nan."""
    UNSTABLE = UNSTABLE
    """A Floquet multiplier lies outside the unit circle although the sweep got here: the true
    motion is modulated. The value is the unstable periodic state."""
    ESCAPED = ESCAPED
    """The motion ran away over a potential barrier (softening without a stop): nan."""


class HarmonicSweep(NamedTuple):
    """Result of `harmonic_sweep`; axes (..., f) frequency, m mode."""

    amplitude: NDArray[np.complex128]
    """First harmonic (..., f, m), q = Re(A e^{jwt}) [m]."""
    static_shift: Array
    """Mean displacement (..., f, m) [m]."""
    status: NDArray[np.int64]
    """HarmonicStatus (..., f)."""
    jump_frequency: Array
    """Angular frequencies of the first four jumps met on the sweep (..., 4), else nan [rad/s]."""
    multiplier: Array
    """Largest Floquet multiplier's modulus (..., f), nan where not computed."""
    harmonics: NDArray[np.complex128]
    """(..., f, H+1, m) amplitudes of harmonics 0..H [m]; size 0 unless asked for."""


def _pairs(m: int) -> tuple[Index, Index]:
    pairs = np.array([(p, q) for p in range(m) for q in range(p, m)])
    place = np.empty((m, m), dtype=np.int64)
    for s, (p, q) in enumerate(pairs):
        place[p, q] = place[q, p] = s
    return pairs, place


def _padded(x: Array, axis: int) -> Array:
    """Zeros appended along an axis up to a multiple of four."""
    widths = [(0, 0)] * x.ndim
    widths[axis] = (0, -x.shape[axis] % 4)
    return np.ascontiguousarray(np.pad(x, widths))


def _bases(harmonics: int) -> tuple[Array, Array]:
    samples = 4 * (harmonics + 1)
    phase = 2 * math.pi * np.arange(samples) / samples
    basis = [np.ones(samples)]
    for h in range(1, harmonics + 1):
        basis += [np.cos(h * phase), np.sin(h * phase)]
    angle = phase[:, None] * np.arange(2 * harmonics + 1)
    fourier = np.hstack([np.cos(angle), np.sin(angle)]) / samples
    return _padded(np.array(basis), 0), _padded(fourier, 1)


def _inner_symmetric(tensor: Array) -> Array:
    """The same force with equal entries under permutation of the indices it is contracted over."""
    if tensor.ndim == 4:
        return 0.5 * (tensor + tensor.swapaxes(2, 3))
    order = [(2, 3, 4), (2, 4, 3), (3, 2, 4), (3, 4, 2), (4, 2, 3), (4, 3, 2)]
    return np.asarray(sum(tensor.transpose(0, 1, *p) for p in order) / 6.0)


def _potential_tensor(tensor: Array, name: str) -> Array:
    inner = _inner_symmetric(tensor)
    swapped = [inner.swapaxes(1, a) for a in range(1, inner.ndim)]
    full = _inner_symmetric(np.asarray(sum(swapped)) / len(swapped))
    size = np.abs(inner).max(axis=tuple(range(1, inner.ndim)), keepdims=True)
    if np.any(np.abs(full - inner) > _SYMMETRY * size):
        raise ValueError(
            f"{name} is not symmetric under exchange of its modal indices, so it does not derive "
            "from a potential. Build it as derivatives of the potential energy."
        )
    return full


def harmonic_sweep(
    angular_frequency: ArrayLike,
    *,
    mass: ArrayLike,
    stiffness: ArrayLike,
    damping: ArrayLike,
    quadratic_tensor: ArrayLike,
    cubic_tensor: ArrayLike,
    force: ArrayLike,
    harmonics: int = 3,
    sweep_up: ArrayLike = True,
    parametric_stiffness: ArrayLike | None = None,
    radiation_resistance: ArrayLike | None = None,
    radiation_reactance: ArrayLike | None = None,
    length: ArrayLike | None = None,
    stability_every: int = 4,
    tolerance: float = 1e-5,
    interpolation: float = 1e-4,
    keep_harmonics: bool = False,
) -> HarmonicSweep:
    """Periodic states of coupled modes along slow frequency sweeps, with their jumps.

    Parameters
    ----------
    angular_frequency : (..., f), strictly increasing [rad/s]. A sweep starts at its end from rest,
        so the grid should start outside the band where several states exist.
    mass, stiffness, damping : (..., m) modal [kg, N/m, N s/m].
    quadratic_tensor, cubic_tensor : (..., m, m, m), (..., m, m, m, m): restoring force on mode m
        sum Q_mnp q_n q_p + sum C_mnpq q_n q_p q_q [N/m^2, N/m^3]; from a potential.
    force : (..., m) amplitude of F cos wt [N].
    harmonics : H, 1 to 9; the mean is always balanced. See M7.14 for how many are needed.
    sweep_up : True for rising frequency, broadcast over the leading axes.
    parametric_stiffness : (..., m, m) amplitude of the stiffness change in phase with the drive
        (stiffness per volt times drive voltage) [N/m].
    radiation_resistance, radiation_reactance : (..., f, H, m, m) at h w, h = 1..H [N s/m], added to
        the damping; both or neither. Jumps and stability use their diagonal at w only.
    length : (...,) displacement scale [m]; default sqrt(k/|cubic|) of the first mode.
    stability_every : Floquet multipliers at every so many points (0: none). Folds are seen anyway.
    tolerance : of the Newton iteration, relative to the largest coefficient.
    interpolation : grid points may be interpolated between solved ones where that is good to this,
        relative to the largest coefficient; 0 solves at every point.
    keep_harmonics : return all harmonics.

    Returns
    -------
    HarmonicSweep.

    Validity: periodic motion at the drive's period; cubic forces are sampled without aliasing.
    Reference: Krack & Gross, Harmonic Balance for Nonlinear Vibration Problems (2019), chapter 2.
    """
    w = np.atleast_1d(np.asarray(angular_frequency, dtype=float))
    M, K, D, F = (np.asarray(x, dtype=float) for x in (mass, stiffness, damping, force))
    Q, T = np.asarray(quadratic_tensor, dtype=float), np.asarray(cubic_tensor, dtype=float)
    m, f = K.shape[-1], w.shape[-1]
    if not 1 <= m <= 4 or not 1 <= harmonics <= 9:
        raise ValueError(f"modes {m} and harmonics {harmonics}: 1 to 4 and 1 to 9 are supported")
    if f > 1 and not np.all(np.diff(w, axis=-1) > 0):
        raise ValueError("angular_frequency must increase along its last axis")
    P = (
        np.zeros((m, m))
        if parametric_stiffness is None
        else np.asarray(parametric_stiffness, float)
    )
    up = np.asarray(sweep_up, dtype=bool)
    scale = np.asarray(0.0 if length is None else length, dtype=float)
    lead = np.broadcast_shapes(
        w.shape[:-1], M.shape[:-1], K.shape[:-1], D.shape[:-1], F.shape[:-1], P.shape[:-2],
        Q.shape[:-3], T.shape[:-4], up.shape, scale.shape,
    )  # fmt: skip
    rows = math.prod(lead)

    def flat(x: Array, tail: int) -> Array:
        shape = x.shape[x.ndim - tail :]
        return np.ascontiguousarray(np.broadcast_to(x, lead + shape)).reshape((rows, *shape))

    w, M, K, D, F = (flat(x, 1) for x in (w, M, K, D, F))
    Q, T, P = flat(Q, 3), flat(T, 4), flat(P, 2)
    valid = np.all((M > 0) & (K > 0) & (D > 0), axis=1) & np.all(w > 0, axis=1)
    for x in (w, M, K, D, F, Q, T, P):
        valid &= np.isfinite(x).reshape(rows, -1).all(axis=1)
    good = valid[:, None]
    w, M, K, D, F = (np.where(good, x, 1.0 + np.arange(x.shape[1])) for x in (w, M, K, D, F))
    Q, T, P = (np.where(valid.reshape(-1, *[1] * (x.ndim - 1)), x, 0.0) for x in (Q, T, P))
    Q, T = _potential_tensor(Q, "quadratic_tensor"), _potential_tensor(T, "cubic_tensor")

    # M7.11: time by the first mode, coordinates of unit mass, lengths by h
    w1 = np.sqrt(K[:, 0] / M[:, 0])
    cubic = np.abs(T[:, 0, 0, 0, 0])
    natural = np.sqrt(K[:, 0] / np.where(cubic > 0, cubic, K[:, 0]))
    h = np.where(flat(scale, 0) > 0, flat(scale, 0), natural)
    a = np.sqrt(M[:, :1] / M)  # q_i = h a_i u_i
    unit = M[:, 0] * w1**2
    k = K / M / w1[:, None] ** 2
    c = D / M / w1[:, None]
    pairs, place = _pairs(m)
    p, q = pairs.T
    Qs = np.einsum("rijk,ri,rj,rk->rijk", Q, a, a, a) * (h / unit)[:, None, None, None]
    Ts = (
        np.einsum("rijkl,ri,rj,rk,rl->rijkl", T, a, a, a, a)
        * (h * h / unit)[:, None, None, None, None]
    )
    parametric = (P * a[:, :, None] * a[:, None, :])[:, p, q, None] / unit[:, None, None]
    linear = Qs[:, p, q, :]
    square = Ts[:, p, q][:, :, p, q] * np.where(p == q, 1.0, 2.0)
    secant = _padded(np.concatenate([parametric, linear, square], axis=2), 2)
    tangent = _padded(np.concatenate([parametric, 2.0 * linear, 3.0 * square], axis=2), 2)
    drive = F * a / (unit * h)[:, None]

    def radiation(x: ArrayLike | None) -> Array:
        if x is None:
            return np.zeros((rows, 0, harmonics, m, m))
        full = flat(np.asarray(x, dtype=float), 4)
        if full.shape[1:] != (f, harmonics, m, m):
            raise ValueError(f"radiation shape {full.shape[1:]}; {(f, harmonics, m, m)} is needed")
        weight = a[:, :, None] * a[:, None, :] / (M[:, 0] * w1)[:, None, None]
        return full * weight[:, None, None]

    if (radiation_resistance is None) != (radiation_reactance is None):
        raise ValueError("give radiation_resistance and radiation_reactance together")
    resistance, reactance = radiation(radiation_resistance), radiation(radiation_reactance)
    if resistance.size:
        finite = np.isfinite(resistance).all(axis=(1, 2, 3, 4)) & np.isfinite(reactance).all(
            axis=(1, 2, 3, 4)
        )
        valid &= finite
        resistance, reactance = (
            np.where(valid.reshape(-1, 1, 1, 1, 1), x, 0.0) for x in (resistance, reactance)
        )
    basis, fourier = _bases(harmonics)
    n = m * (2 * harmonics + 1)
    states = np.empty((rows, f, n))
    multiplier = np.full((rows, f), np.nan)
    jumps = np.full((rows, _JUMPS), np.nan)
    status = np.zeros((rows, f), dtype=np.int64)
    # a transient falls to 1e-2 in about 1.5 Q periods; a slow fold takes several times as long
    slowest = (c / np.sqrt(k)).min(axis=1)
    periods = np.minimum(4000.0, 64.0 + 6.0 / slowest).astype(np.int64)
    spread(
        sweep_rows, rows, basis, fourier, pairs, place, k, c, secant, tangent, drive,
        w / w1[:, None], resistance, reactance,
        np.ascontiguousarray(np.broadcast_to(up, lead)).reshape(rows),
        tolerance, interpolation, stability_every, periods, states, multiplier, jumps, status,
    )  # fmt: skip
    size = (h[:, None] * a)[:, None, :]
    waves = states[:, :, m:].reshape(rows, f, harmonics, m, 2)
    first = (waves[:, :, 0, :, 0] - 1j * waves[:, :, 0, :, 1]) * size
    mean = states[:, :, :m] * size
    if not valid.all():
        status[~valid] = int(HarmonicStatus.INVALID)
        first[~valid], mean[~valid], multiplier[~valid], jumps[~valid] = (
            np.nan,
            np.nan,
            np.nan,
            np.nan,
        )
    kept = np.empty((*lead, f, 0, m), dtype=complex)
    if keep_harmonics:
        every = np.concatenate(
            [mean[:, :, None, :] + 0j, (waves[..., 0] - 1j * waves[..., 1])], axis=2
        )
        every[:, :, 1:] *= size[:, :, None, :]
        every[~valid] = np.nan
        kept = every.reshape(*lead, f, harmonics + 1, m)
    return HarmonicSweep(
        first.reshape(*lead, f, m),
        mean.reshape(*lead, f, m),
        status.reshape(*lead, f),
        (jumps * w1[:, None]).reshape(*lead, _JUMPS),
        multiplier.reshape(*lead, f),
        kept,
    )
