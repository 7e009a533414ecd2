"""How functions are compiled: the one home of numba's options.

Strict arithmetic (see `fused`) and a cache on disk, always. What only compiled functions call is
compiled without the ways in from Python, which for kernels of many arrays take a seventh of the
time; called from Python, such a function would end the interpreter
(`tests/physics/test_compiled.py` looks for that).

The cache lies beside the source or, where that cannot be written, in the user's home. Where neither
can (a container, a compute node), it lies in a private folder among the temporary files.
"""

from __future__ import annotations

import os
import stat
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from numba import config, njit

from arrayopt.base.errors import ArrayoptError

if TYPE_CHECKING:
    from numba.core.decorators import _JITWrapper
    from numba.core.dispatcher import Dispatcher

F = TypeVar("F", bound=Callable[..., Any])


def private_folder() -> Path:
    """A folder among the temporary files that only this user can read or write.

    Raises
    ------
    ArrayoptError
        If nothing temporary can be written at all.
    """
    try:
        place = Path(tempfile.gettempdir()) / f"arrayopt-compiled-{os.geteuid()}"
        try:
            place.mkdir(mode=0o700)
        except FileExistsError:
            there = place.lstat()
            mine = stat.S_ISDIR(there.st_mode) and there.st_uid == os.geteuid()
            if not mine or stat.S_IMODE(there.st_mode) != 0o700:  # what lies there is run
                place = Path(tempfile.mkdtemp(prefix="arrayopt-compiled-"))
    except OSError as error:
        raise ArrayoptError(
            "compiled code can be kept nowhere: the package's folder, the home and the temporary "
            f"files cannot be written ({error.strerror}); name a folder that can, with "
            "NUMBA_CACHE_DIR or TMPDIR"
        ) from error
    return place


def _kept(compiled: _JITWrapper) -> Callable[[F], Dispatcher[F]]:
    """A compiling decorator whose code is kept on disk wherever that is possible."""

    def decorated(function: F) -> Dispatcher[F]:
        try:
            return compiled(function)
        except RuntimeError as error:
            if "no locator" not in str(error):
                raise
            place = str(private_folder())
            os.environ["NUMBA_CACHE_DIR"] = place  # for processes started from here
            config.CACHE_DIR = place  # type: ignore[attr-defined]
            print(
                "Neither the package's folder nor the home can be written: compiled code is kept "
                f"in {place}, and compiling is repeated when that is gone. NUMBA_CACHE_DIR names "
                "another folder.",
                file=sys.stderr,
            )
            return compiled(function)

    return decorated


kernel = _kept(njit(cache=True, error_model="numpy", nogil=True))
"""Called from Python, also from several threads."""
inner = _kept(
    njit(  # type: ignore[call-overload]  # the last two are left out of its annotations
        cache=True, error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True
    )
)
"""Called by compiled functions only."""
spliced = _kept(njit(cache=True, error_model="numpy", inline="always"))
"""Part of the function that calls it, where there is one such place: a level fewer to optimise."""
forced = _kept(njit(cache=True, error_model="numpy", forceinline=True))
"""Small, and part of every loop that calls it."""
