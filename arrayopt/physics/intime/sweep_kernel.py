"""Compiled sweeps of chips: the frequency moves, coefficients with it; windows are kept (M12.4).

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
from arrayopt.physics.intime.flow_kernel import (
    COEFFICIENTS,
    MEMORY,
    POWER,
    SIZE,
    SPEED,
    TOP,
    U_IM,
    U_RE,
    ChipArrays,
    Real,
    advance,
    rest,
    set_cells,
    set_matrix,
    set_weights,
)
from arrayopt.physics.intime.modes_kernel import (
    IM,
    RE,
    ModeArrays,
    Sizes,
    advance_modes,
    follow,
    release,
    row_counts,
    set_modes,
    set_springs,
    set_tones,
)
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.fused import fma
from arrayopt.physics.numerics.lanes import LANES, ROWS, multiply

BLOCK = 8
"""Steps under one set of coefficients, the detuning apart."""
SEGMENT = 8
"""Blocks between exact coefficients."""
STEPS = BLOCK * SEGMENT

# Rows of sums over a window, after those of a step.
_MEAN_RE, _MEAN_IM, _SQUARE = range(POWER + 1, POWER + 4)
_SUMS = POWER + 4


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
def blend(before: Real, after: Real, share: float, out: Real) -> None:
    """Between two ends of a segment."""
    T = out.dtype.type
    part = T(share)
    for i in range(out.size):
        out[i] = before[i] + part * (after[i] - before[i])


@inner
def gather(sums: Real) -> None:
    """Add what a step sends to the target to the window, and empty it for the next."""
    T = sums.dtype.type
    for lane in range(LANES):
        re, im = sums[U_RE * LANES + lane], sums[U_IM * LANES + lane]
        sums[_MEAN_RE * LANES + lane] += re
        sums[_MEAN_IM * LANES + lane] += im
        sums[_SQUARE * LANES + lane] += fma(re, re, im * im)
        sums[U_RE * LANES + lane] = sums[U_IM * LANES + lane] = T(0.0)


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
                sums[SPEED * LANES + lane],
                sums[SIZE * LANES + lane],
                sums[POWER * LANES + lane],
                steps,
                h,
            )
        )
    sums[:] = 0.0


@kernel
def sweep_items(
    begin: int,
    stop: int,
    a: ChipArrays,
    m: ModeArrays,
    modes: Sizes,
    slots: Sizes,
    s: Sweeps,
    kind: Real,
    out: Records,
) -> None:
    """Items begin..stop along their sweeps; ``kind`` is an empty array of the numbers to use.

    ``modes`` and ``slots``: as many numbers as modes and harmonics; none for cells of one of both.
    """
    T = kind.dtype.type
    cells, several = a.nominal.shape[1], len(modes) > 0
    padded = -(-cells // ROWS) * ROWS
    matrix = np.zeros((3, 2 * padded * cells), dtype=kind.dtype)
    weight = np.zeros((3, 2 * cells), dtype=kind.dtype)
    tone = np.zeros((3, 2 * cells * len(modes)), dtype=kind.dtype)
    springs = np.zeros(m.springs.shape[2] * m.springs.shape[3] * LANES, dtype=kind.dtype)
    x = np.zeros(2 * cells * LANES, dtype=kind.dtype)
    y = np.zeros(2 * padded * LANES, dtype=kind.dtype)
    sums = np.zeros(_SUMS * LANES, dtype=kind.dtype)
    t, path = np.empty((cells, 3)), np.empty((a.distance.size, 6))
    rows, kept, room = COEFFICIENTS, MEMORY, 0
    if several:
        rows, kept, room = row_counts(modes, slots)
    entries = springs.size // cells
    cell = np.zeros((3, cells * rows * LANES), dtype=kind.dtype)
    memory = np.zeros(cells * kept * LANES, dtype=kind.dtype)
    work = np.zeros(room * LANES, dtype=kind.dtype)
    for item in range(begin, stop):
        d, first = s.design[item], s.chip[item]
        h, dw, hold = s.step[d], s.advance[d], s.hold[d]
        known = T(0.0)
        window = taken = 0
        memory[:] = 0.0
        sums[:] = 0.0
        for segment in range(-1, hold + s.segments[d]):
            moving = segment >= hold
            if moving:
                for part in (matrix, cell, weight, tone):
                    part[0, :] = part[1]
            if moving or segment < 0:
                w = s.start[d] + max(segment - hold + 1, 0) * STEPS * dw
                set_matrix(a, d, w, t, path, matrix[1])
                set_cells(a, d, first, w, h, rows, cell[1])
                set_weights(a, d, w, weight[1])
                if several:
                    set_tones(a, m, d, w, tone[1])
                    set_modes(a, m, d, first, w, h, modes, slots, cell[1])
            if segment < 0:
                x[:] = 0.0
                for part in (matrix, cell, weight, tone):
                    part[0, :] = part[1]  # blends while holding must not know the item before
                if several:  # the linear rest of hard driven cells is far beyond: the drive rises
                    set_springs(m, d, first, springs)
                    release(cell[0], rows, len(modes))
                else:
                    rest(cell[1], x, cells)
                continue
            if segment == hold:
                sums[:] = 0.0
                for i in range(cells):
                    for lane in range(LANES):
                        memory[(i * kept + TOP) * LANES + lane] = 0.0
            for b in range(SEGMENT):
                share = (b + 0.5) / SEGMENT if moving else 1.0
                if several and not moving:
                    share = min(2.0 * (segment * SEGMENT + b + 0.5) / (hold * SEGMENT), 1.0)
                for part in (matrix, cell, weight, tone):
                    blend(part[0], part[1], share, part[2])
                for k in range(BLOCK):
                    multiply(matrix[2], x, y, cells)
                    shift = T(-(k + 0.5 - 0.5 * BLOCK) * h * dw) if moving else T(0.0)
                    if not several:
                        advance(cell[2], x, y, memory, weight[2], sums, shift, known)
                    for i in range(cells if several else 0):
                        of = cell[2, i * rows * LANES : (i + 1) * rows * LANES]
                        own = memory[i * kept * LANES : (i + 1) * kept * LANES]
                        spring = springs[i * entries : (i + 1) * entries]
                        tones = tone[2, 2 * i * len(modes) : 2 * (i + 1) * len(modes)]
                        there = slice(2 * i * LANES, 2 * (i + 1) * LANES)
                        advance_modes(
                            of,
                            spring,
                            modes,
                            slots,
                            y[there],
                            own,
                            tones,
                            weight[2, 2 * i : 2 * i + 2],
                            sums,
                            shift,
                            known,
                            work,
                        )
                        follow(of, spring, modes, slots, own, tones, shift, T(1.0), work, x[there])
                    gather(sums)
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
                top = float(memory[(i * kept + TOP) * LANES + lane])
                out.deflection[d, first + lane, i] = np.sqrt(top) / size
                re, im = float(x[2 * i * LANES + lane]), float(x[(2 * i + 1) * LANES + lane])
                if several:
                    re = float(memory[(i * kept + RE) * LANES + lane])
                    im = float(memory[(i * kept + IM) * LANES + lane])
                out.settled[d, first + lane, i] = complex(re, im) / size
