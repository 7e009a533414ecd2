"""Compiled kernels spread over processor threads, one block of designs each."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from itertools import pairwise
from typing import Any

BLOCKS_PER_THREAD = 4
"""Blocks handed to each thread: enough to even out designs of unequal cost."""


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
    if threads <= 1:
        kernel(0, count, *arguments)
        return
    blocks = min(count, threads * BLOCKS_PER_THREAD)
    edges = [count * k // blocks for k in range(blocks + 1)]
    pool = _pool(threads, os.getpid())
    jobs = [pool.submit(kernel, start, stop, *arguments) for start, stop in pairwise(edges)]
    for job in jobs:
        job.result()


@lru_cache(maxsize=4)
def _pool(threads: int, process: int) -> ThreadPoolExecutor:
    """One pool per process: a forked child must not use its parent's threads."""
    return ThreadPoolExecutor(threads, thread_name_prefix=f"arrayopt-{process}")
