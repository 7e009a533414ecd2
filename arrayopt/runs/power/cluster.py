"""Evaluate batches on the workers of a dask cluster; the only home of dask.

Needs the extra ``cluster``. Results are those of any other way of evaluating: every worker must
have the same package versions and the same source, which each piece of work checks where it runs,
so that workers that join late are checked too. If the scheduler is lost, unfinished work is given
out again when it comes back, and done on this machine if it does not.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import hashlib
import os
import platform
import time
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import lru_cache, partial
from importlib.metadata import version
from pathlib import Path
from types import TracebackType
from typing import Any

from arrayopt.base.arrays import Floats
from arrayopt.base.errors import ArrayoptError
from arrayopt.runs.power.workers import SINGLE_THREADED, Build, Workers, evaluate_here
from arrayopt.search.problem import Evaluation, joined, lost

PIECES_PER_THREAD = 2
"""Pieces of work for each thread of the cluster: enough to even out designs of unequal cost."""

RETRIES = 3
"""Times a piece is given out again after an error of its worker that is not the design's."""

PATIENCE = 60.0
"""Seconds without scheduler or workers after which work is done on this machine."""

AGAIN_AFTER = 300.0
"""Seconds after which a lost cluster is looked for again."""

_POLL = 0.2
_CANCELLED = (asyncio.CancelledError, concurrent.futures.CancelledError)


class ClusterError(ArrayoptError):
    """The cluster cannot be used: not there, not installed, or of other versions."""


@lru_cache(maxsize=1)
def source_digest() -> str:
    """Digest of this package's Python files, which one version number does not tell apart."""
    digest = hashlib.sha256()
    folder = Path(__file__).parents[2]
    for file in sorted(folder.rglob("*.py")):
        digest.update(str(file.relative_to(folder)).encode() + b"\0" + file.read_bytes() + b"\0")
    return digest.hexdigest()[:12]


@lru_cache(maxsize=1)
def processor() -> str:
    """Model name and widest vector unit; last bits of results agree within one such class."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor() or "unknown"
    model = next((x.split(":", 1)[1].strip() for x in lines if x.startswith("model name")), "")
    flags = next((x.split() for x in lines if x.startswith("flags")), [])
    vector = next((x for x in ("avx512f", "avx2", "sse2") if x in flags), "")
    return f"{model} {vector}".strip() or "unknown"


@lru_cache(maxsize=4)  # reading them takes 40 ms, longer than most pieces of work
def package_versions(names: tuple[str, ...]) -> dict[str, str]:
    """Versions here of packages that matter for numbers, and of this package's source."""
    return {**{name: version(name) for name in names}, "arrayopt source": source_digest()}


def _work(
    build: Build,
    text: str,
    strategy: str,
    expected: Mapping[str, str],
    front: Floats | None,
    X: Floats,
) -> tuple[Evaluation | dict[str, str], str]:
    """On a worker: the evaluation, or the versions that differ; and the processor."""
    names = tuple(name for name in expected if name != "arrayopt source")
    here = package_versions(names)
    if here != expected:
        differing = {k: f"{here[k]}, not {v}" for k, v in expected.items() if here[k] != v}
        return differing, platform.node()
    os.environ.update(SINGLE_THREADED)
    digest = hashlib.sha256(text.encode()).hexdigest()
    return evaluate_here(build, digest, text, strategy, X, front), processor()


