"""Formulas of one cell's envelope (M12): one source for every kind of processor and number.

Plain functions of scalars, made from the processor's fused multiply-add and what compiles a small
function there. ``T`` makes a constant of the kind of number in use.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Fma = Callable[[Any, Any, Any], Any]
Compiled = Callable[[Any], Any]


def make_times(fma: Fma) -> Any:
    """Return the product of two complex numbers."""

    def times(ar: Any, ai: Any, br: Any, bi: Any) -> tuple[Any, Any]:
        return fma(ar, br, -(ai * bi)), fma(ar, bi, ai * br)

    return times


def make_phis(fma: Fma, compiled: Compiled) -> Any:
    """Return the integrals of an exponential that a step needs."""

    @compiled
    def times(ar: Any, ai: Any, br: Any, bi: Any, square: Any) -> tuple[Any, Any]:
        return fma(ar, br, square * (ai * bi)), fma(ar, bi, ai * br)

    def phis(T: Any, decay: Any, square: Any) -> tuple[Any, Any, Any, Any, Any, Any]:
        """phi1 = (e^Z - 1)/Z, psi = e^Z phi1(Z/2)/2 (M12.3) and phi2 = (e^Z - 1 - Z)/Z^2.

        Of Z = decay + U, U^2 = square, as a + b U with real a, b. Taylor's series of phi2 at Z/32,
        doubled five times: phi1 = 1 + Z phi2 and phi2(2 Z) = phi1(Z)^2/4 + phi2(Z)/2. No division,
        no cancellation; relative error 1e-12 at |Z| = 1; what decays goes on decaying up to
        |Z| = 48.
        """
        zr, zi = decay * T(1.0 / 32.0), T(1.0 / 32.0)
        ar, ai = fma(T(1.0 / 5040.0), zr, T(1.0 / 720.0)), T(1.0 / 5040.0) * zi
        ar, ai = times(ar, ai, zr, zi, square)
        ar, ai = times(ar + T(1.0 / 120.0), ai, zr, zi, square)
        ar, ai = times(ar + T(1.0 / 24.0), ai, zr, zi, square)
        ar, ai = times(ar + T(1.0 / 6.0), ai, zr, zi, square)
        ar += T(0.5)
        br, bi = times(ar, ai, zr, zi, square)
        br += T(1.0)
        for _ in range(5):
            hr, hi = T(0.5) * br, T(0.5) * bi
            cr, ci = times(br, bi, br, bi, square)
            ar, ai = fma(T(0.25), cr, T(0.5) * ar), fma(T(0.25), ci, T(0.5) * ai)
            zr, zi = zr + zr, zi + zi
            br, bi = times(ar, ai, zr, zi, square)
            br += T(1.0)
        er, ei = times(br, bi, zr, zi, square)
        er, ei = times(er + T(1.0), ei, hr, hi, square)
        return br, bi, er, ei, ar, ai

    return phis


def make_step(fma: Fma, compiled: Compiled) -> Any:
    """Return the step of an envelope."""
    phis = compiled(make_phis(fma, compiled))
    times = compiled(make_times(fma))

    def step(
        T: Any,
        x: tuple[Any, Any],
        decay: Any,
        detune: Any,
        bend: Any,
        push: tuple[Any, Any],
        change: tuple[Any, Any],
    ) -> tuple[Any, Any]:
        """The envelope a step on (M12.3): order 2, rest points exact.

        decay, detuning now (the cubic included) and bend (what it gains with the square of x) are
        times the step; so are ``push``, what drive and sound add, and its change in the last step.
        """
        re, im = x
        er, eu, fr, fu, _, _ = phis(T, decay, -(detune * detune))
        # the cell's own rate, frozen, is integrated exactly; the push goes on as it changed
        sr, si = times(decay, detune, re, im)
        ar, ai = times(er, eu * detune, sr + push[0], si + push[1])
        br, bi = times(fr, fu * detune, change[0], change[1])
        nr, ni = re + (ar + br), im + (ai + bi)
        # the detuning's change in the step turns the envelope by half as much: Cayley's form
        gain = fma(nr, nr, ni * ni) - fma(re, re, im * im)
        half = T(0.25) * bend * gain
        square = half * half
        scale = T(1.0) / (T(1.0) + square)
        return times((T(1.0) - square) * scale, (half + half) * scale, nr, ni)

    return step


def make_move(fma: Fma, compiled: Compiled) -> Any:
    """Return one step of a cell, and what it adds to the sums."""
    times = compiled(make_times(fma))
    step = compiled(make_step(fma, compiled))

    def move(
        T: Any,
        x: tuple[Any, Any],
        y: tuple[Any, Any],
        cell: tuple[Any, Any, Any, Any, Any, Any, Any],
        shift: Any,
        was: tuple[Any, Any],
        known: Any,
    ) -> tuple[tuple[Any, Any], tuple[Any, Any], Any, Any, Any]:
        """Envelope, push, squares of size and of the way in a step, power (M12.2, M12.3, M12.6).

        ``cell`` as of `flow_kernel.cell_row`, ``y`` the coupling matrix times x, ``shift`` what the
        detuning has moved since the middle of the block, ``was`` the push of the last step;
        ``known`` is 0 where there is no step before this one, else 1.
        """
        decay, middle, bend, force_re, force_im, pull, take = cell
        size = fma(x[0], x[0], x[1] * x[1])
        detune = fma(bend, size, middle + shift)
        push = fma(-pull, y[1], force_re), fma(pull, y[0], force_im)
        own_re, own_im = times(decay, detune, x[0], x[1])
        way_re, way_im = own_re + push[0], own_im + push[1]
        change = known * (push[0] - was[0]), known * (push[1] - was[1])
        new = step(T, x, decay, detune, bend, push, change)
        taken = fma(force_re, x[0], force_im * x[1]) * take
        return new, push, size, fma(way_re, way_re, way_im * way_im), taken

    return move


def make_forced(fma: Fma, compiled: Compiled) -> Any:
    """Return the step of an envelope whose push at its end is known."""
    phis = compiled(make_phis(fma, compiled))
    times = compiled(make_times(fma))

    def forced(
        T: Any,
        x: tuple[Any, Any],
        decay: Any,
        detune: Any,
        push: tuple[Any, Any],
        change: tuple[Any, Any],
    ) -> tuple[Any, Any]:
        """The envelope a step on, the push linear between (M12.14): arguments as of `make_step`."""
        er, eu, _, _, fr, fu = phis(T, decay, -(detune * detune))
        sr, si = times(decay, detune, *x)
        ar, ai = times(er, eu * detune, sr + push[0], si + push[1])
        br, bi = times(fr, fu * detune, *change)
        return x[0] + (ar + br), x[1] + (ai + bi)

    return forced
