"""Largest excursion and power along responses with several modes (M7.21)."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from arrayopt.base.arrays import Bools, Floats, Ints
from arrayopt.models.several_modes.samples import Points
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.steady.harmonic_between import BETWEEN, FOUND, Tasks

RIVALS = 0.995
"""Points that are largest among their neighbours and this near the largest may hide a larger."""
CLIMB = 12
"""Most steps towards a largest value."""
GAIN = 1e-9
"""Of a largest value: what a step must promise."""
POLISHES = 6
TRIAL = 3


class _Brackets(NamedTuple):
    """Three points about largest values, ascending, and a fourth on trial."""

    design: Ints  # (bracket,)
    of: Bools  # (bracket, group) whose values are added up
    power: bool
    w: Floats  # (bracket, 4) rad/s
    value: Floats  # (bracket, 4)
    states: Floats  # (bracket, group, 4, unknown)
    folds: Bools  # (bracket, group, 4)
    end: Ints  # (bracket,) which of them is a fold, beside which values change as a root; 1: none
    phase: Ints  # (bracket,) 0, 1 where the fold itself may be the largest, 2 where it is not


def largest(points: Points) -> tuple[Floats, Floats]:
    """Largest excursions of the centre (design, group) [m] and powers of all groups (design,) [W].

    Between points by parabolas, over the root of the distance where a fold ends a branch.
    """
    designs, groups = points.swept.driven.shape
    each = np.indices((designs, groups)).reshape(2, -1)
    driven = points.swept.driven.ravel()
    alone = np.eye(groups, dtype=bool)
    deflection = np.zeros(designs * groups)
    deflection[driven] = _largest(points, each[0][driven], alone[each[1][driven]], power=False)
    power = _largest(points, np.arange(designs), points.swept.driven, power=True)
    return deflection.reshape(designs, groups), power


@inner
def _value(x: Floats, size: Floats, force: Floats, w: float, power: bool) -> float:
    """Power taken [W], or excursion of the centre [m], in one state of a group."""
    m = size.size
    taken, real, imaginary, shift = 0.0, 0.0, 0.0, 0.0
    for i in range(m):
        cos, sin = size[i] * x[m + 2 * i], size[i] * x[m + 2 * i + 1]
        taken += force[i] * sin
        real += cos
        imaginary += sin
        shift += size[i] * x[i]
    return 0.5 * w * taken if power else math.hypot(real, imaginary) + abs(shift)


@kernel
def _at_places(
    start: int,
    stop: int,
    design: Ints,
    of: Bools,
    power: bool,
    place: Ints,
    w: Floats,
    slot: Ints,
    states: Floats,
    size: Floats,
    force: Floats,
    out: Floats,
) -> None:
    """Sums of values over groups at some places (row, any) of `Points`; -1 for places of -1."""
    for row in range(start, stop):
        d = design[row]
        for k in range(place.shape[1]):
            i = place[row, k]
            out[row, k] = -1.0 if i < 0 else 0.0
            for g in range(of.shape[1]):
                if i >= 0 and of[row, g]:
                    x = states[d, g, slot[d, i]]
                    out[row, k] += _value(x, size[d, g], force[d, g], w[d, i], power)


def _values(points: Points, design: Ints, of: Bools, power: bool, place: Ints) -> Floats:
    """Excursion [m] or power [W] (row, any), of the groups ``of`` at places (row, any)."""
    out = np.zeros(place.shape)
    spread(
        _at_places, design.size, design, of, power, place, points.w, points.slot, points.states,
        points.size, points.swept.force, out,
    )  # fmt: skip
    return out


def _trials(points: Points, b: _Brackets) -> Floats:
    """The same of the states on trial."""
    row = np.arange(b.design.size)
    out = np.zeros((row.size, 1))
    spread(
        _at_places, row.size, row, b.of, b.power, np.full((row.size, 1), TRIAL), b.w,
        np.tile(np.arange(4), (row.size, 1)), b.states, points.size[b.design],
        points.swept.force[b.design], out,
    )  # fmt: skip
    return out[:, 0]


def _largest(points: Points, design: Ints, of: Bools, *, power: bool) -> Floats:
    """Largest values of rows, each of one design and some of its groups."""
    rows = np.arange(design.size)
    if rows.size == 0:
        return np.zeros(0)
    index = np.arange(points.w.shape[1])
    everywhere = np.where(index < points.known[design, None], index, -1)
    values = _values(points, design, of, power, everywhere)
    for _ in range(POLISHES):
        top = values.argmax(axis=1)
        place = np.clip(top[:, None] + np.arange(-1, 2), 0, points.known[design, None] - 1)
        row, group = np.nonzero(of)
        some = points.polish(np.repeat(design[row], 3), np.repeat(group, 3), place[row].ravel())
        if not some:
            break
        values[rows[:, None], place] = _values(points, design, of, power, place)
    best = values.max(axis=1)
    inner = values[:, 1:-1]
    rival = (inner >= values[:, :-2]) & (inner >= values[:, 2:]) & (values[:, 2:] >= 0.0)
    row, place = np.nonzero(rival & (inner > RIVALS * best[:, None]))
    climbed = _climb(points, _brackets(points, design[row], of[row], place + 1, power))
    np.maximum.at(best, row, climbed)
    return best


def _brackets(points: Points, design: Ints, of: Bools, place: Ints, power: bool) -> _Brackets:
    """About places that are larger than their neighbours."""
    folds = np.stack(
        [
            (points.folds[design, :, points.slot[design, place + k]] & of).any(axis=1)
            for k in (-1, 0, 1)
        ]
    )
    after, before = (2, 0) if points.rising else (0, 2)
    end = np.where(folds[1] | folds[after], after, 1)
    phase = np.where(folds[1], 0, 2)
    places = place[:, None] + np.arange(-1, 2)
    # where the branch ends at the place, the middle one of the three comes first
    places[folds[1], after] = place[folds[1]]
    places[folds[1], 1] = places[folds[1], before]
    slot = points.slot[design[:, None], places]
    states = points.states[design[:, None], :, slot].swapaxes(1, 2)
    turned = points.folds[design[:, None], :, slot].swapaxes(1, 2)
    w = points.w[design[:, None], places]
    value = _values(points, design, of, power, places)

    def wider(x: Any, axis: int) -> Any:
        return np.ascontiguousarray(np.concatenate([x, x.take([0], axis)], axis))

    return _Brackets(
        design,
        of,
        power,
        wider(w, 1),
        wider(value, 1),
        wider(states, 2),
        wider(turned, 2),
        end,
        phase,
    )


def _climb(points: Points, b: _Brackets) -> Floats:
    """Largest values inside the brackets."""
    every = np.arange(b.design.size)
    fold = b.w[every, b.end]
    sign = (b.end - 1.0)[:, None]
    active = np.ones(b.design.size, dtype=bool)
    for _ in range(CLIMB):
        # in which values are smooth: the root of the distance to the fold
        away = b.w[:, :3] - fold[:, None]
        u = np.where(sign == 0.0, away, -sign * np.sqrt(np.maximum(-sign * away, 0.0)))
        with np.errstate(divide="ignore", invalid="ignore"):
            at, bend = _vertex(u, b.value)
            inside = (bend < 0.0) & (u[:, 0] < at) & (at < u[:, 2])
            near_fold = (0.02 * np.abs(u[:, 1]) < np.abs(at)) & (np.abs(at) < np.abs(u[:, 1]))
            gains = -bend * (at - u[:, 1]) ** 2 > GAIN * b.value[:, 1]
        wanted = inside & np.where(b.phase == 1, near_fold, gains) | (b.phase == 0)
        active &= wanted
        at = np.where(b.phase == 0, 0.5 * (u[:, 0] + u[:, 2]), np.where(active, at, u[:, 1]))
        low = np.where((b.phase == 0) | (at < u[:, 1]), 0, 1)
        high = np.where(b.phase == 0, 2, low + 1)
        w = np.where(b.end == 1, fold + at, fold - (b.end - 1.0) * at * at)
        active &= (b.w[every, low] < w) & (w < b.w[every, high])
        b.w[:, TRIAL] = w
        active &= _solve(points, b, active, low, high)
        if not active.any():
            break
        value = _trials(points, b)
        b.value[:, TRIAL] = value
        at_end = b.value[every, b.end]
        started = active & (b.phase == 0)
        before_fold = active & (b.phase == 1)
        usual = active & (b.phase == 2)
        active &= ~(before_fold & (value < at_end))
        before_fold &= active
        better = usual & (value > b.value[:, 1])
        _move(b, before_fold, np.ones_like(low), 2 - b.end)
        _move(b, better, np.ones_like(low), 2 - 2 * low)
        into = np.where(usual & ~better, 2 * low, 1)
        _move(b, active, np.full_like(low, TRIAL), into)
        b.phase[before_fold] = 2
        b.phase[started] = np.where(value < at_end, 1, 2)[started]
    return np.asarray(np.maximum(b.value[:, 1], b.value[every, b.end]))


def _vertex(u: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Where the parabola through three values peaks, and its bend."""
    a, c = u[:, 0] - u[:, 1], u[:, 2] - u[:, 1]
    slope_a, slope_c = (value[:, 0] - value[:, 1]) / a, (value[:, 2] - value[:, 1]) / c
    bend = (slope_c - slope_a) / (c - a)
    return u[:, 1] - 0.5 * (slope_a * c - slope_c * a) / ((c - a) * bend), bend


