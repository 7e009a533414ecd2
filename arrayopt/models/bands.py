"""Bands as read off points of a response: peak, contiguous band, edges, ripple (M10.1, M10.2)."""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Bools, Floats, Ints
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.threads import spread


@inner
def valley(values: Floats, first: int, last: int) -> tuple[int, int]:
    """Deepest valley from first to last, and the lower of the largest values on its two sides.

    Both as indices; equal where there is none. Deepest: over the lower of its sides, as a ratio.
    """
    after = np.empty(last - first + 1, dtype=np.int64)
    after[-1] = last
    for i in range(last - 1, first - 1, -1):
        nearer = after[i + 1 - first]
        after[i - first] = i if values[i] > values[nearer] else nearer
    deepest, low, side = 1.0, first, first
    before = first
    for i in range(first, last + 1):
        if values[i] > values[before]:
            before = i
        other = after[i - first]
        lower = before if values[before] < values[other] else other
        if values[lower] > deepest * values[i]:
            deepest, low, side = values[lower] / values[i], i, lower
    return low, side


@inner
def places(values: Floats, level: float) -> tuple[int, int, int]:
    """Points of the peak and of the contiguous band around it: largest, first and last.

    The first or the last point of all among them: the band goes on beyond.
    """
    top = int(np.argmax(values))
    limit = level * values[top]
    first, last = top, top
    while first > 0 and values[first - 1] >= limit:
        first -= 1
    while last < values.size - 1 and values[last + 1] >= limit:
        last += 1
    return top, first, last


@inner
def edge(w: Floats, values: Floats, inside: int, outside: int, limit: float) -> float:
    """Where values pass the limit between two neighbours."""
    share = (values[inside] - limit) / (values[inside] - values[outside])
    return float(w[inside] + share * (w[outside] - w[inside]))


@inner
def read_band(w: Floats, values: Floats, level: float, out: Floats) -> bool:
    """Peak, its frequency, lower and upper edge and ripple (dB) in out[:5]; False if it goes on."""
    top, first, last = places(values, level)
    if first == 0 or last == values.size - 1:
        return False
    limit = level * values[top]
    low, side = valley(values, first, last)
    out[0], out[1] = values[top], w[top]
    out[2] = edge(w, values, first, first - 1, limit)
    out[3] = edge(w, values, last, last + 1, limit)
    out[4] = 20.0 * np.log10(values[side] / values[low])
    return True


def all_places(values: Floats, known: Ints, level: float) -> Ints:
    """`places` of responses (design, point) of ``known`` points, (3, design)."""
    out = np.zeros((len(values), 3), dtype=np.int64)
    _all_places(np.ascontiguousarray(values), known, level, out)
    return np.ascontiguousarray(out.T)


@kernel
def _all_places(values: Floats, known: Ints, level: float, out: Ints) -> None:
    for d in range(len(values)):
        out[d, 0], out[d, 1], out[d, 2] = places(values[d, : known[d]], level)


def read_bands(w: Floats, values: Floats, known: Ints, level: float) -> tuple[Floats, Bools]:
    """The same of responses (design, point) of ``known`` points: (5, design), and which go on.

    NaN for those that do.
    """
    out, off = np.full((len(w), 5), np.nan), np.zeros(len(w), dtype=np.bool_)
    _read_bands(np.ascontiguousarray(w), np.ascontiguousarray(values), known, level, out, off)
    return np.ascontiguousarray(out.T), off


@kernel
def _read_bands(
    w: Floats, values: Floats, known: Ints, level: float, out: Floats, off: Bools
) -> None:
    for d in range(len(w)):
        n = known[d]
        off[d] = n == 0 or not read_band(w[d, :n], values[d, :n], level, out[d])


def ripples(values: Floats, first: Ints, last: Ints) -> Floats:
    """Depth of the deepest valley of each row from first to last [dB], see `valley`; (design,).

    ``values`` (design, point) > 0 where it counts; NaN where ``last`` lies before ``first``.
    """
    out = np.full(len(values), np.nan)
    _ripples(np.ascontiguousarray(values), first, last, out)
    return out


@kernel
def _ripples(values: Floats, first: Ints, last: Ints, out: Floats) -> None:
    for d in range(out.size):
        if 0 <= first[d] <= last[d] < values.shape[1]:
            low, side = valley(values[d], first[d], last[d])
            out[d] = 20.0 * np.log10(values[d, side] / values[d, low])


def largest_in_time(amplitude: Floats) -> Floats:
    """Largest of sampled amplitudes (entry, time): of the cubics through four samples each.

    The curve passes through every sample, so its largest value does not jump where another sample
    becomes the largest. With the largest sample alone, or one parabola around it, what a burst
    gives would depend on where its windows lie.
    """
    out = np.empty(amplitude.shape[0])
    spread(_largest, out.size, np.ascontiguousarray(amplitude), out)
    return out


@kernel
def _largest(start: int, stop: int, amplitude: Floats, out: Floats) -> None:
    points = amplitude.shape[1]
    for e in range(start, stop):
        a = amplitude[e]
        best = a.max()
        for i in range(points - 1 if points > 3 else 0):
            # p(t) through k..k+3 at t = 0, 1, 2, 3, of which the part from i to i + 1 is meant
            k = min(max(i - 1, 0), points - 4)
            one, two = a[k + 1] - a[k], 0.5 * (a[k + 2] - 2.0 * a[k + 1] + a[k])
            three = (a[k + 3] - 3.0 * a[k + 2] + 3.0 * a[k + 1] - a[k]) / 6.0
            # p = a + one t + two t (t - 1) + three t (t - 1) (t - 2)
            slope, bend = one - two + 2.0 * three, two - 3.0 * three
            room = bend * bend - 3.0 * slope * three
            if room <= 0.0:
                continue
            t = slope / (np.sqrt(room) - bend)
            if i - k < t < i - k + 1:
                best = max(best, a[k] + t * (slope + t * (bend + t * three)))
        out[e] = best
