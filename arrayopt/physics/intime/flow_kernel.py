"""Compiled slow flow of chips along a sweep (M12.1 to M12.6): lanes are chips.

Coefficients of the air, the back and the coupling are exact at the ends of segments of the sweep
and linear between them. Everything of one kind lives in one flat buffer with constant offsets: more
pointers that might alias keep LLVM from vectorising.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.back.neck_kernel import NECK_COUNT, back_pressure, neck_coefficients
from arrayopt.physics.intime import formulas
from arrayopt.physics.numerics.compiled import forced, inner, kernel
from arrayopt.physics.numerics.fused import fma
from arrayopt.physics.numerics.lanes import LANES, ROWS, multiply
from arrayopt.physics.sound.pair import pair_term, paths, strengths
from arrayopt.physics.sound.radiation import (
    even_series,
    self_reactance_series,
    self_resistance_series,
)

Real = NDArray[Any]
"""float64 or float32, all of one call alike."""

BLOCK = 8
"""Steps under one set of coefficients, the detuning apart."""
SEGMENT = 8
"""Blocks between exact coefficients."""
STEPS = BLOCK * SEGMENT
POWER_STEPS = 12
"""Steps of the power iteration for the norm of a coupling matrix."""

# Rows of a cell's coefficients, all times the step.
_DECAY, _DETUNE, _BEND, _FORCE_RE, _FORCE_IM, _PULL, _TAKE = range(7)
_COEFFICIENTS = 7
# Rows of a cell's memory.
_PUSH_RE, _PUSH_IM, _TOP = range(3)
_MEMORY = 3
# Rows of sums over cells: of this step, and over a window.
_U_RE, _U_IM, _SPEED, _SIZE, _POWER, _MEAN_RE, _MEAN_IM, _SQUARE = range(8)
_SUMS = 8

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


class Sweeps(NamedTuple):
    """Where each design's sweep goes, (design,), and the items: up to LANES chips of one design."""

    design: Ints
    """(item,)."""
    chip: Ints
    """(item,): first chip."""
    start: Floats
    """rad/s."""
    advance: Floats
    """rad/s a step, negative downwards."""
    step: Floats
    """s."""
    hold: Ints
    """Segments at the start frequency."""
    segments: Ints
    """Segments of the sweep."""
    blocks: Ints
    """Blocks of a window."""


class Records(NamedTuple):
    """What is kept of every chip; windows as `Sweeps.blocks` says."""

    volume: NDArray[np.complex128]
    """(design, chip, window): mean of the volume displacement towards the target (m3)."""
    beat: Floats
    """(design, chip, window): rms deviation from it (m3)."""
    unrest: Floats
    """(design, chip, window): rms speed of all envelopes over their rms size (1/s)."""
    power: Floats
    """(design, chip, window): mean power taken from the drive (W)."""
    deflection: Floats
    """(design, chip, cell): largest centre amplitude (m)."""
    settled: NDArray[np.complex128]
    """(design, chip, cell): amplitude at the end (m)."""


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
def set_cells(a: ChipArrays, d: int, first: int, w: float, h: float, out: Real) -> None:
    """`cell_row` of every cell, in every lane."""
    chips, cells = a.mass.shape[1], a.mass.shape[2]
    neck = neck_row(a, w)
    for lane in range(LANES):
        c = min(first + lane, chips - 1)  # spare lanes repeat the last chip
        for i in range(cells):
            p = i * _COEFFICIENTS * LANES + lane
            (
                out[p + _DECAY * LANES],
                out[p + _DETUNE * LANES],
                out[p + _BEND * LANES],
                out[p + _FORCE_RE * LANES],
                out[p + _FORCE_IM * LANES],
                out[p + _PULL * LANES],
                out[p + _TAKE * LANES],
            ) = cell_row(a, d, c, i, w, h, neck)


@inner
def blend(before: Real, after: Real, share: float, out: Real) -> None:
    """Between two ends of a segment."""
    T = out.dtype.type
    part = T(share)
    for i in range(out.size):
        out[i] = before[i] + part * (after[i] - before[i])


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
            p = i * _COEFFICIENTS * LANES + lane
            x[2 * i * LANES + lane], x[(2 * i + 1) * LANES + lane] = alone(
                c[p + _DECAY * LANES],
                c[p + _DETUNE * LANES],
                c[p + _FORCE_RE * LANES],
                c[p + _FORCE_IM * LANES],
            )


