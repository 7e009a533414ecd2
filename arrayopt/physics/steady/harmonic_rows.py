"""Coupled modes in the units of their harmonic balance (M7.11)."""

from __future__ import annotations

import math

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.steady.harmonic_kernel import Rows

_SYMMETRY = 1e-6


def _pairs(m: int) -> tuple[Ints, Ints]:
    pairs = np.array([(p, q) for p in range(m) for q in range(p, m)])
    place = np.empty((m, m), dtype=np.int64)
    for s, (p, q) in enumerate(pairs):
        place[p, q] = place[q, p] = s
    return pairs, place


def _padded(x: Floats, axis: int) -> Floats:
    """Zeros appended along an axis up to a multiple of four."""
    widths = [(0, 0)] * x.ndim
    widths[axis] = (0, -x.shape[axis] % 4)
    return np.ascontiguousarray(np.pad(x, widths))


def _bases(harmonics: int) -> tuple[Floats, Floats]:
    samples = 4 * (harmonics + 1)
    phase = 2 * math.pi * np.arange(samples) / samples
    basis = [np.ones(samples)]
    for h in range(1, harmonics + 1):
        basis += [np.cos(h * phase), np.sin(h * phase)]
    angle = phase[:, None] * np.arange(2 * harmonics + 1)
    fourier = np.hstack([np.cos(angle), np.sin(angle)]) / samples
    return _padded(np.array(basis), 0), _padded(fourier, 1)


def _inner_symmetric(tensor: Floats) -> Floats:
    """The same force with equal entries under permutation of the indices it is contracted over."""
    if tensor.ndim == 4:
        return 0.5 * (tensor + tensor.swapaxes(2, 3))
    order = [(2, 3, 4), (2, 4, 3), (3, 2, 4), (3, 4, 2), (4, 2, 3), (4, 3, 2)]
    return np.asarray(sum(tensor.transpose(0, 1, *p) for p in order) / 6.0)


def _potential_tensor(tensor: Floats, name: str) -> Floats:
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


def rows_of(
    mass: Floats,
    stiffness: Floats,
    damping: Floats,
    quadratic_tensor: Floats,
    cubic_tensor: Floats,
    force: Floats,
    parametric_stiffness: Floats,
    length: Floats,
    harmonics: int,
    nodes: Floats,
    radiation: tuple[Floats, Floats] | None,
) -> Rows:
    """Arrays of `harmonic_sweep`, each (row, ...), made dimensionless.

    ``length`` (row,), 0 where it is to be chosen; ``nodes`` (row, node) and ``radiation``
    (row, node, H, m, m) resistance and reactance.
    """
    M, K, D, F, P = mass, stiffness, damping, force, parametric_stiffness
    Q = _potential_tensor(quadratic_tensor, "quadratic_tensor")
    T = _potential_tensor(cubic_tensor, "cubic_tensor")
    rows, m = K.shape
    # M7.11: time by the first mode, coordinates of unit mass, lengths by h
    w1 = np.sqrt(K[:, 0] / M[:, 0])
    cubic = np.abs(T[:, 0, 0, 0, 0])
    natural = np.sqrt(K[:, 0] / np.where(cubic > 0, cubic, K[:, 0]))
    h = np.where(length > 0, length, natural)
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
    basis, fourier = _bases(harmonics)
    weight = a[:, :, None] * a[:, None, :] / (M[:, 0] * w1)[:, None, None]
    resistance = reactance = np.zeros((rows, 0, harmonics, m, m))
    if radiation is not None:
        resistance, reactance = (x * weight[:, None, None] for x in radiation)
    return Rows(
        basis, fourier, pairs, place, np.arange(1, harmonics + 1), k, c, secant, tangent, drive,
        nodes / w1[:, None], resistance, reactance, w1, h[:, None] * a,
    )  # fmt: skip
