"""Where the response of one design is computed first: resonances, backbones, jumps (M10.1)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats
from arrayopt.base.status import Status
from arrayopt.models.array import SMALL, UP
from arrayopt.models.one_mode.response import Packed, linear_row
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.numerics.vectors import ascend, insert
from arrayopt.physics.steady.steady_kernel import FOLD_DISTANCE, state_count

POINTS_PER_LINEWIDTH = 10.0
EVEN_LINEWIDTHS = 2.0
"""How far even steps go beyond the outermost resonance."""
MARGIN_LINEWIDTHS = 12.0
TAIL = np.array([0.02, 0.045, 0.08, 0.13, 0.2, 0.29, 0.4, 0.55, 0.75, 1.0])
"""Points from there to the margin's end, over the distance."""
GRID_LIMIT = 16384
"""Most points of one grid; a design that needs more gets a status, not a coarser grid."""


SECTIONS = 16
"""Points of one pass when a peak, an edge or a backbone end is closed in on; one vector row."""


FOLD_TOLERANCE = 1e-13

_NOT_DRIVEN = int(Status.NOT_DRIVEN)
_GRID_LIMIT = int(Status.GRID_LIMIT)
_RUNAWAY = int(Status.RUNAWAY)


def sweep_range(packed: Packed, *, sweep: int) -> tuple[Floats, Floats, Floats]:
    """Lowest and highest frequency of all resonances and backbones, and the narrowest linewidth.

    Each (design,) in Hz; NaN where nothing is driven. For models that need a grid of their own.
    """
    out = np.full((packed.mass.shape[0], 3), np.nan)
    spread(_ranges, len(out), packed, sweep, out)
    low, high, width = out.T / (2.0 * np.pi)
    return low, high, width


@kernel
def _ranges(start: int, stop: int, packed: Packed, sweep: int, out: Floats) -> None:
    work = np.empty((5, SECTIONS))
    for d in range(start, stop):
        for g in range(packed.mass.shape[1]):
            if not packed.force[d, g] > 0.0:
                continue
            w0 = packed.natural[d, g]
            end = w0 if sweep & 3 == SMALL else backbone_end(packed, d, g, work)
            end = w0 if np.isnan(end) else end
            first = np.isnan(out[d, 0])
            out[d, 0] = min(w0, end) if first else min(out[d, 0], w0, end)
            out[d, 1] = max(w0, end) if first else max(out[d, 1], w0, end)
            width = packed.linewidth[d, g]
            out[d, 2] = width if first else min(out[d, 2], width)


@inner
def backbone_end(packed: Packed, d: int, g: int, work: NDArray[np.float64]) -> float:
    """Frequency (rad/s) where the backbone meets the drive: the largest response; NaN if none.

    Solves k1 + 3/4 k3e F^2/(w c_eff)^2 = w^2 m_eff by repeated sectioning from the small-signal
    resonance (M7.6), in the direction the cubic term bends it.
    """
    w0 = packed.natural[d, g]
    cubic = packed.cubic[d, g]
    if cubic == 0.0:
        return w0
    w, detuning, loss = work[0], work[1], work[2]
    near = w0
    far = (40.0 if cubic > 0.0 else 0.3) * w0
    first = True
    while first or abs(far - near) > 1e-6 * w0:
        for k in range(SECTIONS):
            share = (k + 1.0) / SECTIONS
            # The first pass spans decades: in equal ratios.
            w[k] = near * (far / near) ** share if first else near + share * (far - near)
        linear_row(packed, d, g, w, detuning, loss)
        inside = near
        found = False
        for k in range(SECTIONS):
            excess = detuning[k] + 0.75 * cubic * (packed.force[d, g] / loss[k]) ** 2
            if (excess < 0.0) == (cubic > 0.0):
                far = w[k]
                found = True
                break
            inside = w[k]
        if not found and first:
            return np.nan
        near = inside
        first = False
    return 0.5 * (near + far)