@inner
def advance(
    c: Real, x: Real, y: Real, memory: Real, weight: Real, sums: Real, shift: Any, known: Any
) -> None:
    """One step of every cell and lane, and what it adds to the sums: `formulas.make_move`."""
    T = x.dtype.type
    for lane in range(2 * LANES):
        sums[lane] = T(0.0)
    for i in range(weight.size // 2):
        p, q, m = 2 * i * LANES, i * _COEFFICIENTS * LANES, i * _MEMORY * LANES
        to_re, to_im = weight[2 * i], weight[2 * i + 1]
        for lane in range(LANES):
            re, im = x[p + lane], x[p + LANES + lane]
            new, push, size, way, taken = _move(
                T,
                (re, im),
                (y[p + lane], y[p + LANES + lane]),
                (
                    c[q + _DECAY * LANES + lane],
                    c[q + _DETUNE * LANES + lane],
                    c[q + _BEND * LANES + lane],
                    c[q + _FORCE_RE * LANES + lane],
                    c[q + _FORCE_IM * LANES + lane],
                    c[q + _PULL * LANES + lane],
                    c[q + _TAKE * LANES + lane],
                ),
                shift,
                (memory[m + _PUSH_RE * LANES + lane], memory[m + _PUSH_IM * LANES + lane]),
                known,
            )
            memory[m + _PUSH_RE * LANES + lane], memory[m + _PUSH_IM * LANES + lane] = push
            memory[m + _TOP * LANES + lane] = max(memory[m + _TOP * LANES + lane], size)
            x[p + lane], x[p + LANES + lane] = new
            sums[_U_RE * LANES + lane] += fma(to_re, re, -(to_im * im))
            sums[_U_IM * LANES + lane] += fma(to_re, im, to_im * re)
            sums[_SPEED * LANES + lane] += way
            sums[_SIZE * LANES + lane] += size
            sums[_POWER * LANES + lane] += taken
    for lane in range(LANES):
        re, im = sums[_U_RE * LANES + lane], sums[_U_IM * LANES + lane]
        sums[_MEAN_RE * LANES + lane] += re
        sums[_MEAN_IM * LANES + lane] += im
        sums[_SQUARE * LANES + lane] += fma(re, re, im * im)


@inner
def window_row(
    mean: tuple[Any, Any, Any], speed: Any, size: Any, power: Any, steps: int, h: float
) -> tuple[complex, float, float, float]:
    """What a window's sums say: volume, beat, unrest and power, as `Records` has them."""
    re, im = float(mean[0]) / steps, float(mean[1]) / steps
    spare = float(mean[2]) / steps - re * re - im * im
    unrest = math.sqrt(float(speed) / float(size)) / h
    return complex(re, im), math.sqrt(max(spare, 0.0)), unrest, float(power) / steps


@inner
def close_window(
    sums: Real, d: int, first: int, k: int, steps: int, h: float, out: Records
) -> None:
    """Store what a window's sums say, and empty them."""
    for lane in range(min(LANES, out.volume.shape[1] - first)):
        c = first + lane
        out.volume[d, c, k], out.beat[d, c, k], out.unrest[d, c, k], out.power[d, c, k] = (
            window_row(
                (
                    sums[_MEAN_RE * LANES + lane],
                    sums[_MEAN_IM * LANES + lane],
                    sums[_SQUARE * LANES + lane],
                ),
                sums[_SPEED * LANES + lane],
                sums[_SIZE * LANES + lane],
                sums[_POWER * LANES + lane],
                steps,
                h,
            )
        )
    sums[:] = 0.0


@kernel
def sweep_items(begin: int, stop: int, a: ChipArrays, s: Sweeps, kind: Real, out: Records) -> None:
    """Items begin..stop along their sweeps; ``kind`` is an empty array of the numbers to use."""
    T = kind.dtype.type
    cells = a.nominal.shape[1]
    padded = -(-cells // ROWS) * ROWS
    matrix = np.zeros((3, 2 * padded * cells), dtype=kind.dtype)
    cell = np.zeros((3, cells * _COEFFICIENTS * LANES), dtype=kind.dtype)
    weight = np.zeros((3, 2 * cells), dtype=kind.dtype)
    x = np.zeros(2 * cells * LANES, dtype=kind.dtype)
    y = np.zeros(2 * padded * LANES, dtype=kind.dtype)
    memory = np.zeros(cells * _MEMORY * LANES, dtype=kind.dtype)
    sums = np.zeros(_SUMS * LANES, dtype=kind.dtype)
    t, path = np.empty((cells, 3)), np.empty((a.distance.size, 6))
    for item in range(begin, stop):
        d, first = s.design[item], s.chip[item]
        h, dw, hold = s.step[d], s.advance[d], s.hold[d]
        set_matrix(a, d, s.start[d], t, path, matrix[1])
        set_cells(a, d, first, s.start[d], h, cell[1])
        set_weights(a, d, s.start[d], weight[1])
        rest(cell[1], x, cells)
        known = T(0.0)
        window = taken = 0
        memory[:] = 0.0
        sums[:] = 0.0
        for segment in range(hold + s.segments[d]):
            moving = segment >= hold
            if moving:
                w = s.start[d] + (segment - hold + 1) * STEPS * dw
                for part in (matrix, cell, weight):
                    part[0, :] = part[1]
                set_matrix(a, d, w, t, path, matrix[1])
                set_cells(a, d, first, w, h, cell[1])
                set_weights(a, d, w, weight[1])
            if segment == hold:
                sums[:] = 0.0
                for i in range(cells):
                    for lane in range(LANES):
                        memory[(i * _MEMORY + _TOP) * LANES + lane] = 0.0
            for b in range(SEGMENT):
                share = (b + 0.5) / SEGMENT if moving else 1.0
                for part in (matrix, cell, weight):
                    blend(part[0], part[1], share, part[2])
                for k in range(BLOCK):
                    multiply(matrix[2], x, y, cells)
                    shift = T(-(k + 0.5 - 0.5 * BLOCK) * h * dw) if moving else T(0.0)
                    advance(cell[2], x, y, memory, weight[2], sums, shift, known)
                    known = T(1.0)
                taken += 1
                if moving and taken == s.blocks[d]:
                    close_window(sums, d, first, window, BLOCK * taken, h, out)
                    window += 1
                if not moving or taken == s.blocks[d]:
                    taken = 0
        for lane in range(min(LANES, out.volume.shape[1] - first)):
            for i in range(cells):
                size = a.strength[d, first + lane, i]
                top = float(memory[(i * _MEMORY + _TOP) * LANES + lane])
                out.deflection[d, first + lane, i] = np.sqrt(top) / size
                re, im = float(x[2 * i * LANES + lane]), float(x[(2 * i + 1) * LANES + lane])
                out.settled[d, first + lane, i] = complex(re, im) / size
