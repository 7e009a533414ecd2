"""How functions are compiled: the one home of numba's options.

Strict arithmetic (see `fused`) and a cache on disk, always. What only compiled functions call is
compiled without the ways in from Python, which for kernels of many arrays take a seventh of the
time; called from Python, such a function would end the interpreter
(`tests/physics/test_compiled.py` looks for that).
"""

from __future__ import annotations

from numba import njit

kernel = njit(cache=True, error_model="numpy", nogil=True)
"""Called from Python, also from several threads."""
inner = njit(  # type: ignore[call-overload]  # the last two are left out of its annotations
    cache=True, error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True
)
"""Called by compiled functions only."""
spliced = njit(cache=True, error_model="numpy", inline="always")
"""Part of the function that calls it, where there is one such place: a level fewer to optimise."""
forced = njit(cache=True, error_model="numpy", forceinline=True)
"""Small, and part of every loop that calls it."""
parallel = njit(cache=True, error_model="numpy", parallel=True)
"""Called from Python; spreads its loops over threads by itself."""
