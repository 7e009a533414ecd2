"""The burst stepper of M8 on a graphics card: one oscillator a thread, its state in registers.

The formulas are those of ``transient_kernel`` (``transient_formulas``); only loops and memory are
arranged anew. Threads never exchange data, so a result does not depend on what else is in the
batch. Whole cycles of tones and of the ring-down may be stepped in float32; first partial cycles,
chirps and everything between two cycles are in float64 always.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numba import cuda as numba_cuda
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.transient import card as gpu
from arrayopt.physics.transient import formulas
from arrayopt.physics.transient.grid import SampleGrid
from arrayopt.physics.transient.one_mode_kernel import (
    CUBIC,
    DAMPING,
    DURATION,
    END_FREQUENCY,
    FORCE,
    FREQUENCY,
    PHASE,
    QUADRATIC,
    STIFFNESS,
)

cuda: Any = numba_cuda  # what it offers inside kernels is unknown to type checkers

THREADS = 128
LEAST_BLOCKS = 128  # numba warns of fewer; idle ones cost nothing
CHUNK_BYTES = 2**30  # of envelopes on the card at once


@lru_cache(maxsize=2)
def make_kernel(single: bool) -> Any:
    """Return the kernel that steps whole cycles in float32, or in float64."""
    real = np.float32 if single else np.float64
    on_card = cuda.jit(device=True)

    @on_card
    def fma(a: Any, b: Any, c: Any) -> Any:
        return cuda.fma(a, b, c)

    step = on_card(formulas.make_step(fma, real))
    exact_step = on_card(formulas.make_step(fma, np.float64))
    cycle_time = on_card(formulas.cycle_time)
    whole_cycles = on_card(formulas.whole_cycles)
    rotations = on_card(formulas.rotations)
    rotate = on_card(formulas.rotate)
    window = on_card(formulas.window)
    whole_window = on_card(formulas.whole_window)

    @on_card
    def general_cycle(
        p: Any, start: float, stop: float, pc: float, ps: float, x: float, v: float, steps: int
    ) -> tuple[float, float, float, float, float]:
        """A window with a phasor of its own: a first partial cycle, or a chirp."""
        f0 = p[FREQUENCY]
        duration = p[DURATION]
        t0 = cycle_time(start, f0, p[END_FREQUENCY], duration)
        dt = (cycle_time(stop, f0, p[END_FREQUENCY], duration) - t0) / steps
        qc, qs, rc, rs = rotations(f0, (p[END_FREQUENCY] - f0) / duration, t0, dt)
        square = 0.25 * dt * dt
        a1 = p[STIFFNESS] * square
        a2 = p[QUADRATIC] * square
        a3 = p[CUBIC] * square
        g = p[DAMPING] * 0.5 * dt
        fc = p[FORCE] * square * math.cos(p[PHASE])
        fs = p[FORCE] * square * math.sin(p[PHASE])
        drive = fc * pc - fs * ps
        u = v * 0.5 * dt
        re = 0.0
        im = 0.0
        for j in range(steps):
            hc, hs, pc, ps, qc, qs = rotate(pc, ps, qc, qs, rc, rs)
            ahead = fc * pc - fs * ps
            x, u = exact_step(x, u, a1, a2, a3, g, drive, fc * hc - fs * hs, ahead)
            drive = ahead
            if j % 2 == 1:
                re += x * pc
                im -= x * ps
        return x, 2.0 * u / dt, re, im, dt

    @on_card
    def whole_cycle(
        x: Any, u: Any, a1: Any, a2: Any, a3: Any, g: Any, fc: Any, fs: Any, half: Any, table: Any
    ) -> tuple[Any, Any, Any, Any]:
        """A whole cycle of a tone, or one without drive; ``table`` as of ``phasors``."""
        re = real(0.0)
        im = real(0.0)
        f0 = fc
        # Unsigned, so that no negative index is looked for.
        for pair in range(np.uint64(table.size // 4)):
            j = pair * np.uint64(4)
            f1 = fma(fc, table[j], -fs * table[j + np.uint64(1)])
            x, u = step(x, u, a1, a2, a3, g, f0, (f0 + f1) * half, f1)
            c = table[j + np.uint64(2)]
            s = table[j + np.uint64(3)]
            f0 = fma(fc, c, -fs * s)
            x, u = step(x, u, a1, a2, a3, g, f1, (f1 + f0) * half, f0)
            re = fma(x, c, re)
            im = fma(-x, s, im)
        return x, u, re, im

    def burst(
        par: Any,
        rows: Any,
        steps: int,
        table: Any,
        chirp: bool,
        origin: int,
        after: int,
        stride: int,
        quantity: int,
        envelope: Any,
        peak: Any,
        end: Any,
    ) -> None:
        """One oscillator from its first drive cycle to the end of the ring-down."""
        i = cuda.grid(1)
        if i >= rows.size:
            return
        row = rows[i]
        p = par[row]
        two_pi = 2.0 * math.pi
        f0 = p[FREQUENCY]
        f1 = p[END_FREQUENCY]
        rate = (f1 - f0) / p[DURATION]
        whole, fraction = whole_cycles(f0, f1, p[DURATION])
        turn = complex(math.cos(two_pi * fraction), -math.sin(two_pi * fraction))
        first = -whole - 1 if fraction > 0.0 else -whole
        for column in range((first + origin) // stride):
            envelope[row, column] = 0.0
        x = 0.0
        v = 0.0
        top = 0.0

        for k in range(first, 0):
            partial = k < -whole
            if not (chirp or partial):
                break
            xa = x
            va = v
            begin = 0.0 if partial else fraction + (k + whole)
            stop = fraction if partial else begin + 1.0
            pc = 1.0 if partial else turn.real
            ps = 0.0 if partial else -turn.imag
            x, v, re, im, dt = general_cycle(p, begin, stop, pc, ps, x, v, steps)
            if (k + 1) % stride == 0:
                if partial:
                    w0 = two_pi * f0
                    w1 = two_pi * (f0 + rate * dt * steps)
                    period = 1.0 / f0
                else:
                    w0 = two_pi * math.sqrt(f0 * f0 + 2.0 * rate * begin)
                    w1 = two_pi * math.sqrt(f0 * f0 + 2.0 * rate * stop)
                    period = dt * steps
                value = window(
                    re, im, dt, xa, va, x, v,
                    complex(pc, -ps), turn, w0, w1, period, quantity,
                )  # fmt: skip
                envelope[row, (k + 1 + origin) // stride - 1] = value
                size = value.real * value.real + value.imag * value.imag
                if not size <= top:  # also where it is not a number
                    top = size

        half = real(0.5 / math.cos(math.pi / steps))
        for part in range(2):  # the tone, then the ring-down
            begin_k = 0 if part == 1 or chirp else -whole
            end_k = after if part == 1 else 0
            dt = 1.0 / ((f1 if part == 1 else f0) * steps)
            square = 0.25 * dt * dt
            force = 0.0 if part == 1 else p[FORCE] * square
            phase = p[PHASE] + two_pi * fraction
            fc = real(force * math.cos(phase))
            fs = real(force * math.sin(phase))
            a1 = real(p[STIFFNESS] * square)
            a2 = real(p[QUADRATIC] * square)
            a3 = real(p[CUBIC] * square)
            g = real(p[DAMPING] * 0.5 * dt)
            xr = real(x)
            ur = real(v * 0.5 * dt)
            for k in range(begin_k, end_k):
                xa = float(xr)
                va = 2.0 * float(ur) / dt
                xr, ur, re_r, im_r = whole_cycle(xr, ur, a1, a2, a3, g, fc, fs, half, table)
                if (k + 1) % stride == 0:
                    dv = 2.0 * float(ur) / dt - va
                    re, im = whole_window(
                        float(re_r), float(im_r), float(xr) - xa, dv, dt, steps, quantity
                    )
                    value = complex(re, im) * turn
                    envelope[row, (k + 1 + origin) // stride - 1] = value
                    size = re * re + im * im
                    if not size <= top:
                        top = size
            x = float(xr)
            v = 2.0 * float(ur) / dt
        peak[row] = math.sqrt(top)
        end[row, 0] = x
        end[row, 1] = v

    return cuda.jit(burst)


def run(
    par: Floats,
    steps: Ints,
    chosen: Ints,
    *,
    grid: SampleGrid,
    quantity: int,
    chirp: bool,
    single: bool,
    envelope: Any,
    peak: Floats,
    end: Floats,
) -> None:
    """Step the chosen oscillators on the card into their rows of the last three arrays.

    An ``envelope`` that lies on the card (``zeros``) stays there.

    Parameters
    ----------
    par : (oscillator, row of ``transient_kernel``). steps : a cycle, (oscillator,).
    chosen : rows, ascending. single : step whole cycles in float32.
    grid, quantity, chirp, envelope, peak, end : as in ``transient_plan``.

    Errors
    ------
    gpu.GpuUnavailableError where the card cannot be used.
    """
    gpu.require_card()
    options: dict[str, Any] = {"grid": grid, "quantity": quantity, "chirp": chirp, "single": single}
    if not isinstance(envelope, np.ndarray):
        tops, ends = launch(par, steps, chosen, envelope, **options)
        peak[chosen] = tops.copy_to_host()[chosen]
        end[chosen] = ends.copy_to_host()[chosen]
        return
    share = max(CHUNK_BYTES // (16 * envelope.shape[1]), 1)
    for start in range(0, chosen.size, share):
        part = chosen[start : start + share]
        # Rows in one piece need no copy on the way; a mask of few, no transfer of all.
        piece = slice(part[0], part[-1] + 1)
        together = part[-1] + 1 - part[0] == part.size
        out = cuda.device_array((part.size, envelope.shape[1]), np.complex128)
        rows = np.arange(part.size)
        filled = launch(par[piece] if together else par[part], steps[part], rows, out, **options)
        for whole, device_array in zip((envelope, peak, end), (out, *filled), strict=True):
            if together:
                device_array.copy_to_host(whole[piece])
            else:
                whole[part] = device_array.copy_to_host()


@lru_cache(maxsize=64)
def phasors(steps: int, single: bool) -> Any:
    """Cosine and sine after step 1, after step 2, ... of a cycle, on the card."""
    angle = 2.0 * np.pi / steps * np.arange(1, steps + 1)
    table = np.stack([np.cos(angle), np.sin(angle)], axis=1).ravel()
    return cuda.to_device(table.astype(np.float32 if single else np.float64))


def launch(
    par: Floats,
    steps: Ints,
    chosen: Ints,
    envelope: Any,
    *,
    grid: SampleGrid,
    quantity: int,
    chirp: bool,
    single: bool,
) -> tuple[Any, Any]:
    """Start the kernel for every number of steps; return peak and end on the card."""
    kernel = make_kernel(single)
    filled = (
        cuda.device_array(par.shape[0], np.float64),
        cuda.device_array((par.shape[0], 2), np.float64),
    )
    on_card = cuda.to_device(np.ascontiguousarray(par))
    for count in np.unique(steps[chosen]).tolist():
        rows = chosen[steps[chosen] == count]
        kernel[blocks(rows.size), THREADS](
            on_card,
            cuda.to_device(rows),
            count,
            phasors(count, single),
            chirp,
            grid.origin,
            grid.after,
            grid.stride,
            quantity,
            envelope,
            *filled,
        )
    return filled


def blocks(threads: int) -> int:
    """Blocks that hold this many threads."""
    return max(-(-threads // THREADS), LEAST_BLOCKS)


def zeros(shape: tuple[int, int], dtype: Any) -> Any:
    """An array on the card, unlike its namesake not filled: only rows stepped are read."""
    gpu.require_card()
    return cuda.device_array(shape, dtype)


@lru_cache(maxsize=1)
def sums_kernel() -> Any:
    """Return the kernel of ``weighted_sums``: one entry's sample a thread."""

    def add(envelope: Any, weights: Any, out: Any) -> None:
        i = cuda.grid(1)
        if i >= out.shape[1] * out.shape[2]:
            return
        e = i // out.shape[2]
        t = i % out.shape[2]
        for k in range(weights.shape[0]):
            total = 0j
            for g in range(weights.shape[2]):
                w = weights[k, e, g]
                if w != 0.0:
                    total += w * envelope[e * weights.shape[2] + g, t]
            out[k, e, t] = total

    return cuda.jit(add)


def weighted_sums(envelope: Any, weights: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Return (sum, entry, sample) of an envelope on the card and weights (sum, entry, group)."""
    out = cuda.device_array((*weights.shape[:2], envelope.shape[1]), np.complex128)
    threads = weights.shape[1] * envelope.shape[1]
    sums_kernel()[blocks(threads), THREADS](envelope, cuda.to_device(weights), out)
    return np.asarray(out.copy_to_host())
