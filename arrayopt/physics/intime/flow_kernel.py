"""Compiled slow flow of chips of one mode a cell (M12.1 to M12.5): lanes are chips."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.back.neck_kernel import NECK_COUNT, back_pressure, neck_coefficients
from arrayopt.physics.intime import formulas
from arrayopt.physics.numerics.compiled import forced, inner, kernel
from arrayopt.physics.numerics.fused import fma
from arrayopt.physics.numerics.lanes import LANES, ROWS
from arrayopt.physics.sound.pair import pair_term, paths, strengths
from arrayopt.physics.sound.radiation import (
    even_series,
    self_reactance_series,
    self_resistance_series,
)

Real = NDArray[Any]
"""float64 or float32, all of one call alike."""

POWER_STEPS = 12
"""Steps of the power iteration for the norm of a coupling matrix."""

# Rows of a cell's coefficients, all times the step.
DECAY, DETUNE, _BEND, FORCE_RE, FORCE_IM, PULL, TAKE = range(7)
COEFFICIENTS = 7
# Rows of a cell's memory; the last is the largest displacement, squared.
PUSH_RE, PUSH_IM, TOP = range(3)
MEMORY = 3
# Rows of sums over cells, of this step.
U_RE, U_IM, SPEED, SIZE, POWER = range(5)

_move = forced(formulas.make_move(fma, forced))


class ChipArrays(NamedTuple):
    """Chips of a batch of designs; C order; see `slow_flow.chip_arrays`."""

    mass: Floats
    """(design, chip, cell), as all down to ``cavity``: without air (kg)."""
    damping: Floats
    stiffness: Floats
    cubic: Floats
    """Effective (N/m3)."""
    force_re: Floats
    force_im: Floats
    radius: Floats
    strength: Floats
    """Displaced volume over that of the design."""
    volume: Floats
    """Displaced volume per centre displacement (m2)."""
    cavity: Floats
    """Pressure per displaced volume of a closed cavity with necks (Pa/m3)."""
    nominal: Floats
    """(design, cell): radius of the design (m)."""
    transform: Floats
    """(design, cell, term): series of the Hankel transform (M5.3)."""
    resistance: Floats
    """(design, cell, term): series of the self impedance, all sides (M5.5, M5.6)."""
    reactance: Floats
    terms: Ints
    """(design,): terms of both series that are used."""
    lead: Floats
    """(design, cell): the drive lags by this (s)."""
    lag: Floats
    """(design, cell): the sound reaches the target earlier by this (s)."""
    pair: Ints
    """(cell, cell): which distance; -1 on the diagonal."""
    distance: Floats
    """(pair class,), in units of ``scale``."""
    scale: Floats
    """(design,): metres."""
    coupling: Floats
    """(design,): radiating sides, or 0 to leave mutual radiation out."""
    neck: Floats
    """(4,): `neck_kernel.NECK_COUNT` and the places after it."""
    sine: float
    """Of the target's polar angle."""
    density: float
    sound_speed: float


