"""Evaluate batches on several processes of one machine; the result does not depend on how many."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_EXCEPTION, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import resource_tracker
from multiprocessing.connection import wait as wait_for
from types import TracebackType
from typing import Protocol

from arrayopt.base.arrays import Floats
from arrayopt.search.problem import Evaluation, joined, lost

Evaluate = Callable[[str, Floats, Floats | None], Evaluation]
Build = Callable[[str], Evaluate]

# One thread per worker: the parallelism is in the processes, and numba's simplest threading layer
# aborts a process that enters it twice.
SINGLE_THREADED = {
    name: "1"
    for name in (
        "NUMBA_NUM_THREADS",
        "OMP_NUM_THREADS",
        "OPENBLAS_NUM_THREADS",
        "MKL_NUM_THREADS",
        "VECLIB_MAXIMUM_THREADS",
    )
}
STOPPING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
# Deaths of a worker that a piece of work may see before it is suspected, and halved.
_DEATHS = 2
PIECES = 4
"""Pieces of a batch for each process."""

_built: dict[str, Evaluate] = {}


def leave_with_parent() -> None:
    """End this process, whatever it is doing, as soon as the one that started it has ended."""
    parent = multiprocessing.parent_process()
    if parent is not None:

        def watch() -> None:
            # A killed driver cannot tell its workers, which would wait for work for ever.
            wait_for([parent.sentinel])
            os._exit(1)

        threading.Thread(target=watch, daemon=True).start()


def evaluate_here(
    build: Build, digest: str, text: str, strategy: str, X: Floats, front: Floats | None
) -> Evaluation:
    """Evaluate in this process, making what `text` describes once per process."""
    made = _built.get(digest)
    if made is None:
        made = build(text)
        _built.clear()
        _built[digest] = made
    return made(strategy, X, front)


@contextmanager
def inherited_by_workers() -> Iterator[None]:
    """While work is submitted, which starts processes: single-threaded, and deaf to signals.

    Ctrl-C, often SIGTERM, and SIGHUP reach the whole process group, and only the driver decides
    what they mean; here they are merely delayed.
    """
    before = {name: os.environ.get(name) for name in SINGLE_THREADED}
    os.environ.update(SINGLE_THREADED)
    resource_tracker.ensure_running()  # first, because starting it unblocks signals
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, STOPPING)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


class Pool(Protocol):
    """What evaluates batches somewhere else than in the search."""

    def evaluate(
        self, strategy: str, X: Floats, front: Floats | None = None, *, n_objectives: int
    ) -> Evaluation:
        """Evaluate designs, in the order given."""

    def health(self) -> Mapping[str, int]:
        """What went wrong and was mended since the start, counted."""


class Workers:
    """Processes that evaluate designs; use it in a ``with`` statement.

    Parameters
    ----------
    build : module-level function
        Makes ``evaluate(strategy, X, front) -> Evaluation`` of a text. A design's values must not
        depend on the other designs of the batch.
    text : str
        The study; sent with the work, built once per process.
    workers : int
        Number of processes; 1 evaluates in this process.
    chunk : int
        Largest number of designs per piece of work, so that memory stays bounded.
    """

    def __init__(self, build: Build, text: str, *, workers: int = 1, chunk: int = 256) -> None:
        if workers < 1 or chunk < 1:
            raise ValueError(f"workers {workers} and chunk {chunk} must be at least 1")
        self.workers = workers
        self.chunk = chunk
        self.rebuilt = 0
        self.halved = 0
        self.lost = 0
        self._work = (build, hashlib.sha256(text.encode()).hexdigest(), text)
        self._pool: ProcessPoolExecutor | None = None

    def evaluate(
        self, strategy: str, X: Floats, front: Floats | None = None, *, n_objectives: int
    ) -> Evaluation:
        """Evaluate designs, in the order given.

        Parameters
        ----------
        strategy : str
        X : array, shape (design, variable)
        front : array, shape (member, objective), optional
            Passed on, see `Evaluator.evaluate`.
        n_objectives : int
            Needed for designs about which nothing can be said.

        Returns
        -------
        Evaluation
            A design that runs out of memory, or kills its process, even when it is evaluated alone
            has status EVALUATION_LOST. Other errors of the evaluation are raised here.
        """
        if len(X) == 0:
            raise ValueError("no designs to evaluate")
        # several pieces for each process: designs that break limits are done sooner
        pieces = self.workers * (PIECES if self.workers > 1 else 1)
        size = min(self.chunk, -(-len(X) // pieces))
        spans = [(i, min(i + size, len(X))) for i in range(0, len(X), size)]
        done: dict[int, Evaluation] = {}  # by first design
        deaths: dict[tuple[int, int], int] = {}
        while spans:
            spans = self._round((strategy, X, front), spans, done, deaths, n_objectives)
        return joined([done[start] for start in sorted(done)])

    def health(self) -> dict[str, int]:
        """What went wrong and was mended since the start, counted."""
        return {
            "worker pools restarted": self.rebuilt,
            "pieces of work halved": self.halved,
            "designs given up": self.lost,
        }

    def _round(
        self,
        asked: tuple[str, Floats, Floats | None],
        spans: list[tuple[int, int]],
        done: dict[int, Evaluation],
        deaths: dict[tuple[int, int], int],
        n_objectives: int,
    ) -> list[tuple[int, int]]:
        """Evaluate spans of designs; return those still to do, smaller where that may help."""
        # A death fails everything under way, so a span that saw several runs by itself to find out.
        suspects = [s for s in spans if deaths.get(s, 0) >= _DEATHS]
        batch = suspects[:1] or spans
        again = [s for s in spans if s not in batch]
        outcomes = self._attempt(*asked, batch)
        for span, outcome in zip(batch, outcomes, strict=True):
            if isinstance(outcome, Evaluation):
                done[span[0]] = outcome
                continue
            if isinstance(outcome, BrokenProcessPool):
                deaths[span] = deaths.get(span, 0) + 1
                if deaths[span] <= _DEATHS:
                    again.append(span)
                    continue
            first, last = span
            if last - first == 1:
                done[first] = lost(1, n_objectives)
                self.lost += 1
            else:
                self.halved += 1
                middle = (first + last) // 2
                halves = [(first, middle), (middle, last)]
                if isinstance(outcome, BrokenProcessPool):
                    deaths.update(dict.fromkeys(halves, _DEATHS))
                again += halves
        return sorted(again)

    def _attempt(
        self, strategy: str, X: Floats, front: Floats | None, spans: list[tuple[int, int]]
    ) -> list[Evaluation | MemoryError | BrokenProcessPool]:
        outcomes: list[Evaluation | MemoryError | BrokenProcessPool] = []
        if self.workers == 1:
            for a, b in spans:
                try:
                    outcomes.append(evaluate_here(*self._work, strategy, X[a:b], front))
                except MemoryError as error:
                    outcomes.append(error)
            return outcomes
        futures: list[Future[Evaluation]] = []
        try:
            pool = self._started()
            with inherited_by_workers():
                futures = [
                    pool.submit(evaluate_here, *self._work, strategy, X[a:b], front)
                    for a, b in spans
                ]
            wait(futures, return_when=FIRST_EXCEPTION)
        except BrokenProcessPool:
            pass
        broken = False
        for i in range(len(spans)):
            try:
                if i >= len(futures):
                    raise BrokenProcessPool
                outcomes.append(futures[i].result())
            except (MemoryError, BrokenProcessPool) as error:
                broken = broken or isinstance(error, BrokenProcessPool)
                outcomes.append(error)
        if broken:
            self.close()
            self.rebuilt += 1
        return outcomes

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            # spawn: a fork of a process with threads (numba, BLAS) may deadlock.
            self._pool = ProcessPoolExecutor(
                self.workers,
                mp_context=multiprocessing.get_context("spawn"),
                initializer=leave_with_parent,
            )
        return self._pool

    def close(self) -> None:
        """End the processes at once, whatever they are doing."""
        pool, self._pool = self._pool, None
        if pool is None:
            return
        processes = list((pool._processes or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.kill()
        for process in processes:
            process.join()

    def __enter__(self) -> Workers:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
