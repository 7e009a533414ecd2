"""Slow sweeps of chips on a graphics card (M12.1 to M12.6): a block takes some chips of a design.

A thread takes one cell of `CHIPS` chips; the coupling matrix and the states of the block's chips
lie in shared memory. One more warp listens: it adds up what reaches the target. Coefficients are
the processor's own functions, its step is `formulas.make_move`.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, NamedTuple

import numba
import numpy as np
from numba import config as numba_config
from numba import cuda as numba_cuda

from arrayopt.physics.intime import formulas
from arrayopt.physics.intime.flow_kernel import (
    COEFFICIENTS,
    ChipArrays,
    alone,
    cell_row,
    neck_row,
    weight_term,
)
from arrayopt.physics.intime.sweep_kernel import BLOCK, SEGMENT, STEPS, Sweeps, window_row
from arrayopt.physics.sound.pair import pair_term, paths, strengths

cuda: Any = numba_cuda  # without types
config: Any = numba_config
config.CUDA_LOW_OCCUPANCY_WARNINGS = 0  # small launches run side by side

CHIPS = 4
"""Chips of a thread."""
WARP = 32


SIMULATED = bool(config.ENABLE_CUDASIM)
"""Whether numba's simulator stands in for a card; it knows neither registers nor alignment."""
ALIGNMENT = None if SIMULATED else 16
"""Bytes: two or four numbers are read at once."""


