"""Kill a small run at every write call, and resume it; prints the count.

Run as ``python -m tests.robustness.kill_run DIRECTORY SECONDS``: a process of its own, because it
forks. Exits with 1 at the first resumed run that differs from the undisturbed one.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import stat
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from arrayopt.runs.kept.store import open_results
from tests.support import toy_run
from tests.support.toy_run import run_toy

EVALUATIONS = 16
IDENTITY = replace(toy_run.IDENTITY, strategies=("alpha",))


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def kill_at(call: int, kill: Callable[[], object] = die) -> Callable[[], int]:
    """Make this process die at its ``call``-th call that changes the disk; writes die half-way.

    ``kill`` may also send a signal that does not end it at once. Returns a function that tells how
    many there were.
    """
    count = 0

    def dying(original: Callable[..., Any], half: bool) -> Callable[..., Any]:
        def wrapped(*args: Any, **kwargs: Any) -> Any:
            nonlocal count
            count += 1
            if count == call:
                short = half and stat.S_ISREG(os.fstat(args[0]).st_mode)  # pipes take lines whole
                done = original(args[0], args[1][: len(args[1]) // 2]) if short else None
                kill()
                if short:
                    return done
            return original(*args, **kwargs)

        return wrapped

    for name in (
        "write", "fsync", "replace", "unlink", "mkdir", "open", "ftruncate", "pwrite", "rmdir",
        "link", "rename",
    ):  # fmt: skip
        setattr(os, name, dying(getattr(os, name), name == "write"))
    return lambda: count


def child(work: Callable[[], object]) -> int:
    """Run work in a fork; its process id."""
    pid = os.fork()
    if pid == 0:
        try:
            work()
        except BaseException as error:
            print(f"child failed: {error!r}", flush=True)
            os._exit(1)
        os._exit(0)
    return pid


def died(pid: int) -> bool:
    """Wait for a fork; whether it was killed. Any other failure ends this script."""
    status = os.waitpid(pid, 0)[1]
    if status not in (0, signal.SIGKILL):
        sys.exit(f"child ended with {status}")
    return status == signal.SIGKILL


def check_same(directory: Path, reference: Path) -> None:
    for name in ("fronts.nc", "history.nc"):
        if (directory / name).read_bytes() == (reference / name).read_bytes():
            continue
        if not open_results(directory / name).identical(open_results(reference / name)):
            sys.exit(f"{name} differs from the undisturbed run")


def run(directory: Path) -> None:
    run_toy(directory, evaluations=EVALUATIONS, identity=IDENTITY, resume=True)


def every_call(directory: Path, reference: Path, end: float) -> str:
    reading, writing = os.pipe()

    def count() -> None:
        calls = kill_at(0)
        run(directory)
        os.write(writing, str(calls()).encode())

    died(child(count))
    total = int(os.read(reading, 20))
    order = list(range(1, total + 1))
    random.Random(2).shuffle(order)  # so that a slow machine samples all of them
    for done, call in enumerate(order):
        if time.monotonic() > end:
            return f"{done} of {total} calls"

        def work(call: int = call) -> None:
            kill_at(call)
            run(directory)

        shutil.rmtree(directory)
        if not died(child(work)):
            sys.exit(f"call {call} of {total} did not happen")
        run(directory)
        check_same(directory, reference)
    return f"{total} of {total} calls"


if __name__ == "__main__":
    base = Path(sys.argv[1])
    run(base / "reference")
    print(every_call(base / "killed", base / "reference", time.monotonic() + float(sys.argv[2])))
