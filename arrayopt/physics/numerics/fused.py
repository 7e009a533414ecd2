"""Fused multiply and add as one named operation of the compiled kernels.

LLVM may fuse and reorder by itself under fastmath, but then the last digit of a result depends on
which kernels happened to be compiled in the same process and which came from the cache. Kernels
here are strict, and say where they fuse: the same digits whatever was compiled when.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

from numba import types
from numba.extending import intrinsic


@intrinsic
def _fma(context: Any, a: Any, b: Any, c: Any) -> Any:
    def generate(_: Any, builder: Any, __: Any, values: Any) -> Any:
        return builder.fma(*values)

    single = a == b == c == types.float32
    real = types.float32 if single else types.float64
    return real(real, real, real), generate


fma = cast(Callable[[float, float, float], float], _fma)
"""a b + c, rounded once, of float64, or of float32 if all three are; for compiled kernels only."""
