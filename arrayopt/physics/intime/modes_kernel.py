"""Compiled flow of cells with several modes and harmonics (M12.11 to M12.14): lanes are chips.

A component is one harmonic of one mode of a cell. The first mode's first harmonic is slow; the
others follow it at once, or, where one is near a resonance of its own, move by their own envelope.
Components are kept turned back by as much as their harmonic turns with the slow one, so that they
hardly change where that only turns.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.back.neck_kernel import NECK_COUNT, back_pressure, neck_coefficients
from arrayopt.physics.intime import formulas
from arrayopt.physics.intime.flow_kernel import (
    COEFFICIENTS,
    DECAY,
    DETUNE,
    FORCE_IM,
    FORCE_RE,
    MEMORY,
    POWER,
    PULL,
    PUSH_IM,
    PUSH_RE,
    SIZE,
    SPEED,
    TAKE,
    TOP,
    U_IM,
    U_RE,
    ChipArrays,
    Real,
)
from arrayopt.physics.numerics.compiled import forced, inner
from arrayopt.physics.numerics.fused import fma
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.sound.radiation import SERIES_LIMIT, even_series

Sizes = tuple[int, ...]
"""Of modes or harmonics of a cell: its length is their number, and a constant of compiled code."""

SAMPLES = 12
"""In a period; forces of harmonics to the third are exact but for what the ninth makes in the
third. The second half of a period is the first with odd harmonics reversed."""
HARMONIC = np.array([1, 3, 0, 2])
"""In the order kept: the last two only where springs are quadratic."""
RINGS = 3.0
"""A component within so many halves of its linewidth of a resonance has a motion of its own."""
OTHERS = 0.01
"""Share of the other components' squares beside which the slow one's is small: from there on the
springs' force is no rate of its own but a push."""
GROWTH = 2.0
"""By how much the slow size may be thought to have changed in a step."""

