"""Slow sweeps on a graphics card: which device is asked for, whether it is there, its memory."""

from __future__ import annotations

import os
from collections import deque
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from arrayopt.base.arrays import Complex, Floats, Ints
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.sweep_kernel import Records, Sweeps
from arrayopt.physics.numerics.compiled import kernel
from arrayopt.physics.numerics.threads import spread

if TYPE_CHECKING:
    from arrayopt.physics.intime.card_kernel import Shape

DEVICES = ("cpu", "gpu", "gpu-single")
VARIABLE = "ARRAYOPT_DEVICE"
WORKERS, MOST_GROUPS = 224, 8
"""Threads of a block that take cells, if a thread each is not more; most threads of a cell."""
REGISTERS = {False: 128, True: 80}
"""Most registers of a thread in double and single precision: two and three blocks side by side."""
FILE, SHARE, MOST_THREADS = 65536, 128, 1024
"""Registers of a block, threads for which they are given out, and most threads."""
ITEMS, IN_FLIGHT, MOST_BYTES = 48, 16, 2**32
"""Blocks of a launch, launches at once (the card works on while records are copied), records."""


class GpuUnavailableError(RuntimeError):
    """A graphics card is wanted, and its package or the card itself is missing."""


def chosen_device(device: str | None = None) -> str:
    """Return ``device``, or where it is None what ARRAYOPT_DEVICE names, or "cpu".

    Raises ValueError for a name that is not in ``DEVICES``.
    """
    named = os.environ.get(VARIABLE) or "cpu" if device is None else device
    if named not in DEVICES:
        source = VARIABLE if device is None else "device"
        raise ValueError(f'{source} is "{named}"; choose one of {", ".join(DEVICES)}')
    return named


@lru_cache(maxsize=1)
def require_card() -> None:
    """Raise GpuUnavailableError, saying what is missing, unless numba finds a card that answers."""
    advice = f"leave {VARIABLE} and device= out to use the processor"
    install = 'pip install "arrayopt[gpu]"'
    try:
        from numba import cuda as numba_cuda
    except ImportError as error:
        raise GpuUnavailableError(f"a GPU is asked for: {install} first, or {advice}") from error
    cuda: Any = numba_cuda  # without types
    if not cuda.is_available():
        reason = " ".join(str(cuda.cuda_error() or "no card, or a package is missing").split())
        raise GpuUnavailableError(f"a GPU is asked for, but: {reason} Try {install}, or {advice}")


def block_shape(cells: int, single: bool) -> Shape:
    """How a block of chips of so many cells is laid out on the card at hand."""
    from arrayopt.physics.intime.card_kernel import Shape, shared_limit

    groups = min(max(WORKERS // cells, 1), MOST_GROUPS)
    shape = Shape(single, cells, groups, True, REGISTERS[single])
    if shape.threads > MOST_THREADS:
        raise ValueError(f"chips of {cells} cells are too large for a graphics card: use the cpu.")
    registers = FILE // (-(-shape.threads // SHARE) * SHARE) // 8 * 8
    held = shape.shared <= shared_limit()
    return shape._replace(held=held, registers=min(shape.registers, registers))


def card_sweep(a: ChipArrays, s: Sweeps, windows: Ints, single: bool) -> Records:
    """`flow_kernel.sweep_items` for all chips; ``windows`` (design,) of each; items are set here.

    What a chip gets depends neither on its neighbours nor on how launches are cut.
    """
    from arrayopt.physics.intime.card_kernel import Launch

    designs, chips, cells = a.mass.shape
    shape = block_shape(cells, single)
    blocks = -(-chips // shape.chips)
    design = np.repeat(np.arange(designs), blocks)
    chip = np.tile(shape.chips * np.arange(blocks), designs)
    row = np.append(design * chips + chip, designs * chips)
    launch = Launch(shape, a, s._replace(design=design, chip=chip), int(windows.max()))
    found = launch.records(row[-1], np.empty)
    bytes_each = shape.chips * sum(value[0].nbytes for value in found)
    part = min(ITEMS, max(MOST_BYTES // (IN_FLIGHT * bytes_each), 1), design.size)
    parts = [slice(k, min(k + part, design.size)) for k in range(0, design.size, part)]
    waiting: deque[Any] = deque()

    def start(lot: Any, items: slice) -> None:
        launch.start(lot, items, int(row[items.start]))
        waiting.append((lot, slice(row[items.start], row[items.stop])))

    for items in parts[:IN_FLIGHT]:
        start(launch.lot(part), items)
    spread(_touch, int(row[-1]), *found[:4])
    for items in parts[IN_FLIGHT:]:
        lot, rows = waiting.popleft()
        launch.collect(lot, found, rows)
        start(lot, items)
    for lot, rows in waiting:
        launch.collect(lot, found, rows)
    return Records(*(value.reshape(designs, chips, -1) for value in found))


@kernel
def _touch(
    begin: int, stop: int, volume: Complex, beat: Floats, unrest: Floats, power: Floats
) -> None:
    """Have the system hand out memory in many threads, while the card is at work."""
    volume[begin:stop] = 0.0
    beat[begin:stop] = 0.0
    unrest[begin:stop] = 0.0
    power[begin:stop] = 0.0
