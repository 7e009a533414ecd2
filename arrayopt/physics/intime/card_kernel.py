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
    BLOCK,
    SEGMENT,
    STEPS,
    ChipArrays,
    Records,
    Sweeps,
    alone,
    cell_row,
    neck_row,
    weight_term,
    window_row,
)
from arrayopt.physics.sound.pair import pair_term, paths, strengths

cuda: Any = numba_cuda  # without types
config: Any = numba_config

CHIPS = 4
"""Chips of a thread."""
WARP = 32
ROWS = 7
"""Numbers of `cell_row`."""


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
    def shared(self) -> int:
        """Numbers in shared memory: states, weights and the matrix."""
        matrix = 2 * self.cells**2 if self.held else 0
        return matrix + 2 * self.cells * (self.chips + 1)

    @property
    def spare(self) -> int:
        """Numbers of a block in the card's memory: coefficients at both ends, sums, the matrix."""
        return 6 * self.cells**2 + self.cells * (4 + (2 * ROWS + 3) * self.chips)


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
    states, workers = 2 * N * W, N * groups
    rows_at = 4 * N * N
    weights_at = rows_at + 2 * ROWS * CHIPS * workers
    sums_at = weights_at + 4 * N
    matrices = sums_at + 3 * N * W
    pairs, quads, all_rows = 2 * CHIPS, 4 * CHIPS, ROWS * CHIPS
    # unsigned: numba looks at every signed index for whether it counts from the end
    one, two, each, n, wide, entries, step = (
        np.uint64(value) for value in (1, 2, CHIPS, N, W, 2 * N * N, threads)
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
                        at = rows_at + (now * CHIPS + q) * ROWS * workers + me
                        for k in range(ROWS):
                            room[at + k * workers] = T(new_row[k])
            if segment < 0:
                if works:
                    for q in range(CHIPS):
                        at = rows_at + (now * CHIPS + q) * ROWS * workers + me
                        re, im = alone(
                            room[at],
                            room[at + workers],
                            room[at + 3 * workers],
                            room[at + 4 * workers],
                        )
                        x[2 * i * W + group * CHIPS + q] = re
                        x[(2 * i + 1) * W + group * CHIPS + q] = im
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
                    for k in range(ROWS * CHIPS):
                        cell[k] = blend(
                            room[at + (old * ROWS * CHIPS + k) * workers],
                            room[at + (now * ROWS * CHIPS + k) * workers],
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
                            there = two * j * wide + mine
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
                            lot = two * j * wide + ear
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
                            lot = two * place * wide + mine + np.uint64(q)
                            new, pushed, size, way, power_in = move(
                                T,
                                (x[lot], x[lot + wide]),
                                (y[2 * q], y[2 * q + 1]),
                                (
                                    cell[ROWS * q],
                                    cell[ROWS * q + 1],
                                    cell[ROWS * q + 2],
                                    cell[ROWS * q + 3],
                                    cell[ROWS * q + 4],
                                    cell[ROWS * q + 5],
                                    cell[ROWS * q + 6],
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
        if works:
            for q in range(CHIPS):
                c = first + group * CHIPS + q
                if c < chips:
                    row, size = d * chips + c - base, a.strength[d, c, i]
                    at = 2 * i * W + group * CHIPS + q
                    deflection[row, i] = math.sqrt(sums[4 * q + 3]) / size
                    settled[row, i] = complex(x[at], x[at + W]) / size

    return sweep


def shared_limit() -> int:
    """Bytes of shared memory that a block may have."""
    if SIMULATED:
        return 2**16
    return int(cuda.get_current_device().MAX_SHARED_MEMORY_PER_BLOCK_OPTIN)


class Launch:
    """A batch on the card, whose items are started in parts."""

    def __init__(self, shape: Shape, arrays: ChipArrays, sweeps: Sweeps, windows: int) -> None:
        self.shape, self.windows = shape, windows
        self.pairs = arrays.distance.size
        self.arrays, self.sweeps = (
            type(given)(*(self._moved(value) for value in given)) for given in (arrays, sweeps)
        )
        one = self.records(1, np.empty)
        self.row_bytes = sum(value.nbytes for value in one)

    @staticmethod
    def _moved(value: Any) -> Any:
        return cuda.to_device(value) if isinstance(value, np.ndarray) else value

    def records(self, rows: int, empty: Any) -> Records:
        """Room for records, designs and chips as rows, made by ``empty``."""
        along, each = (rows, self.windows), (rows, self.shape.cells)
        kinds = [(along, complex), *[(along, float)] * 3, (each, float), (each, complex)]
        return Records(*(empty(size, np.dtype(kind)) for size, kind in kinds))

    def start(self, begin: int, stop: int, base: int, end: int) -> tuple[Any, Records, int]:
        """Items begin..stop, whose chips are rows base..end of the batch; returns at once."""
        shape, kind = self.shape, np.dtype(self.shape.kind)
        stream, blocks = cuda.stream(), stop - begin
        rooms = cuda.device_array((blocks, shape.spare), kind)
        tables = cuda.device_array((blocks, shape.cells + self.pairs, 6), np.float64)
        found = self.records(end - base, cuda.device_array)
        size = shape.shared * kind.itemsize
        ready = make_sweep(shape)[blocks, shape.threads, stream, size]
        if not SIMULATED:
            ready.pre_launch_callbacks.append(_allow)
        ready(self.arrays, self.sweeps, begin, base, rooms, tables, *found)
        return (stream, rooms, tables), found, base

    @staticmethod
    def collect(started: tuple[Any, Any, int], into: Records) -> None:
        """Wait for a part and copy what it found."""
        (stream, *_), found, base = started
        for value, there in zip(found, into, strict=True):
            value.copy_to_host(there[base : base + len(value)], stream=stream)
        stream.synchronize()


def _allow(kernel: Any, configuration: Any) -> None:
    """Let a kernel have more shared memory than the 48 KiB of old."""
    from numba.cuda.cudadrv import driver as numba_driver

    cards: Any = numba_driver
    function = kernel._codelibrary.get_cufunc()
    most = cards.binding.CUfunction_attribute.CU_FUNC_ATTRIBUTE_MAX_DYNAMIC_SHARED_SIZE_BYTES
    cards.driver.cuKernelSetAttribute(
        most, configuration.sharedmem, function.handle, function.device.id
    )