@inner
def fold(
    packed: Packed, d: int, g: int, sweep: int, end: float, work: NDArray[np.float64]
) -> tuple[float, float]:
    """Frequencies (rad/s) just before and after a group's jump on a sweep; NaN if it has none.

    Between the two the number of states changes from three to one (M7.6). Both keep a distance of
    FOLD_DISTANCE from the fold. ``end`` is the group's `backbone_end`, which lies between its two
    folds.
    """
    cubic = packed.cubic[d, g]
    force = packed.force[d, g]
    w, detuning, loss = work[0], work[1], work[2]
    for k in range(SECTIONS):
        w[k] = end
    linear_row(packed, d, g, w, detuning, loss)
    if state_count(detuning[0], loss[0], cubic, force) != 3:
        return np.nan, np.nan
    inside = end
    # The branch ridden ends beyond the backbone's end if it is the upper one, before it if not.
    if (cubic > 0.0) == (sweep == UP):
        outside = end + (1.0 if cubic > 0.0 else -1.0) * 4.0 * packed.linewidth[d, g]
    else:
        outside = packed.natural[d, g]
    while abs(outside - inside) > FOLD_TOLERANCE * inside:
        step = (outside - inside) / (SECTIONS + 1)
        for k in range(SECTIONS):
            w[k] = inside + (k + 1) * step
        linear_row(packed, d, g, w, detuning, loss)
        k = 0
        while k < SECTIONS and state_count(detuning[k], loss[k], cubic, force) == 3:
            k += 1
        inside, outside = inside + k * step, inside + (k + 1) * step
    back = FOLD_DISTANCE * inside * (1.0 if outside > end else -1.0)
    return inside - back, outside + back


@inner
def make_grid(
    packed: Packed, d: int, sweep: int, work: NDArray[np.float64]
) -> tuple[NDArray[np.float64], int]:
    """Frequencies (rad/s), ascending, that resolve one design's response, and a status.

    Even steps of at most a tenth of the narrowest linewidth over all resonances and backbones,
    longer ones in the tails, the end of every backbone, and a point on either side of every jump:
    the response may peak and fall within far less than a linewidth there.
    """
    groups = packed.mass.shape[1]
    extra = np.empty(3 * groups)
    count = 0
    low, high, step = np.inf, 0.0, np.inf
    first, last = np.inf, 0.0
    status = 0
    for g in range(groups):
        if not packed.force[d, g] > 0.0:
            continue
        w0 = packed.natural[d, g]
        width = packed.linewidth[d, g]
        end = w0
        if sweep & 3 != SMALL and packed.cubic[d, g] != 0.0:
            end = backbone_end(packed, d, g, work)
            if np.isnan(end):
                status |= _RUNAWAY
                end = w0
            else:
                extra[count] = end
                count += 1
                inside, outside = fold(packed, d, g, sweep & 3, end, work)
                if not np.isnan(inside):
                    extra[count] = inside
                    extra[count + 1] = outside
                    count += 2
        first = min(first, min(w0, end) - EVEN_LINEWIDTHS * width)
        last = max(last, max(w0, end) + EVEN_LINEWIDTHS * width)
        low = min(low, min(w0, end) - MARGIN_LINEWIDTHS * width)
        high = max(high, max(w0, end) + MARGIN_LINEWIDTHS * width)
        step = min(step, width / POINTS_PER_LINEWIDTH)
    low = max(low, step)
    first = max(first, low + step)
    if not last > first:
        return np.empty(0), status | _NOT_DRIVEN
    if (last - first) / step > GRID_LIMIT:
        return np.empty(0), status | _GRID_LIMIT
    even = int(np.ceil((last - first) / step)) + 1
    tail = TAIL.size
    w = np.empty(even + count + 2 * tail)
    for i in range(even):
        w[tail + i] = first + (last - first) / (even - 1) * i
    for i in range(tail):
        w[tail - 1 - i] = first - TAIL[i] * (first - low)
        w[tail + even + i] = last + TAIL[i] * (high - last)
    ascend(extra[:count])
    insert(w, w.size - count, extra[:count])
    return w, status
