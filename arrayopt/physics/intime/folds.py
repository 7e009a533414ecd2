"""Lowest drive at which the steady states of a chip fold, so that sweeps part (M12.15)."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.back.neck_kernel import NECK_COUNT, back_pressure, neck_coefficients
from arrayopt.physics.intime.flow_kernel import ChipArrays, coupling_matrix
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.radiation import self_reactance_series, self_resistance_series

SPACING = 0.7
"""Of the frequencies that weak drive is looked at, in decay rates of the slowest cell."""
STILL = 0.05
"""Cells that move less than this share of the most moved one are not asked."""
ABOVE, BELOW = 3.0, 1.5
"""Decay rates of the fastest cell by which a fold may lie beside where weak drive points to."""
WIDE = 1.6
"""How much too low the drive may be that weak drive points to."""
NEARBY = 1.4
"""A drive over that pointed to at which folds still lie between both ends."""
REACH = 0.2
"""Largest relative change of a cell, and of the frequency in decay rates, along a step."""
ACCURACY = 0.01
"""Relative, of the drive."""
TRIALS = 12
"""Most drives tried at one place."""
RAMP = 4
"""Parts in which the first state of a path is driven up."""
STEPS, TRIES = 400, 10
"""Most steps along a path, and Newton's most tries at one."""
NEAR, CLOSE = 0.05, 0.01
"""Steps of Newton, relative, after which the matrix is kept, and the last one."""


def fold_drives(
    arrays: ChipArrays,
    design: Ints,
    chip: Ints,
    low: Floats,
    high: Floats,
    most: Floats | None = None,
) -> Floats:
    """Factor on all forces at which steady states of a chip first fold (M12.15).

    Parameters
    ----------
    arrays : ChipArrays
    design, chip : array (item,)
        Which chips.
    low, high : array (item,)
        Where their folds may lie [Hz].
    most : array (item,), optional
        Drives beyond which nothing is looked for; what folds later is infinite.

    Returns
    -------
    array (item,)
        Within 2 or 3 %; infinite where nothing bends, or nothing that bends folds in the range.
        One mode and one harmonic a cell. Time goes with the third power of the number of cells.
    """
    out = np.full(design.size, np.inf)
    ends = (2.0 * np.pi * low, 2.0 * np.pi * high)
    far = np.full(design.size, np.inf) if most is None else most
    spread(_items, design.size, arrays, design, chip, *ends, far, out)
    return out


@kernel
def _items(
    begin: int,
    stop: int,
    a: ChipArrays,
    design: Ints,
    chip: Ints,
    low: Floats,
    high: Floats,
    most: Floats,
    out: Floats,
) -> None:
    for item in range(begin, stop):
        found = _first_fold(a, design[item], chip[item], low[item], high[item], most[item])
        out[item] = found if found < most[item] else np.inf


@inner
def _first_fold(a: ChipArrays, d: int, c: int, low: float, high: float, most: float) -> float:
    slow, fast = np.inf, 0.0
    for i in range(a.mass.shape[2]):
        w = np.sqrt(a.stiffness[d, c, i] / a.mass[d, c, i])
        own, inertia = _own(a, d, c, i, w)
        rate = 0.5 * own.imag / (w * inertia)
        slow, fast = min(slow, rate), max(fast, rate)
    if not (slow > 0.0 and high > low):
        return np.inf
    count = int(np.ceil((high - low) / (SPACING * slow))) + 1
    step = (high - low) / (count - 1)
    weak = np.empty(count)
    for k in range(count):
        weak[k] = _pointed_to(a, d, c, low + k * step)
    best = most
    while True:
        k = int(np.argmin(weak))
        least = weak[k]
        if not least < WIDE * best:
            return best
        # what the same well points to is looked at in one go
        first, last = k, k
        while first > 0 and weak[first - 1] < WIDE * least:
            first -= 1
        while last < count - 1 and weak[last + 1] < WIDE * least:
            last += 1
        weak[first : last + 1] = np.inf
        begin = max(low + first * step - BELOW * fast, 0.5 * low)
        end = low + last * step + ABOVE * fast
        best = min(best, _fold_between(a, d, c, begin, end, slow, least, best))