class Shape(NamedTuple):
    """How the threads of a block are laid out; all that a kernel is compiled for."""

    single: bool
    cells: int
    groups: int
    """Threads a cell."""
    held: bool
    """Whether the coupling matrix lies in shared memory."""
    registers: int
    """Most registers a thread."""

    @property
    def chips(self) -> int:
        """Of a block."""
        return self.groups * CHIPS

    @property
    def listener(self) -> int:
        """First thread of those that listen."""
        return -(-self.cells * self.groups // WARP) * WARP

    @property
    def threads(self) -> int:
        """Of a block."""
        return self.listener + -(-self.chips // WARP) * WARP

    @property
    def kind(self) -> type:
        """Of the numbers."""
        return np.float32 if self.single else np.float64

    @property
    def stride(self) -> int:
        """Numbers of a cell's states, and 16 bytes more: a warp's cells lie in different banks."""
        return 2 * self.chips + 16 // np.dtype(self.kind).itemsize

    @property
    def shared(self) -> int:
        """Bytes in shared memory: states, weights and the matrix."""
        matrix = 2 * self.cells if self.held else 0
        return self.cells * (self.stride + 2 + matrix) * np.dtype(self.kind).itemsize

    @property
    def spare(self) -> int:
        """Numbers of a block in the card's memory: coefficients at both ends, sums, the matrix."""
        return 6 * self.cells**2 + self.cells * (4 + (2 * COEFFICIENTS + 3) * self.chips)


@lru_cache(maxsize=8)
def make_sweep(shape: Shape) -> Any:
    """Compile the kernel: a block an item, whose chips' rows begin at ``base``.

    Its arguments: `ChipArrays`, `Sweeps`, first item, ``base`` (row of the first chip kept), rooms
    of a block in the card's memory (block, `Shape.spare`) and (block, float64), and `Records` with
    designs and chips as rows.
    """
    device = cuda.jit(device=True)

    @device
    def fma(a: Any, b: Any, c: Any) -> Any:
        return cuda.fma(a, b, c)

    move = device(formulas.make_move(fma, device))
    N, W, groups, held = shape.cells, shape.chips, shape.groups, shape.held
    threads, listener = shape.threads, shape.listener
    real = numba.float32 if shape.single else numba.float64
    T = shape.kind
    stride, states, workers = shape.stride, N * shape.stride, N * groups
    rows_at = 4 * N * N
    weights_at = rows_at + 2 * COEFFICIENTS * CHIPS * workers
    sums_at = weights_at + 4 * N
    matrices = sums_at + 3 * N * W
    pairs, quads, all_rows = 2 * CHIPS, 4 * CHIPS, COEFFICIENTS * CHIPS
    # unsigned: numba looks at every signed index for whether it counts from the end
    one, two, each, n, wide, row_of, entries, step = (
        np.uint64(value) for value in (1, 2, CHIPS, N, W, stride, 2 * N * N, threads)
    )

    @device
    def blend(before: Any, after: Any, share: Any) -> Any:
        return before + share * (after - before)

    @cuda.jit(**({} if SIMULATED else {"max_registers": shape.registers}))
    def sweep(
        a: Any,
        s: Any,
        begin: Any,
        base: Any,
        rooms: Any,
        tables: Any,
        volume: Any,
        beat: Any,
        unrest: Any,
        power: Any,
        deflection: Any,
        settled: Any,
    ) -> None:
        shared = cuda.shared.array(0, real, ALIGNMENT)
        x, weight = shared[:states], shared[states : states + 2 * N]
        room, table = rooms[cuda.blockIdx.x], tables[cuda.blockIdx.x]
        matrix = shared[states + 2 * N :] if held else room[matrices:]
        terms, path = table[:N], table[N:]
        me = cuda.threadIdx.x
        works, i, group = me < workers, me % N, me // N
        lane = me - listener
        listens = 0 <= lane < W
        start, place, ear = np.uint64(me), np.uint64(i), np.uint64(max(lane, 0))
        mine = np.uint64(group) * each
        d, first = s.design[begin + cuda.blockIdx.x], s.chip[begin + cuda.blockIdx.x]
        chips = a.mass.shape[1]
        h, dw, hold = s.step[d], s.advance[d], s.hold[d]
        push = cuda.local.array(pairs, real)
        sums = cuda.local.array(quads, real)
        cell = cuda.local.array(all_rows, real)
        y = cuda.local.array(pairs, real)
        mean_re = mean_im = square = known = T(0.0)
        window = taken = 0
        now = 0  # which of the two ends of a segment is the newer
        for q in range(CHIPS):
            push[2 * q] = push[2 * q + 1] = T(0.0)
        for segment in range(-1, hold + s.segments[d]):
            moving = segment >= hold
            if moving or segment < 0:
                now = 1 - now
                w = s.start[d] + max(segment - hold + 1, 0) * STEPS * dw
                wave = w / a.sound_speed
                factor = -w * w * a.density * a.coupling[d]
                for k in range(me, N, threads):
                    own = slice(k, k + 1)
                    strengths(a.nominal[d, own], a.transform[d, own], wave, terms[own])
                    re, im = weight_term(a, d, k, w)
                    at = weights_at + 2 * (now * N + k)
                    room[at], room[at + 1] = T(re), T(im)
                for k in range(me, a.distance.size, threads):
                    own = slice(k, k + 1)
                    paths(a.distance[own], a.scale[d], wave, factor, path[own])
                cuda.syncthreads()
                for e in range(me, N * N, threads):
                    row, column = e % N, e // N
                    re = im = 0.0
                    if row != column:
                        re, im = pair_term(terms, row, column, 1.0, path[a.pair[row, column]])
                    at = 2 * (now * N * N + e)
                    room[at], room[at + 1] = T(re), T(im)
                if works:
                    neck = neck_row(a, w)
                    for q in range(CHIPS):
                        c = min(first + group * CHIPS + q, chips - 1)
                        new_row = cell_row(a, d, c, i, w, h, neck)
                        at = rows_at + (now * CHIPS + q) * COEFFICIENTS * workers + me
                        for k in range(COEFFICIENTS):
                            room[at + k * workers] = T(new_row[k])
            if segment < 0:
                if works:
                    for q in range(CHIPS):
                        at = rows_at + (now * CHIPS + q) * COEFFICIENTS * workers + me
                        re, im = alone(
                            room[at],
                            room[at + workers],
                            room[at + 3 * workers],
                            room[at + 4 * workers],
                        )
                        lot = place * row_of + mine + np.uint64(q)
                        x[lot], x[lot + wide] = re, im
                continue
            if segment == hold:
                mean_re = mean_im = square = T(0.0)
            if segment <= hold:
                for k in range(4 * CHIPS):
                    sums[k] = T(0.0)
            old = 1 - now if moving else now
            for b in range(SEGMENT):
                share = T((b + 0.5) / SEGMENT)
                cuda.syncthreads()
                was, to = np.uint64(old) * entries, np.uint64(now) * entries
                for e in range(start, entries, step):
                    matrix[e] = blend(room[was + e], room[to + e], share)
                for e in range(me, 2 * N, threads):
                    at = weights_at + e
                    weight[e] = blend(room[at + 2 * old * N], room[at + 2 * now * N], share)
                if works:
                    at = rows_at + me
                    for k in range(COEFFICIENTS * CHIPS):
                        cell[k] = blend(
                            room[at + (old * COEFFICIENTS * CHIPS + k) * workers],
                            room[at + (now * COEFFICIENTS * CHIPS + k) * workers],
                            share,
                        )
                cuda.syncthreads()
                for k in range(BLOCK):
                    if works:
                        for q in range(2 * CHIPS):
                            y[q] = T(0.0)
                        for j in range(n):
                            entry = two * (j * n + place)
                            re, im = matrix[entry], matrix[entry + one]
                            there = j * row_of + mine
                            for q in range(CHIPS):
                                lot = there + np.uint64(q)
                                far_re, far_im = x[lot], x[lot + wide]
                                part = fma(re, far_re, y[2 * q])
                                y[2 * q] = fma(-im, far_im, part)
                                part = fma(re, far_im, y[2 * q + 1])
                                y[2 * q + 1] = fma(im, far_re, part)
                    if listens:
                        u_re = u_im = T(0.0)
                        for j in range(n):
                            to_re, to_im = weight[two * j], weight[two * j + one]
                            lot = j * row_of + ear
                            re, im = x[lot], x[lot + wide]
                            u_re += fma(to_re, re, -(to_im * im))
                            u_im += fma(to_re, im, to_im * re)
                        mean_re += u_re
                        mean_im += u_im
                        square += fma(u_re, u_re, u_im * u_im)
                    cuda.syncthreads()
                    if works:
                        shift = T(-(k + 0.5 - 0.5 * BLOCK) * h * dw) if moving else T(0.0)
                        for q in range(CHIPS):
                            lot = place * row_of + mine + np.uint64(q)
                            new, pushed, size, way, power_in = move(
                                T,
                                (x[lot], x[lot + wide]),
                                (y[2 * q], y[2 * q + 1]),
                                (
                                    cell[COEFFICIENTS * q],
                                    cell[COEFFICIENTS * q + 1],
                                    cell[COEFFICIENTS * q + 2],
                                    cell[COEFFICIENTS * q + 3],
                                    cell[COEFFICIENTS * q + 4],
                                    cell[COEFFICIENTS * q + 5],
                                    cell[COEFFICIENTS * q + 6],
                                ),
                                shift,
                                (push[2 * q], push[2 * q + 1]),
                                known,
                            )
                            x[lot], x[lot + wide] = new
                            push[2 * q], push[2 * q + 1] = pushed
                            sums[4 * q] += way
                            sums[4 * q + 1] += size
                            sums[4 * q + 2] += power_in
                            sums[4 * q + 3] = max(sums[4 * q + 3], size)
                    known = T(1.0)
                    cuda.syncthreads()
                taken += 1
                if moving and taken == s.blocks[d]:
                    if works:
                        for q in range(CHIPS):
                            at = sums_at + i * W + group * CHIPS + q
                            for k in range(3):
                                room[at + k * N * W] = sums[4 * q + k]
                                sums[4 * q + k] = T(0.0)
                    cuda.syncthreads()
                    if listens and first + lane < chips:
                        way = size = power_in = T(0.0)
                        for j in range(N):
                            at = sums_at + j * W + lane
                            way += room[at]
                            size += room[at + N * W]
                            power_in += room[at + 2 * N * W]
                        row = d * chips + first + lane - base
                        mean = (mean_re, mean_im, square)
                        heard = window_row(mean, way, size, power_in, BLOCK * taken, h)
                        volume[row, window], beat[row, window] = heard[0], heard[1]
                        unrest[row, window], power[row, window] = heard[2], heard[3]
                    mean_re = mean_im = square = T(0.0)
                    window += 1
                if not moving or taken == s.blocks[d]:
                    taken = 0
        if listens and first + lane < chips:
            row = d * chips + first + lane - base
            for k in range(window, beat.shape[1]):
                volume[row, k] = complex(np.nan, np.nan)
                beat[row, k] = unrest[row, k] = power[row, k] = np.nan
        if works:
            for q in range(CHIPS):
                c = first + group * CHIPS + q
                if c < chips:
                    row, size = d * chips + c - base, a.strength[d, c, i]
                    lot = place * row_of + mine + np.uint64(q)
                    deflection[row, i] = math.sqrt(sums[4 * q + 3]) / size
                    settled[row, i] = complex(x[lot], x[lot + wide]) / size

    return sweep


def shared_limit() -> int:
    """Bytes of shared memory that a block may have."""
    if SIMULATED:
        return 2**16
    return int(cuda.get_current_device().MAX_SHARED_MEMORY_PER_BLOCK_OPTIN)


class Launch:
    """A batch on the card, whose items are started in parts, each in a lot of its own memory."""

    def __init__(self, shape: Shape, arrays: ChipArrays, sweeps: Sweeps, windows: int) -> None:
        self.shape, self.windows = shape, windows
        self.pairs = arrays.distance.size
        self.arrays, self.sweeps = (
            type(given)(*(self._moved(value) for value in given)) for given in (arrays, sweeps)
        )

    @staticmethod
    def _moved(value: Any) -> Any:
        return cuda.to_device(value) if isinstance(value, np.ndarray) else value

    def records(self, rows: int, empty: Any) -> list[Any]:
        """Room for `Records`, designs and chips as rows, made by ``empty``."""
        along, each = (rows, self.windows), (rows, self.shape.cells)
        kinds = [(along, complex), *[(along, float)] * 3, (each, float), (each, complex)]
        return [empty(size, np.dtype(kind)) for size, kind in kinds]

    def lot(self, items: int) -> tuple[Any, list[Any], list[Any]]:
        """A stream with the rooms and the records of so many items."""
        shape = self.shape
        rooms = cuda.device_array((items, shape.spare), np.dtype(shape.kind))
        tables = cuda.device_array((items, shape.cells + self.pairs, 6), np.float64)
        return cuda.stream(), [rooms, tables], self.records(items * shape.chips, cuda.device_array)

    def start(self, lot: tuple[Any, list[Any], list[Any]], items: slice, base: int) -> None:
        """Start items, the first of which begins at row ``base`` of the batch; returns at once."""
        stream, rooms, found = lot
        given = (self.arrays, self.sweeps, items.start, base, *rooms, *found)
        sweep = _allowed(make_sweep(self.shape), given, self.shape.shared)
        sweep[items.stop - items.start, self.shape.threads, stream, self.shape.shared](*given)

    @staticmethod
    def collect(lot: tuple[Any, list[Any], list[Any]], into: list[Any], rows: slice) -> None:
        """Wait for what was started in a lot, and copy what it found to rows of the batch."""
        stream, _, found = lot
        for value, there in zip(found, into, strict=True):
            value[: rows.stop - rows.start].copy_to_host(there[rows], stream=stream)
        stream.synchronize()


def _allowed(kernel: Any, given: tuple[Any, ...], size: int) -> Any:
    """The kernel for such arguments, allowed more shared memory than the 48 KiB of old."""
    if SIMULATED:
        return kernel
    from numba.cuda.cudadrv import driver as numba_driver

    cards: Any = numba_driver
    ready = kernel.specialize(*given)
    function = next(iter(ready.overloads.values()))._codelibrary.get_cufunc()
    most = cards.binding.CUfunction_attribute.CU_FUNC_ATTRIBUTE_MAX_DYNAMIC_SHARED_SIZE_BYTES
    cards.driver.cuKernelSetAttribute(most, size, function.handle, function.device.id)
    return ready
