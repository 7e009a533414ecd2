"""The band of tone bursts: largest amplitude within the burst against its carrier (M8.8, M10.1)."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.band import Band, BandStatus
from arrayopt.burst import Rows, burst_rows, chunks, durations, receive_factor

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from arrayopt.cells import Cells
    from arrayopt.response import Packed
    from arrayopt.study_model import BurstLength

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

STEP = 0.8
"""Distance of the first carriers over the rate at which the fastest group builds up (rad/s)."""
EXTENSIONS = 4
"""How often the grid is continued where groups in phase keep a tail above the band's level."""
EXTENSION_POINTS = 8
BEND = 0.02
"""Deviation of an amplitude from its neighbours' chord, over the peak, that halves the steps."""
COARSE_BEND = 0.06
"""The same where neither the peak nor the band's limit is within reach of the deviation."""
NEAR = 0.12
"""Distance from the band's limit, over the limit, at which steps are halved in any case."""
NEAR_HALVINGS = 2
HALVINGS = 4
"""Most halvings, as far as a cliff needs: down to a twentieth of that rate."""
REACH = 1.25
"""Carriers beyond the outermost resonance, over the distance at which a burst's tail is below
the band's level."""
GRID_LIMIT = 1024
"""Most carriers of one design."""
PEAK_TOLERANCE = 1e-4
"""Relative change of the peak at which it is no longer refined."""
EDGE_TOLERANCE = 1e-4
"""Relative change of an edge's frequency at which it is no longer refined."""
PASSES = 16
"""Most refinements of a peak or edge; each at least halves the bracket."""


def without_nonlinearity(cells: Cells) -> Cells:
    """The same cells at small signal."""
    zero = np.zeros_like(cells.cubic)
    return replace(cells, quadratic=zero, cubic=zero, effective_cubic=zero)


def driven_groups(cells: Cells) -> NDArray[np.bool_]:
    """Which groups are driven, (design, group); none where one of them has no coefficients."""
    driven = cells.drive_amplitude > 0.0
    known = np.isfinite(cells.natural_frequency) & np.isfinite(cells.quality_factor)
    return driven & np.all(known | ~driven, axis=1, keepdims=True)


def carriers(cells: Cells, length: BurstLength, level: float) -> tuple[Floats, Floats, Ints, Ints]:
    """Lowest carrier and step [Hz], number of carriers and status of each design's grid, (design,).

    A burst builds up as F/(2 m w) (1 - e^{-delta T})/delta, at most, which bounds both the width
    of its response (steps of `STEP` over the time constant) and the shift by a cubic spring.
    Carriers reach beyond all resonances until a group's beats are below ``level``.
    """
    w0 = 2.0 * np.pi * cells.natural_frequency
    driven = driven_groups(cells)
    w0 = np.where(driven, w0, 1.0)
    decay = np.where(driven, 0.5 * w0 / cells.quality_factor, 1.0)
    span = -np.expm1(-decay * durations(length, w0 / (2.0 * np.pi))) / decay
    with np.errstate(invalid="ignore"):
        force = np.abs(cells.force_per_volt) * cells.drive_amplitude
        amplitude = 0.5 * force * w0 / cells.stiffness * span
        stiffer = 1.0 + 0.75 * cells.effective_cubic * amplitude**2 / cells.stiffness
    bent = w0 * np.sqrt(np.maximum(np.where(driven, stiffer, 1.0), 0.09))
    reach = REACH * 2.0 / level / span
    low = np.where(driven, np.minimum(w0, bent) - reach, np.inf).min(axis=1)
    high = np.where(driven, np.maximum(w0, bent) + reach, 0.0).max(axis=1)
    step = np.where(driven, STEP / span, np.inf).min(axis=1)
    some = driven.any(axis=1)
    low, high, step = (np.where(some, a, 1.0) for a in (low, high, step))
    low = np.maximum(low, 0.2 * high)
    number = np.ceil((high - low) / step) + 1
    status = np.where(some, 0, int(BandStatus.NOT_DRIVEN))  # or with cells that have no model
    status = np.where(some & (number > GRID_LIMIT), int(BandStatus.GRID_LIMIT), status)
    count = np.where(status == 0, np.minimum(number, GRID_LIMIT), 0).astype(np.int64)
    step = (high - low) / np.maximum(count - 1, 1)
    return low / (2.0 * np.pi), step / (2.0 * np.pi), count, status


