"""Compiled Runge-Kutta stepper of M8: blocks of oscillators, one SIMD lane each.

A block holds ``LANES`` oscillators whose drives end at the same instant, the origin of the period
count: period -1 is the last drive cycle, period 0 the first of the ring-down. Each lane has its own
step (a fixed fraction of its own drive cycle), so windows of one drive cycle hold whole steps in
every lane. Lanes never exchange data and blocks are always full (spare lanes rest at zero), hence
the result of an oscillator does not depend, to the last bit, on what else is in the batch.

All rows of a block live in one buffer at constant offsets: a dozen pointers that might alias keep
LLVM from vectorising.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.physics.numerics.compiled import inner, kernel, spliced
from arrayopt.physics.numerics.fused import fma
from arrayopt.physics.transient import formulas

LANES = 32

# Rows of the parameter array (block, row, lane): per unit mass, SI.
STIFFNESS, QUADRATIC, CUBIC, DAMPING, FORCE, PHASE, FREQUENCY, END_FREQUENCY, DURATION = range(9)
PARAMETERS = 9

# Rows of the working buffer, offsets in doubles.
_X = 0 * LANES  # displacement
_U = 1 * LANES  # half of (step times velocity): saves most products of the stages
_A1 = 2 * LANES  # coefficients times step^2/4
_A2 = 3 * LANES
_A3 = 4 * LANES
_G = 5 * LANES
_FC = 6 * LANES  # drive = fc cos - fs sin of the demodulation phase
_FS = 7 * LANES
_F0 = 8 * LANES  # drive at the start of the step
_RE = 9 * LANES  # running sums of displacement times the conjugate phasor
_IM = 10 * LANES
_PC = 11 * LANES  # demodulation phasor (general loop only)
_PS = 12 * LANES
_QC = 13 * LANES  # its rotation over half a step
_QS = 14 * LANES
_RC = 15 * LANES  # rotation of that rotation (chirp)
_RS = 16 * LANES
_DT = 17 * LANES
_XA = 18 * LANES  # displacement and velocity at the window's start
_VA = 19 * LANES
_BUFFER = 20 * LANES


_step = spliced(formulas.make_step(fma, float))
_rotate = spliced(formulas.rotate)
_whole_window = spliced(formulas.whole_window)
cycle_time = spliced(formulas.cycle_time)
whole_cycles = spliced(formulas.whole_cycles)
_rotations = inner(formulas.rotations)
_window = inner(formulas.window)


@spliced
def _advance(b: NDArray[Any], i: int, f0: float, fh: float, f1: float) -> float:
    """Step lane ``i``, keep its state and the drive at the end; return the displacement."""
    g = b[_G + i]
    x, u = _step(b[_X + i], b[_U + i], b[_A1 + i], b[_A2 + i], b[_A3 + i], g, f0, fh, f1)
    b[_X + i] = x
    b[_U + i] = u
    b[_F0 + i] = f1
    return x


@inner
def _tone_period(b: NDArray[Any], cosine: NDArray[Any], sine: NDArray[Any], steps: int) -> None:
    """One whole drive cycle of a tone; the phasor table is shared by all lanes."""
    # cos(a) + cos(a + 2 d) = 2 cos(d) cos(a + d): the mid-step drive from its two ends.
    half = 0.5 / math.cos(math.pi / steps)
    for j in range(1, steps, 2):
        c1 = cosine[j]
        s1 = sine[j]
        c2 = cosine[j + 1]
        s2 = sine[j + 1]
        for i in range(LANES):
            f0 = b[_F0 + i]
            f1 = fma(b[_FC + i], c1, -b[_FS + i] * s1)
            _advance(b, i, f0, (f0 + f1) * half, f1)
        for i in range(LANES):
            f0 = b[_F0 + i]
            f1 = fma(b[_FC + i], c2, -b[_FS + i] * s2)
            x = _advance(b, i, f0, (f0 + f1) * half, f1)
            b[_RE + i] = fma(x, c2, b[_RE + i])
            b[_IM + i] = fma(-x, s2, b[_IM + i])


@inner
def _free_period(b: NDArray[Any], cosine: NDArray[Any], sine: NDArray[Any], steps: int) -> None:
    """One cycle of the last drive frequency, without drive."""
    for j in range(1, steps, 2):
        c2 = cosine[j + 1]
        s2 = sine[j + 1]
        for i in range(LANES):
            a1 = b[_A1 + i]
            a2 = b[_A2 + i]
            a3 = b[_A3 + i]
            g = b[_G + i]
            x, u = _step(b[_X + i], b[_U + i], a1, a2, a3, g, 0.0, 0.0, 0.0)
            x, u = _step(x, u, a1, a2, a3, g, 0.0, 0.0, 0.0)
            b[_X + i] = x
            b[_U + i] = u
            b[_RE + i] = fma(x, c2, b[_RE + i])
            b[_IM + i] = fma(-x, s2, b[_IM + i])


@inner
def _general_period(b: NDArray[Any], steps: int) -> None:
    """A window with a phasor of its own in every lane: a first partial cycle, or a chirp."""
    for j in range(steps):
        weight = float(j % 2)
        for i in range(LANES):
            hc, hs, c1, s1, qc, qs = _rotate(
                b[_PC + i], b[_PS + i], b[_QC + i], b[_QS + i], b[_RC + i], b[_RS + i]
            )
            b[_QC + i] = qc
            b[_QS + i] = qs
            b[_PC + i] = c1
            b[_PS + i] = s1
            f0 = b[_F0 + i]
            f1 = b[_FC + i] * c1 - b[_FS + i] * s1
            x = _advance(b, i, f0, b[_FC + i] * hc - b[_FS + i] * hs, f1)
            b[_RE + i] += weight * x * c1
            b[_IM + i] -= weight * x * s1


@inner
def _set_step(b: NDArray[Any], par: NDArray[Any], i: int, dt: float) -> None:
    """Set the coefficients of lane ``i`` for the step ``dt``."""
    scale = 0.25 * dt * dt
    b[_U + i] = b[_VA + i] * 0.5 * dt
    b[_DT + i] = dt
    b[_A1 + i] = par[STIFFNESS, i] * scale
    b[_A2 + i] = par[QUADRATIC, i] * scale
    b[_A3 + i] = par[CUBIC, i] * scale
    b[_G + i] = par[DAMPING, i] * 0.5 * dt


@inner
def _set_general(
    b: NDArray[Any],
    par: NDArray[Any],
    i: int,
    start: float,
    stop: float,
    phasor: complex,
    steps: int,
) -> None:
    """Prepare lane ``i`` of the general loop for the drive between two cycle counts."""
    f0 = par[FREQUENCY, i]
    f1 = par[END_FREQUENCY, i]
    duration = par[DURATION, i]
    t0 = cycle_time(start, f0, f1, duration)
    dt = (cycle_time(stop, f0, f1, duration) - t0) / steps
    rate = (f1 - f0) / duration
    _set_step(b, par, i, dt)
    qc, qs, rc, rs = _rotations(f0, rate, t0, dt)
    b[_QC + i] = qc
    b[_QS + i] = qs
    b[_RC + i] = rc
    b[_RS + i] = rs
    b[_PC + i] = phasor.real
    b[_PS + i] = phasor.imag
    scale = par[FORCE, i] * 0.25 * dt * dt
    b[_FC + i] = scale * math.cos(par[PHASE, i])
    b[_FS + i] = scale * math.sin(par[PHASE, i])
    b[_F0 + i] = b[_FC + i] * b[_PC + i] - b[_FS + i] * b[_PS + i]


@inner
def _begin(
    b: NDArray[Any],
    scratch: NDArray[Any],
    par: NDArray[Any],
    whole: NDArray[Any],
    fraction: NDArray[Any],
    turn: NDArray[Any],
    k: int,
    chirp: bool,
    steps: int,
) -> bool:
    """Set drive and step of each lane for period ``k``; says whether a lane starts in mid-cycle.

    First partial cycles run in ``scratch``: a neighbour's start must not change others' rounding.
    """
    any_partial = False
    for i in range(LANES):
        for row in (_X, _U, _VA, _RE, _IM, _FC, _FS, _F0):
            scratch[row + i] = 0.0
        if k == -whole[i] - 1 and fraction[i] > 0.0:
            any_partial = True
            _set_general(scratch, par, i, 0.0, fraction[i], 1.0 + 0j, steps)
        if -whole[i] <= k < 0:
            if chirp:
                first = fraction[i] + (k + whole[i])
                _set_general(b, par, i, first, first + 1.0, turn[i].conjugate(), steps)
            elif k == -whole[i]:
                dt = 1.0 / (par[FREQUENCY, i] * steps)
                _set_step(b, par, i, dt)
                phase = par[PHASE, i] + 2.0 * math.pi * fraction[i]
                scale = par[FORCE, i] * 0.25 * dt * dt
                b[_FC + i] = scale * math.cos(phase)
                b[_FS + i] = scale * math.sin(phase)
                b[_F0 + i] = b[_FC + i]
        elif k == 0:
            _set_step(b, par, i, 1.0 / (par[END_FREQUENCY, i] * steps))
    return any_partial


@inner
def _lane_window(
    b: NDArray[Any],
    i: int,
    start_phasor: complex,
    stop_phasor: complex,
    w0: float,
    w1: float,
    period: float,
    quantity: int,
) -> complex:
    """Envelope over the window just stepped by the general loop, from lane ``i``."""
    dt = b[_DT + i]
    return _window(
        b[_RE + i],
        b[_IM + i],
        dt,
        b[_XA + i],
        b[_VA + i],
        b[_X + i],
        2.0 * b[_U + i] / dt,
        start_phasor,
        stop_phasor,
        w0,
        w1,
        period,
        quantity,
    )


@inner
def _whole_windows(
    b: NDArray[Any], turn: NDArray[Any], steps: int, quantity: int, out: NDArray[Any]
) -> None:
    """``_window`` for whole cycles of a tone or of the ring-down, all lanes at once."""
    for i in range(LANES):
        dt = b[_DT + i]
        dx = b[_X + i] - b[_XA + i]
        dv = 2.0 * b[_U + i] / dt - b[_VA + i]
        re, im = _whole_window(b[_RE + i], b[_IM + i], dx, dv, dt, steps, quantity)
        out[i] = complex(re, im) * turn[i]


@inner
def _block(
    par: NDArray[Any],
    steps: int,
    chirp: bool,
    before: int,
    origin: int,
    after: int,
    stride: int,
    quantity: int,
    out: NDArray[Any],
    end: NDArray[Any],
) -> None:
    """Step one block from its first drive cycle to the end of the ring-down."""
    two_pi = 2.0 * math.pi
    cosine = np.cos(two_pi / steps * np.arange(steps + 1))
    sine = np.sin(two_pi / steps * np.arange(steps + 1))
    b = np.zeros(_BUFFER)
    scratch = np.zeros(_BUFFER)
    whole = np.zeros(LANES, dtype=np.int64)
    fraction = np.zeros(LANES)
    turn = np.ones(LANES, dtype=np.complex128)  # conjugate phasor where whole cycles begin and end
    for i in range(LANES):
        whole[i], fraction[i] = whole_cycles(
            par[FREQUENCY, i], par[END_FREQUENCY, i], par[DURATION, i]
        )
        turn[i] = complex(math.cos(two_pi * fraction[i]), -math.sin(two_pi * fraction[i]))
        b[_DT + i] = 1.0 / (par[FREQUENCY, i] * steps)

    least = whole.min()

    for k in range(-before, after):
        for i in range(LANES):
            b[_XA + i] = b[_X + i]
            b[_VA + i] = 2.0 * b[_U + i] / b[_DT + i]
            b[_RE + i] = 0.0
            b[_IM + i] = 0.0
            b[_F0 + i] = b[_FC + i]
        any_partial = False
        # Lanes start at different cycles; from the last start to the end nothing changes in a tone.
        if chirp or k == 0 or k <= -least:
            any_partial = _begin(b, scratch, par, whole, fraction, turn, k, chirp, steps)

        if k >= 0:
            _free_period(b, cosine, sine, steps)
        elif chirp:
            _general_period(b, steps)
        else:
            _tone_period(b, cosine, sine, steps)
        if any_partial:
            _general_period(scratch, steps)

        sample = (k + 1) % stride == 0
        column = (k + 1 + origin) // stride - 1
        if sample and (k >= 0 or not chirp):
            _whole_windows(b, turn, steps, quantity, out[column])
        if not (any_partial or (sample and chirp and k < 0)):
            continue
        for i in range(LANES):
            f0 = par[FREQUENCY, i]
            rate = (par[END_FREQUENCY, i] - f0) / par[DURATION, i]
            if k == -whole[i] - 1 and fraction[i] > 0.0:
                b[_X + i] = scratch[_X + i]
                b[_U + i] = scratch[_U + i] / scratch[_DT + i] * b[_DT + i]
                if sample:
                    w1 = two_pi * (f0 + rate * scratch[_DT + i] * steps)
                    out[column, i] = _lane_window(
                        scratch, i, 1.0 + 0j, turn[i], two_pi * f0, w1, 1.0 / f0, quantity
                    )
            elif sample and chirp and k >= -whole[i]:
                first = fraction[i] + (k + whole[i])
                w0 = two_pi * math.sqrt(f0 * f0 + 2.0 * rate * first)
                w1 = two_pi * math.sqrt(f0 * f0 + 2.0 * rate * (first + 1.0))
                out[column, i] = _lane_window(
                    b, i, turn[i], turn[i], w0, w1, b[_DT + i] * steps, quantity
                )
    for i in range(LANES):
        end[0, i] = b[_X + i]
        end[1, i] = 2.0 * b[_U + i] / b[_DT + i]


@kernel
def run(
    start: int,
    stop: int,
    par: NDArray[Any],
    steps: NDArray[Any],
    chirp: bool,
    before: NDArray[Any],
    origin: int,
    after: int,
    stride: int,
    quantity: int,
    rows: NDArray[Any],
    envelope: NDArray[Any],
    peak: NDArray[Any],
    end: NDArray[Any],
) -> None:
    """Step the blocks from ``start`` to ``stop`` and store each lane in its row.

    ``rows`` (block, lane) is negative for spare lanes; the last three are as in
    ``transient_plan.Motion``.
    """
    samples = envelope.shape[1]
    out = np.empty((samples, LANES), dtype=np.complex128)
    last = np.empty((2, LANES))
    for k in range(start, stop):
        out[:] = 0.0
        _block(par[k], steps[k], chirp, before[k], origin, after, stride, quantity, out, last)
        for i in range(LANES):
            row = rows[k, i]
            if row < 0:
                continue
            top = 0.0
            for column in range(samples):
                value = out[column, i]
                envelope[row, column] = value
                size = value.real * value.real + value.imag * value.imag
                if not size <= top:  # also where it is not a number
                    top = size
            peak[row] = math.sqrt(top)
            end[row, 0] = last[0, i]
            end[row, 1] = last[1, i]


@kernel
def add_weighted(
    start: int, stop: int, envelope: NDArray[Any], weights: NDArray[Any], out: NDArray[Any]
) -> None:
    """out (sum, entry, sample) += envelope (entry, group, sample) times weights over the groups."""
    for e in range(start, stop):
        for k in range(weights.shape[0]):
            for g in range(weights.shape[2]):
                w = weights[k, e, g]
                if w != 0.0:
                    for t in range(envelope.shape[2]):
                        out[k, e, t] += w * envelope[e, g, t]
