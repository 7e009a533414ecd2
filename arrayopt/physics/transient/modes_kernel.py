"""Compiled stepper of M8 for up to four coupled modes: lanes of oscillators."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.fused import fma
from arrayopt.physics.transient.one_mode_kernel import cycle_time, whole_cycles

LANES = 32


@inner
def _pull(
    modes: int,
    q: NDArray[Any],
    u: NDArray[Any],
    volt: NDArray[Any],
    linear: NDArray[Any],
    damping: NDArray[Any],
    push: NDArray[Any],
    products: NDArray[Any],
    tension: NDArray[Any],
    tense: bool,
    out: NDArray[Any],
    pair: NDArray[Any],
    triple: NDArray[Any],
) -> None:
    """Modal accelerations times step^2/4, all lanes; ``products`` over sorted pairs and triples."""
    # Not the constant: LLVM would unroll these loops instead of vectorising them.
    lanes = pair.size
    for m in range(modes):
        for i in range(lanes):
            driven = fma(push[m, i], volt[i], -damping[m, i] * u[m, i])
            out[m, i] = fma(-linear[m, i], q[m, i], driven)
    p = 0
    for a in range(modes):
        for b in range(a, modes):
            for i in range(lanes):
                pair[i] = q[a, i] * q[b, i]
            for m in range(modes):
                for i in range(lanes):
                    out[m, i] = fma(-products[p, m, i], pair[i], out[m, i])
            p += 1
            for c in range(b, modes):
                for i in range(lanes):
                    triple[i] = pair[i] * q[c, i]
                for m in range(modes):
                    for i in range(lanes):
                        out[m, i] = fma(-products[p, m, i], triple[i], out[m, i])
                p += 1
    if tense:
        for m in range(modes):
            for a in range(modes):
                for i in range(lanes):
                    out[m, i] -= volt[i] * tension[m, a, i] * q[a, i]


@inner
def _distinct(values: NDArray[Any]) -> int:
    """Count the distinct orders of a sorted index pair or triple."""
    n = values.size
    if n == 2:
        return 1 if values[0] == values[1] else 2
    if values[0] == values[2]:
        return 1
    return 3 if values[0] == values[1] or values[1] == values[2] else 6


@inner
def _pack(
    modes: int,
    quadratic: NDArray[Any],
    cubic: NDArray[Any],
    mass: NDArray[Any],
    out: NDArray[Any],
) -> None:
    """One oscillator's tensors per unit mass, in the order of products in ``_pull``."""
    p = 0
    two = np.zeros(2, dtype=np.int64)
    three = np.zeros(3, dtype=np.int64)
    for a in range(modes):
        for b in range(a, modes):
            two[0] = a
            two[1] = b
            for m in range(modes):
                # Mean over orders times their number: any symmetric or lopsided tensor is served.
                mean = 0.5 * (quadratic[m, a, b] + quadratic[m, b, a])
                out[p, m] = _distinct(two) * mean / mass[m]
            p += 1
            for c in range(b, modes):
                three[0] = a
                three[1] = b
                three[2] = c
                for m in range(modes):
                    total = (
                        cubic[m, a, b, c]
                        + cubic[m, a, c, b]
                        + cubic[m, b, a, c]
                        + cubic[m, b, c, a]
                        + cubic[m, c, a, b]
                        + cubic[m, c, b, a]
                    )
                    out[p, m] = _distinct(three) * total / 6.0 / mass[m]
                p += 1


@inner
def _turn(
    pc: NDArray[Any],
    ps: NDArray[Any],
    rc: NDArray[Any],
    rs: NDArray[Any],
    bc: NDArray[Any],
    bs: NDArray[Any],
    fc: NDArray[Any],
    fs: NDArray[Any],
    volth: NDArray[Any],
    volt1: NDArray[Any],
) -> None:
    """Advance the drive phasors by one step; drive voltages at its middle and end."""
    for i in range(pc.size):
        hc = pc[i] * rc[i] - ps[i] * rs[i]
        hs = pc[i] * rs[i] + ps[i] * rc[i]
        tc = rc[i] * bc[i] - rs[i] * bs[i]
        ts = rc[i] * bs[i] + rs[i] * bc[i]
        pc[i] = hc * tc - hs * ts
        ps[i] = hc * ts + hs * tc
        rc[i] = tc * bc[i] - ts * bs[i]
        rs[i] = tc * bs[i] + ts * bc[i]
        volth[i] = fc[i] * hc - fs[i] * hs
        volt1[i] = fc[i] * pc[i] - fs[i] * ps[i]


@inner
def _stage(
    stage: int,
    q: NDArray[Any],
    u: NDArray[Any],
    slope: NDArray[Any],
    qs: NDArray[Any],
    us: NDArray[Any],
) -> None:
    """State at which the second, third and fourth slopes are taken."""
    for m in range(q.shape[0]):
        for i in range(q.shape[1]):
            if stage == 1:
                qs[m, i] = q[m, i] + u[m, i]
                us[m, i] = u[m, i] + slope[0, m, i]
            elif stage == 2:
                qs[m, i] = q[m, i] + u[m, i] + slope[0, m, i]
                us[m, i] = u[m, i] + slope[1, m, i]
            else:
                qs[m, i] = q[m, i] + 2.0 * (u[m, i] + slope[1, m, i])
                us[m, i] = u[m, i] + 2.0 * slope[2, m, i]


