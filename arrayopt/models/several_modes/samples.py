"""Responses with several modes at more points than a sweep has (M7.20)."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Bools, Floats, Ints
from arrayopt.physics.numerics.compiled import kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.steady.harmonic_between import (
    BETWEEN,
    EXACT,
    FAILED,
    FOLD,
    FOUND,
    PAST,
    TURN,
    Tasks,
    solve_tasks,
)
from arrayopt.physics.steady.harmonic_kernel import Rows, cubic_weights

ROOM = 96
"""Points beside those of the first grid that room is made for at once."""
NOT_FOUND, TOO_MANY = 1, 2
PASSES = 16
"""Most times that folds are found while points are added."""


class Swept(NamedTuple):
    """What a sweep found, over its grid (arrays only)."""

    w: Floats  # (design, f) rad/s
    states: Floats  # (design, group, f, unknown)
    jumps: Floats  # (design, group, any) rad/s or nan
    transfer: NDArray[np.complex128]  # (design, group, f, mode) pressure over amplitude
    force: Floats  # (design, group, mode) that takes power, of all cells together [N]
    driven: Bools  # (design, group)


@kernel
def _sound(
    start: int,
    stop: int,
    design: Ints,
    place: Ints,
    swept: Swept,
    size: Floats,
    states: Floats,
    w: Floats,
    slot: Ints,
    amplitude: Floats,
    share: Floats,
) -> None:
    """Pressures at some places: of all groups together, and of each."""
    groups, m = swept.force.shape[1:]
    for k in range(start, stop):
        d, i = design[k], place[k]
        first, count, weights = cubic_weights(swept.w[d], w[d, i])
        total = 0.0j
        for g in range(groups):
            alone = 0.0j
            if swept.driven[d, g]:
                x = states[d, g, slot[d, i]]
                for j in range(m):
                    factor = 0.0j
                    for t in range(count):
                        factor += weights[t] * swept.transfer[d, g, first + t, j]
                    alone += factor * size[d, g, j] * complex(x[m + 2 * j], -x[m + 2 * j + 1])
            share[d, g, i] = abs(alone)
            total += alone
        amplitude[d, i] = abs(total)


class Points:
    """Points of the responses of some designs, ascending, and the states of all groups there."""

    def __init__(self, swept: Swept, rows: Rows, rising: bool) -> None:
        self.swept, self.rows, self.rising = swept, rows, rising
        designs, groups, count, _ = swept.states.shape
        self.size = rows.size.reshape(designs, groups, -1)
        self.known: Ints = np.full(designs, count)
        self.w: Floats = swept.w
        """(design, place), inf beyond the known ones; the state at place i is in slot[i]."""
        self.slot: Ints = np.tile(np.arange(count), (designs, 1))
        self.states: Floats = swept.states
        """(design, group, slot, unknown)."""
        self.exact: Bools = np.zeros((designs, groups, count), dtype=bool)
        """Solved to the end, not only as well as the sweep needs."""
        self.folds: Bools = np.zeros((designs, groups, count), dtype=bool)
        """The state is the fold itself."""
        self.amplitude: Floats = np.zeros((designs, count))
        self.share: Floats = np.zeros((designs, groups, count))
        self.flags = np.zeros(designs, dtype=np.int64)
        self._make_room(ROOM)
        everywhere = np.indices((designs, count)).reshape(2, -1)
        self._sound(everywhere[0], everywhere[1])

    def _make_room(self, more: int) -> None:
        def wider(x: Any, axis: int, fill: float) -> Any:
            widths = [(0, 0)] * x.ndim
            widths[axis] = (0, more)
            return np.pad(x, widths, constant_values=fill)

        self.w = wider(self.w, 1, np.inf)
        self.slot, self.amplitude = wider(self.slot, 1, 0), wider(self.amplitude, 1, 0.0)
        self.share, self.states = wider(self.share, 2, 0.0), wider(self.states, 2, 0.0)
        self.exact, self.folds = wider(self.exact, 2, 0), wider(self.folds, 2, 0)

    def _sound(self, design: Ints, place: Ints) -> None:
        spread(
            _sound, design.size, design, place, self.swept, self.size, self.states, self.w,
            self.slot, self.amplitude, self.share,
        )  # fmt: skip

    def places(self, design: Ints, w: Floats) -> Ints:
        """Numbers of points below w."""
        return np.asarray((self.w[design] < w[:, None]).sum(axis=1))

    def solve(self, kind: int, design: Ints, group: Ints, w: Floats) -> tuple[Ints, Floats, Floats]:
        """Answers to tasks, each of one group: code, frequency, state."""
        last = self.known[design] - 1
        place = self.places(design, w)
        if kind == EXACT:
            old = before = after = place
        elif self.rising:
            old, before, after = np.maximum(place - 2, 0), place - 1, place
        else:
            old, before, after = np.minimum(place + 1, last), place, place - 1
        at_old, at_before, at_after = (self.slot[design, i] for i in (old, before, after))
        return self.answer(
            Tasks(
                np.full(design.size, kind),
                design * self.size.shape[1] + group,
                w,
                self.w[design, old],
                self.w[design, before],
                self.w[design, after],
                self.states[design, group, at_old],
                self.states[design, group, at_before],
                self.states[design, group, at_after],
                self.folds[design, group, at_after],
                self.exact[design, group, at_old]
                & self.exact[design, group, at_before]
                & self.exact[design, group, at_after],
            )
        )

    def answer(self, tasks: Tasks) -> tuple[Ints, Floats, Floats]:
        """Code, frequency and state of every task."""
        code, found = np.zeros(tasks.w.size, dtype=np.int64), np.zeros(tasks.w.size)
        state = np.zeros(tasks.before.shape)
        spread(solve_tasks, code.size, self.rows, tasks, code, found, state)
        return code, found, state

    def flag(self, design: Ints, flag: int) -> None:
        """Note what went wrong."""
        np.bitwise_or.at(self.flags, design, flag)

    def polish(self, design: Ints, group: Ints, place: Ints) -> bool:
        """Solve states of the sweep to the end; whether there were any that were not yet."""
        slot = self.slot[design, place]
        todo = ~self.exact[design, group, slot] & self.swept.driven[design, group]
        if not todo.any():
            return False
        design, group, place, slot = (x[todo] for x in (design, group, place, slot))
        code, _, state = self.solve(EXACT, design, group, self.w[design, place])
        good = code == FOUND
        self.flag(design[~good], NOT_FOUND)
        self.exact[design, group, slot] = True
        self.states[design[good], group[good], slot[good]] = state[good]
        self._sound(design, place)
        return True

    def polish_all(self, design: Ints, place: Ints) -> bool:
        """The same for every group."""
        groups, width = self.size.shape[1], self.w.shape[1]
        design, place = np.divmod(np.unique(design * width + place), width)
        return self.polish(
            np.repeat(design, groups),
            np.tile(np.arange(groups), design.size),
            np.repeat(place, groups),
        )

    def add_jumps(self) -> None:
        """Add both sides of the jumps that the sweep noticed."""
        noticed = np.isfinite(self.swept.jumps) & self.swept.driven[..., None]
        design, group, _ = np.nonzero(noticed)
        w = self.swept.jumps[noticed]
        place = self.places(design, w)
        inside = (place > 0) & (place < self.known[design])
        design, group, w = design[inside], group[inside], w[inside]
        code, at, state = self.solve(TURN, design, group, w)
        fold = code == FOLD
        self.flag(design[code == FAILED], NOT_FOUND)
        self._add(*self._sides(design[fold], group[fold], at[fold], state[fold]))

    def add(self, design: Ints, w: Floats) -> None:
        """Add points, and the folds met on the way."""
        nothing = np.zeros((w.size, self.states.shape[-1]))
        self._add(design, w, np.full(w.size, -1), np.zeros(w.size, dtype=bool), nothing)

    def _sides(
        self, design: Ints, group: Ints, w: Floats, state: Floats
    ) -> tuple[Ints, Floats, Ints, Bools, Floats]:
        """Points on both sides of folds, as `_add` takes them."""
        code, past, other = self.solve(PAST, design, group, w)
        good = code == FOUND
        self.flag(design[~good], NOT_FOUND)
        both = np.concatenate
        return (
            np.tile(design[good], 2),
            both([w[good], past[good]]),
            np.tile(group[good], 2),
            np.arange(2 * good.sum()) < good.sum(),
            both([state[good], other[good]]),
        )

    def _add(self, design: Ints, w: Floats, owner: Ints, turns: Bools, own: Floats) -> None:
        """Points of which the state of group ``owner`` (-1: none) is known, a fold if ``turns``."""
        for _ in range(PASSES):
            if w.size == 0:
                return
            place = self.places(design, w)
            fresh = (place > 0) & (place < self.known[design]) & (self.w[design, place] != w)
            _, first = np.unique(np.stack([design, w]), axis=1, return_index=True)
            fresh[np.setdiff1d(np.arange(w.size), first)] = False
            design, w, owner, turns, own = (x[fresh] for x in (design, w, owner, turns, own))
            groups = np.arange(self.size.shape[1])
            item, group = np.nonzero(self.swept.driven[design] & (groups != owner[:, None]))
            code, at, state = self.solve(BETWEEN, design[item], group, w[item])
            states = np.zeros((w.size, groups.size, own.shape[1]))
            states[item, group] = state
            owned = np.flatnonzero(owner >= 0)
            states[owned, owner[owned]] = own[owned]
            self.flag(design[item[code == FAILED]], NOT_FOUND)
            complete = np.ones(w.size, dtype=bool)
            complete[item[code != FOUND]] = False
            lost = np.zeros(w.size, dtype=bool)
            lost[item[code == FAILED]] = True
            folds = np.flatnonzero(code == FOLD)
            row = design[item[folds]] * groups.size + group[folds]
            folds = folds[np.unique(row, return_index=True)[1]]
            new = self._sides(design[item[folds]], group[folds], at[folds], state[folds])
            again = ~complete & ~lost & (owner >= 0)  # another group's fold must not be lost
            self._insert(
                design[complete], w[complete], owner[complete], turns[complete], states[complete]
            )
            kept = (x[again] for x in (design, w, owner, turns, own))
            design, w, owner, turns, own = (np.concatenate(x) for x in zip(new, kept, strict=True))
        self.flag(design, TOO_MANY)

    def _insert(self, design: Ints, w: Floats, owner: Ints, turns: Bools, states: Floats) -> None:
        """Sort points in."""
        if w.size == 0:
            return
        order = np.argsort(design, kind="stable")
        design, w, owner = design[order], w[order], owner[order]
        turns, states = turns[order], states[order]
        number = np.arange(w.size) - np.searchsorted(design, design)
        slot = self.known[design] + number
        if slot.max() >= self.w.shape[1]:
            self._make_room(max(ROOM, int(slot.max()) - self.w.shape[1] + 1))
        self.states[design, :, slot] = states
        self.exact[design, :, slot] = True
        turning = np.flatnonzero(turns)
        self.folds[design[turning], owner[turning], slot[turning]] = True
        self.w[design, slot], self.slot[design, slot] = w, slot
        np.add.at(self.known, design, 1)
        for d in np.unique(design):
            order = np.argsort(self.w[d], kind="stable")
            for x in (self.w, self.slot, self.amplitude):
                x[d] = x[d, order]
            self.share[d] = self.share[d][:, order]
        self._sound(design, self.places(design, w))