@inner
def set_matrix(a: ChipArrays, d: int, w: float, t: Floats, path: Floats, out: Real) -> None:
    """j w Z of design d at w, as `lanes.multiply` takes it (M5.9)."""
    cells = a.nominal.shape[1]
    k = w / a.sound_speed
    strengths(a.nominal[d], a.transform[d], k, t)
    paths(a.distance, a.scale[d], k, -w * w * a.density * a.coupling[d], path)
    for i in range(cells):
        row = 2 * (i // ROWS * ROWS * cells + i % ROWS)
        for j in range(cells):
            if j != i:
                re, im = pair_term(t, i, j, 1.0, path[a.pair[i, j]])
                out[row + 2 * ROWS * j], out[row + 2 * ROWS * j + 1] = re, im


@kernel
def coupling_matrix(a: ChipArrays, d: int, w: float) -> NDArray[np.complex128]:
    """j w Z of the nominal cells of design d at w (cell, cell), diagonal zero (N/m; M5.9)."""
    cells = a.nominal.shape[1]
    t, path = np.empty((cells, 3)), np.empty((a.distance.size, 6))
    padded = np.zeros(2 * cells * (-(-cells // ROWS) * ROWS))
    set_matrix(a, d, w, t, path, padded)
    out = np.empty((cells, cells), dtype=np.complex128)
    for i in range(cells):
        row = 2 * (i // ROWS * ROWS * cells + i % ROWS)
        for j in range(cells):
            out[i, j] = complex(padded[row + 2 * ROWS * j], padded[row + 2 * ROWS * j + 1])
    return out


@kernel
def coupling_norm(a: ChipArrays, d: int, w: float) -> float:
    """Largest singular value of `coupling_matrix`, to a few per cent from below (N/m)."""
    matrix = coupling_matrix(a, d, w)
    vector = np.ones(len(matrix), dtype=np.complex128)
    size = 0.0
    for _ in range(POWER_STEPS):
        image, back = np.zeros_like(vector), np.zeros_like(vector)
        for i in range(vector.size):
            for j in range(vector.size):
                image[i] += matrix[i, j] * vector[j]
        for i in range(vector.size):
            for j in range(vector.size):
                back[j] += matrix[i, j].conjugate() * image[i]
        size = 0.0
        for i in range(vector.size):
            size += back[i].real ** 2 + back[i].imag ** 2
        size = np.sqrt(size)
        if size == 0.0:
            break
        for i in range(vector.size):
            vector[i] = back[i] / size
    return float(np.sqrt(size))


@inner
def weight_term(a: ChipArrays, d: int, i: int, w: float) -> tuple[float, float]:
    """Volume that cell i's unit displacement sends towards the target: re and im (M9.1)."""
    radius = a.nominal[d, i]
    size = np.pi * radius * radius
    size *= even_series(w / a.sound_speed * radius * a.sine, a.transform[d, i])
    turn = w * a.lag[d, i]
    return size * np.cos(turn), size * np.sin(turn)


@inner
def neck_row(a: ChipArrays, w: float) -> tuple[float, float, float]:
    """Area, mass and resistance of all necks together at w; zeros without necks."""
    if a.neck[NECK_COUNT] > 0.0:
        return neck_coefficients(w, a.neck, a.density, a.sound_speed)
    return 0.0, 0.0, 0.0


@inner
def cell_row(
    a: ChipArrays, d: int, c: int, i: int, w: float, h: float, neck: tuple[float, float, float]
) -> tuple[float, float, float, float, float, float, float]:
    """Coefficients of a cell at w, times the step (M9.4, M12.2); ``neck`` of `neck_row`."""
    radius, s, terms = a.radius[d, c, i], a.strength[d, c, i], a.terms[d]
    ka = w / a.sound_speed * radius
    loading = a.density * a.sound_speed * np.pi * radius * radius
    x = loading * self_reactance_series(ka, a.reactance[d, i, :terms])
    r = loading * self_resistance_series(ka, a.resistance[d, i, :terms])
    detuning = a.stiffness[d, c, i] - w * (w * a.mass[d, c, i] + x)
    loss = w * (a.damping[d, c, i] + r)
    scale = h / (2.0 * (w * a.mass[d, c, i] + x))
    if a.neck[NECK_COUNT] > 0.0:
        # the slow flow takes the neck as settled at w (M9.4): no part in the inertia
        pull, drag = back_pressure(w, a.cavity[d, c, i], neck[0], neck[1], neck[2])
        detuning += pull * a.volume[d, c, i] ** 2
        loss += drag * a.volume[d, c, i] ** 2
    turn_re, turn_im = np.cos(w * a.lead[d, i]), -np.sin(w * a.lead[d, i])
    re, im = a.force_re[d, c, i], a.force_im[d, c, i]
    return (
        -loss * scale,
        detuning * scale,
        0.75 * a.cubic[d, c, i] * scale / (s * s),
        scale * s * (re * turn_im + im * turn_re),
        -scale * s * (re * turn_re - im * turn_im),
        scale * s * s,
        0.5 * w / (scale * s * s),
    )


@inner
def set_weights(a: ChipArrays, d: int, w: float, out: Real) -> None:
    """`weight_term` of every cell: re and im in turn."""
    for i in range(a.nominal.shape[1]):
        out[2 * i], out[2 * i + 1] = weight_term(a, d, i, w)


@inner
def set_cells(a: ChipArrays, d: int, first: int, w: float, h: float, rows: int, out: Real) -> None:
    """`cell_row` of every cell, in every lane: the first of ``rows`` a cell."""
    chips, cells = a.mass.shape[1], a.mass.shape[2]
    neck = neck_row(a, w)
    for lane in range(LANES):
        c = min(first + lane, chips - 1)  # spare lanes repeat the last chip
        for i in range(cells):
            p = i * rows * LANES + lane
            (
                out[p + DECAY * LANES],
                out[p + DETUNE * LANES],
                out[p + _BEND * LANES],
                out[p + FORCE_RE * LANES],
                out[p + FORCE_IM * LANES],
                out[p + PULL * LANES],
                out[p + TAKE * LANES],
            ) = cell_row(a, d, c, i, w, h, neck)


@inner
def alone(decay: Any, detune: Any, force_re: Any, force_im: Any) -> tuple[Any, Any]:
    """Envelope of a weakly driven cell on its own: where a sweep begins."""
    found = -complex(force_re, force_im) / complex(decay, detune)
    return found.real, found.imag


@inner
def rest(c: Real, x: Real, cells: int) -> None:
    """`alone` of every cell, in every lane."""
    for i in range(cells):
        for lane in range(LANES):
            p = i * COEFFICIENTS * LANES + lane
            x[2 * i * LANES + lane], x[(2 * i + 1) * LANES + lane] = alone(
                c[p + DECAY * LANES],
                c[p + DETUNE * LANES],
                c[p + FORCE_RE * LANES],
                c[p + FORCE_IM * LANES],
            )


@inner
def advance(
    c: Real, x: Real, y: Real, memory: Real, weight: Real, sums: Real, shift: Any, known: Any
) -> None:
    """One step of every cell and lane, and what it adds to the sums: `formulas.make_move`."""
    T = x.dtype.type
    for i in range(weight.size // 2):
        p, q, m = 2 * i * LANES, i * COEFFICIENTS * LANES, i * MEMORY * LANES
        to_re, to_im = weight[2 * i], weight[2 * i + 1]
        for lane in range(LANES):
            re, im = x[p + lane], x[p + LANES + lane]
            new, push, size, way, taken = _move(
                T,
                (re, im),
                (y[p + lane], y[p + LANES + lane]),
                (
                    c[q + DECAY * LANES + lane],
                    c[q + DETUNE * LANES + lane],
                    c[q + _BEND * LANES + lane],
                    c[q + FORCE_RE * LANES + lane],
                    c[q + FORCE_IM * LANES + lane],
                    c[q + PULL * LANES + lane],
                    c[q + TAKE * LANES + lane],
                ),
                shift,
                (memory[m + PUSH_RE * LANES + lane], memory[m + PUSH_IM * LANES + lane]),
                known,
            )
            memory[m + PUSH_RE * LANES + lane], memory[m + PUSH_IM * LANES + lane] = push
            memory[m + TOP * LANES + lane] = max(memory[m + TOP * LANES + lane], size)
            x[p + lane], x[p + LANES + lane] = new
            sums[U_RE * LANES + lane] += fma(to_re, re, -(to_im * im))
            sums[U_IM * LANES + lane] += fma(to_re, im, to_im * re)
            sums[SPEED * LANES + lane] += way
            sums[SIZE * LANES + lane] += size
            sums[POWER * LANES + lane] += taken
