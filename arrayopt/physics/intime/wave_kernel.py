"""Compiled motion of chips under any drive, sound between cells delayed (M12.7 to M12.9).

Lanes are chips. The air's forces of a whole block of steps are known before it is taken, because
sound needs longer than a block from any cell to the next.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.numerics.compiled import forced, inner, kernel
from arrayopt.physics.numerics.fused import fma
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.sound.pair import pair_term, paths, strengths

Real = NDArray[Any]

TAPS = 4
"""Samples through which a past acceleration is interpolated."""
AHEAD = 4
"""Steps that the shortest delay must hold besides a block: forces are known two steps ahead, and
the interpolation reaches two on."""

# Rows of a cell with one mode: state, largest displacement, and coefficients over the mass.
_X, _V, _TOP, _DAMP, _K1, _K2, _K3, _RE, _IM, _HEAR, _SPEAK, _TELL = range(12)


@inner
def monomials(modes: int) -> int:
    """Products of one to three of so many displacements."""
    two = modes * (modes + 1) // 2
    return modes + two + two * (modes + 2) // 3


@kernel
def coefficients(modes: int) -> int:
    """Coefficients of a cell: damping, monomials, drive re and im, hear, speak, tell (M12.7)."""
    return modes * (modes + monomials(modes) + 5)


class Motions(NamedTuple):
    """What moves and how; over the mass of each cell with its air; C order."""

    coefficient: Floats
    """(design, chip, cell, `coefficients`): rows of every mode, one kind after another."""
    modes: int
    gain: Floats
    """(design, cell from, cell to): force per past acceleration (kg)."""
    delay: Floats
    """(design, cell from, cell to): after this time (s)."""
    drive: Floats
    """(design, wave, 2 n + 1, 2): drives and their quadratures at every half step."""
    wave: Ints
    """(cell,): which of a design's drives moves it."""
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
def step_cells(
    b: Real, force: Real, m: int, h: Any, drives: Real, wave: Ints, now: Real, at: int, tell: Real
) -> None:
    """One classical Runge-Kutta step of every cell of one mode (M8.2).

    ``force`` (cell, step, lane) holds what the air brings from a step before the block on; the
    force at half a step is the cubic through four of them. ``drives`` (wave, 8): at start, half,
    end, and at the end of the step before, the quadrature after each; ``wave`` (cell,): whose.
    ``now`` and ``tell`` receive what the others and the target hear of the acceleration at the
    start.
    """
    T = b.dtype.type
    cells = tell.size // LANES
    rows, room, slots = b.size // cells, force.size // cells, now.size // cells
    half, third, sixth = T(0.5) * h, h * T(1.0 / 3.0), h * T(1.0 / 6.0)
    for i in range(cells):
        c0, s0, c1, s1, c2, s2, cp, sp = drives[wave[i]]
        f, o = i * room + m * LANES, i * slots + at * LANES
        air, out = force[f : f + 4 * LANES], now[o : o + LANES]
        row, told = b[i * rows : (i + 1) * rows], tell[i * LANES : (i + 1) * LANES]
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
            mean = p0 + T(0.5) * (re * (cp - c0) - im * (sp - s0))
            out[lane] = row[_SPEAK * LANES + lane] * mean
            told[lane] = row[_TELL * LANES + lane] * mean


@inner
def _add_row(to: Real, at: int, scale: Any, of: Real, k: int) -> None:
    for lane in range(LANES):
        to[at + lane] = fma(scale, of[k + lane], to[at + lane])


@inner
def _add_product(to: Real, at: int, one: Real, k: int, two: Real, n: int) -> None:
    for lane in range(LANES):
        to[at + lane] = fma(one[k + lane], two[n + lane], to[at + lane])


@inner
def _pull_modes(
    row: Real, modes: int, xv: Real, power: Real, drive: Real, q: int, air: Real, out: Real
) -> None:
    """Accelerations of all modes at the displacements and velocities ``xv`` (2, mode, lane).

    ``power`` is room for the monomials; drive number q and the air's force ``air`` are those now.
    """
    T = xv.dtype.type
    L = LANES
    count = monomials(modes)
    n = 0
    for j in range(modes):
        for lane in range(L):
            power[n * L + lane] = -xv[j * L + lane]
        n += 1
    for j in range(modes):
        for k in range(j, modes):
            for lane in range(L):
                power[n * L + lane] = power[j * L + lane] * xv[k * L + lane]
            n += 1
    for j in range(modes):
        for k in range(j, modes):
            pair = modes + j * modes - j * (j - 1) // 2 + k - j
            for i in range(k, modes):
                for lane in range(L):
                    power[n * L + lane] = power[pair * L + lane] * xv[i * L + lane]
                n += 1
    state = 2 * modes + 1
    stiff = state + modes * modes
    push = stiff + modes * count
    for i in range(modes):
        at = i * L
        for lane in range(L):
            out[at + lane] = T(0.0)
        _add_row(out, at, drive[2 * q], row, (push + i) * L)
        _add_row(out, at, -drive[2 * q + 1], row, (push + modes + i) * L)
        _add_product(out, at, row, (push + 2 * modes + i) * L, air, 0)
        for e in range(count):
            _add_product(out, at, row, (stiff + i * count + e) * L, power, e * L)
        for j in range(modes):
            for lane in range(L):
                c = row[(state + i * modes + j) * L + lane]
                out[at + lane] = fma(-c, xv[(modes + j) * L + lane], out[at + lane])


