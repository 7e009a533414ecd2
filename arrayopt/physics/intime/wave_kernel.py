"""Compiled motion of chips under any drive, sound between cells delayed (M12.7 to M12.9).

Lanes are chips. The air's forces of a whole block of steps are known before it is taken, because
sound needs longer than a block from any cell to the next.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.numerics.compiled import forced, inner, kernel
from arrayopt.physics.numerics.fused import fma
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.sound.pair import pair_term, paths, strengths

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Real = NDArray[Any]

TAPS = 4
"""Samples through which a past acceleration is interpolated."""
AHEAD = 4
"""Steps that the shortest delay must hold besides a block: forces are known two steps ahead, and
the interpolation reaches two on."""

# Rows of a cell: state, coefficients over the mass, and the largest displacement.
_X, _V, _DAMP, _K1, _K2, _K3, _RE, _IM, _HEAR, _TOP = range(10)
_ROWS = 10


class Motions(NamedTuple):
    """What moves and how; over the mass of each cell with its air; C order."""

    coefficient: Floats
    """(design, chip, cell, 7): damping, three stiffnesses, drive re and im, hearing (M12.7)."""
    speak: Floats
    """(design, chip, cell): displaced volume over that of the design."""
    gain: Floats
    """(design, cell from, cell to): force per past acceleration (kg)."""
    delay: Floats
    """(design, cell from, cell to): after this time (s)."""
    drive: Floats
    """(design, 2 n + 1, 2): drive and its quadrature at every half step."""
    step: Floats
    """(design,): s."""
    driven: Ints
    """(design,): n."""
    steps: Ints
    """(design,): all steps, the ring-down's included."""
    weight: Floats
    """(design, cell): volume per displacement that the target hears (m2)."""
    late: Floats
    """(design, cell): it arrives this much (s) after the earliest."""


@kernel
def set_links(a: ChipArrays, w: Floats, gain: Floats, delay: Floats) -> None:
    """Amplitude and delay of M5.9 at each design's carrier w (rad/s), exact there (M8.17)."""
    cells = a.nominal.shape[1]
    t, path = np.empty((cells, 3)), np.empty((a.distance.size, 6))
    for d in range(w.size):
        k = w[d] / a.sound_speed
        strengths(a.nominal[d], a.transform[d], k, t)
        paths(a.distance, a.scale[d], k, a.density * a.coupling[d], path)
        for j in range(cells):
            for i in range(cells):
                if i == j:
                    continue
                u = a.pair[i, j]
                re, im = pair_term(t, i, j, 1.0, path[u])
                way = k * a.distance[u] * a.scale[d]
                lag = way if re == 0.0 and im == 0.0 else -np.arctan2(im, re)
                lag += 2.0 * np.pi * np.round((way - lag) / (2.0 * np.pi))
                gain[d, j, i], delay[d, j, i] = np.hypot(re, im), lag / w[d]


@inner
def cubic_weights(s: float, gain: float, out: Floats) -> None:
    """Weights of four samples for the value at s from the second on, times ``gain``."""
    out[0] = -gain * s * (s - 1.0) * (s - 2.0) / 6.0
    out[1] = gain * (s + 1.0) * (s - 1.0) * (s - 2.0) / 2.0
    out[2] = -gain * (s + 1.0) * s * (s - 2.0) / 2.0
    out[3] = gain * (s + 1.0) * s * (s - 1.0) / 6.0


@inner
def add_heard(
    past: Real, at: int, count: int, weights: Real, first: Ints, force: Real, begin: int
) -> None:
    """Add one cell's past accelerations to all others' forces of ``count`` steps.

    ``past`` (slot, lane) of the cell that speaks, ``weights`` (cell, 4), ``first`` (cell,): slots
    back from ``at``; ``force`` (cell, step, lane), flat, from step ``begin`` on.
    """
    room = force.size // first.size
    for i in range(first.size):
        w0, w1, w2, w3 = weights[i, 0], weights[i, 1], weights[i, 2], weights[i, 3]
        k = (at - first[i]) * LANES
        p = past[k : k + (count + TAPS - 1) * LANES]
        f = force[i * room + begin * LANES : i * room + (begin + count) * LANES]
        for q in range(count * LANES):
            total = fma(w1, p[q + LANES], fma(w0, p[q], f[q]))
            f[q] = fma(w3, p[q + 3 * LANES], fma(w2, p[q + 2 * LANES], total))


