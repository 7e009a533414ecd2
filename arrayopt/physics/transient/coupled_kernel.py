"""Compiled core of coupled bursts: delays between cells, and the stepper (M8.17, M8.18)."""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Complex, Floats, Ints
from arrayopt.physics.coupled.newton import CoupledArrays
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.fused import fma
from arrayopt.physics.numerics.vectors import put
from arrayopt.physics.sound.pair import pair_term, paths, strengths

TAPS = 4
"""Points through which a past acceleration is interpolated."""
SPARE = 3
"""Steps that the shortest delay must hold: interpolation reaches two ahead, and one is taken."""


@kernel
def link_delays(
    start: int,
    stop: int,
    arrays: CoupledArrays,
    design: Ints,
    w: Floats,
    gain: Floats,
    delay: Floats,
) -> None:
    """Entries start..stop: force per past acceleration (kg) and delay (s) of every link (M8.17).

    Amplitude and phase of M5.9 at the carrier w (rad/s) exactly; the phase beyond whole turns is
    that of the distance, so that the delay is the travel time but for the size of the cells.
    """
    groups, classes = arrays.radius.shape[1], arrays.distance.size
    strength, path = np.empty((groups, 3)), np.empty((classes, 6))
    for e in range(start, stop):
        d = design[e]
        k = w[e] / arrays.sound_speed
        strengths(arrays.radius[d], arrays.transform[d], k, strength)
        factor = arrays.density * arrays.coupling[d]
        paths(arrays.distance, arrays.scale[d], k, factor, path)
        for n in range(arrays.weight.size):
            i, j, u = arrays.link[n, 0], arrays.link[n, 1], arrays.link[n, 2]
            first, second = arrays.site_group[i], arrays.site_group[j]
            a, b = pair_term(strength, first, second, 1.0, path[u])
            way = k * arrays.distance[u] * arrays.scale[d]
            lag = way if a == 0.0 and b == 0.0 else -np.arctan2(b, a)
            lag += 2.0 * np.pi * np.round((way - lag) / (2.0 * np.pi))
            gain[e, n] = arrays.weight[n] * np.hypot(a, b)
            delay[e, n] = lag / w[e]


@inner
def _set_taps(b: int, lag: float, gain: float, out: Floats) -> int:
    """Row b of ``out``: weights of Lagrange's cubic, times ``gain``, for values ``lag`` steps ago.

    Columns 0 to 4 for the point half a step on, 5 to 8 for the next point, from the second on.
    Returns how many steps back from here the first of the five points lies.
    """
    whole = int(np.floor(lag))
    s = 1.0 - (lag - whole)  # from the second of the four points for the next point on
    out[b, :] = 0.0
    _cubic(s, gain, out[b, 5:9])
    if s < 0.5:
        _cubic(s + 0.5, gain, out[b, 0:4])
    else:
        _cubic(s - 0.5, gain, out[b, 1:5])
    return whole + 2


@inner
def _cubic(s: float, gain: float, out: Floats) -> None:
    """Weights of four points for the value at s from the second on, times ``gain``."""
    out[0] = -gain * s * (s - 1.0) * (s - 2.0) / 6.0
    out[1] = gain * (s + 1.0) * (s - 1.0) * (s - 2.0) / 2.0
    out[2] = -gain * (s + 1.0) * s * (s - 2.0) / 2.0
    out[3] = gain * (s + 1.0) * s * (s - 1.0) / 6.0


@inner
def _add_delayed(
    link: Ints,
    first: Ints,
    weights: Floats,
    past: Floats,
    place: int,
    count: int,
    at_half: Floats,
    at_node: Floats,
) -> None:
    """Add what every link brings within ``count`` steps to (site, step) forces, over the mass."""
    for b in range(link.shape[0]):
        i, k = link[b, 0], place - first[b]
        # views begin at 0: no index can be negative, and the loop over steps vectorises
        p, half, node = past[link[b, 1], k : k + count + 4], at_half[i], at_node[i]
        h0, h1, h2 = weights[b, 0], weights[b, 1], weights[b, 2]
        h3, h4 = weights[b, 3], weights[b, 4]
        n1, n2, n3, n4 = weights[b, 5], weights[b, 6], weights[b, 7], weights[b, 8]
        for m in range(count):
            total = fma(h0, p[m], half[m])
            total = fma(h1, p[m + 1], fma(h2, p[m + 2], total))
            half[m] = fma(h3, p[m + 3], fma(h4, p[m + 4], total))
            total = fma(n1, p[m + 1], fma(n2, p[m + 2], node[m]))
            node[m] = fma(n3, p[m + 3], fma(n4, p[m + 4], total))