@inner
def _fold_between(
    a: ChipArrays,
    d: int,
    c: int,
    begin: float,
    end: float,
    unit: float,
    guess: float,
    best: float,
) -> float:
    """Drive at which states between two frequencies first fold, infinite if not below ``best``.

    Least stiffness falls about evenly with the square of the drive.
    """
    under, stiff, over, soft = 0.0, 1.0, np.inf, -1.0
    # what folds within the accuracy of the best known is not looked for
    f = (1.0 - ACCURACY) * best if best < NEARBY * guess else 0.9 * guess
    for _ in range(TRIALS):
        found = _least_stiffness(a, d, c, begin, end, f, unit)
        square = f * f
        if found > 0.0:
            if f >= (1.0 - ACCURACY) * best:
                return np.inf
            slope = (stiff - found) / (square - under)
            under, stiff = square, found
            # no farther at once: folds of much harder drive lie beyond the end
            root = under + min(found / slope if slope > 0.0 else np.inf, under)
            root = min(root, ((1.0 - ACCURACY) * best) ** 2)
            if root > 0.05 * under + 0.95 * over:
                root = 0.5 * (under + over)
        else:
            over, soft = square, found
            root = under + (over - under) * max(stiff / (stiff - soft), 0.3)
        if abs(np.sqrt(root) - f) < ACCURACY * f or over < (1.0 + ACCURACY) * under:
            return float(np.sqrt(root))
        f = float(np.sqrt(root))
    return f if over < np.inf else np.inf


@inner
def _own(a: ChipArrays, d: int, c: int, i: int, w: float) -> tuple[complex, float]:
    """Stiffness of a cell on its own at w (N/m; M9.4), and its mass with the air's (kg)."""
    radius, terms = a.radius[d, c, i], a.terms[d]
    ka = w / a.sound_speed * radius
    loading = a.density * a.sound_speed * np.pi * radius * radius
    x = loading * self_reactance_series(ka, a.reactance[d, i, :terms])
    r = loading * self_resistance_series(ka, a.resistance[d, i, :terms])
    inertia = a.mass[d, c, i] + x / w
    out = complex(a.stiffness[d, c, i] - w * w * inertia, w * (a.damping[d, c, i] + r))
    if a.neck[NECK_COUNT] > 0.0:
        area, moving, resisting = neck_coefficients(w, a.neck, a.density, a.sound_speed)
        pull, drag = back_pressure(w, a.cavity[d, c, i], area, moving, resisting)
        out += complex(pull, drag) * a.volume[d, c, i] ** 2
    return out, inertia