def find_burst_band(
    cells: Cells,
    packed: Packed,
    *,
    length: BurstLength,
    level: float,
    two_way: bool = False,
    compute: Rows = burst_rows,
) -> Band:
    """Contiguous band of the largest amplitude within a burst, against its carrier (M8.8, M10.1).

    Parameters
    ----------
    cells, packed : of one batch, (design, group)
    length : BurstLength
    level : float
        Band limit below the peak as a pressure ratio.
    two_way : bool
        Times the array's own small-signal receiving response (M8.11).
    compute : how envelopes are computed.

    Returns
    -------
    Band
        ``power`` and ``deflection`` are the largest over all carriers computed. Peak by sections
        and a parabola, edges refined until they move less than `EDGE_TOLERANCE`; NaN where
        ``status`` is not 0. Features narrower than the grid's step, which hard short bursts have
        (M8), may be missed.
    """
    low, step, count, status = carriers(cells, length, level)
    designs, groups = cells.mass.shape
    columns = [np.full(designs, np.nan) for _ in range(6)]
    deflection = np.full((designs, groups), np.nan)
    chosen = np.flatnonzero(status == 0)
    if chosen.size:
        search = _Search(cells, packed, length, two_way, chosen, compute)
        index = np.arange(count[chosen].max())
        grid = low[chosen, None] + step[chosen, None] * index
        search.add(np.where(index < count[chosen, None], grid, np.inf))
        for column, values in zip(columns, search.band(level), strict=True):
            column[chosen] = values
        deflection[chosen] = search.deflection
        status[chosen] |= search.status
    bad = status != 0
    for column in columns:
        column[bad] = np.nan
    peak, frequency, lower, upper, ripple, power = columns
    return Band(peak, frequency, lower, upper, ripple, power, deflection, status)


