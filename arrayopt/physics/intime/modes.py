"""Several modes of every cell: coefficients for sweeps and pulses (M8.6, M12.10, M12.11)."""

from __future__ import annotations

from itertools import combinations_with_replacement, permutations
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.modes_kernel import ModeArrays
from arrayopt.physics.sound.radiation import directivity_series, impedance_series

MODES = 3
"""Most modes of a cell."""
DISPLACEMENT = 1e-6
"""Metres to the unit in which sweeps count displacements: powers of it fit single precision."""

FLAT = 1e-6
"""Quadratic springs below this share of the root of stiffness and cubic are none: they act by
their square."""


class Modal(NamedTuple):
    """Several modes of every cell (M8.6), the first being that of `ChipArrays`."""

    mass: Floats
    """(design, chip, cell, mode), as damping: without air (kg)."""
    damping: Floats
    stiffness: Floats
    """(design, chip, cell, mode, mode): a cavity without necks couples modes (N/m)."""
    quadratic: Floats
    """(design, chip, cell, mode, mode, mode) (N/m2)."""
    cubic: Floats
    """(design, chip, cell, mode, mode, mode, mode) (N/m3)."""
    force: NDArray[np.complex128]
    """(design, chip, cell, mode) (N)."""
    shape: Floats
    """(design, cell, mode, basis): see `radiation.hankel_transform`."""


def check_modes(modal: Modal, least: int) -> int:
    """Number of modes; ValueError where it is not handled."""
    modes = modal.mass.shape[-1]
    if not least <= modes <= MODES:
        raise ValueError(f"{modes} modes are given; {least} to {MODES} are handled.")
    return modes


def pair_series(arrays: ChipArrays, modal: Modal) -> tuple[Floats, Floats]:
    """Series of what each mode does to each (M5.5, M5.6), (design, cell, mode, mode, term)."""
    sides = arrays.resistance[..., :1] / impedance_series(modal.shape[..., 0, :])[0][..., :1]
    one, other = modal.shape[..., :, None, :], modal.shape[..., None, :, :]
    r, x = impedance_series(one, other=other)
    return sides[..., None, None, :] * r, sides[..., None, None, :] * x


def distinct(tensor: Floats, factors: int) -> tuple[Floats, NDArray[np.int64]]:
    """Mean entry of a symmetric tensor's last axes for every set of indices, and their number."""
    modes = tensor.shape[-1]
    flat = tensor.reshape(*tensor.shape[: tensor.ndim - factors], -1)
    found, orders = [], []
    for which in combinations_with_replacement(range(modes), factors):
        every = sorted(set(permutations(which)))
        places = [np.ravel_multi_index(place, (modes,) * factors) for place in every]
        found.append(flat[..., places].mean(axis=-1))
        orders.append(len(every))
    return np.stack(found, axis=-1), np.array(orders)


def no_modes(arrays: ChipArrays) -> ModeArrays:
    """Of cells with one mode and one harmonic."""
    none, even = np.zeros((0,) * 4), np.zeros(len(arrays.mass), dtype=np.int64)
    fields: dict[str, Any] = dict.fromkeys(ModeArrays._fields, none)
    return ModeArrays(**fields | {"even": even})


def mode_arrays(arrays: ChipArrays, modal: Modal) -> ModeArrays:
    """Arrange several modes for sweeps, displacements in units of `DISPLACEMENT`."""
    modes = check_modes(modal, 1)
    strength = arrays.strength[..., None]
    cubic = distinct(modal.cubic, 4)[0] * DISPLACEMENT**2 / strength**4
    quadratic = distinct(modal.quadratic, 3)[0] * DISPLACEMENT / strength**3
    one, two = np.triu_indices(modes)
    transform = directivity_series(modal.shape)
    share = transform[..., 0] / transform[..., :1, 0]
    resistance, reactance = (series[..., one, two, :] for series in pair_series(arrays, modal))
    force = modal.force / DISPLACEMENT
    whole = {
        "mass": modal.mass,
        "damping": modal.damping,
        "force_re": force.real,
        "force_im": force.imag,
        "volume": arrays.volume[..., None] * share[:, None],
        "stiffness": 0.5 * (modal.stiffness + np.swapaxes(modal.stiffness, -1, -2))[..., one, two],
        "springs": np.concatenate([cubic, quadratic], axis=-1),
        "resistance": resistance,
        "reactance": reactance,
        "transform": transform,
    }
    return ModeArrays(
        **{name: np.array(value, dtype=np.float64, order="C") for name, value in whole.items()},
        even=_bowed(modal),
    )


def _bowed(modal: Modal) -> Ints:
    """1 for designs whose quadratic springs can be felt, (design,)."""
    cubic = np.abs(modal.cubic[..., 0, 0, 0, 0]) * np.abs(modal.stiffness[..., 0, 0])
    largest = np.abs(modal.quadratic).max(axis=(-3, -2, -1))
    return np.asarray((largest > FLAT * np.sqrt(cubic)).any(axis=(1, 2)), dtype=np.int64)
