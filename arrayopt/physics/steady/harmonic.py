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

from arrayopt.base.arrays import Floats
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.steady.harmonic_kernel import Rows
from arrayopt.physics.steady.harmonic_motion import ESCAPED, UNCONVERGED, UNSTABLE
from arrayopt.physics.steady.harmonic_rows import rows_of
from arrayopt.physics.steady.harmonic_sweep import sweep_rows

_JUMPS = 4


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
    static_shift: Floats
    """Mean displacement (..., f, m) [m]."""
    status: NDArray[np.int64]
    """HarmonicStatus (..., f)."""
    jump_frequency: Floats
    """Angular frequencies of the first four jumps met on the sweep (..., 4), else nan [rad/s]."""
    multiplier: Floats
    """Largest Floquet multiplier's modulus (..., f), nan where not computed."""
    harmonics: NDArray[np.complex128]
    """(..., f, H+1, m) amplitudes of harmonics 0..H [m]; size 0 unless asked for."""
    rows: Rows
    """The groups in the units of their balance, leading axes made one: to go on from."""
    states: Floats
    """Unknowns of the balances (row, f, m (2H+1))."""


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
    radiation_frequency: ArrayLike | None = None,
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
    radiation_frequency : (..., node) where the radiation is given instead of at every f, increasing
        [rad/s]: cubic interpolation between, the nearest node's value outside.
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

    def flat(x: Floats, tail: int) -> Floats:
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
    if (radiation_resistance is None) != (radiation_reactance is None):
        raise ValueError("give radiation_resistance and radiation_reactance together")
    nodes = w
    if radiation_frequency is not None:
        nodes = flat(np.asarray(radiation_frequency, float), 1)
        nodes = np.where(good, nodes, 1.0 + np.arange(nodes.shape[1]))
    radiation = None
    if radiation_resistance is not None and radiation_reactance is not None:
        both = [np.asarray(x, float) for x in (radiation_resistance, radiation_reactance)]
        wanted = (nodes.shape[1], harmonics, m, m)
        for x in both:
            if x.shape[-4:] != wanted:
                raise ValueError(f"radiation shape {x.shape[-4:]}; {wanted} is needed")
        R, X = (flat(x, 4) for x in both)
        valid &= np.isfinite(R).all(axis=(1, 2, 3, 4)) & np.isfinite(X).all(axis=(1, 2, 3, 4))
        known = valid.reshape(-1, 1, 1, 1, 1)
        radiation = np.where(known, R, 0.0), np.where(known, X, 0.0)
    scaled = rows_of(M, K, D, Q, T, F, P, flat(scale, 0), harmonics, nodes, radiation)
    n = m * (2 * harmonics + 1)
    states = np.empty((rows, f, n))
    multiplier = np.full((rows, f), np.nan)
    jumps = np.full((rows, _JUMPS), np.nan)
    status = np.zeros((rows, f), dtype=np.int64)
    # a transient falls to 1e-2 in about 1.5 Q periods; a slow fold takes several times as long
    slowest = (scaled.c / np.sqrt(scaled.k)).min(axis=1)
    periods = np.minimum(4000.0, 64.0 + 6.0 / slowest).astype(np.int64)
    spread(
        sweep_rows, rows, scaled, w / scaled.unit[:, None],
        np.ascontiguousarray(np.broadcast_to(up, lead)).reshape(rows),
        tolerance, interpolation, stability_every, periods, states, multiplier, jumps, status,
    )  # fmt: skip
    size = scaled.size[:, None, :]
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
        (jumps * scaled.unit[:, None]).reshape(*lead, _JUMPS),
        multiplier.reshape(*lead, f),
        kept,
        scaled,
        states,
    )
