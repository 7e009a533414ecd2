"""The choice of device, and whether there is a graphics card to use."""

from __future__ import annotations

import os
from functools import lru_cache
from typing import Any

DEVICES = ("cpu", "gpu", "gpu-single")
VARIABLE = "ARRAYOPT_DEVICE"


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
