"""Beam pattern of the array in a plane through its axis: width and highest lobe (M9.7)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from arrayopt.models.one_mode.response import Packed, displacement_row
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.radiation import directivity_scalar

if TYPE_CHECKING:
    from numpy.typing import NDArray

ANGLES = 721
"""Directions from -90 to 90 degrees; a quarter of a degree apart."""


def pattern_angles() -> NDArray[np.float64]:
    """The polar angles of every beam pattern, (angle,) in rad."""
    return np.linspace(-0.5 * np.pi, 0.5 * np.pi, ANGLES)


def beam_pattern(
    packed: Packed,
    *,
    position: NDArray[np.float64],
    frequency: NDArray[np.float64],
    azimuth: float,
    steering: float,
    sound_speed: float,
    sweep: int,
    swing: NDArray[np.complex128] | None = None,
) -> NDArray[np.float64]:
    """Level of each design against polar angle in one plane, relative to its largest (M9.7).

    Parameters
    ----------
    packed : Packed
    position : array (design, cell, 2) [m]
    frequency : array (design,) [Hz]
    azimuth : float
        Plane of the pattern [rad].
    steering : float
        Sine of the polar angle that delays steer to in this plane; 0 for none.
    sound_speed : float [m/s]
    sweep : UP, DOWN or SMALL
    swing : complex array (design, group), optional
        Displacement of each group at the frequency, for a force of phase 0; default: of M7.1.

    Returns
    -------
    array (design, angle), pressure relative to the largest in the plane; far field, baffled
    half space. NaN where the frequency is NaN.
    """
    along = position[..., 0] * np.cos(azimuth) + position[..., 1] * np.sin(azimuth)
    out = np.full((frequency.size, ANGLES), np.nan)
    known = swing is not None
    moved = np.zeros(packed.mass.shape, dtype=np.complex128)
    if swing is not None:
        moved[:] = swing
    spread(
        _patterns,
        frequency.size,
        packed,
        np.ascontiguousarray(along / sound_speed),
        2.0 * np.pi * frequency,
        np.sin(pattern_angles()),
        steering,
        sweep,
        known,
        moved,
        out,
    )
    return out


def beam_width(pattern: NDArray[np.float64], *, level: float = 0.5**0.5) -> NDArray[np.float64]:
    """Full angle around the largest lobe where the pattern stays above ``level`` (design,), rad.

    ``pattern`` (design, angle). Between directions it is the cubic through the nearest four, which
    holds lobes of 3 degrees to 1e-4. 180 degrees where it never falls below; NaN stays NaN.
    """
    out, _ = _lobes(pattern, level)
    return out


def side_lobe_level(pattern: NDArray[np.float64]) -> NDArray[np.float64]:
    """Highest level outside the main lobe, side or grating lobe alike, (design,) in dB.

    The main lobe ends at the first minimum on each side. -inf where there is no other lobe.
    """
    _, side = _lobes(pattern, 0.5**0.5)
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(side)


@kernel
def _patterns(
    start: int,
    stop: int,
    packed: Packed,
    delay: NDArray[np.float64],
    w: NDArray[np.float64],
    sine: NDArray[np.float64],
    steering: float,
    sweep: int,
    known: bool,
    moved: NDArray[np.complex128],
    out: NDArray[np.float64],
) -> None:
    cells = delay.shape[1]
    groups = packed.mass.shape[1]
    for d in range(start, stop):
        if np.isnan(w[d]):
            continue
        re, im = np.zeros(groups), np.zeros(groups)
        at, x_re, x_im, loss = np.full(1, w[d]), np.empty(1), np.empty(1), np.empty(1)
        for g in range(groups):
            if packed.force[d, g] > 0.0:
                displacement_row(packed, d, g, at, sweep, x_re, x_im, loss)
                if known:
                    x_re[0], x_im[0] = moved[d, g].real, moved[d, g].imag
                turn_re, turn_im = packed.drive_re[d, g], packed.drive_im[d, g]
                re[g] = (x_re[0] * turn_re - x_im[0] * turn_im) / packed.cell_count[g]
                im[g] = (x_re[0] * turn_im + x_im[0] * turn_re) / packed.cell_count[g]
        largest = 0.0
        element = np.empty(groups)
        for a in range(sine.size):
            for g in range(groups):
                ka = w[d] * packed.ka_per_w[d, g] * sine[a]
                element[g] = directivity_scalar(ka, packed.directivity[d, g])
            sum_re = sum_im = 0.0
            for n in range(cells):
                g = packed.group_of_cell[n]
                phase = w[d] * delay[d, n] * (sine[a] - steering)
                c, s = np.cos(phase) * element[g], np.sin(phase) * element[g]
                sum_re += re[g] * c - im[g] * s
                sum_im += re[g] * s + im[g] * c
            out[d, a] = np.hypot(sum_re, sum_im)
            largest = max(largest, out[d, a])
        for a in range(sine.size):
            out[d, a] /= largest


def _lobes(
    pattern: NDArray[np.float64], level: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    width = np.empty(pattern.shape[0])
    side = np.empty(pattern.shape[0])
    _measure_lobes(np.ascontiguousarray(pattern), pattern_angles(), level, width, side)
    return width, side


@kernel
def _measure_lobes(
    pattern: NDArray[np.float64],
    angle: NDArray[np.float64],
    level: float,
    width: NDArray[np.float64],
    side: NDArray[np.float64],
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
                side[d] = max(side[d], row[i])
        width[d] = ends[1] - ends[0]


@inner
def _crossing(before: float, above: float, below: float, after: float, level: float) -> float:
    """Where the cubic through values at -1, 0, 1 and 2 meets a level between 0 and 1."""
    low, high = 0.0, 1.0
    for _ in range(40):
        t = 0.5 * (low + high)
        value = (
            above * (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0
            - before * t * (t - 1.0) * (t - 2.0) / 6.0
            - below * (t + 1.0) * t * (t - 2.0) / 2.0
            + after * (t + 1.0) * t * (t - 1.0) / 6.0
        )
        if value >= level:
            low = t
        else:
            high = t
    return 0.5 * (low + high)