def _move(b: _Brackets, which: Bools, source: Ints, to: Ints) -> None:
    """Copy one of the four points of some brackets to another."""
    row = np.flatnonzero(which)
    source, to = source[row], to[row]
    for x in (b.w, b.value):
        x[row, to] = x[row, source]
    b.states[row, :, to] = b.states[row, :, source]
    b.folds[row, :, to] = b.folds[row, :, source]


def _solve(points: Points, b: _Brackets, active: Bools, low: Ints, high: Ints) -> Bools:
    """States of the trials; which were found."""
    row, group = np.nonzero(b.of & active[:, None])
    before, after = (low[row], high[row]) if points.rising else (high[row], low[row])
    w, state = b.w[row, before], b.states[row, group, before]
    code, _, found = points.answer(
        Tasks(
            np.full(row.size, BETWEEN),
            b.design[row] * b.of.shape[1] + group,
            b.w[row, TRIAL],
            w,
            w,
            b.w[row, after],
            state,
            state,
            b.states[row, group, after],
            b.folds[row, group, after],
            np.zeros(row.size, dtype=bool),
        )
    )
    b.states[row, group, TRIAL] = found
    b.folds[row, group, TRIAL] = False
    good = np.ones(active.size, dtype=bool)
    good[row[code != FOUND]] = False
    return good
