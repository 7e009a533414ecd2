"""Onset of the array on every chip: the drive at which its up- and its down-sweep part (M12.15)."""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Bools, Floats, Ints
from arrayopt.models.made import Made
from arrayopt.models.rows import Pace, Rows, ends_of, flow, rows_of
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.slow_flow import linear_figures
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.steady.steady import onset_force

LEVELS = np.geomspace(0.3, 1.3, 8)
"""Drives of a ladder, over the first onset of the chip's cells on their own."""
LADDERS = 3
"""How often a ladder is moved on before an onset is given up."""
POINTS = 1200
"""Frequencies at which two sweeps are compared."""


def array_onsets(made: Made, drive: Floats, chips: int, pace: Pace) -> Floats:
    """Drive amplitude at which the sweeps of each chip's array part by a tenth of the peak.

    Parameters
    ----------
    made : Made
    drive : array (design, group)
        Drive amplitudes [V].
    chips : of each design.
    pace : as many chips as it says are swept up and down at a ladder of drives, each at two
        rates from which the sweep's own lag is extrapolated to none (M12.15); the onset of the
        others is that of their first cell on its own, times the median ratio of both over these.

    Returns
    -------
    array (design, chip)
        Amplitude of the channel driven most, all scaled together [V]; infinite where nothing parts
        up to some twenty times the cells' own onset, or nothing is driven; NaN without a sweep.
    """
    own = _own(made.arrays)[:, :chips]
    count = min(pace.measured, chips)
    ratio = np.full((len(own), count), np.nan)
    open_ = np.asarray(np.isfinite(own[:, :count]).all(axis=1))
    base = np.ones(ratio.shape)
    for _ in range(LADDERS):
        todo = np.flatnonzero(open_)
        if not todo.size:
            break
        parted = _partings(made, pace, todo, (own[:, :count] * base)[todo])
        found, low, high = _crossings(parted, pace.parted)
        ratio[todo] = found * base[todo]
        whole = LEVELS[-1] / LEVELS[0]
        base[todo] *= np.where(low, 1.0 / whole, np.where(high, whole, 1.0))
        open_[todo] = (low | high).any(axis=1)
    middle = np.median(ratio, axis=1, keepdims=True)
    largest = drive.max(axis=1, keepdims=True)
    onset = own * np.where(np.isnan(middle), 1.0, middle)
    onset[:, :count] = np.where(np.isnan(ratio), onset[:, :count], own[:, :count] * ratio)
    return np.asarray(
        np.where(np.isfinite(own), onset, np.inf) * np.where(largest > 0.0, largest, 1.0)
    )


def _own(arrays: ChipArrays) -> Floats:
    """Factor on all forces at which the first cell of a chip on its own becomes bistable (M7.4)."""
    linear, force = linear_figures(arrays), np.hypot(arrays.force_re, arrays.force_im)
    stiffness = arrays.stiffness + arrays.cavity * arrays.volume**2
    mass = stiffness / linear.resonance**2
    critical = onset_force(mass, c=2.0 * mass * linear.decay, k1=stiffness, g=arrays.cubic)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.where(force > 0.0, critical / force, np.inf)
    return np.asarray(factor.min(axis=2))


def _partings(made: Made, pace: Pace, designs: Ints, factor: Floats) -> Floats:
    """How far up- and down-sweep part (design, chip, level), over the peak.

    ``factor`` (design, chip) on all forces is that of a ladder's level 1.
    """
    chips = factor.shape[1]
    each = -(-chips * LEVELS.size // LANES)
    wanted = np.arange(each * LANES) // LEVELS.size
    chip = np.tile(np.minimum(wanted, chips - 1).reshape(each, LANES), (designs.size, 1))
    level = np.tile(np.resize(LEVELS, (each, LANES)), (designs.size, 1))
    design = np.repeat(designs, each)
    scale = factor[np.repeat(np.arange(designs.size), each)[:, None], chip] * level
    rows = rows_of(made, design, chip, scale=scale)
    ends = ends_of(rows, made.nominal)
    parted = [_parting(rows, pace, *ends, slowness) for slowness in pace.onset]
    slow, fast = pace.onset
    whole = parted[0] + fast / (slow - fast) * (parted[0] - parted[1])
    whole = whole.reshape(designs.size, -1)[:, : chips * LEVELS.size]
    return whole.reshape(designs.size, chips, LEVELS.size)


def _parting(rows: Rows, pace: Pace, low: Floats, high: Floats, slowness: float) -> Floats:
    """Largest difference of the sweeps (row, lane) at one frequency, over the peak.

    Each is moved back by the time in which a cell forgets.
    """
    decay = linear_figures(rows.arrays).decay
    slowest = decay.min(axis=(1, 2))[:, None]
    late = slowest**2 / (np.pi**2 * slowness) / np.median(decay, axis=2)
    grid = np.linspace(low, high, POINTS, axis=1)
    size = np.empty((2, *late.shape, POINTS))
    for way, (start, stop) in enumerate(((low, high), (high, low))):
        found = flow(rows, pace, start, stop, slowness=slowness)
        sign = 1 - 2 * way
        for r, n in enumerate(np.isfinite(found.frequency).sum(axis=1)):
            at, volume = found.frequency[r, :n][::sign], np.abs(found.volume[r, :, :n])[:, ::sign]
            for c, mine in enumerate(volume):
                size[way, r, c] = np.interp(grid[r], at - sign * late[r, c], mine)
    return np.asarray(np.abs(size[0] - size[1]).max(axis=-1) / size.max(axis=(0, -1)))


def _crossings(parted: Floats, limit: float) -> tuple[Floats, Bools, Bools]:
    """Level at which each ladder (..., level) first passes a limit; below or above all of them."""
    over = parted > limit
    k = np.argmax(over, axis=-1)
    low, high = over[..., 0], np.asarray(~over.any(axis=-1))
    k = np.where(low | high, 1, k)
    before, after = (np.take_along_axis(parted, i[..., None], -1)[..., 0] for i in (k - 1, k))
    step = np.log(LEVELS[1] / LEVELS[0])
    share = np.divide(limit - before, after - before, out=np.zeros(k.shape), where=~(low | high))
    level = LEVELS[k - 1] * np.exp(step * share)
    level = np.where(low, LEVELS[0], np.where(high, np.inf, level))
    return np.where(np.isnan(parted).any(axis=-1), np.nan, level), low, high