@inner
def _step(
    h: float,
    x: Floats,
    v: Floats,
    rates: Floats,
    drive: Floats,
    force: Floats,
    now: Floats,
) -> None:
    """One classical Runge-Kutta step of every site, in place.

    ``rates`` (site, 6): damping, the three stiffnesses and the drive's two components, over the
    mass; ``drive`` (3, 2): its cosine and sine at start, middle and end; ``force`` (3, site): what
    the air brings there, over the mass. ``now`` receives the acceleration at the start.
    """
    half, sixth = 0.5 * h, h / 6.0
    for i in range(x.size):
        c, k1, k2, k3 = rates[i, 0], rates[i, 1], rates[i, 2], rates[i, 3]
        re, im = rates[i, 4], rates[i, 5]
        x0, v0 = x[i], v[i]
        f0 = force[0, i] + re * drive[0, 0] - im * drive[0, 1]
        f1 = force[1, i] + re * drive[1, 0] - im * drive[1, 1]
        f2 = force[2, i] + re * drive[2, 0] - im * drive[2, 1]
        a0 = f0 - c * v0 - fma(fma(k3, x0, k2), x0, k1) * x0
        xa, va = fma(half, v0, x0), fma(half, a0, v0)
        a1 = f1 - c * va - fma(fma(k3, xa, k2), xa, k1) * xa
        xb, vb = fma(half, va, x0), fma(half, a1, v0)
        a2 = f1 - c * vb - fma(fma(k3, xb, k2), xb, k1) * xb
        xc, vc = fma(h, vb, x0), fma(h, a2, v0)
        a3 = f2 - c * vc - fma(fma(k3, xc, k2), xc, k1) * xc
        x[i] = fma(sixth, v0 + 2.0 * va + 2.0 * vb + vc, x0)
        v[i] = fma(sixth, a0 + 2.0 * a1 + 2.0 * a2 + a3, v0)
        now[i] = a0


@inner
def _close(
    total: Complex,
    x: Floats,
    v: Floats,
    begun: Complex,
    turn: complex,
    h: float,
    w: float,
    out: Complex,
) -> None:
    """End the windows of all sites: their acceleration's envelopes (M8.3) into ``out``.

    ``total`` holds the sum of x e^{-j phi} h without this last point, ``begun`` (2, site) x and v
    times e^{-j phi} at the window's first; ``turn`` is e^{-j phi} here.
    """
    per_window = w / np.pi  # 2 / tau
    for i in range(x.size):
        x_turned, v_turned = x[i] * turn, v[i] * turn
        slope = v_turned - 1j * w * x_turned
        mean = per_window * (total[i] + 0.5 * h * x_turned - h * h / 12.0 * slope)
        velocity = 1j * w * mean + per_window * (x_turned - begun[0, i])
        out[i] = 1j * w * velocity + per_window * (v_turned - begun[1, i])


@inner
def _open(
    total: Complex, x: Floats, v: Floats, begun: Complex, turn: complex, h: float, w: float
) -> None:
    """Begin the windows of all sites at this point."""
    for i in range(x.size):
        x_turned, v_turned = x[i] * turn, v[i] * turn
        begun[0, i], begun[1, i] = x_turned, v_turned
        total[i] = 0.5 * h * x_turned + h * h / 12.0 * (v_turned - 1j * w * x_turned)


