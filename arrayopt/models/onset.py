"""Onset of the array on every chip: the drive at which its up- and its down-sweep part (M12.15)."""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.base.shares import reached
from arrayopt.models.made import Made
from arrayopt.models.rows import ends_of, rows_of
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.folds import fold_drives
from arrayopt.physics.intime.slow_flow import linear_figures
from arrayopt.physics.steady.steady import onset_force


def array_onsets(
    made: Made,
    drive: Floats,
    chips: int,
    measured: int,
    most: tuple[Floats, float] | None = None,
) -> Floats:
    """Drive amplitude at which steady states of each chip's array first fold.

    Parameters
    ----------
    made : Made
    drive : array (design, group)
        Drive amplitudes [V].
    chips : of each design.
    measured : so many of them are asked (M12.15). The onset of the others is that of their first
        cell on its own, times the median ratio of both over those asked.
    most : drives (design,) [V] and a share of chips: a design of which that share does not fold
        below its drive needs no value. For one measured chip.

    Returns
    -------
    array (design, chip)
        Amplitude of the channel driven most, all scaled together [V], of one mode and one harmonic
        a cell; infinite where nothing folds or nothing is driven, NaN beyond ``most``.
    """
    own = _own(made.arrays)[:, :chips]
    count = min(measured, chips)
    design = np.flatnonzero(np.isfinite(own).all(axis=1))
    onset = own.copy()
    largest = drive.max(axis=1, keepdims=True)
    volts = np.where(largest > 0.0, largest, 1.0)
    far = np.full(own.shape[:1], np.inf)
    if most is not None and measured == 1:
        with np.errstate(invalid="ignore"):
            # chips keep their order, so the first one's drive goes with that of the share
            far = most[0] / volts[:, 0] * own[:, 0] / reached(own, "min", most[1])
        far = np.where(np.isfinite(own).all(axis=1), far, np.inf)
    if design.size:
        each, chip = np.repeat(design, count), np.tile(np.arange(count), design.size)
        rows = rows_of(made, each, chip[:, None], scale=own[each, chip][:, None])
        ends = ends_of(rows, made.nominal)
        found = fold_drives(made.arrays, each, chip, *ends, far[each])
        found = found.reshape(design.size, count)
        onset[design] *= np.median(found / own[design, :count], axis=1, keepdims=True)
        onset[design, :count] = found
    onset[~np.isfinite(own)] = np.inf
    beyond = np.isinf(onset).any(axis=1) & np.isfinite(far)
    onset[beyond] = np.nan
    return np.asarray(onset * volts)


def _own(arrays: ChipArrays) -> Floats:
    """Factor on all forces at which the first cell of a chip on its own becomes bistable (M7.4)."""
    linear, force = linear_figures(arrays), np.hypot(arrays.force_re, arrays.force_im)
    stiffness = arrays.stiffness + arrays.cavity * arrays.volume**2
    mass = stiffness / linear.resonance**2
    critical = onset_force(mass, c=2.0 * mass * linear.decay, k1=stiffness, g=arrays.cubic)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.where(force > 0.0, critical / force, np.inf)
    return np.asarray(factor.min(axis=2))