class _Search:
    """Carriers computed so far of some designs of a batch, and what was found at them."""

    def __init__(
        self,
        cells: Cells,
        packed: Packed,
        length: BurstLength,
        two_way: bool,
        rows: Ints,
        compute: Rows,
    ) -> None:
        self.cells, self.packed, self.length, self.two_way = cells, packed, length, two_way
        self.compute = compute
        self.rows = rows
        self.frequency = np.empty((rows.size, 0))
        """(design, carrier): ascending, filled up with inf."""
        self.amplitude = np.empty((rows.size, 0))
        self.deflection = np.zeros((rows.size, cells.mass.shape[1]))
        self.power = np.zeros(rows.size)
        self.status = np.zeros(rows.size, dtype=np.int64)

    def evaluate(self, frequency: Floats) -> Floats:
        """Amplitudes at (design, carrier); 0 where the carrier is inf."""
        at = np.isfinite(frequency)
        local, carrier = np.nonzero(at)[0], frequency[at]
        amplitude = np.zeros(carrier.size)
        for part in chunks(self.length, carrier, self.cells.mass.shape[1]):
            amplitude[part] = self._chunk(local[part], carrier[part])
        out = np.zeros(frequency.shape)
        out[at] = amplitude
        return out

    def _chunk(self, local: Ints, carrier: Floats) -> Floats:
        if local.size == 0:
            return np.zeros(0)
        design = self.rows[local]
        found = self.compute(
            self.cells, self.packed, design=design, frequency=carrier, length=self.length
        )
        amplitude = found.peak
        if self.two_way:
            amplitude = amplitude * receive_factor(self.packed, design, 2.0 * np.pi * carrier)
        escaped = found.status != 0
        np.bitwise_or.at(self.status, local[escaped], int(BandStatus.RUNAWAY))
        np.maximum.at(self.power, local, np.where(escaped, 0.0, found.power))
        np.maximum.at(self.deflection, local, np.where(escaped[:, None], 0.0, found.deflection))
        return np.asarray(np.where(escaped, 0.0, amplitude))

    def add(self, frequency: Floats) -> None:
        """Compute carriers (design, carrier; inf for none) and sort them in."""
        amplitude = np.concatenate([self.amplitude, self.evaluate(frequency)], axis=1)
        frequency = np.concatenate([self.frequency, frequency], axis=1)
        order = np.argsort(frequency, axis=1, kind="stable")
        self.frequency = np.take_along_axis(frequency, order, 1)
        self.amplitude = np.take_along_axis(amplitude, order, 1)

    def at(self, index: Ints) -> tuple[Floats, Floats]:
        """Carrier and amplitude at one index of each design."""
        rows = np.arange(self.rows.size)
        return self.frequency[rows, index], self.amplitude[rows, index]

    def band(self, level: float) -> tuple[Floats, ...]:
        """Peak, its carrier, lower and upper edge, ripple and power of each design."""
        for number in range(EXTENSIONS):
            self.add(self._beyond(level, 2.0**number))
        for number in range(HALVINGS):
            self.add(self._midpoints(level, near=number < NEAR_HALVINGS))
        self._refine_peak()
        last = self.frequency.shape[1] - 1
        top_index = self.amplitude.argmax(axis=1)
        peak_frequency, peak = self.at(top_index)
        limit = level * peak
        index = np.arange(last + 1)
        below = self.amplitude < limit[:, None]
        left_out = np.where(below & (index < top_index[:, None]), index, -1).max(axis=1)
        right_out = np.where(below & (index > top_index[:, None]), index, last + 1).min(axis=1)
        off = (left_out < 0) | ~np.isfinite(self.at(np.minimum(right_out, last))[0])
        off |= right_out > last
        self.status |= np.where(off, int(BandStatus.OFF_GRID), 0)
        inside = (index > left_out[:, None]) & (index < right_out[:, None])
        lowest = np.where(inside, self.amplitude, np.inf).min(axis=1)
        edges = self._edges(np.maximum(left_out, 0), np.minimum(right_out, last), limit, off)
        with np.errstate(divide="ignore", invalid="ignore"):
            ripple = 20.0 * np.log10(peak / lowest)
        return peak, peak_frequency, edges[:, 0], edges[:, 1], ripple, self.power

    def _beyond(self, level: float, stride: float) -> Floats:
        """Carriers (design, 2 x any) that continue a side where the amplitude is not low enough."""
        rows = np.arange(self.rows.size)
        last = np.isfinite(self.frequency).sum(axis=1) - 1
        limit = level * self.amplitude.max(axis=1)
        ahead = stride * np.arange(1, EXTENSION_POINTS + 1)
        sides = []
        for end, inner in ((0 * last, 0 * last + 1), (last, last - 1)):
            first = self.frequency[rows, end]
            step = first - self.frequency[rows, inner]
            new = first[:, None] + step[:, None] * ahead
            high = self.amplitude[rows, end] >= limit
            sides.append(np.where(high[:, None] & (new > 0.2 * first[:, None]), new, np.inf))
        added = np.concatenate(sides, axis=1)
        return added if np.isfinite(added).any() else added[:, :0]

    def _midpoints(self, level: float, *, near: bool) -> Floats:
        """Middles (design, any) of steps over which the amplitude is not nearly straight.

        With ``near`` also of those close to the band's limit, where a ripple decides on the edge.
        """
        f, a = self.frequency, self.amplitude
        peak = a.max(axis=1, keepdims=True)
        with np.errstate(invalid="ignore"):
            share = (f[:, 1:-1] - f[:, :-2]) / (f[:, 2:] - f[:, :-2])
            off = np.abs(a[:, 1:-1] - a[:, :-2] - share * (a[:, 2:] - a[:, :-2]))
        bent = np.zeros(f.shape, dtype=bool)
        limit, inner = level * peak, a[:, 1:-1]
        counts = (inner + 2.0 * off > peak) | (np.abs(inner - limit) < NEAR * limit + 2.0 * off)
        fine = np.where(counts, BEND, COARSE_BEND) * peak
        bent[:, 1:-1] = (off > fine) & np.isfinite(f[:, 2:])
        if near:
            bent |= np.abs(a - limit) < NEAR * limit
        matters = a > 0.5 * level * peak
        split = (bent[:, 1:] | bent[:, :-1]) & (matters[:, 1:] | matters[:, :-1])
        split &= np.isfinite(f[:, 1:])
        middle = np.where(split, 0.5 * (f[:, 1:] + f[:, :-1]), np.inf)
        middle.sort(axis=1)
        return middle[:, : int(split.sum(axis=1).max(initial=0))]

    def _refine_peak(self) -> None:
        """Sections of the steps beside the largest amplitude until that no longer grows."""
        thirds = np.array([2.0 / 3.0, 1.0 / 3.0])
        open_ = np.ones(self.rows.size, dtype=bool)
        for number in range(PASSES):
            if not open_.any():
                return
            before = self.amplitude.max(axis=1)
            (f0, _), (f1, _), (f2, _) = (self.at(k) for k in self._neighbours())
            if number % 2 == 0:  # the parabola is right at once where the peak is smooth
                new = self._vertex()[:, None]
            else:
                left, right = (f0 - f1)[:, None] * thirds, (f2 - f1)[:, None] * thirds
                new = f1[:, None] + np.concatenate([left, right], 1)
            self.add(np.where(open_[:, None], new, np.inf))
            if number > 0:
                after = self.amplitude.max(axis=1)
                with np.errstate(invalid="ignore"):
                    open_ &= after > (1.0 + PEAK_TOLERANCE) * before

    def _neighbours(self) -> tuple[Ints, Ints, Ints]:
        """Indices of the largest amplitude and of the carriers beside it, inside the grid."""
        some = np.isfinite(self.frequency).sum(axis=1)
        top = np.clip(self.amplitude.argmax(axis=1), 1, some - 2)
        return top - 1, top, top + 1

    def _vertex(self) -> Floats:
        """Carrier where the parabola through the largest amplitude and its neighbours peaks."""
        (f0, a0), (f1, a1), (f2, a2) = (self.at(k) for k in self._neighbours())
        u, v = f0 - f1, f2 - f1
        with np.errstate(divide="ignore", invalid="ignore"):
            slope_u, slope_v = (a0 - a1) / u, (a2 - a1) / v
            bend = (slope_v - slope_u) / (v - u)
            vertex = f1 + 0.5 * (slope_u * v - slope_v * u) / ((v - u) * -bend)
        good = (bend < 0.0) & (vertex > f0) & (vertex < f2) & (vertex != f1)
        return np.where(good, vertex, np.inf)

    def _edges(self, left: Ints, right: Ints, limit: Floats, off: NDArray[np.bool_]) -> Floats:
        """Both edges (design, side), each closed in on from its bracket on the grid."""
        in_f, in_a = np.stack([self.at(left + 1), self.at(right - 1)], 2)
        out_f, out_a = np.stack([self.at(left), self.at(right)], 2)
        # sides without a bracket, whose carriers may be missing, stay as they are
        in_f, out_f = (np.where(off[:, None], 1.0, f) for f in (in_f, out_f))
        floor = limit[:, None]

        def guess() -> Floats:
            with np.errstate(divide="ignore", invalid="ignore"):
                share = (in_a - floor) / (in_a - out_a)
                return np.asarray(in_f + (out_f - in_f) * np.clip(share, 0.0, 1.0))

        edge = guess()
        open_ = np.broadcast_to(~off[:, None], edge.shape).copy()
        shrunk = np.ones(edge.shape, dtype=bool)
        for _ in range(PASSES):
            if not open_.any():
                break
            width = out_f - in_f
            share = np.clip((edge - in_f) / np.where(open_, width, 1.0), 0.02, 0.98)
            # around the secant's guess while that closes in fast, else in quarters (at a jump)
            near = np.stack(
                [np.maximum(share - 0.1, 0.01), share, np.minimum(share + 0.1, 0.99)], 2
            )
            part = np.where(shrunk[..., None], near, np.array([0.25, 0.5, 0.75]))
            probe = np.where(open_[..., None], in_f[..., None] + width[..., None] * part, np.inf)
            found = self.evaluate(probe.reshape(len(limit), -1)).reshape(probe.shape)
            f = np.concatenate([in_f[..., None], probe, out_f[..., None]], 2)
            a = np.concatenate([in_a[..., None], found, out_a[..., None]], 2)
            # first point outside, counted from the inside
            first = np.argmax(a < floor[..., None], axis=2)[..., None]
            pick = [np.take_along_axis(x, first - k, 2)[..., 0] for k in (1, 0) for x in (f, a)]
            in_f, in_a, out_f, out_a = (
                np.where(open_, new, old)
                for new, old in zip(pick, (in_f, in_a, out_f, out_a), strict=True)
            )
            before, edge = edge, np.where(open_, guess(), edge)
            with np.errstate(invalid="ignore"):
                shrunk = np.abs(out_f - in_f) < 0.26 * np.abs(width)
                moved = np.abs(edge - before) + 0.1 * np.abs(out_f - in_f)
                open_ &= ~(moved < EDGE_TOLERANCE * edge)
        return edge
