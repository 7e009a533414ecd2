"""Compiled kernels spread over processor threads, one block of designs each."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from itertools import pairwise
from typing import Any, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

BLOCKS_PER_THREAD = 4
"""Blocks handed to each thread: enough to even out designs of unequal cost."""

_here = threading.local()


def thread_count() -> int:
    """Threads used: ``NUMBA_NUM_THREADS`` where set (workers set it to 1), else the processors."""
    wanted = os.environ.get("NUMBA_NUM_THREADS", "")
    if wanted.isdigit() and int(wanted) > 0:
        return int(wanted)
    return len(os.sched_getaffinity(0))


def spread(kernel: Callable[..., None], count: int, *arguments: Any) -> None:
    """Call ``kernel(start, stop, *arguments)`` over blocks of ``range(count)`` in threads.

    The kernel must spend its time in code compiled with ``nogil=True``, write only to its own rows
    and treat each row alike, so that the split changes nothing. Exceptions are raised here.
    """
    threads = min(thread_count(), count)
    if threads <= 1 or getattr(_here, "spreading", False):  # a thread would wait for itself
        kernel(0, count, *arguments)
        return
    blocks = min(count, threads * BLOCKS_PER_THREAD)
    edges = [count * k // blocks for k in range(blocks + 1)]
    pool = _pool(threads, os.getpid())
    jobs = [pool.submit(kernel, start, stop, *arguments) for start, stop in pairwise(edges)]
    for job in jobs:
        job.result()


def each(function: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    """``function`` of every item, in threads, under the same conditions as `spread`."""
    found: list[Result | None] = [None] * len(items)

    def block(start: int, stop: int) -> None:
        for k in range(start, stop):
            found[k] = function(items[k])

    spread(block, len(items))
    return found  # type: ignore[return-value]


@lru_cache(maxsize=4)
def _pool(threads: int, process: int) -> ThreadPoolExecutor:
    """One pool per process: a forked child must not use its parent's threads."""

    def enter() -> None:
        _here.spreading = True

    return ThreadPoolExecutor(threads, thread_name_prefix=f"arrayopt-{process}", initializer=enter)