@kernel
def step_bursts(
    start: int,
    stop: int,
    w: Floats,
    duration: Floats,
    steps: Ints,
    rates: Floats,
    link: Ints,
    gain: Floats,
    delay: Floats,
    origin: int,
    after: int,
    envelope: Complex,
    end: Floats,
) -> None:
    """Entries start..stop from rest through the burst and ``after`` cycles of ring-down.

    ``envelope`` (entry, site, window) receives the acceleration's envelope (M8.3), window
    ``origin`` being the first after the drive; ``end`` (entry, site) the last displacement.
    ``rates`` (entry, site, 6) as in `_step`; ``gain`` over the mass of the site that feels.
    """
    sites, links = rates.shape[1], link.shape[0]
    x, v, now = np.empty(sites), np.empty(sites), np.empty(sites)
    sums, found = np.empty(sites, dtype=np.complex128), np.empty(sites, dtype=np.complex128)
    begun = np.empty((2, sites), dtype=np.complex128)
    force, drive = np.zeros((3, sites)), np.zeros((3, 2))
    weights, first = np.empty((links, 9)), np.empty(links, dtype=np.int64)
    for e in range(start, stop):
        n, T, we = steps[e], duration[e], w[e]
        h = 2.0 * np.pi / (we * n)
        inside = we * T * n / (2.0 * np.pi)
        full = int(np.floor(inside + 1e-9 * n))
        lead = (inside - full) * h  # the short step at the start
        if lead < 1e-9 * n * h:
            lead = 0.0
        total = full + after * n
        turn_re, turn_im = np.empty(2 * n), np.empty(2 * n)
        for q in range(2 * n):
            turn_re[q] = np.cos(we * T + np.pi * q / n)
            turn_im[q] = np.sin(we * T + np.pi * q / n)
        shortest, longest = (n + SPARE) * h, 0.0
        for b in range(links):
            shortest = min(shortest, delay[e, b])
            longest = max(longest, delay[e, b])
            first[b] = _set_taps(b, delay[e, b] / h, -gain[e, b], weights)
        block = max(int(np.floor(shortest / h)) - SPARE + 1, 1)
        reach = int(np.ceil(longest / h)) + TAPS
        room = 2 * reach + 4 * block
        past = np.zeros((sites, room))
        at_node, at_half = np.empty((sites, block)), np.empty((sites, block))
        x[:] = 0.0
        v[:] = 0.0
        sums[:] = 0.0
        begun[:] = 0.0
        force[:] = 0.0
        # What is switched on lies between points, and off on one: samples that keep the area and
        # the first moment: else delayed jumps lower the order to one (M8.18).
        share = lead / h
        if lead > 0.0:
            for q in range(3):
                drive[q, 0] = np.cos(we * 0.5 * q * lead)
                drive[q, 1] = np.sin(we * 0.5 * q * lead)
            _step(lead, x, v, rates[e], drive, force, now)
            turn = complex(turn_re[2 * ((-full) % n)], -turn_im[2 * ((-full) % n)])
            for i in range(sites):
                past[i, reach - 1] = 0.5 * share * share * now[i]
                slope = (v[i] - 1j * we * x[i]) * turn
                sums[i] = 0.5 * lead * x[i] * turn - lead * lead / 12.0 * slope
        place, k = reach, 0
        while k < total:
            count = min(block, total - k)
            if k < full:
                count = min(count, full - k)
            if place + count > room:
                for i in range(sites):
                    for q in range(reach):
                        past[i, q] = past[i, q + place - reach]
                place = reach
            at_node[:] = 0.0
            at_half[:] = 0.0
            _add_delayed(link, first, weights, past, place, count, at_half, at_node)
            for m in range(count):
                q = 2 * ((k + m - full) % n)
                turn = complex(turn_re[q], -turn_im[q])
                if q == 0:
                    window = origin + (k + m - full) // n - 1
                    if window >= 0:
                        _close(sums, x, v, begun, turn, h, we, found)
                        envelope[e, :, window] = found
                    _open(sums, x, v, begun, turn, h, we)
                elif k + m == 0:
                    for i in range(sites):
                        slope = (v[i] - 1j * we * x[i]) * turn
                        sums[i] += 0.5 * h * x[i] * turn + h * h / 12.0 * slope
                else:
                    for i in range(sites):
                        sums[i] += h * x[i] * turn
                for p in range(3):
                    r = (q + p) % (2 * n)
                    drive[p, 0] = turn_re[r] if k < full else 0.0
                    drive[p, 1] = turn_im[r] if k < full else 0.0
                for i in range(sites):
                    force[1, i], force[2, i] = at_half[i, m], at_node[i, m]
                _step(h, x, v, rates[e], drive, force, now)
                if k + m == 0:
                    for i in range(sites):
                        now[i] *= 0.5 + share - 0.5 * share * share
                elif k + m == full:
                    for i in range(sites):
                        now[i] += 0.5 * (rates[e, i, 4] * turn_re[0] - rates[e, i, 5] * turn_im[0])
                for i in range(sites):
                    past[i, place + m] = now[i]
                    force[0, i] = force[2, i]
            k += count
            place += count
        turn = complex(turn_re[0], -turn_im[0])
        _close(sums, x, v, begun, turn, h, we, found)
        envelope[e, :, origin + after - 1] = found
        put(end[e], x)