@inner
def step_modes(
    b: Real,
    modes: int,
    work: Real,
    force: Real,
    m: int,
    h: Any,
    drives: Real,
    wave: Ints,
    now: Real,
    at: int,
    tell: Real,
) -> None:
    """As `step_cells`, for cells of several coupled modes (M8.6); ``work`` (row, part)."""
    T = b.dtype.type
    L = LANES
    cells = tell.size // L
    rows, room, slots = b.size // cells, force.size // cells, now.size // cells
    last = rows // L - 2 * modes
    push = last - 3 * modes
    xv, pulls, sums, power, air = work[0], work[1], work[2], work[3], work[4]
    for i in range(cells):
        drive = drives[wave[i]]
        row = b[i * rows : (i + 1) * rows]
        f, o = i * room + m * L, i * slots + at * L
        for lane in range(L):
            total = T(0.0)
            for j in range(modes):
                total += row[j * L + lane]
            row[2 * modes * L + lane] = max(row[2 * modes * L + lane], abs(total))
        for q in range(2 * modes * L):
            xv[q] = row[q]
            sums[q] = T(0.0)
        for stage in range(4):
            place = (stage + 1) // 2
            for lane in range(L):
                a0, a2 = force[f + L + lane], force[f + 2 * L + lane]
                if place == 1:
                    outer = force[f + lane] + force[f + 3 * L + lane]
                    air[lane] = T(0.5625) * (a0 + a2) - T(0.0625) * outer
                else:
                    air[lane] = a0 if place == 0 else a2
            _pull_modes(row, modes, xv, power, drive, place, air, pulls)
            if stage == 0:
                for lane in range(L):
                    heard = said = T(0.0)
                    for j in range(modes):
                        re, im = row[(push + j) * L + lane], row[(push + modes + j) * L + lane]
                        jump = re * (drive[6] - drive[0]) - im * (drive[7] - drive[1])
                        mean = pulls[j * L + lane] + T(0.5) * jump
                        heard = fma(row[(last + j) * L + lane], mean, heard)
                        said = fma(row[(last + modes + j) * L + lane], mean, said)
                    now[o + lane] = heard
                    tell[i * L + lane] = said
            weight = h * T(1.0 / 6.0) if stage in (0, 3) else h * T(1.0 / 3.0)
            ahead = h if stage == 2 else T(0.5) * h
            for q in range(modes * L):
                v, p = xv[modes * L + q], pulls[q]
                sums[q] = fma(weight, v, sums[q])
                sums[modes * L + q] = fma(weight, p, sums[modes * L + q])
                xv[q] = fma(ahead, v, row[q])
                xv[modes * L + q] = fma(ahead, p, row[modes * L + q])
        for q in range(2 * modes * L):
            row[q] += sums[q]


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

    ``deflection`` and ``left`` (design, chip, cell): largest displacement of the centre, and the
    last one.
    """
    T = kind.dtype.type
    cells = m.weight.shape[1]
    modes = m.modes
    state = 2 * modes + 1
    rows = state + m.coefficient.shape[3]
    b = np.zeros(cells * rows * LANES, dtype=kind.dtype)
    work = np.zeros((5, rows * LANES), dtype=kind.dtype)
    tell = np.zeros(cells * LANES, dtype=kind.dtype)
    weights = np.zeros((cells, cells, TAPS), dtype=kind.dtype)
    first = np.zeros((cells, cells), dtype=np.int64)
    hearing = np.zeros((cells, TAPS), dtype=kind.dtype)
    arrive = np.zeros(cells, dtype=np.int64)
    four, waves = np.empty(4), m.drive.shape[1]
    drives = np.zeros((waves, 8), dtype=kind.dtype)
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
        chips = m.coefficient.shape[1]
        b[:] = 0.0
        for i in range(cells):
            for lane in range(LANES):
                own = m.coefficient[d, min(c0 + lane, chips - 1), i]
                for q in range(own.size):
                    b[(i * rows + state + q) * LANES + lane] = own[q]
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
                for u in range(waves):
                    for q in range(3):
                        at = 2 * (k + s) + q
                        inside = at < 2 * n or (at == 2 * n and q > 0)
                        drives[u, 2 * q] = m.drive[d, u, at, 0] if inside else 0.0
                        drives[u, 2 * q + 1] = m.drive[d, u, at, 1] if inside else 0.0
                    at = 2 * (k + s)
                    drives[u, 6] = m.drive[d, u, at, 0] if 0 < at <= 2 * n else 0.0
                    drives[u, 7] = m.drive[d, u, at, 1] if 0 < at <= 2 * n else 0.0
                flow = past.reshape(-1)
                if modes == 1:
                    step_cells(b, flat, s, T(h), drives, m.wave, flow, place + s, tell)
                else:
                    at = place + s
                    step_modes(b, modes, work, flat, s, T(h), drives, m.wave, flow, at, tell)
                for j in range(cells):
                    for q in range(TAPS):
                        # sample k + s is the q-th of four for the point arrive + 2 - q later
                        to = (k + s + arrive[j] + 2 - q) * LANES
                        if 0 <= to < told.size:
                            for lane in range(LANES):
                                value = tell[j * LANES + lane]
                                told[to + lane] = fma(hearing[j, q], value, told[to + lane])
            k += count
            place += count
        for lane in range(min(LANES, chips - c0)):
            for q in range(min(pressure.shape[2], -(-total // stride))):
                pressure[d, c0 + lane, q] = told[q * stride * LANES + lane]
            for i in range(cells):
                deflection[d, c0 + lane, i] = b[(i * rows + 2 * modes) * LANES + lane]
                for j in range(modes):
                    left[d, c0 + lane, i] += b[(i * rows + j) * LANES + lane]