@inner
def _finish(q: NDArray[Any], u: NDArray[Any], slope: NDArray[Any]) -> None:
    """Complete the step from its four slopes."""
    for m in range(q.shape[0]):
        for i in range(q.shape[1]):
            s = slope[1, m, i] + slope[2, m, i]
            q[m, i] += 2.0 * u[m, i] + (slope[0, m, i] + s) * (2.0 / 3.0)
            u[m, i] += (slope[0, m, i] + 2.0 * s + slope[3, m, i]) * (1.0 / 3.0)


@inner
def _gather(
    real: NDArray[Any], imag: NDArray[Any], q: NDArray[Any], pc: NDArray[Any], ps: NDArray[Any]
) -> None:
    """Add displacement times the conjugate phasor to the window's sums."""
    for m in range(q.shape[0]):
        for i in range(q.shape[1]):
            real[m, i] += q[m, i] * pc[i]
            imag[m, i] -= q[m, i] * ps[i]


class Bursts(NamedTuple):
    """A batch: drives (entry, 5), what is loaded and what is not, and how it is sampled."""

    drive: NDArray[Any]
    mass: NDArray[Any]
    damping: NDArray[Any]
    loaded: NDArray[Any]
    """(entry,): row of mass and damping."""
    stiffness: NDArray[Any]
    push: NDArray[Any]
    quadratic: NDArray[Any]
    cubic: NDArray[Any]
    tension: NDArray[Any]
    tense: bool
    cell: NDArray[Any]
    """(entry,): row of the five before."""
    origin: int
    after: int
    stride: int
    quantity: int


