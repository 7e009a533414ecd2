"""Beam pattern of the array in a plane through its axis: width and highest lobe (M9.7)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.radiation import directivity_scalar

if TYPE_CHECKING:
    from arrayopt.base.arrays import Complex, Floats
    from arrayopt.models.array import ArrayModel


ANGLES = 721
"""Directions from -90 to 90 degrees; a quarter of a degree apart."""


def pattern_angles() -> Floats:
    """The polar angles of every beam pattern, (angle,) in rad."""
    return np.linspace(-0.5 * np.pi, 0.5 * np.pi, ANGLES)


def beam_patterns(model: ArrayModel, frequency: Floats, sweep: int) -> Floats:
    """Level of each chip against polar angle in two planes, relative to each one's largest.

    Parameters
    ----------
    model : says how every cell swings.
    frequency : array (design,) [Hz]
    sweep : UP, DOWN or SMALL

    Returns
    -------
    array (plane, design, chip, angle)
        In the target's plane, in which delays steer, and in the plane across it (M9.7). Far field,
        baffled half space. NaN where the frequency is NaN.
    """
    designs, made, target = model.designs, model.made, model.study.target
    chips, speed = model.count, model.study.air_state.sound_speed
    known = np.isfinite(frequency)
    lone = np.where(
        known, frequency, np.nanmax(made.nominal.natural_frequency, axis=1, initial=1.0)
    )
    moved = model.motion(lone, sweep) * made.arrays.volume[:, :chips]
    silent = (designs.drive_amplitude == 0.0)[:, None, designs.layout.group_of_cell]
    moved = np.where(silent & np.isnan(moved), 0.0, moved)
    moved = np.where(known[:, None, None], moved, np.nan)
    place, shape = designs.positions(), moved.shape[:2]
    row = np.repeat(np.arange(shape[0]), chips)
    planes = []
    for turn in (0.0, 0.5 * np.pi):
        azimuth = target.azimuth + turn
        delay = place @ np.array([np.cos(azimuth), np.sin(azimuth)]) / speed
        levels = pattern(
            moved.reshape(len(row), -1),
            delay=delay[row],
            w=2.0 * np.pi * lone[row],
            ka_per_w=made.arrays.radius[:, :chips].reshape(len(row), -1) / speed,
            directivity=made.arrays.transform[row] / made.arrays.transform[row][..., :1],
            steering=float(np.sin(target.polar)) if target.steered and turn == 0.0 else 0.0,
        )
        planes.append(levels.reshape(*shape, -1))
    return np.stack(planes)


def pattern(
    moved: Complex,
    *,
    delay: Floats,
    w: Floats,
    ka_per_w: Floats,
    directivity: Floats,
    steering: float = 0.0,
) -> Floats:
    """Levels (design, angle) of cells that displace volumes ``moved`` (design, cell) in one plane.

    Parameters
    ----------
    delay : (design, cell): way along the plane over the speed of sound [s].
    w : (design,) [rad/s].
    ka_per_w : (design, cell): radius over the speed of sound [s].
    directivity : (design, cell, term) of each cell, as in `response.Packed`.
    steering : sine of the polar angle that delays steer to in this plane.
    """
    out = np.full((w.size, ANGLES), np.nan)
    contiguous = np.ascontiguousarray
    spread(
        _patterns,
        w.size,
        contiguous(moved),
        contiguous(delay),
        contiguous(w),
        contiguous(ka_per_w),
        contiguous(directivity),
        np.sin(pattern_angles()),
        steering,
        out,
    )
    return out


def beam_width(pattern: Floats, *, level: float = 0.5**0.5) -> Floats:
    """Full angle around the largest lobe where the pattern stays above ``level`` (...,), rad.

    ``pattern`` (..., angle). Between directions it is the cubic through the nearest four, which
    holds lobes of 3 degrees to 1e-4. 180 degrees where it never falls below; NaN stays NaN.
    """
    out, _ = _lobes(pattern, level)
    return out


def side_lobe_level(pattern: Floats) -> Floats:
    """Highest level outside the main lobe, side or grating lobe alike, (...,) in dB.

    Over the main lobe's own. Between directions, as the width, the cubic through the nearest four.
    The main lobe ends at the first minimum on each side. -inf where there is no other lobe.
    """
    _, side = _lobes(pattern, 0.5**0.5)
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(side)


@kernel
def _patterns(
    start: int,
    stop: int,
    moved: Complex,
    delay: Floats,
    w: Floats,
    ka_per_w: Floats,
    directivity: Floats,
    sine: Floats,
    steering: float,
    out: Floats,
) -> None:
    cells = delay.shape[1]
    for d in range(start, stop):
        largest = 0.0
        for a in range(sine.size):
            sum_re = sum_im = 0.0
            for n in range(cells):
                ka = w[d] * ka_per_w[d, n] * sine[a]
                element = directivity_scalar(ka, directivity[d, n])
                phase = w[d] * delay[d, n] * (sine[a] - steering)
                c, s = np.cos(phase) * element, np.sin(phase) * element
                sum_re += moved[d, n].real * c - moved[d, n].imag * s
                sum_im += moved[d, n].real * s + moved[d, n].imag * c
            out[d, a] = np.hypot(sum_re, sum_im)
            largest = max(largest, out[d, a])
        for a in range(sine.size):
            out[d, a] /= largest


def _lobes(pattern: Floats, level: float) -> tuple[Floats, Floats]:
    rows = np.ascontiguousarray(pattern).reshape(-1, pattern.shape[-1])
    width, side = np.empty(len(rows)), np.empty(len(rows))
    _measure_lobes(rows, pattern_angles(), level, width, side)
    return width.reshape(pattern.shape[:-1]), side.reshape(pattern.shape[:-1])


@kernel
def _measure_lobes(
    pattern: Floats,
    angle: Floats,
    level: float,
    width: Floats,
    side: Floats,
) -> None:
    last = angle.size - 1
    for d in range(pattern.shape[0]):
        row = pattern[d]
        if np.isnan(row[0]):
            width[d] = np.nan
            side[d] = np.nan
            continue
        top = int(np.argmax(row))
        ends = np.empty(2)
        side[d] = 0.0
        for k in range(2):
            step = -1 if k == 0 else 1
            stop = 0 if k == 0 else last
            i = top
            while i != stop and row[i + step] >= level:
                i += step
            ends[k] = angle[i]
            if i != stop:
                before = max(min(i - step, last), 0)
                after = max(min(i + 2 * step, last), 0)
                share = _crossing(row[before], row[i], row[i + step], row[after], level)
                ends[k] = angle[i] + share * (angle[i + step] - angle[i])
            i = top
            while i != stop and row[i + step] <= row[i]:
                i += step
            while i != stop:
                i += step
                side[d] = max(side[d], _summit(row, i))
        width[d] = ends[1] - ends[0]
        side[d] /= _summit(row, top)


@inner
def _summit(row: Floats, i: int) -> float:
    """Value i, or where none beside it is larger the top of the cubic between it and the next."""
    last = row.size - 1
    if i == 0 or i == last or row[i - 1] > row[i] or row[i + 1] > row[i]:
        return float(row[i])
    step = 1 if row[i + 1] > row[i - 1] else -1
    before, beside, after = row[i - step], row[i + step], row[max(min(i + 2 * step, last), 0)]
    low, high = 0.0, 1.0
    for _ in range(40):
        one, two = low + (high - low) / 3.0, high - (high - low) / 3.0
        if _cubic(before, row[i], beside, after, one) < _cubic(before, row[i], beside, after, two):
            low = one
        else:
            high = two
    return _cubic(before, row[i], beside, after, 0.5 * (low + high))


@inner
def _cubic(before: float, here: float, beside: float, after: float, t: float) -> float:
    """The cubic through values at -1, 0, 1 and 2."""
    return (
        here * (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0
        - before * t * (t - 1.0) * (t - 2.0) / 6.0
        - beside * (t + 1.0) * t * (t - 2.0) / 2.0
        + after * (t + 1.0) * t * (t - 1.0) / 6.0
    )


@inner
def _crossing(before: float, above: float, below: float, after: float, level: float) -> float:
    """Where the cubic through values at -1, 0, 1 and 2 meets a level between 0 and 1."""
    low, high = 0.0, 1.0
    for _ in range(40):
        t = 0.5 * (low + high)
        if _cubic(before, above, below, after, t) >= level:
            low = t
        else:
            high = t
    return 0.5 * (low + high)
