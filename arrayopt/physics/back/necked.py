"""Cells with a necked back on their own: resonances, bistability, where their sweeps lie (M7.18).

    X [(d(w) + 3/4 g X)^2 + l(w)^2] = F^2,  d + j l = k1 - w^2 m_eff + j w c_eff + S^2 P(w)

P of M5.16 is the back's pressure per displaced volume. d crosses zero up to three times.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from arrayopt.base.arrays import Floats
from arrayopt.physics.back.neck_kernel import back_pressure, neck_coefficients
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.radiation import (
    SERIES_LIMIT,
    self_reactance_series,
    self_resistance_series,
)

SCAN = 2000
"""Frequencies of a scan, in equal ratios of about 1.0015."""
SCAN_REACH = 3.0
"""Scan beyond the outermost resonance of a part on its own, as a ratio."""
NECK_REACH = 4.0
"""A neck tuned farther than this from the diaphragm makes no second resonance of use."""
MARGIN = 12.0
"""Linewidths of a sweep beyond its outermost resonance or backbone end."""
LOWEST, HIGHEST = 0.3, 2.5
"""Least and largest frequency of a sweep over its outermost resonances."""
FIXED_POINT_STEPS = 12
REFINEMENTS, PARTS = 8, 10
_CUSP = math.sqrt(3.0)


class NeckedFigures(NamedTuple):
    """Of each cell, any shape; angular frequencies in rad/s."""

    onset_force: Floats
    """Least force amplitude at which the cell has two stable states (N); inf where none."""
    onset_frequency: Floats
    low: Floats
    """Small-signal sweep: lowest and highest frequency."""
    high: Floats
    driven_low: Floats
    """The same under the given force; NaN where the backbone has no end in reach."""
    driven_high: Floats
    width: Floats
    """Narrowest linewidth of a resonance, or of the neck's own."""


class _Cell(NamedTuple):
    """One cell as the scalars below take it."""

    mass: float
    damping: float
    stiffness: float
    cubic: float
    force: float
    radius: float
    volume: float
    cavity: float
    resistance: Floats
    reactance: Floats
    neck: Floats
    density: float
    sound_speed: float


def necked_figures(
    mass: ArrayLike,
    *,
    damping: ArrayLike,
    stiffness: ArrayLike,
    cubic: ArrayLike,
    force: ArrayLike,
    radius: ArrayLike,
    volume: ArrayLike,
    cavity: ArrayLike,
    resistance: Floats,
    reactance: Floats,
    neck: Floats,
    density: float,
    sound_speed: float,
) -> NeckedFigures:
    """Onset and sweep ranges of cells whose back has necks (M7.18).

    Parameters
    ----------
    mass, damping, stiffness, cubic, force, radius : array (...)
        Of each cell without air or cavity [kg], [N s/m], [N/m], [N/m3], [N], [m]; broadcast.
    volume, cavity : array (...)
        Displaced volume per centre displacement [m2]; closed cavity's pressure per volume [Pa/m3].
    resistance, reactance : array (..., term)
        Series of the self impedance, all radiating sides (M5.5, M5.6).
    neck : array (4,)
        See `neck_kernel`.
    density, sound_speed : float
        [kg/m3], [m/s].

    Returns
    -------
    NeckedFigures
        Valid for one mode and harmonic, ka below 4 (scans end there), linear necks. Stability with
        the neck's own motion is not examined.
    """
    parts = (mass, damping, stiffness, cubic, force, radius, volume, cavity)
    rows = np.broadcast_arrays(*(np.asarray(x, dtype=np.float64) for x in parts))
    shape = rows[0].shape
    flat = np.stack([row.ravel() for row in rows], axis=1)
    series = [np.ascontiguousarray(x).reshape(len(flat), -1) for x in (resistance, reactance)]
    out = np.full((len(flat), len(NeckedFigures._fields)), np.nan)
    out[:, 0] = np.inf
    const = np.asarray(neck, dtype=np.float64)
    spread(_figures, len(flat), flat, *series, const, float(density), float(sound_speed), out)
    return NeckedFigures(*(out[:, k].reshape(shape) for k in range(out.shape[1])))


@inner
def _dynamic(cell: _Cell, w: float) -> tuple[float, float]:
    """d and l of one cell at w (N/m)."""
    ka = w / cell.sound_speed * cell.radius
    loading = cell.density * cell.sound_speed * np.pi * cell.radius * cell.radius
    area, moving, resisting = neck_coefficients(w, cell.neck, cell.density, cell.sound_speed)
    pull, drag = back_pressure(w, cell.cavity, area, moving, resisting)
    size = cell.volume * cell.volume
    reactance = loading * self_reactance_series(ka, cell.reactance)
    resistance = loading * self_resistance_series(ka, cell.resistance)
    d = cell.stiffness - w * (w * cell.mass + reactance) + size * pull
    return d, w * (cell.damping + resistance) + size * drag


@inner
def _own(cell: _Cell, stiffness: float) -> float:
    """Resonance of the diaphragm with its air at a stiffness (rad/s)."""
    w = np.sqrt(stiffness / cell.mass)
    loading = cell.density * cell.sound_speed * np.pi * cell.radius * cell.radius
    for _ in range(FIXED_POINT_STEPS):
        x = self_reactance_series(w / cell.sound_speed * cell.radius, cell.reactance)
        w = np.sqrt(stiffness / (cell.mass + loading * x / w))
    return float(w)


