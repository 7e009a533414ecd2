"""Where the next points of a response go: peaks, valleys, edges that points may hide (M10.1).

Between two points the response is trusted to stay within their values and a margin: how far it
leaves the straight lines through its neighbours, plus what groups may do whose own amplitude is not
smooth there. A cell that rides its upper branch at one frequency and not at the next has a cliff,
beside which the sum of all may rise or fall within a hundredth of the first grid's step. Two points
closer than `CLOSEST` are the sides of a jump, across which nothing is extrapolated.
"""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.vectors import ascend

PEAK_TOLERANCE = 1e-8
"""Of the peak: what may remain hidden."""
SETTLED = 1e-3
"""Of the peak: edges are looked for once no more than this may be hidden."""
FAINT = 0.5
"""Of the peak: intervals below it hold no peak, unless a group has a cliff there."""
CLOSEST = 3e-8
"""Smallest distance of points, over the frequency: edges are bracketed to this."""
CLIFF = 1e-7
"""The same where a group's own amplitude jumps."""
ROUGH = 0.01
"""Share of a group's largest amplitude by which it leaves its neighbours' lines at a cliff."""
NEAR = 0.25
"""Neighbours nearer than this share of an interval do not extrapolate across it."""
FINE = 0.125
"""Over the first grid's step: intervals at least this fine are trusted by the margin alone; longer
ones are halved where they come within NEAR_PEAK of the peak or NEAR_LIMIT of the limit."""
NEAR_PEAK = 0.03
NEAR_LIMIT = 0.06
STEEPER = 1.5
"""Least growth of the slope from one interval to the next that shows a fold."""
MOST = 32
"""New points of a response in one pass."""


@inner
def _jump(f: Floats, i: int) -> bool:
    """Whether point i and the next are the sides of a jump."""
    return f[i + 1] - f[i] <= CLOSEST * f[i]


@inner
def _leaves(f: Floats, a: Floats, i: int, n: int) -> float:
    """How far the values leave, from point i to the next, the lines through their neighbours."""
    h = f[i + 1] - f[i]
    off = np.inf
    j = i - 1
    while j > 0 and f[i] - f[j] < NEAR * h and not _jump(f, j):
        j -= 1
    if j >= 0 and not _jump(f, j):
        slope = (a[i] - a[j]) / (f[i] - f[j])
        off = abs(a[i] + slope * h - a[i + 1])
    j = i + 2
    while j < n - 1 and f[j] - f[i + 1] < NEAR * h and not _jump(f, j - 1):
        j += 1
    if j < n and not _jump(f, j - 1):
        slope = (a[j] - a[i + 1]) / (f[j] - f[i + 1])
        off = min(off, abs(a[i + 1] - slope * h - a[i]))
    return off


@inner
def _cliffs(f: Floats, share: Floats, out: Floats) -> None:
    """Fill in, for every interval, what groups that are not smooth there may change in the sum."""
    n = f.size
    out[: n - 1] = 0.0
    for g in range(share.shape[0]):
        least = ROUGH * share[g, :n].max()
        for i in range(n - 1):
            off = _leaves(f, share[g], i, n)
            if off > least and f[i + 1] - f[i] > CLIFF * f[i]:
                out[i] += off


@inner
def _parabola(f: Floats, a: Floats, i: int) -> tuple[float, float]:
    """Where the parabola through a value and its neighbours peaks (NaN: nowhere), and its bend."""
    u, v = f[i - 1] - f[i], f[i + 1] - f[i]
    slope_u, slope_v = (a[i - 1] - a[i]) / u, (a[i + 1] - a[i]) / v
    bend = (slope_v - slope_u) / (v - u)
    if not bend < 0.0:
        return np.nan, bend
    return f[i] - 0.5 * (slope_u * v - slope_v * u) / ((v - u) * bend), bend


@inner
def _vertex(f: Floats, a: Floats, top: int, n: int) -> tuple[float, float, float]:
    """Where the response peaks beside its largest value, how uncertain that is, and how high."""
    if _jump(f, top - 1) or _jump(f, top):
        return np.nan, 0.0, a[top]
    at, bend = _parabola(f, a, top)
    if not f[top - 1] < at < f[top + 1]:
        return f[top], 0.0, a[top]
    h = f[top] - f[top - 1] if at < f[top] else f[top + 1] - f[top]
    doubt = 0.0
    for i in (top - 1, top + 1):
        if 0 < i < n - 1:
            other = np.nan
            if not _jump(f, i - 1) and not _jump(f, i):
                other, _ = _parabola(f, a, i)
            doubt = max(doubt, abs(other - at) if abs(other - at) < 0.5 * h else 0.5 * h)
    gain = abs(at - f[top]) + doubt
    return at, doubt, a[top] - bend * gain * gain