_ANGLE = 2.0 * np.pi / SAMPLES * np.arange(SAMPLES // 2)[:, None] * HARMONIC
_COS, _SIN = np.cos(_ANGLE), np.sin(_ANGLE)

# Rows of a cell's memory after those of `flow_kernel`: slow component, its direction and size; rate
# and bend that springs gave and the square of the size, all a step ago; what was heard then;
# tangent of every mode. Components follow: their values, what pushes them, and, of those that may
# have a motion of their own, that and its push before.
RE, IM, _TURN_RE, _TURN_IM, _SIZE = range(MEMORY, MEMORY + 5)
_GAIN_RE, _GAIN_IM, _BEND, _SQUARE, _HEARD_RE, _HEARD_IM, _TANGENT = range(MEMORY + 5, MEMORY + 12)

_times = forced(formulas.make_times(fma))
_step = forced(formulas.make_step(fma, forced))
_forced = forced(formulas.make_forced(fma, forced))


class ModeArrays(NamedTuple):
    """Several modes of the chips of `ChipArrays`; see `modes.mode_arrays`; C order."""

    mass: Floats
    """(design, chip, cell, mode), as damping, force and volume (kg)."""
    damping: Floats
    force_re: Floats
    force_im: Floats
    volume: Floats
    stiffness: Floats
    """(design, chip, cell, pair of modes) (N/m)."""
    springs: Floats
    """(design, chip, cell, entry): cubic, then quadratic ones, over the strength's powers."""
    resistance: Floats
    """(design, cell, pair of modes, term), as reactance: series of M5.5, M5.6, all sides."""
    reactance: Floats
    transform: Floats
    """(design, cell, mode, term)."""
    even: Ints
    """(design,): 1 where springs are quadratic."""


@inner
def pair_place(i: int, j: int, modes: int) -> int:
    """Place of a pair of modes among those with i <= j."""
    low, high = min(i, j), max(i, j)
    return low * modes - low * (low - 1) // 2 + high - low


@inner
def row_counts(modes: Sizes, slots: Sizes) -> tuple[int, int, int]:
    """Rows of a cell's coefficients, of its memory, and of room to work in."""
    M, S = len(modes), len(slots)
    coefficients = COEFFICIENTS + S * (M * (M + 1) + M) + 2 * M
    memory = _TANGENT + M + 4 * S * M + 2 * S * (M - 1)
    return coefficients, memory, 2 * S * M + 2 * M + 2 * S + 6


@inner
def set_tones(a: ChipArrays, m: ModeArrays, d: int, w: float, out: Real) -> None:
    """How modes hear and tell beside the first (M12.10): (cell, mode, 2), flat."""
    k, modes = w / a.sound_speed, m.transform.shape[2]
    for i in range(a.nominal.shape[1]):
        for way in range(2):
            x = k * a.nominal[d, i] * (1.0 if way == 0 else a.sine)
            first = even_series(x, m.transform[d, i, 0])
            for n in range(modes):
                share = even_series(x, m.transform[d, i, n]) / first
                out[2 * (i * modes + n) + way] = share


@inner
def set_modes(
    a: ChipArrays,
    m: ModeArrays,
    d: int,
    first: int,
    w: float,
    h: float,
    modes: Sizes,
    slots: Sizes,
    out: Real,
) -> None:
    """Coefficients at w of all but the slow component, in every lane (M12.11)."""
    chips, cells, M = a.mass.shape[1], a.mass.shape[2], len(modes)
    pairs = M * (M + 1) // 2
    rows = row_counts(modes, slots)[0]
    terms = m.resistance.shape[3]
    necked = a.neck[NECK_COUNT] > 0.0
    T = out.dtype.type
    x, r, ka = np.empty(LANES), np.empty(LANES), np.empty(LANES)
    for slot in range(len(slots)):
        harmonic = HARMONIC[slot]
        u = harmonic * w
        area = moving = resisting = 0.0
        if necked and harmonic > 0:
            area, moving, resisting = neck_coefficients(u, a.neck, a.density, a.sound_speed)
        for i in range(cells):
            base = i * rows + COEFFICIENTS + slot * (2 * pairs + M)
            for lane in range(LANES):
                ka[lane] = u / a.sound_speed * a.radius[d, min(first + lane, chips - 1), i]
                ka[lane] = min(ka[lane], SERIES_LIMIT)
            for one in range(M):
                for two in range(one, M):
                    p = pair_place(one, two, M)
                    for lane in range(LANES):
                        x[lane] = r[lane] = 0.0
                    for n in range(terms - 1, -1, -1):
                        resist, react = m.resistance[d, i, p, n], m.reactance[d, i, p, n]
                        for lane in range(LANES):
                            r[lane] = r[lane] * ka[lane] * ka[lane] + resist
                            x[lane] = x[lane] * ka[lane] * ka[lane] + react
                    for lane in range(LANES):
                        c = min(first + lane, chips - 1)
                        radius, s = a.radius[d, c, i], a.strength[d, c, i]
                        load = a.density * a.sound_speed * np.pi * radius * radius * ka[lane]
                        mass, loss = load * x[lane], load * r[lane] * ka[lane]
                        if one == two:
                            mass += u * m.mass[d, c, i, one]
                            loss += m.damping[d, c, i, one]
                        re, im = m.stiffness[d, c, i, p] - u * mass, u * loss
                        if necked and harmonic > 0:
                            pull, drag = back_pressure(
                                u, a.cavity[d, c, i], area, moving, resisting
                            )
                            both = m.volume[d, c, i, one] * m.volume[d, c, i, two]
                            re, im = re + pull * both, im + drag * both
                        q = (base + 2 * p) * LANES + lane
                        out[q], out[q + LANES] = re / (s * s), im / (s * s)
                        if one == two:
                            scale = 0.5 * h * s * s / mass if harmonic > 0 else 0.0
                            out[(base + 2 * pairs + one) * LANES + lane] = scale
    for i in range(cells):
        turn_re, turn_im = np.cos(w * a.lead[d, i]), -np.sin(w * a.lead[d, i])
        for n in range(M):
            q = (i * rows + rows - 2 * M + 2 * n) * LANES
            for lane in range(LANES):
                c = min(first + lane, chips - 1)
                re, im = m.force_re[d, c, i, n], m.force_im[d, c, i, n]
                s = a.strength[d, c, i]
                out[q + lane] = T((re * turn_re - im * turn_im) / s)
                out[q + LANES + lane] = T((re * turn_im + im * turn_re) / s)


@inner
def release(c: Real, rows: int, modes: int) -> None:
    """Take the drive out of every cell's coefficients."""
    for k in range(c.size):
        row = k // LANES % rows
        if row in (FORCE_RE, FORCE_IM) or row >= rows - 2 * modes:
            c[k] = 0.0


@inner
def set_springs(m: ModeArrays, d: int, first: int, out: Real) -> None:
    """Springs in every lane: (cell, entry, lane), flat."""
    _, chips, cells, entries = m.springs.shape
    for i in range(cells):
        for e in range(entries):
            for lane in range(LANES):
                value = m.springs[d, min(first + lane, chips - 1), i, e]
                out[(i * entries + e) * LANES + lane] = value


@inner
def hidden(modes: Sizes, slots: Sizes, work: Real) -> int:
    """`LANES`, but no constant: LLVM unrolls short loops of known length instead of vectorising."""
    return work.size // row_counts(modes, slots)[2]


@inner
def _pull_one(c: Real, even: bool, q: Real) -> None:
    lanes = q.size
    for lane in range(lanes):
        x = q[lane]
        total = c[lane] * x * x * x
        if even:
            total = fma(c[LANES + lane], x * x, total)
        q[lane] = total


@inner
def _pull_two(c: Real, even: bool, q: Real) -> None:
    T, L, lanes = c.dtype.type, LANES, q.size // 2
    three = T(3.0)
    for lane in range(lanes):
        x, y = q[lane], q[L + lane]
        xx, yy = x * x, y * y
        xxx, xxy, xyy, yyy = xx * x, three * xx * y, three * x * yy, yy * y
        c1, c2, c3 = c[L + lane], c[2 * L + lane], c[3 * L + lane]
        fx = fma(c[lane], xxx, fma(c1, xxy, fma(c2, xyy, c3 * yyy)))
        fy = fma(c1, xxx, fma(c2, xxy, fma(c3, xyy, c[4 * L + lane] * yyy)))
        if even:
            xy = (x + x) * y
            c1, c2 = c[6 * L + lane], c[7 * L + lane]
            fx = fma(c[5 * L + lane], xx, fma(c1, xy, fma(c2, yy, fx)))
            fy = fma(c1, xx, fma(c2, xy, fma(c[8 * L + lane], yy, fy)))
        q[lane], q[L + lane] = fx, fy


@inner
def _pull_three(c: Real, even: bool, q: Real) -> None:
    T, L, lanes = c.dtype.type, LANES, q.size // 3
    three, six = T(3.0), T(6.0)
    for lane in range(lanes):
        x, y, z = q[lane], q[L + lane], q[2 * L + lane]
        xx, yy, zz = x * x, y * y, z * z
        x3, y3, z3 = three * x, three * y, three * z
        a, b, d, e = xx * x, xx * y3, xx * z3, x3 * yy
        f, g, h, i = six * x * y * z, x3 * zz, yy * y, yy * z3
        j, k = y3 * zz, zz * z
        # entries 111i, 112i, ... in the order of their indices
        c1, c2, c3 = c[L + lane], c[2 * L + lane], c[3 * L + lane]
        c4, c5, c6 = c[4 * L + lane], c[5 * L + lane], c[6 * L + lane]
        c7, c8, c9 = c[7 * L + lane], c[8 * L + lane], c[9 * L + lane]
        one = fma(c[lane], a, fma(c1, b, fma(c2, d, fma(c3, e, fma(c4, f, c5 * g)))))
        one = fma(c6, h, fma(c7, i, fma(c8, j, fma(c9, k, one))))
        two = fma(c1, a, fma(c3, b, fma(c4, d, fma(c6, e, fma(c7, f, c8 * g)))))
        tri = fma(c2, a, fma(c4, b, fma(c5, d, fma(c7, e, fma(c8, f, c9 * g)))))
        c1, c2, c3 = c[11 * L + lane], c[12 * L + lane], c[13 * L + lane]
        two = fma(c[10 * L + lane], h, fma(c1, i, fma(c2, j, fma(c3, k, two))))
        tri = fma(c1, h, fma(c2, i, fma(c3, j, fma(c[14 * L + lane], k, tri))))
        if even:
            xy, xz, yz = (x + x) * y, (x + x) * z, (y + y) * z
            c1, c2, c3 = c[16 * L + lane], c[17 * L + lane], c[18 * L + lane]
            c4, c5 = c[19 * L + lane], c[20 * L + lane]
            one = fma(c[15 * L + lane], xx, fma(c1, xy, fma(c2, xz, one)))
            one = fma(c3, yy, fma(c4, yz, fma(c5, zz, one)))
            two = fma(c1, xx, fma(c3, xy, fma(c4, xz, two)))
            tri = fma(c2, xx, fma(c4, xy, fma(c5, xz, tri)))
            c1, c2 = c[22 * L + lane], c[23 * L + lane]
            two = fma(c[21 * L + lane], yy, fma(c1, yz, fma(c2, zz, two)))
            tri = fma(c1, yy, fma(c2, yz, fma(c[24 * L + lane], zz, tri)))
        q[lane], q[L + lane], q[2 * L + lane] = one, two, tri


@inner
def _balance(c: Real, modes: Sizes, slots: Sizes, memory: Real, work: Real) -> None:
    """Harmonics of the springs' force under a cell's components, and its largest displacement.

    ``work`` begins with the harmonics, (slot, mode, re and im); samples follow.
    """
    T, L, M, even = work.dtype.type, LANES, len(modes), len(slots) > 2
    lanes = hidden(modes, slots, work)
    v, half = (_TANGENT + M) * L, M * L
    q = 2 * len(slots) * half
    for k in range(2 * len(slots) * M * lanes):
        work[k] = T(0.0)
    top = memory[TOP * L : (TOP + 1) * L]
    share, twice = T(2.0 / SAMPLES), T(4.0 / SAMPLES)
    for k in range(SAMPLES // 2):
        c1, s1, c3, s3 = T(_COS[k, 0]), T(_SIN[k, 0]), T(_COS[k, 1]), T(_SIN[k, 1])
        c2, s2 = T(_COS[k, 3]), T(_SIN[k, 3])
        for n in range(M):
            p, g = v + 2 * n * L, q + n * L
            one, three = memory[p : p + 2 * L], memory[p + 2 * half : p + 2 * half + 2 * L]
            out = work[g : g + L]
            for lane in range(lanes):
                odd = fma(c1, one[lane], -s1 * one[L + lane])
                out[lane] = fma(c3, three[lane], fma(-s3, three[L + lane], odd))
            if even:
                mean, two = (
                    memory[p + 4 * half : p + 4 * half + L],
                    memory[p + 6 * half : p + 6 * half + 2 * L],
                )
                other = work[g + half : g + half + L]
                for lane in range(lanes):
                    odd = out[lane]
                    whole = fma(c2, two[lane], fma(-s2, two[L + lane], mean[lane]))
                    out[lane], other[lane] = whole + odd, whole - odd
        for side in range(2 if even else 1):
            now = work[q + side * half : q + (side + 1) * half]
            for lane in range(lanes):
                centre = now[lane]
                if M > 1:
                    centre += now[L + lane]
                if M > 2:
                    centre += now[2 * L + lane]
                top[lane] = max(top[lane], centre * centre)
            if M == 1:
                _pull_one(c, even, now)
            elif M == 2:
                _pull_two(c, even, now)
            else:
                _pull_three(c, even, now)
        for n in range(M):
            p, g = 2 * n * L, q + n * L
            out, one, three = (
                work[g : g + L],
                work[p : p + 2 * L],
                work[p + 2 * half : p + 2 * half + 2 * L],
            )
            if even:
                mean, two = (
                    work[p + 4 * half : p + 4 * half + L],
                    work[p + 6 * half : p + 6 * half + 2 * L],
                )
                other = work[g + half : g + half + L]
                for lane in range(lanes):
                    whole = share * (out[lane] + other[lane])
                    out[lane] = T(0.5) * (out[lane] - other[lane])
                    mean[lane] = fma(T(0.5), whole, mean[lane])
                    other[lane] = whole
                for lane in range(lanes):
                    two[lane] = fma(c2, other[lane], two[lane])
                    two[L + lane] = fma(-s2, other[lane], two[L + lane])
            for lane in range(lanes):
                force = twice * out[lane]
                one[lane] = fma(c1, force, one[lane])
                one[L + lane] = fma(-s1, force, one[L + lane])
            for lane in range(lanes):
                force = twice * out[lane]
                three[lane] = fma(c3, force, three[lane])
                three[L + lane] = fma(-s3, force, three[L + lane])


@forced
def _peak(T: Any, u: Any, slope: Any, bend: Any) -> Any:
    """Square of the largest displacement near where it is u: Newton's step, a tenth at most."""
    size = abs(u)
    more = min(T(0.5) * slope * slope / max(abs(bend), T(1e-30)), T(0.1) * size)
    size += more if u * bend > T(0.0) else T(0.0)
    return size * size


@inner
def _excursion(modes: Sizes, slots: Sizes, memory: Real, work: Real) -> None:
    """Largest displacement between samples, about where the slow one is largest."""
    T, L, M, S = memory.dtype.type, LANES, len(modes), len(slots)
    lanes = hidden(modes, slots, work)
    for k in range(6 * lanes):
        work[k] = T(0.0)
    for slot in range(S):
        # odd harmonics turn their sign after half a period; even ones do not
        at, h = 3 * (slot // 2) * L, T(HARMONIC[slot])
        for n in range(M):
            p = (_TANGENT + M + 2 * (slot * M + n)) * L
            for lane in range(lanes):
                re, im = memory[p + lane], memory[p + L + lane]
                work[at + lane] += re
                work[at + L + lane] = fma(h, im, work[at + L + lane])
                work[at + 2 * L + lane] = fma(h * h, re, work[at + 2 * L + lane])
    for lane in range(lanes):
        u, slope, bend = work[lane], work[L + lane], work[2 * L + lane]
        top = memory[TOP * L + lane]
        if S > 2:
            e0, e1, e2 = work[3 * L + lane], work[4 * L + lane], work[5 * L + lane]
            top = max(top, _peak(T, e0 - u, e1 - slope, e2 - bend))
            u, slope, bend = e0 + u, e1 + slope, e2 + bend
        memory[TOP * L + lane] = max(top, _peak(T, u, slope, bend))


@inner
def _own_place(n: int, slot: int, modes: Sizes, slots: Sizes) -> int:
    """Row of the own motion of mode n > 0 in the second and third harmonic."""
    M = len(modes)
    return _TANGENT + M + 4 * len(slots) * M + 4 * (slot // 2 * (M - 1) + n - 1)


@inner
def _turns(slots: Sizes, lanes: int, memory: Real, at: int, work: Real) -> None:
    """Direction of the slow component to the power of each harmonic, re and im, from row ``at``."""
    T, L = memory.dtype.type, LANES
    for lane in range(lanes):
        re, im = memory[_TURN_RE * L + lane], memory[_TURN_IM * L + lane]
        two_re, two_im = _times(re, im, re, im)
        three_re, three_im = _times(re, im, two_re, two_im)
        work[at + lane], work[at + L + lane] = re, im
        work[at + 2 * L + lane], work[at + 3 * L + lane] = three_re, three_im
        if len(slots) > 2:
            work[at + 4 * L + lane], work[at + 5 * L + lane] = T(1.0), T(0.0)
            work[at + 6 * L + lane], work[at + 7 * L + lane] = two_re, two_im


@inner
def _ring(
    own: Real,
    tangent: Real,
    rate: Real,
    moved: Any,
    push: Real,
    left: Real,
    turn: Real,
    lanes: int,
    rings: Real,
    now: Real,
) -> None:
    """Step of a component with a motion of its own, in the lanes where it has one (M12.14).

    ``left`` holds what pushes it at the step's end, turned back, and its value before.
    """
    T, L = rings.dtype.type, LANES
    for lane in range(lanes):
        scale, er, ei = rate[lane], turn[lane], turn[L + lane]
        off, loss = own[lane] + tangent[lane], own[L + lane]
        re, im = _times(left[lane], left[L + lane], er, ei)
        re, im = _forced(
            T,
            (left[2 * L + lane], left[3 * L + lane]),
            -scale * loss,
            fma(scale, off, moved),
            (push[lane], push[L + lane]),
            (fma(scale, im, -push[lane]), fma(-scale, re, -push[L + lane])),
        )
        mine = abs(off) < T(RINGS) * loss
        re, im = re if mine else rings[lane], im if mine else rings[L + lane]
        rings[lane], rings[L + lane] = re, im
        now[lane], now[L + lane] = fma(re, er, im * ei), fma(im, er, -(re * ei))


@inner
def follow(
    c: Real,
    springs: Real,
    modes: Sizes,
    slots: Sizes,
    memory: Real,
    tone: Real,
    shift: Any,
    known: Any,
    work: Real,
    said: Real,
) -> None:
    """Components at the slow one's new value, and what others hear of them (M12.13, M12.14).

    A follower grows as its springs' force does: as the slow size to the power of 3, or 2.
    """
    T, L, M, S = memory.dtype.type, LANES, len(modes), len(slots)
    lanes = hidden(modes, slots, work)
    pairs = M * (M + 1) // 2
    count = M * (M + 1) * (M + 2) * (M + 3) // 24
    v, size = (_TANGENT + M) * L, 2 * S * M * L
    room = size + 2 * M * L
    grown = room + 2 * S * L
    extra = grown + 2 * L
    rows = row_counts(modes, slots)[0]
    for lane in range(lanes):
        re, im = memory[RE * L + lane], memory[IM * L + lane]
        new = np.sqrt(fma(re, re, fma(im, im, T(1e-30))))
        share = new / (memory[_SIZE * L + lane] + T(1e-15))
        share = min(max(share, T(1.0 / GROWTH)), T(GROWTH))
        share = known * share + (T(1.0) - known)
        work[grown + lane], work[grown + L + lane] = share * share * share, share * share
        memory[_SIZE * L + lane] = new
        memory[_TURN_RE * L + lane], memory[_TURN_IM * L + lane] = re / new, im / new
        memory[v + lane], memory[v + L + lane] = new, T(0.0)
    for k in range(2 * lanes):
        said[k] = memory[RE * L + k]
    _turns(slots, lanes, memory, room, work)
    for n in range(M):
        place = pair_place(n, n, M)
        t, k3, k2 = (_TANGENT + n) * L, place * L, (count + place) * L
        for lane in range(lanes):
            square = memory[_SIZE * L + lane] * memory[_SIZE * L + lane]
            memory[t + lane] = T(1.5) * springs[k3 + lane] * square
        if S > 2:
            for lane in range(lanes):
                x = memory[v + 4 * M * L + lane]
                more = fma(T(3.0) * springs[k3 + lane], x, T(2.0) * springs[k2 + lane])
                memory[t + lane] = fma(more, x, memory[t + lane])
    left = work[extra : extra + 4 * L]
    for slot in range(S):
        grow = work[grown + slot // 2 * L : grown + (slot // 2 + 1) * L]
        turn = work[room + 2 * slot * L : room + 2 * (slot + 1) * L]
        base = COEFFICIENTS + slot * (2 * pairs + M)
        for n in range(1 if slot == 0 else 0, M):
            at = v + 2 * (slot * M + n) * L
            now, pushed = memory[at : at + 2 * L], memory[at + size : at + size + 2 * L]
            d = (base + 2 * pair_place(n, n, M)) * L
            own, tangent = c[d : d + 2 * L], memory[(_TANGENT + n) * L : (_TANGENT + n + 1) * L]
            hear = T(tone[2 * n])
            for lane in range(lanes):
                left[lane] = pushed[lane] * grow[lane]
                left[L + lane] = pushed[L + lane] * grow[lane]
            if slot == 0:
                at = (rows - 2 * M + 2 * n) * L
                drive, heard = c[at : at + 2 * L], memory[_HEARD_RE * L : (_HEARD_RE + 2) * L]
                for lane in range(lanes):
                    re = fma(-hear, heard[lane], drive[lane])
                    im = fma(-hear, heard[L + lane], drive[L + lane])
                    er, ei = turn[lane], turn[L + lane]
                    left[lane] += fma(re, er, im * ei)
                    left[L + lane] += fma(im, er, -(re * ei))
            for lane in range(lanes):
                re, im = left[lane], left[L + lane]
                stiff, loss = own[lane] + tangent[lane], own[L + lane]
                scale = T(1.0) / fma(stiff, stiff, loss * loss)
                now[lane] = fma(re, stiff, im * loss) * scale
                now[L + lane] = fma(im, stiff, -(re * loss)) * scale
            if slot == 0:
                for lane in range(lanes):
                    re, im = _times(now[lane], now[L + lane], turn[lane], turn[L + lane])
                    said[lane] = fma(hear, re, said[lane])
                    said[L + lane] = fma(hear, im, said[L + lane])
            elif n > 0 and slot != 2:
                at = _own_place(n, slot, modes, slots) * L
                rings, push = memory[at : at + 2 * L], memory[at + 2 * L : at + 4 * L]
                near = False
                for lane in range(lanes):
                    near |= abs(own[lane] + tangent[lane]) < T(RINGS) * own[L + lane]
                for lane in range(lanes):
                    left[2 * L + lane], left[3 * L + lane] = rings[lane], rings[L + lane]
                    re, im = _times(now[lane], now[L + lane], turn[lane], turn[L + lane])
                    rings[lane], rings[L + lane] = re, im
                if near:
                    at = (base + 2 * pairs + n) * L
                    moved = T(HARMONIC[slot]) * shift
                    _ring(own, tangent, c[at : at + L], moved, push, left, turn, lanes, rings, now)


@inner
def advance_modes(
    c: Real,
    springs: Real,
    modes: Sizes,
    slots: Sizes,
    heard: Real,
    memory: Real,
    tone: Real,
    weight: Real,
    sums: Real,
    shift: Any,
    known: Any,
    work: Real,
) -> None:
    """One step of a cell of several modes (M12.12), and what it adds to the sums of a step.

    Arguments as of `flow_kernel.advance`; all are those of this cell.
    """
    T, L, M, S = memory.dtype.type, LANES, len(modes), len(slots)
    lanes = hidden(modes, slots, work)
    pairs = M * (M + 1) // 2
    v, size = (_TANGENT + M) * L, 2 * S * M * L
    room = size + 2 * M * L
    extra = room + 2 * S * L
    rows = row_counts(modes, slots)[0]
    _excursion(modes, slots, memory, work)
    _turns(slots, lanes, memory, room, work)
    _balance(springs, modes, slots, memory, work)
    for k in range(2 * lanes):
        memory[_HEARD_RE * L + k] = heard[k]
    for slot in range(S):
        base = COEFFICIENTS + slot * (2 * pairs + M)
        for one in range(M):
            for two in range(M):
                if one == two:
                    continue
                k = (base + 2 * pair_place(one, two, M)) * L
                to, of = 2 * (slot * M + one) * L, v + 2 * (slot * M + two) * L
                out, x, share = work[to : to + 2 * L], memory[of : of + 2 * L], c[k : k + 2 * L]
                for lane in range(lanes):
                    a, b, re, im = share[lane], share[L + lane], x[lane], x[L + lane]
                    out[lane] = fma(a, re, fma(-b, im, out[lane]))
                    out[L + lane] = fma(a, im, fma(b, re, out[L + lane]))
    to_re, to_im = weight[0], weight[1]
    for lane in range(lanes):
        work[extra + lane] = T(1e-30)
    for n in range(1, M):
        p, r = v + 2 * n * L, v + 2 * (M + n) * L
        drive, tell = (rows - 2 * M + 2 * n) * L, tone[2 * n + 1]
        for lane in range(lanes):
            re, im = memory[p + lane], memory[p + L + lane]
            square = fma(re, re, im * im)
            re3, im3 = memory[r + lane], memory[r + L + lane]
            square = fma(re3, re3, fma(im3, im3, square))
            work[extra + lane] = fma(T(OTHERS), square, work[extra + lane])
            er, ei = work[room + lane], work[room + L + lane]
            re, im = _times(re, im, er, ei)
            sums[U_RE * L + lane] += tell * fma(to_re, re, -(to_im * im))
            sums[U_IM * L + lane] += tell * fma(to_re, im, to_im * re)
            taken = fma(c[drive + L + lane], re, -(c[drive + lane] * im))
            sums[POWER * L + lane] += taken * c[PULL * L + lane] * c[TAKE * L + lane]
    for lane in range(lanes):
        re, im = memory[RE * L + lane], memory[IM * L + lane]
        length, small = memory[_SIZE * L + lane], work[extra + lane]
        square = length * length
        pull = c[PULL * L + lane]
        share = T(1.0) / (square + small)
        # the springs' force as a rate of the slow component itself, and what is left of it
        n_re, n_im = work[lane], work[L + lane]
        gain_re, gain_im = pull * n_re * length * share, pull * n_im * length * share
        left = pull * small * share
        er, ei = work[room + lane], work[room + L + lane]
        r_re, r_im = _times(left * n_re, left * n_im, er, ei)
        force_re, force_im = c[FORCE_RE * L + lane], c[FORCE_IM * L + lane]
        push_re = force_re - fma(pull, memory[_HEARD_IM * L + lane], r_im)
        push_im = force_im + fma(pull, memory[_HEARD_RE * L + lane], r_re)
        decay = c[DECAY * L + lane] - gain_im
        detune = c[DETUNE * L + lane] + shift + gain_re
        own_re, own_im = _times(decay, detune, re, im)
        s_re, s_im = own_re + push_re, own_im + push_im
        # of the rate's last change, half of what its bend did not say goes on
        told = memory[_BEND * L + lane] * (square - memory[_SQUARE * L + lane])
        half = T(0.5) * known
        detune += half * (gain_re - memory[_GAIN_RE * L + lane] - told)
        decay -= half * (gain_im - memory[_GAIN_IM * L + lane])
        bend = gain_re * share
        was_re, was_im = memory[PUSH_RE * L + lane], memory[PUSH_IM * L + lane]
        new_re, new_im = _step(
            T,
            (re, im),
            decay,
            detune,
            bend,
            (push_re, push_im),
            (known * (push_re - was_re), known * (push_im - was_im)),
        )
        memory[RE * L + lane], memory[IM * L + lane] = new_re, new_im
        memory[PUSH_RE * L + lane], memory[PUSH_IM * L + lane] = push_re, push_im
        memory[_GAIN_RE * L + lane], memory[_GAIN_IM * L + lane] = gain_re, gain_im
        memory[_BEND * L + lane], memory[_SQUARE * L + lane] = bend, square
        sums[U_RE * L + lane] += fma(to_re, re, -(to_im * im))
        sums[U_IM * L + lane] += fma(to_re, im, to_im * re)
        sums[SPEED * L + lane] += fma(s_re, s_re, s_im * s_im)
        sums[SIZE * L + lane] += square
        taken = fma(force_re, re, force_im * im)
        sums[POWER * L + lane] += taken * c[TAKE * L + lane]
    for slot in range(S):
        base = COEFFICIENTS + slot * (2 * pairs + M)
        for n in range(1 if slot == 0 else 0, M):
            of = 2 * (slot * M + n) * L
            x, out = memory[v + of : v + of + 2 * L], memory[v + size + of : v + size + of + 2 * L]
            force, tangent = (
                work[of : of + 2 * L],
                memory[(_TANGENT + n) * L : (_TANGENT + n + 1) * L],
            )
            for lane in range(lanes):
                out[lane] = fma(tangent[lane], x[lane], -force[lane])
                out[L + lane] = fma(tangent[lane], x[L + lane], -force[L + lane])
            if n > 0 and slot != 0 and slot != 2:
                at = (base + 2 * pairs + n) * L
                rate, turn = c[at : at + L], work[room + 2 * slot * L : room + 2 * (slot + 1) * L]
                at = (_own_place(n, slot, modes, slots) + 2) * L
                push = memory[at : at + 2 * L]
                for lane in range(lanes):
                    re, im = _times(out[lane], out[L + lane], turn[lane], turn[L + lane])
                    push[lane], push[L + lane] = rate[lane] * im, -rate[lane] * re