@inner
def _operator(
    a: ChipArrays, d: int, c: int, w: float, force: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Linear part of M9.4 at w (N/m), and the forces at the drive (N)."""
    out = coupling_matrix(a, d, w)
    for i in range(force.size):
        for j in range(force.size):
            out[i, j] *= a.strength[d, c, i] * a.strength[d, c, j]
        out[i, i] = _own(a, d, c, i, w)[0]
        turn = w * a.lead[d, i]
        force[i] = complex(a.force_re[d, c, i], a.force_im[d, c, i])
        force[i] *= complex(np.cos(turn), -np.sin(turn))
    return out


@inner
def _pointed_to(a: ChipArrays, d: int, c: int, w: float) -> float:
    """Drive at which a cell's growth with drive, to its first order, would be infinite.

    A = f A1 + f^3 B, so that d ln A / d ln f = 1/(1 - 2 f^2 B/A1) to that order: exact for the
    onset of one lightly damped cell.
    """
    cells = a.mass.shape[2]
    linear = np.empty(cells, dtype=np.complex128)
    matrix = _operator(a, d, c, w, linear)
    order = np.empty(cells, dtype=np.int64)
    factor(matrix, order)
    substitute(matrix, order, linear)
    bend = np.empty_like(linear)
    top = 0.0
    for i in range(cells):
        size = abs(linear[i])
        bend[i] = 0.75 * a.cubic[d, c, i] * size * size * linear[i]
        top = max(top, size)
    substitute(matrix, order, bend)
    most = 0.0
    for i in range(cells):
        if abs(linear[i]) > STILL * top:
            most = max(most, -2.0 * (bend[i] / linear[i]).real)
    return 1.0 / np.sqrt(most) if most > 0.0 else np.inf


@inner
def _least_stiffness(
    a: ChipArrays, d: int, c: int, begin: float, end: float, f: float, unit: float
) -> float:
    """Least stiffness along the path of states from ``begin`` upwards, at drive f.

    Stiffness: least |A| / |dA / d ln f| of the cells that move, 1 for weak drive; negative where
    the frequency falls along the path: there states have folded. Negative, too, if lost.
    """
    cells = a.mass.shape[2]
    size = 2 * cells
    force = np.empty(cells, dtype=np.complex128)
    matrix = _operator(a, d, c, begin, force)
    jacobian = np.empty((size, size), dtype=np.float32)
    order = np.empty(size, dtype=np.int64)
    x, rest, grow, bend = np.empty(size), np.empty(size), np.empty(size), np.empty(size)
    along, ahead, before = np.zeros(size), np.zeros(size), np.zeros(size)
    state, small, pivots = force.copy(), matrix.copy(), np.empty(cells, dtype=np.int64)
    factor(small, pivots)
    substitute(small, pivots, state)
    for i in range(cells):
        x[i], x[cells + i] = state[i].real * f / RAMP, state[i].imag * f / RAMP
    w, way, least, last, past = begin, 1.0, np.inf, 0.0, 0.0
    first = second = third = np.inf
    for n in range(STEPS):
        drive = f * min(n + 1, RAMP) / RAMP
        held = n < RAMP
        top, off = 0.0, np.inf
        for _try in range(TRIES):
            if not held:
                matrix = _operator(a, d, c, w, force)
            top = _missing(a, d, c, matrix, x, drive, force, rest)
            if not off < NEAR * top:  # near the state what was factored last will do
                _set_jacobian(a, d, c, matrix, x, jacobian)
                factor(jacobian, order)
                for i in range(cells):
                    grow[i], grow[cells + i] = drive * force[i].real, drive * force[i].imag
                    pull = 2.0 * w * _own(a, d, c, i, w)[1] * unit
                    bend[i], bend[cells + i] = pull * x[i], pull * x[cells + i]
                substitute(jacobian, order, grow)
                substitute(jacobian, order, bend)
            substitute(jacobian, order, rest)
            more = 0.0
            if not held:  # stay on the plane across the path
                above = below = 0.0
                for i in range(size):
                    above += along[i] * rest[i]
                    below += along[i] * bend[i]
                more = -above / (below + top * top)
            off = 0.0
            for i in range(size):
                change = rest[i] + more * bend[i]
                x[i] += change
                off = max(off, abs(change))
            w += more * unit
            if not off > CLOSE * top:
                break
        if not (off <= CLOSE * top and w > 0.0):
            return -1.0
        if held and n < RAMP - 1:
            for i in range(size):
                x[i] *= (n + 2) / (n + 1)
            continue
        turn = top * top
        for i in range(size):
            turn += along[i] * bend[i]
        if turn < 0.0:  # the path goes on the way that it came
            way = -way
        stiff, step = np.inf, REACH
        for i in range(cells):
            here = np.hypot(x[i], x[cells + i])
            if here > STILL * top:
                stiff = min(stiff, here / np.hypot(grow[i], grow[cells + i]))
                step = min(step, REACH * here / np.hypot(bend[i], bend[cells + i]))
        # between steps, too: the parabola through three
        first, second, third = second, third, way * stiff
        bow = first - 2.0 * second + third
        least = min(least, third)
        if second <= first < np.inf and second <= third and bow > 0.0:
            least = min(least, second - (third - first) ** 2 / (8.0 * bow))
        if w > end or w < 0.9 * begin:
            break
        for i in range(size):
            along[i] = bend[i]
            before[i], ahead[i] = ahead[i], way * step * bend[i]
            x[i] += ahead[i] if n < RAMP else 1.5 * ahead[i] - 0.5 * before[i]
        past, last = last, way * step * unit
        w += last if n < RAMP else 1.5 * last - 0.5 * past
    return float(least)


@inner
def _missing(
    a: ChipArrays,
    d: int,
    c: int,
    matrix: NDArray[np.complex128],
    x: Floats,
    f: float,
    force: NDArray[np.complex128],
    rest: Floats,
) -> float:
    """What is missing to a state of M9.4, real and imaginary parts; the largest |A|."""
    cells = matrix.shape[0]
    top = 0.0
    for i in range(cells):
        re, im = f * force[i].real, f * force[i].imag
        for j in range(cells):
            p, q = matrix[i, j].real, matrix[i, j].imag
            re -= p * x[j] - q * x[cells + j]
            im -= q * x[j] + p * x[cells + j]
        square = x[i] * x[i] + x[cells + i] * x[cells + i]
        bent = 0.75 * a.cubic[d, c, i] * square
        rest[i], rest[cells + i] = re - bent * x[i], im - bent * x[cells + i]
        top = max(top, square)
    return float(np.sqrt(top))


@inner
def _set_jacobian(
    a: ChipArrays, d: int, c: int, matrix: NDArray[np.complex128], x: Floats, out: Any
) -> None:
    """Derivatives of M9.4 by real and imaginary parts."""
    cells = matrix.shape[0]
    for i in range(cells):
        for j in range(cells):
            p, q = matrix[i, j].real, matrix[i, j].imag
            out[i, j], out[i, cells + j] = p, -q
            out[cells + i, j], out[cells + i, cells + j] = q, p
        u, v, g = x[i], x[cells + i], 0.75 * a.cubic[d, c, i]
        out[i, i] += g * (3.0 * u * u + v * v)
        out[cells + i, cells + i] += g * (u * u + 3.0 * v * v)
        out[i, cells + i] += 2.0 * g * u * v
        out[cells + i, i] += 2.0 * g * u * v


@inner
def factor(matrix: NDArray[Any], order: Ints) -> None:
    """Lower and upper triangle of a matrix with its rows in order, in its place (Gauss).

    Four columns at a time, so that what is left of the matrix is read a quarter as often.
    """
    n = order.size
    for first in range(0, n, 4):
        last = min(first + 4, n)
        for k in range(first, last):
            best, p = -1.0, k
            for i in range(k, n):
                size = abs(matrix[i, k])
                if size > best:
                    best, p = size, i
            order[k] = p
            for j in range(n):
                value = matrix[p, j]
                matrix[p, j] = matrix[k, j]
                matrix[k, j] = value
            for i in range(k + 1, n):
                matrix[i, k] /= matrix[k, k]
                for j in range(k + 1, last):
                    matrix[i, j] -= matrix[i, k] * matrix[k, j]
        for k in range(first, last):
            for i in range(k + 1, last):
                _less(matrix[i], matrix[k], matrix[i, k], last)
        if last < n:  # there are four columns
            block = matrix[first:last].copy()
            for i in range(last, n - 1, 2):
                _less_four(matrix[i], matrix[i + 1], block, last)
            if (n - last) % 2 == 1:
                _less_four(matrix[n - 1], np.empty_like(matrix[n - 1]), block, last)


@inner
def _less(row: NDArray[Any], other: NDArray[Any], part: Any, first: int) -> None:
    for j in range(first, row.size):
        row[j] -= part * other[j]


@inner
def _less_four(row: NDArray[Any], next_: NDArray[Any], others: NDArray[Any], first: int) -> None:
    """Two rows less four others, each times what stands below it."""
    a, b, c, d = row[first - 4], row[first - 3], row[first - 2], row[first - 1]
    e, f, g, h = next_[first - 4], next_[first - 3], next_[first - 2], next_[first - 1]
    for j in range(first, row.size):
        p, q, r, s = others[0, j], others[1, j], others[2, j], others[3, j]
        row[j] -= a * p + b * q + c * r + d * s
        next_[j] -= e * p + f * q + g * r + h * s


@inner
def substitute(matrix: NDArray[Any], order: Ints, b: NDArray[Any]) -> None:
    """Solve for b, in its place, with what `factor` made."""
    n = order.size
    for k in range(n):
        p = order[k]
        value = b[p]
        b[p] = b[k]
        b[k] = value
    for i in range(n):
        total = b[i]
        for j in range(i):
            total -= matrix[i, j] * b[j]
        b[i] = total
    for i in range(n - 1, -1, -1):
        total = b[i]
        for j in range(i + 1, n):
            total -= matrix[i, j] * b[j]
        b[i] = total / matrix[i, i]
