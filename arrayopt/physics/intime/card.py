"""Slow sweeps on a graphics card: which device is asked for, whether it is there, its memory."""

from __future__ import annotations

import os
from collections import deque
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from arrayopt.base.arrays import Ints
from arrayopt.physics.intime.flow_kernel import ChipArrays, Records, Sweeps

if TYPE_CHECKING:
    from arrayopt.physics.intime.card_kernel import Shape

DEVICES = ("cpu", "gpu", "gpu-single")
VARIABLE = "ARRAYOPT_DEVICE"
GROUPS = 4
"""Most threads of a cell in a block, of `card_kernel.CHIPS` chips each."""
REGISTERS = {False: 112, True: 72}
"""Most registers of a thread in double and single precision: two and three blocks side by side."""
FILE, MOST_THREADS, WORKERS = 65536, 1024, 256
"""Registers and threads that a block may have, and threads that are enough for one."""
CHUNK_BYTES = 2**28
"""Of the records of one launch."""
IN_FLIGHT = 4
"""Launches at once: the card works on while records are copied."""


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

    groups = min(GROUPS, max(WORKERS // cells, 1))
    shape = Shape(single, cells, groups, True, REGISTERS[single])
    if shape.threads > MOST_THREADS:
        raise ValueError(f"chips of {cells} cells are too large for a graphics card: use the cpu.")
    registers = min(shape.registers, FILE // shape.threads // 8 * 8)
    held = shape.shared * np.dtype(shape.kind).itemsize <= shared_limit()
    return shape._replace(held=held, registers=registers)


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
    rows, most = np.append(design * chips + chip, designs * chips), int(windows.max())
    launch = Launch(shape, a, s._replace(design=design, chip=chip), most)
    part = max(CHUNK_BYTES // launch.row_bytes // shape.chips, 1)
    flat = launch.records(designs * chips, np.empty)
    waiting: deque[Any] = deque()
    for begin in range(0, design.size, part):
        stop = min(begin + part, design.size)
        waiting.append(launch.start(begin, stop, rows[begin], rows[stop]))
        if len(waiting) == IN_FLIGHT:
            launch.collect(waiting.popleft(), flat)
    while waiting:
        launch.collect(waiting.popleft(), flat)
    shaped: list[Any] = [value.reshape(designs, chips, -1) for value in flat]
    for d, last in enumerate(windows):
        for value in shaped[:4]:
            value[d, :, last:] = np.nan
    return Records(*shaped)