@inner
def _block(chosen: NDArray[Any], given: Bursts, steps: int, before: int, out: NDArray[Any]) -> None:
    """Step up to LANES oscillators (indices ``chosen``, -1 for a resting lane) to the end."""
    two_pi = 2.0 * math.pi
    modes = given.mass.shape[1]
    count = modes * (modes + 1) // 2 + modes * (modes + 1) * (modes + 2) // 6
    base = np.zeros((count, modes, LANES))
    products = np.zeros((count, modes, LANES))
    tense0 = np.zeros((modes, modes, LANES))
    tense1 = np.zeros((modes, modes, LANES))
    push0, push1 = np.zeros((modes, LANES)), np.zeros((modes, LANES))
    linear0, linear1 = np.zeros((modes, LANES)), np.zeros((modes, LANES))
    loss0, loss1 = np.zeros((modes, LANES)), np.zeros((modes, LANES))
    q, u = np.zeros((modes, LANES)), np.zeros((modes, LANES))
    qs, us = np.zeros((modes, LANES)), np.zeros((modes, LANES))
    slope = np.zeros((4, modes, LANES))
    pc, ps, fc, fs = np.zeros(LANES), np.zeros(LANES), np.zeros(LANES), np.zeros(LANES)
    rc, rs, bc, bs = np.zeros(LANES), np.zeros(LANES), np.zeros(LANES), np.zeros(LANES)
    q_start, v_start = np.zeros((modes, LANES)), np.zeros((modes, LANES))
    real, imag = np.zeros((modes, LANES)), np.zeros((modes, LANES))
    pair, triple = np.zeros(LANES), np.zeros(LANES)
    volt0, volth, volt1 = np.zeros(LANES), np.zeros(LANES), np.zeros(LANES)
    dt = np.ones(LANES)
    whole = np.zeros(LANES, dtype=np.int64)
    fraction, rate = np.zeros(LANES), np.zeros(LANES)
    live = np.zeros(LANES, dtype=np.bool_)
    turn = np.ones(LANES, dtype=np.complex128)  # phasor where whole cycles begin and end
    begin = np.ones(LANES, dtype=np.complex128)
    packed = np.zeros((count, modes))
    for i in range(LANES):
        n = chosen[i]
        if n < 0:
            continue
        live[i] = True
        row = given.drive[n]
        whole[i], fraction[i] = whole_cycles(row[0], row[1], row[2])
        rate[i] = (row[1] - row[0]) / row[2]
        turn[i] = complex(math.cos(two_pi * fraction[i]), math.sin(two_pi * fraction[i]))
        c = given.cell[n]
        weight = given.mass[given.loaded[n]]
        _pack(modes, given.quadratic[c], given.cubic[c], weight, packed)
        for m in range(modes):
            for p in range(count):
                base[p, m, i] = packed[p, m]
            push0[m, i] = given.push[c, m] / weight[m]
            linear0[m, i] = given.stiffness[c, m] / weight[m]
            loss0[m, i] = given.damping[given.loaded[n], m] / weight[m]
            for a in range(modes):
                tense0[m, a, i] = given.tension[c, m, a] / weight[m]

    for k in range(-before, given.after):
        for i in range(LANES):
            if not live[i]:
                continue
            row = given.drive[chosen[i]]
            f0, f1, length = row[0], row[1], row[2]
            old = dt[i]
            partial = k == -whole[i] - 1 and fraction[i] > 0.0
            driven = partial or -whole[i] <= k < 0
            fc[i] = row[3] * math.cos(row[4]) if driven else 0.0
            fs[i] = row[3] * math.sin(row[4]) if driven else 0.0
            curve = 0.0
            speed = two_pi * f1
            if driven:
                first = 0.0 if partial else fraction[i] + (k + whole[i])
                last = fraction[i] if partial else first + 1.0
                t0 = cycle_time(first, f0, f1, length)
                dt[i] = (cycle_time(last, f0, f1, length) - t0) / steps
                speed = two_pi * (f0 + rate[i] * t0)
                curve = two_pi * rate[i] * 0.25 * dt[i] * dt[i]
            else:
                dt[i] = 1.0 / (f1 * steps)
            angle = speed * 0.5 * dt[i] + 0.5 * curve
            rc[i], rs[i] = math.cos(angle), math.sin(angle)
            bc[i], bs[i] = math.cos(curve), math.sin(curve)
            begin[i] = 1.0 + 0j if partial else turn[i]
            pc[i], ps[i] = begin[i].real, begin[i].imag
            volt0[i] = fc[i] * pc[i] - fs[i] * ps[i]
            scale = 0.25 * dt[i] * dt[i]
            for m in range(modes):
                q_start[m, i] = q[m, i]
                v_start[m, i] = 2.0 * u[m, i] / old
                u[m, i] = u[m, i] * (dt[i] / old)
                real[m, i] = 0.0
                imag[m, i] = 0.0
                push1[m, i] = push0[m, i] * scale
                linear1[m, i] = linear0[m, i] * scale
                loss1[m, i] = loss0[m, i] * 0.5 * dt[i]
                for p in range(count):
                    products[p, m, i] = base[p, m, i] * scale
                for a in range(modes):
                    tense1[m, a, i] = tense0[m, a, i] * scale
        for j in range(steps):
            _turn(pc, ps, rc, rs, bc, bs, fc, fs, volth, volt1)
            # M8.2 in stages; u is half of step times velocity, as in the one-mode kernel.
            for stage in range(4):
                if stage == 0:
                    qs[:] = q
                    us[:] = u
                else:
                    _stage(stage, q, u, slope, qs, us)
                _pull(
                    modes, qs, us, volt0 if stage == 0 else (volt1 if stage == 3 else volth),
                    linear1, loss1, push1, products, tense1, given.tense, slope[stage], pair,
                    triple,
                )  # fmt: skip
            _finish(q, u, slope)
            volt0[:] = volt1
            if j % 2 == 1:
                _gather(real, imag, q, pc, ps)
        if (k + 1) % given.stride != 0:
            continue
        column = (k + 1 + given.origin) // given.stride - 1
        for i in range(LANES):
            if not live[i] or k < -whole[i] - (1 if fraction[i] > 0.0 else 0):
                continue
            f0, f1 = given.drive[chosen[i], 0], given.drive[chosen[i], 1]
            partial = k == -whole[i] - 1
            w1 = two_pi * f1
            w0 = w1
            if partial:
                w0 = two_pi * f0
                w1 = w0 + two_pi * rate[i] * dt[i] * steps
            elif k < 0:
                first = fraction[i] + (k + whole[i])
                w0 = two_pi * math.sqrt(f0 * f0 + 2.0 * rate[i] * first)
                w1 = two_pi * math.sqrt(f0 * f0 + 2.0 * rate[i] * (first + 1.0))
            period = 1.0 / f0 if partial else dt[i] * steps
            z0 = begin[i].conjugate()
            z1 = turn[i].conjugate()
            h = 2.0 * dt[i]
            for m in range(modes):
                x0, v0 = q_start[m, i], v_start[m, i]
                x1, v1 = q[m, i], 2.0 * u[m, i] / dt[i]
                bend = (v1 - 1j * w1 * x1) * z1 - (v0 - 1j * w0 * x0) * z0
                total = complex(real[m, i], imag[m, i])
                area = h * (total + 0.5 * (x0 * z0 - x1 * z1)) - h * h / 12.0 * bend
                mean = 2.0 / period * area
                if given.quantity >= 1:
                    w = 0.5 * (w0 + w1)
                    mean = 1j * w * mean + 2.0 / period * (x1 * z1 - x0 * z0)
                    if given.quantity == 2:
                        mean = 1j * w * mean + 2.0 / period * (v1 * z1 - v0 * z0)
                out[chosen[i], m, column] = mean


@kernel
def run(
    start: int,
    stop: int,
    chosen: NDArray[Any],
    given: Bursts,
    steps: NDArray[Any],
    before: NDArray[Any],
    out: NDArray[Any],
) -> None:
    """Step the blocks from ``start`` to ``stop``, one after the other."""
    for b in range(start, stop):
        _block(chosen[b], given, steps[b], before[b], out)
