"""Stability of cells with a necked back, the neck's own motion included (M7.19)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Floats
from arrayopt.physics.back.neck_kernel import neck_coefficients
from arrayopt.physics.sound.radiation import impedance_from_series


def necked_growth(
    amplitude: ArrayLike,
    *,
    frequency: ArrayLike,
    mass: ArrayLike,
    damping: ArrayLike,
    stiffness: ArrayLike,
    cubic: ArrayLike,
    radius: ArrayLike,
    volume: ArrayLike,
    cavity: ArrayLike,
    resistance: Floats,
    reactance: Floats,
    neck: Floats,
    density: float,
    sound_speed: float,
) -> NDArray[np.complex128]:
    """Growth rates of small disturbances of steady states of lone cells (M7.19).

    Parameters
    ----------
    amplitude : complex array (...)
        Steady centre displacement [m].
    frequency : array (...)
        [Hz], positive; broadcast with it, as all arrays are.
    mass, damping, stiffness, cubic, radius, volume, cavity : as in `necked.necked_figures`.
    resistance, reactance : array (..., term)
        Series of the self impedance.
    neck, density, sound_speed : as there.

    Returns
    -------
    complex array (..., 4)
        [1/s], largest real part first: stable where that is negative. Slow envelopes of diaphragm
        and neck, with air and neck as masses and resistances of the drive frequency: right to the
        order of (rate / w).
    """
    state, hertz = np.asarray(amplitude), np.asarray(frequency, dtype=np.float64)
    names = (mass, damping, stiffness, cubic, radius, volume, cavity)
    m, c, k, g, a, S, K = (np.asarray(x, dtype=np.float64) for x in names)
    w = 2.0 * np.pi * hertz
    R, X, _ = impedance_from_series(w / sound_speed * a, resistance, reactance)
    load = density * sound_speed * np.pi * a**2
    flat = [neck_coefficients(x, neck, density, sound_speed) for x in w.ravel()]
    area, moving, resisting = np.array(flat).T.reshape(3, *w.shape)
    # Z(w - j d/dt) = Z + (2 j w m + c) d/dt for each of the two
    slow = np.stack(np.broadcast_arrays(
        2j * w * m + 2j * load * X + c + load * R, 2j * w * moving + resisting
    ), axis=-1)  # fmt: skip
    own = k + K * S**2 - w**2 * m - w * load * X + 1j * w * (c + load * R)
    shape = np.broadcast_shapes(own.shape, state.shape)
    direct = np.zeros((*shape, 2, 2), dtype=complex)
    turned = np.zeros_like(direct)
    direct[..., 0, 0] = own + 1.5 * g * np.abs(state) ** 2
    direct[..., 0, 1] = direct[..., 1, 0] = -K * S * area
    direct[..., 1, 1] = K * area**2 - w**2 * moving + 1j * w * resisting
    turned[..., 0, 0] = 0.75 * g * state**2
    P, Q = (-x / slow[..., :, None] for x in (direct, turned))
    flow = np.concatenate(
        [
            np.concatenate([(P + Q).real, (Q - P).imag], axis=-1),
            np.concatenate([(P + Q).imag, (P - Q).real], axis=-1),
        ],
        axis=-2,
    )
    rates = np.linalg.eigvals(flow)
    order = np.argsort(-rates.real, axis=-1)
    return np.asarray(np.take_along_axis(rates, order, axis=-1))