@forced
def _pull(c: Any, k1: Any, k2: Any, k3: Any, x: Any, v: Any, f: Any) -> Any:
    return fma(-x, fma(x, fma(x, k3, k2), k1), fma(-c, v, f))


@inner
def step_cells(b: Real, force: Real, m: int, h: Any, drive: Real, now: Real, at: int) -> None:
    """One classical Runge-Kutta step of every cell (M8.2), and its acceleration into ``now``.

    ``force`` (cell, step, lane) holds what the air brings from a step before the block on; the
    force at half a step is the cubic through four of them. ``drive``: at start, half, end, and at
    the end of the step before, its quadrature after each.
    """
    T = b.dtype.type
    cells = b.size // (_ROWS * LANES)
    room, slots = force.size // cells, now.size // cells
    half, third, sixth = T(0.5) * h, h * T(1.0 / 3.0), h * T(1.0 / 6.0)
    c0, s0, c1, s1, c2, s2, cp, sp = drive
    for i in range(cells):
        r, f, o = i * _ROWS * LANES, i * room + m * LANES, i * slots + at * LANES
        air, out = force[f : f + 4 * LANES], now[o : o + LANES]
        row = b[r : r + _ROWS * LANES]
        for lane in range(LANES):
            x, v = row[_X * LANES + lane], row[_V * LANES + lane]
            c, k1 = row[_DAMP * LANES + lane], row[_K1 * LANES + lane]
            k2, k3 = row[_K2 * LANES + lane], row[_K3 * LANES + lane]
            re, im = row[_RE * LANES + lane], row[_IM * LANES + lane]
            hear = row[_HEAR * LANES + lane]
            before, a0 = air[lane], air[LANES + lane]
            a2, after = air[2 * LANES + lane], air[3 * LANES + lane]
            a1 = T(0.5625) * (a0 + a2) - T(0.0625) * (before + after)
            f0 = fma(hear, a0, fma(re, c0, -im * s0))
            f1 = fma(hear, a1, fma(re, c1, -im * s1))
            f2 = fma(hear, a2, fma(re, c2, -im * s2))
            p0 = _pull(c, k1, k2, k3, x, v, f0)
            xa, va = fma(half, v, x), fma(half, p0, v)
            p1 = _pull(c, k1, k2, k3, xa, va, f1)
            xb, vb = fma(half, va, x), fma(half, p1, v)
            p2 = _pull(c, k1, k2, k3, xb, vb, f1)
            xc, vc = fma(h, vb, x), fma(h, p2, v)
            p3 = _pull(c, k1, k2, k3, xc, vc, f2)
            row[_X * LANES + lane] = fma(sixth, v + vc, fma(third, va + vb, x))
            row[_V * LANES + lane] = fma(sixth, p0 + p3, fma(third, p1 + p2, v))
            row[_TOP * LANES + lane] = max(row[_TOP * LANES + lane], abs(x))
            # where the drive jumps, half of the jump: keeps its area (M8.18)
            out[lane] = p0 + T(0.5) * (re * (cp - c0) - im * (sp - s0))