@inner
def _root(f: Floats, a: Floats, i: int, n: int, limit: float) -> tuple[float, float]:
    """Share of an interval where its values pass the limit, and how uncertain that is."""
    h = f[i + 1] - f[i]
    straight = (limit - a[i]) / (a[i + 1] - a[i])
    # inverse interpolation through a third point
    j = i - 1 if i > 0 else i + 2
    if 0 < i < n - 2 and f[i + 2] - f[i + 1] < f[i] - f[i - 1]:
        j = i + 2
    if j >= n:
        return straight, 0.25
    a0, a1, a2 = a[i], a[i + 1], a[j]
    if (a1 > a0) != ((a2 > a1) if j > i else (a0 > a2)):
        return straight, 0.25
    of_1 = (limit - a0) * (limit - a2) / ((a1 - a0) * (a1 - a2))
    of_2 = (limit - a0) * (limit - a1) / ((a2 - a0) * (a2 - a1))
    curve = of_1 + (f[j] - f[i]) / h * of_2
    if not 0.0 < curve < 1.0:
        return straight, 0.25
    return curve, abs(curve - straight)


@inner
def _monotonic(f: Floats, a: Floats, i: int, n: int) -> bool:
    """Whether values rise, or fall, in an interval and those beside it, ever faster or ever slower.

    Beside a jump there is no slope on its side: then whether they do on the other one, and, where
    they rise to the jump, `STEEPER`, as before a fold.
    """
    here = (a[i + 1] - a[i]) / (f[i + 1] - f[i])
    left = i > 0 and not _jump(f, i - 1)
    right = i + 2 < n and not _jump(f, i + 1)
    before = (a[i] - a[i - 1]) / (f[i] - f[i - 1]) if left else 0.0
    after = (a[i + 2] - a[i + 1]) / (f[i + 2] - f[i + 1]) if right else 0.0
    if left and right:
        bends = before <= here <= after or before >= here >= after
        return bends and before * here > 0.0 and here * after > 0.0
    if left:
        return before * here > 0.0 and not 0.0 < here < STEEPER * before
    return right and here * after > 0.0 and not STEEPER * after < here < 0.0


@inner
def _towards_peak(
    f: Floats, a: Floats, cliff: Floats, longest: float, smooth: bool, out: Floats
) -> tuple[int, float]:
    """Fill in points between which more than the largest amplitude may hide.

    Returns their number and the largest that may."""
    n, top, count = f.size, int(np.argmax(a)), 0
    highest = a[top]
    at, doubt, best = _vertex(f, a, top, n)
    for i in range(n - 1):
        h = f[i + 1] - f[i]
        if _jump(f, i) or cliff[i] < 0.0 or count >= out.size - 1:
            continue
        if cliff[i] == 0.0 and max(a[i], a[i + 1]) < FAINT * a[top]:
            continue
        if smooth and cliff[i] == 0.0 and _monotonic(f, a, i, n):
            continue
        vertex = f[i] < at < f[i + 1]
        if (i == top - 1 or i == top) and not np.isnan(at):
            high = best if vertex else a[top]
        else:
            near = NEAR_PEAK * a[top] if h > longest else 0.0
            high = max(a[i], a[i + 1]) + _leaves(f, a, i, n) + near
        high += cliff[i]
        if not high > (1.0 + PEAK_TOLERANCE) * a[top]:
            continue
        highest = max(highest, high)
        if vertex and cliff[i] == 0.0 and doubt < 0.25 * h:
            # on both sides, so that the next parabola is narrow
            out[count] = max(at - doubt, f[i] + 0.005 * h)
            out[count + 1] = min(at + doubt, f[i + 1] - 0.005 * h)
            count += 2
        else:
            middle = at if vertex and cliff[i] == 0.0 else 0.5 * (f[i] + f[i + 1])
            out[count] = min(max(middle, f[i] + 0.25 * h), f[i + 1] - 0.25 * h)
            count += 1
    return count, highest