class ClusterWorkers:
    """A dask cluster that evaluates designs; use it in a ``with`` statement.

    Parameters
    ----------
    build, text, chunk
        As for ``Workers``.
    address : str
        Of the scheduler, "tcp://host:8786", or the path of a scheduler file.
    versions : tuple of str
        Packages that must have the same version everywhere.
    local : int
        Processes on this machine should the cluster be lost.
    note : function of str
        Told of trouble and mixed processors, a sentence each.
    patience : float
        Seconds without scheduler or workers before work is done here.

    Raises
    ------
    ClusterError
        If dask is not installed or the scheduler does not answer.
    """

    def __init__(
        self,
        build: Build,
        text: str,
        *,
        address: str,
        versions: tuple[str, ...],
        local: int = 1,
        chunk: int = 256,
        note: Callable[[str], None] = lambda text: None,
        patience: float = PATIENCE,
    ) -> None:
        try:
            import distributed
        except ImportError:
            raise ClusterError(
                'a scheduler needs dask: pip install "arrayopt[cluster]", here and on the workers'
            ) from None
        self._dask: Any = distributed
        self._address, self._chunk, self._patience = address, chunk, patience
        self._note = note
        self._build, self._text = build, text
        self._expected = package_versions(versions)
        self._local = Workers(build, text, workers=local, chunk=chunk)
        self._processors: set[str] = set()
        self._lost_at = -float("inf")
        self._deserted = False
        self._counts = Counter[str]()
        self._client: Any = self._connected()
        if self._client is None:
            raise ClusterError(
                f"the scheduler at {address} does not answer; start it with `dask scheduler`, its "
                "workers with `dask worker ADDRESS`, or leave --scheduler out"
            )

    def health(self) -> dict[str, int]:
        """What went wrong and was mended since the start, counted."""
        return {
            **self._local.health(),
            "scheduler lost": self._counts["lost"],
            "pieces of work halved on the cluster": self._counts["halved"],
            "designs given up on the cluster": self._counts["given up"],
            "generations finished on this machine": self._counts["local"],
        }

    def evaluate(
        self, strategy: str, X: Floats, front: Floats | None = None, *, n_objectives: int
    ) -> Evaluation:
        """Evaluate designs, in the order given; see ``Workers.evaluate``.

        Raises
        ------
        ClusterError
            If a worker has other versions.
        """
        done: dict[int, Evaluation] = {}
        spans = self._spans(len(X))
        while spans:
            if not self._there():
                self._counts["local"] += 1
                for first, last in spans:
                    done[first] = self._local.evaluate(
                        strategy, X[first:last], front, n_objectives=n_objectives
                    )
                break
            spans = self._round((strategy, X, front), spans, done, n_objectives)
        return joined([done[start] for start in sorted(done)])

    def _spans(self, count: int) -> list[tuple[int, int]]:
        threads = 1
        if self._client is not None:
            with suppress(Exception):  # asked of a scheduler that may just be going
                threads = max(1, sum(self._client.nthreads().values()))
        size = min(self._chunk, max(1, -(-count // (threads * PIECES_PER_THREAD))))
        return [(k, min(k + size, count)) for k in range(0, count, size)]

    def _round(
        self,
        asked: tuple[str, Floats, Floats | None],
        spans: list[tuple[int, int]],
        done: dict[int, Evaluation],
        n_objectives: int,
    ) -> list[tuple[int, int]]:
        """Give spans out once; those still to do, smaller where a worker ran out of memory."""
        strategy, X, front = asked
        futures: list[Any] = []
        found: dict[int, tuple[Evaluation | dict[str, str], str]] = {}
        try:
            work = partial(_work, self._build, self._text, strategy, self._expected, front)
            futures = self._client.map(
                work, [X[a:b] for a, b in spans], pure=False, retries=RETRIES
            )
            reached = self._waited(futures)
            if reached:
                found = self._gathered(futures)
        except (OSError, RuntimeError, *_CANCELLED):
            reached = False
        again: list[tuple[int, int]] = []
        for k, span in enumerate(spans):
            if k in found:
                done[span[0]] = self._accepted(found[k])
            elif k < len(futures) and futures[k].status == "error":
                again += self._failed(futures[k].exception(), span, done, n_objectives)
            else:
                again.append(span)
        if not reached:
            self._lose()
        return sorted(again)

    def _gathered(self, futures: list[Any]) -> dict[int, tuple[Evaluation | dict[str, str], str]]:
        """Results by place, all at once: each alone would take its own way here."""
        ready = [k for k, future in enumerate(futures) if future.status == "finished"]
        results = self._client.gather([futures[k] for k in ready], errors="skip")
        # fewer: a worker died with a result; which one is not told, so all are done again
        return dict(zip(ready, results, strict=True)) if len(results) == len(ready) else {}

    def _waited(self, futures: list[Any]) -> bool:
        """Wait for all; False as soon as the scheduler, or for long every worker, is gone."""
        idle_since: float | None = None
        while any(f.status == "pending" for f in futures):
            with suppress(TimeoutError, *_CANCELLED), self._client.as_current():
                self._dask.wait(futures, timeout=_POLL)
            if self._client.status != "running" or any(f.status == "lost" for f in futures):
                return False
            if any(f.status == "cancelled" for f in futures):
                return False
            if self._client.scheduler_info().get("workers"):
                idle_since = None
            else:
                idle_since = idle_since or time.monotonic()
                if time.monotonic() - idle_since > self._patience:
                    self._note("The cluster has no workers; going on on this machine.")
                    self._deserted = True
                    return False
        return True

    def _accepted(self, result: tuple[Evaluation | dict[str, str], str]) -> Evaluation:
        found, where = result
        if isinstance(found, dict):
            text = ", ".join(f"{name} {words}" for name, words in found.items())
            raise ClusterError(
                f"the worker on {where} has {text}; install the same versions everywhere, because "
                "results could differ"
            )
        self._processors.add(where)
        if len(self._processors) > 1 and not self._counts["mixed"]:
            self._counts["mixed"] = 1
            names = "; ".join(sorted(self._processors))
            self._note(
                f"The cluster mixes processors ({names}): results may differ in the last digits "
                "from run to run."
            )
        return found

    def _failed(
        self,
        error: BaseException,
        span: tuple[int, int],
        done: dict[int, Evaluation],
        n_objectives: int,
    ) -> list[tuple[int, int]]:
        if isinstance(error, ModuleNotFoundError):
            raise ClusterError(f"a worker of the cluster lacks a package: {error}") from error
        if not isinstance(error, (MemoryError, self._dask.KilledWorker)):
            raise error
        first, last = span
        if last - first == 1:
            self._counts["given up"] += 1
            done[first] = lost(1, n_objectives)
            return []
        self._counts["halved"] += 1
        middle = (first + last) // 2
        return [(first, middle), (middle, last)]

    def _there(self) -> bool:
        """Whether the cluster can be used; looks for a lost one for a while, then now and then."""
        if self._client is not None:
            return True
        now = time.monotonic()
        if self._lost_at + self._patience < now < self._lost_at + self._patience + AGAIN_AFTER:
            return False
        if now >= self._lost_at + self._patience:
            self._lost_at = now - self._patience  # one look, then not again for a while
        while True:
            self._client = self._connected()
            if self._client is not None:
                self._note(
                    f"The scheduler at {self._address} is back; its work is given out again."
                )
                return True
            if time.monotonic() >= self._lost_at + self._patience:
                self._note(f"The scheduler at {self._address} is gone; going on on this machine.")
                return False
            time.sleep(_POLL)

    def _connected(self) -> Any:
        """A client, or None if nobody answers."""
        options = (
            {"scheduler_file": self._address}
            if Path(self._address).is_file()
            else {"address": self._address}
        )
        try:
            client = self._dask.Client(**options, timeout=min(5.0, self._patience),
                                       set_as_default=False)  # fmt: skip
        except (OSError, ValueError):
            return None
        return client

    def _lose(self) -> None:
        self._counts["lost"] += 1
        self._lost_at = time.monotonic()
        if self._deserted:  # waited for already
            self._lost_at -= self._patience
            self._deserted = False
        self._disconnect()

    def _disconnect(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            with suppress(Exception):  # it may be gone already
                client.close(timeout=2)

    def close(self) -> None:
        """Let go of the cluster, which goes on, and end processes here."""
        self._disconnect()
        self._local.close()

    def __enter__(self) -> ClusterWorkers:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
