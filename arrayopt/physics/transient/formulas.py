"""Formulas of one oscillator in a burst (M8): one source, compiled for each kind of processor.

Plain functions of scalars. ``transient_kernel`` compiles them for lanes of the processor,
``transient_gpu`` for threads of a graphics card. u is half of (step times velocity): it saves most
products of the stages.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any


def make_step(fma: Callable[[Any, Any, Any], Any], real: Callable[[float], Any]) -> Any:
    """Return the Runge-Kutta step, with the processor's fused multiply-add and number type."""
    two = real(2.0)
    third = real(1.0 / 3.0)
    two_thirds = real(2.0 / 3.0)

    def step(
        x: Any, u: Any, a1: Any, a2: Any, a3: Any, g: Any, f0: Any, fh: Any, f1: Any
    ) -> tuple[Any, Any]:
        """One classical Runge-Kutta step of x'' = f - g x' - a1 x - a2 x^2 - a3 x^3 (M8.2)."""
        k1 = fma(-x, fma(x, fma(x, a3, a2), a1), fma(-g, u, f0))
        xh = x + u
        u2 = u + k1
        k2 = fma(-xh, fma(xh, fma(xh, a3, a2), a1), fma(-g, u2, fh))
        x3 = xh + k1
        u3 = u + k2
        k3 = fma(-x3, fma(x3, fma(x3, a3, a2), a1), fma(-g, u3, fh))
        x4 = (xh + u3) + k2
        u4 = fma(two, k3, u)
        k4 = fma(-x4, fma(x4, fma(x4, a3, a2), a1), fma(-g, u4, f1))
        s = k2 + k3
        t = k1 + s
        return fma(t, two_thirds, xh + u), fma((t + s) + k4, third, u)

    return step


def cycle_time(cycles: float, frequency: float, end_frequency: float, duration: float) -> float:
    """Time at which the drive has made ``cycles`` cycles (M8.1 solved for t)."""
    rate = (end_frequency - frequency) / duration
    return 2.0 * cycles / (frequency + math.sqrt(frequency * frequency + 2.0 * rate * cycles))


def whole_cycles(frequency: float, end_frequency: float, duration: float) -> tuple[int, float]:
    """Whole drive cycles, counted back from the end, and the fraction of a cycle before them."""
    cycles = 0.5 * (frequency + end_frequency) * duration
    # A burst of N cycles must not start with a step of 1e-16 cycles.
    whole = math.floor(cycles + 1e-9)
    fraction = cycles - whole
    if fraction < 1e-9:
        fraction = 0.0
    return int(whole), fraction


def rotations(
    frequency: float, rate: float, t0: float, dt: float
) -> tuple[float, float, float, float]:
    """Cosine and sine of the drive's turn in the first half step after t0, and of its growth."""
    curve = 2.0 * math.pi * rate * 0.25 * dt * dt
    first = 2.0 * math.pi * (frequency + rate * t0) * 0.5 * dt + 0.5 * curve
    return math.cos(first), math.sin(first), math.cos(curve), math.sin(curve)


def rotate(
    pc: float, ps: float, qc: float, qs: float, rc: float, rs: float
) -> tuple[float, float, float, float, float, float]:
    """Turn phasor p by q over half a step, q by r, and again.

    Returns the phasor at half a step, at the whole step, and q for the next step.
    """
    hc = pc * qc - ps * qs
    hs = pc * qs + ps * qc
    tc = qc * rc - qs * rs
    ts = qc * rs + qs * rc
    return (
        hc,
        hs,
        hc * tc - hs * ts,
        hc * ts + hs * tc,
        tc * rc - ts * rs,
        tc * rs + ts * rc,
    )


def window(
    re: float,
    im: float,
    dt: float,
    x0: float,
    v0: float,
    x1: float,
    v1: float,
    start_phasor: complex,
    stop_phasor: complex,
    w0: float,
    w1: float,
    period: float,
    quantity: int,
) -> complex:
    """Envelope over one window (M8.3), from the sums of x times the conjugate phasor.

    The sums are a trapezoidal rule over every second step; the Euler-Maclaurin end term makes it
    fourth order, and velocity and acceleration follow exactly by partial integration.
    """
    total = complex(re, im)
    h = 2.0 * dt
    g0 = x0 * start_phasor
    g1 = x1 * stop_phasor
    d0 = (v0 - 1j * w0 * x0) * start_phasor
    d1 = (v1 - 1j * w1 * x1) * stop_phasor
    mean = 2.0 / period * (h * (total + 0.5 * (g0 - g1)) - h * h / 12.0 * (d1 - d0))
    if quantity >= 1:
        w = 0.5 * (w0 + w1)
        mean = 1j * w * mean + 2.0 / period * (g1 - g0)
        if quantity == 2:
            mean = 1j * w * mean + 2.0 / period * (v1 * stop_phasor - v0 * start_phasor)
    return mean


def whole_window(
    re: float, im: float, dx: float, dv: float, dt: float, steps: int, quantity: int
) -> tuple[float, float]:
    """``window`` for a whole cycle of a tone or of the ring-down, relative to its own phasor."""
    gain = 2.0 / (steps * dt)
    w = math.pi * gain
    re = 4.0 / steps * (re - 0.5 * dx) - 2.0 / 3.0 * dt / steps * dv
    im = 4.0 / steps * im + 4.0 / 3.0 * math.pi / (steps * steps) * dx
    if quantity >= 1:
        re, im = gain * dx - w * im, w * re
    if quantity == 2:
        re, im = gain * dv - w * im, w * re
    return re, im