@inner
def _towards_edges(
    f: Floats, a: Floats, cliff: Floats, longest: float, limit: float, out: Floats
) -> int:
    """Fill in points that close in on the edges, and those between which the response may fall
    below the limit inside the band; their number."""
    n, top, count = f.size, int(np.argmax(a)), 0
    left, right = top, top
    while left > 0 and a[left] >= limit:
        left -= 1
    while right < n - 1 and a[right] >= limit:
        right += 1
    for i in range(left, right):
        h = f[i + 1] - f[i]
        if _jump(f, i) or cliff[i] < 0.0 or count >= out.size - 1:
            continue
        inside = a[i] >= limit and a[i + 1] >= limit
        if inside:
            near = NEAR_LIMIT * limit if h > longest else 0.0
            if min(a[i], a[i + 1]) - _leaves(f, a, i, n) - cliff[i] - near >= limit:
                continue
        if inside or cliff[i] > 0.0:
            out[count] = 0.5 * (f[i] + f[i + 1])
            count += 1
        else:
            root, doubt = _root(f, a, i, n, limit)
            doubt = min(max(doubt, 0.005), 0.25)
            for new in (root - doubt, root + doubt):
                out[count] = f[i] + h * min(max(new, 0.005), 0.995)
                count += 1
    return count


@inner
def next_of_row(
    f: Floats, a: Floats, cliff: Floats, longest: float, level: float, smooth: bool, out: Floats
) -> int:
    """Fill in the points that decide on a response's band, ascending; their number (up to `MOST`).

    Those that may hold a larger peak; once that is known well, those that decide on the edges.
    ``cliff``: what may change in the interval beside what values tell, below 0 where nothing can be
    computed. ``longest``: intervals longer than that are halved near peak and limit in any case.
    ``smooth``: nothing hides in stretches that are `_monotonic`. ``level`` 0: only the peak is of
    interest. Nothing is asked for of a response whose largest value is at an end.
    """
    top = int(np.argmax(a)) if a.size > 0 else 0
    if top == 0 or top == a.size - 1:
        return 0
    count, high = _towards_peak(f, a, cliff, longest, smooth, out)
    if level > 0.0 and not high > (1.0 + SETTLED) * a[top]:
        count += _towards_edges(f, a, cliff, longest, level * a[top], out[count:])
    ascend(out[:count])
    return count


@kernel
def next_points(
    start: int,
    stop: int,
    frequency: Floats,
    amplitude: Floats,
    share: Floats,
    known: Ints,
    step: Floats,
    level: float,
    out: Floats,
) -> None:
    """Points that decide on a band and are not there yet, (design, at most MOST) in ``out``.

    Parameters
    ----------
    frequency, amplitude : (design, point), ascending
    share : (design, group, point)
        Pressure of each group on its own.
    known : (design,)
        Points of each row.
    step : (design,)
        Of the first grid.
    level : band limit below the peak as a pressure ratio.
    out : full of inf, which stays where nothing is needed.
    """
    cliff = np.empty(frequency.shape[1])
    for d in range(start, stop):
        n = known[d]
        _cliffs(frequency[d, :n], share[d], cliff)
        next_of_row(frequency[d, :n], amplitude[d, :n], cliff, FINE * step[d], level, False, out[d])


@inner
def merge(w: Floats, values: Floats, n: int, new: Floats, found: Floats) -> int:
    """Sort new points, ascending, into the first n of ``w`` and ``values``; the number then."""
    count = new.size
    k, i = count - 1, n - 1
    for place in range(n + count - 1, -1, -1):
        if k < 0:
            break
        if i < 0 or new[k] > w[i]:
            w[place], values[place] = new[k], found[k]
            k -= 1
        else:
            w[place], values[place] = w[i], values[i]
            i -= 1
    return n + count


@inner
def bracket(w: Floats, k: int) -> tuple[float, float]:
    """Frequencies of the points beside point k, or its own where a jump lies between."""
    closest = CLOSEST * w[k]
    low = w[k - 1] if k > 0 and w[k] - w[k - 1] > closest else w[k]
    high = w[k + 1] if k < w.size - 1 and w[k + 1] - w[k] > closest else w[k]
    return low, high


@inner
def vertex(values: Floats) -> tuple[float, float]:
    """Largest of evenly spaced values, and where in steps: of the parabola through three inside."""
    k = int(np.argmax(values))
    best = values[k]
    if 0 < k < values.size - 1:
        slope = 0.5 * (values[k + 1] - values[k - 1])
        bend = values[k - 1] - 2.0 * best + values[k + 1]
        if bend < 0.0:
            return k - slope / bend, best - 0.5 * slope * slope / bend
    return float(k), float(best)