@kernel
def move_items(
    begin: int,
    stop: int,
    design: Ints,
    chip: Ints,
    m: Motions,
    kind: Real,
    stride: int,
    pressure: Floats,
    deflection: Floats,
    left: Floats,
) -> None:
    """Items begin..stop: ``pressure`` (design, chip, sample) in m3/s2, one sample a ``stride``.

    ``deflection`` and ``left`` (design, chip, cell): largest displacement, and the last one.
    """
    T = kind.dtype.type
    cells = m.weight.shape[1]
    b = np.zeros(cells * _ROWS * LANES, dtype=kind.dtype)
    weights = np.zeros((cells, cells, TAPS), dtype=kind.dtype)
    first = np.zeros((cells, cells), dtype=np.int64)
    hearing = np.zeros((cells, TAPS), dtype=kind.dtype)
    arrive = np.zeros(cells, dtype=np.int64)
    four, drive = np.empty(4), np.zeros(8, dtype=kind.dtype)
    for item in range(begin, stop):
        d, c0 = design[item], chip[item]
        h, n, total = m.step[d], m.driven[d], m.steps[d]
        reach = block = 1
        shortest = np.inf
        for j in range(cells):
            for i in range(cells):
                if i != j and m.gain[d, j, i] > 0.0:
                    lag = m.delay[d, j, i] / h
                    shortest = min(shortest, lag)
                    whole = int(np.floor(lag))
                    # sample 0 of the four lies this far back from the point asked for
                    first[j, i] = whole + 2
                    cubic_weights(1.0 - (lag - whole), -m.gain[d, j, i], four)
                    reach = max(reach, whole + 3)
                else:
                    first[j, i] = 3
                    four[:] = 0.0
                for q in range(TAPS):
                    weights[j, i, q] = four[q]
            late = m.late[d, j] / h
            arrive[j] = int(np.floor(late))
            cubic_weights(1.0 - (late - arrive[j]), m.weight[d, j], four)
            for q in range(TAPS):
                hearing[j, q] = four[q]
        block = max(int(min(shortest, 64.0 + AHEAD)) - AHEAD, 1)
        reach = max(reach, 4)
        room = reach + 8 * block + TAPS
        past = np.zeros((cells, room * LANES), dtype=kind.dtype)
        # forces of a block, from a step before it to two steps after it
        force = np.zeros((cells, (block + 3) * LANES), dtype=kind.dtype)
        told = np.zeros((total + 4) * LANES, dtype=kind.dtype)
        b[:] = 0.0
        for i in range(cells):
            for lane in range(LANES):
                ch = min(c0 + lane, m.speak.shape[1] - 1)
                for q in range(7):
                    value = m.coefficient[d, ch, i, q]
                    b[(i * _ROWS + _DAMP + q) * LANES + lane] = value
        speak = np.empty((cells, LANES), dtype=kind.dtype)
        for i in range(cells):
            for lane in range(LANES):
                speak[i, lane] = m.speak[d, min(c0 + lane, m.speak.shape[1] - 1), i]
        place, k = reach, 0
        while k < total:
            count = min(block, total - k)
            if place + count > room - TAPS:
                for i in range(cells):
                    for q in range(reach * LANES):
                        past[i, q] = past[i, q + (place - reach) * LANES]
                place = reach
            # steps k - 1, k, k + 1 were found with the last block
            for i in range(cells):
                if k > 0:
                    for q in range(3 * LANES):
                        force[i, q] = force[i, q + block * LANES]
                for q in range(3 * LANES, force.shape[1]):
                    force[i, q] = T(0.0)
            flat = force.reshape(-1)
            for j in range(cells):
                add_heard(past[j], place + 2, count, weights[j], first[j], flat, 3)
            for s in range(count):
                for q in range(3):
                    at = 2 * (k + s) + q
                    inside = at < 2 * n or (at == 2 * n and q > 0)
                    drive[2 * q] = m.drive[d, at, 0] if inside else 0.0
                    drive[2 * q + 1] = m.drive[d, at, 1] if inside else 0.0
                at = 2 * (k + s)
                drive[6] = m.drive[d, at, 0] if 0 < at <= 2 * n else 0.0
                drive[7] = m.drive[d, at, 1] if 0 < at <= 2 * n else 0.0
                step_cells(b, flat, s, T(h), drive, past.reshape(-1), place + s)
                for j in range(cells):
                    for lane in range(LANES):
                        past[j, (place + s) * LANES + lane] *= speak[j, lane]
                    for q in range(TAPS):
                        # sample k + s is the q-th of four for the point arrive + 2 - q later
                        to = (k + s + arrive[j] + 2 - q) * LANES
                        if 0 <= to < told.size:
                            for lane in range(LANES):
                                value = past[j, (place + s) * LANES + lane]
                                told[to + lane] = fma(hearing[j, q], value, told[to + lane])
            k += count
            place += count
        for lane in range(min(LANES, m.speak.shape[1] - c0)):
            for q in range(min(pressure.shape[2], -(-total // stride))):
                pressure[d, c0 + lane, q] = told[q * stride * LANES + lane]
            for i in range(cells):
                deflection[d, c0 + lane, i] = b[(i * _ROWS + _TOP) * LANES + lane]
                left[d, c0 + lane, i] = b[(i * _ROWS + _X) * LANES + lane]