@inner
def _threshold(cell: _Cell, w: float) -> float:
    """Square of the force at which two more states appear at w (N2; M7.3), inf where none do."""
    d, l = _dynamic(cell, w)  # noqa: E741
    s = -d / l if cell.cubic >= 0.0 else d / l
    if not s >= _CUSP:
        return np.inf
    s2 = s * s
    edge = s * (s2 + 9.0) + (s2 - 3.0) ** 1.5
    return float(2.0 * (1.0 + s2) ** 2 / edge * l**3 / (0.75 * abs(cell.cubic)))


@inner
def _onset(cell: _Cell, w: Floats) -> tuple[float, float]:
    """Least force of M7.18 on a scan and its frequency: where bistability begins."""
    n = w.size
    found, at = np.inf, np.nan
    if cell.cubic == 0.0:
        return found, at
    square = np.empty(n)
    for i in range(n):
        square[i] = _threshold(cell, w[i])
    for i in range(1, n - 1):
        least, place = square[i], w[i]
        if not (least < np.inf and least <= square[i - 1] and least <= square[i + 1]):
            continue
        low, high = w[i - 1], w[i + 1]
        for _ in range(REFINEMENTS):
            step = (high - low) / PARTS
            for k in range(1, PARTS):
                value = _threshold(cell, low + k * step)
                if value <= least:
                    least, place = value, low + k * step
            low, high = place - step, place + step
        if least < found:
            found, at = least, place
    return np.sqrt(found), at


@kernel
def _figures(
    start: int,
    stop: int,
    rows: Floats,
    resistance: Floats,
    reactance: Floats,
    neck: Floats,
    density: float,
    sound_speed: float,
    out: Floats,
) -> None:
    w, d, l = np.empty(SCAN), np.empty(SCAN), np.empty(SCAN)  # noqa: E741
    for c in range(start, stop):
        p = rows[c]
        cell = _Cell(
            p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7],
            resistance[c], reactance[c], neck, density, sound_speed,
        )  # fmt: skip
        if not (cell.mass > 0.0 and cell.stiffness > 0.0 and np.isfinite(cell.cubic)):
            continue
        vented = _own(cell, cell.stiffness)
        held = _own(cell, cell.stiffness + cell.cavity * cell.volume * cell.volume)
        tuned = held
        for _ in range(FIXED_POINT_STEPS):
            area, moving, resisting = neck_coefficients(tuned, neck, density, sound_speed)
            tuned = np.sqrt(cell.cavity * area * area / moving)
        low, high, width = min(vented, held), max(vented, held), np.inf
        if tuned * NECK_REACH > vented and tuned < NECK_REACH * held:
            low, high, width = min(low, tuned), max(high, tuned), resisting / moving
        top = min(SCAN_REACH * high, SERIES_LIMIT * sound_speed / cell.radius)
        bottom = low / SCAN_REACH
        if not top > bottom:
            continue
        for i in range(SCAN):
            w[i] = bottom * (top / bottom) ** (i / (SCAN - 1.0))
            d[i], l[i] = _dynamic(cell, w[i])
        out[c, 0], out[c, 1] = _onset(cell, w)
        first = last = np.nan
        first_width = last_width = 0.0
        for i in range(SCAN - 1):
            if d[i] > 0.0 and d[i + 1] <= 0.0:
                slope = (d[i] - d[i + 1]) / (w[i + 1] - w[i])
                last, last_width = w[i] + d[i] / slope, 2.0 * l[i] / slope
                width = min(width, last_width)
                if np.isnan(first):
                    first, first_width = last, last_width
        if np.isnan(first):
            continue
        out[c, 2] = max(first - MARGIN * first_width, LOWEST * first)
        out[c, 3] = min(min(last + MARGIN * last_width, HIGHEST * last), top)
        out[c, 6] = width
        out[c, 4], out[c, 5] = _backbone(cell, w, d, l, first, last, first_width, last_width)


@inner
def _backbone(
    cell: _Cell,
    w: Floats,
    d: Floats,
    l: Floats,  # noqa: E741
    first: float,
    last: float,
    first_width: float,
    last_width: float,
) -> tuple[float, float]:
    """Range of a driven sweep: as far as resonance can be bent, d + 3/4 g (F/l)^2 = 0 (M7.6)."""
    if cell.cubic >= 0.0:
        i = w.size - 1
        if d[i] + 0.75 * cell.cubic * (cell.force / l[i]) ** 2 > 0.0:
            return np.nan, np.nan
        while d[i] + 0.75 * cell.cubic * (cell.force / l[i]) ** 2 <= 0.0:
            i -= 1
        last = max(last, w[i + 1])
    else:
        i = 0
        while w[i] < first:
            i += 1
        while i >= 0 and d[i] + 0.75 * cell.cubic * (cell.force / l[i]) ** 2 <= 0.0:
            i -= 1
        if i < 0:
            return np.nan, np.nan
        first = min(first, w[i])
    low = max(first - MARGIN * first_width, LOWEST * first)
    return low, min(min(last + MARGIN * last_width, HIGHEST * last), w[w.size - 1])
