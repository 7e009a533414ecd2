"""A long series of trials in several processes at once: all that goes wrong is told at the end.

Every process has its part of the trials, a seed of its own and its own temporary folders, says what
it begins and how it ended, and is started again behind the trial at which it crashed.
"""

from __future__ import annotations

import argparse
import json
import os
import selectors
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from arrayopt.runs.power.warm import compile_kernels
from arrayopt.runs.power.workers import SINGLE_THREADED
from arrayopt.study.read import read_study
from tests.support.tiny_study import STUDY

OFTEN = 30.0  # seconds between two lines of progress
CRASHES = 5  # of one part, after which its rest is given up


class Tried(NamedTuple):
    """One trial: its kind, the outcome in a few words, and what was wrong ("" for nothing)."""

    kind: str
    outcome: str
    wrong: str = ""


Trials = Callable[[range, str, Sequence[str], Callable[[str], None]], Iterator[Tried]]
"""Of numbers, a seed and kinds (none for all); told the kind before each trial begins."""


class _Part:
    """A process with its share of the trials."""

    def __init__(self, module: str, folder: Path, seed: str, count: int, names: list[str]) -> None:
        self.seed, self.count, self.done, self.crashes = seed, count, 0, 0
        self._words = [sys.executable, "-X", "faulthandler", "-m", module, str(count), seed, *names]
        self._errors = folder / seed
        self._kind = ""
        self.start()

    def start(self) -> None:
        words = [*self._words, "--from", str(self.done)]
        with self._errors.open("wb") as errors:
            self.process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=errors, bufsize=0)
        assert self.process.stdout is not None
        self.stream = self.process.stdout

    def heard(self, line: bytes) -> Tried | None:
        """What a line tells: the end of a trial, or None for the beginning of one."""
        told = json.loads(line)
        if isinstance(told, str):
            self._kind = told
            return None
        self.done += 1
        return Tried(*told)

    def ended(self) -> Tried | None:
        """After the last line: None when all was done, else the trial at which it crashed."""
        code = self.process.wait()
        if code == 0 and self.done == self.count:
            return None
        self.crashes += 1
        told = self._errors.read_text(errors="replace")[-3000:]
        where = f"{self._kind or 'before the first'} {self.seed}/{self.done}"
        self.done += 1
        return Tried(self._kind, "crash", f"{where}: ended with {code}\n{told}")


def main(module: str, trials: Trials) -> None:
    """``COUNT SEED [KIND]... [--jobs N]``; exits with 1 if anything was wrong."""
    parser = argparse.ArgumentParser(prog=f"python -m {module}")
    parser.add_argument("count", type=int)
    parser.add_argument("seed")
    parser.add_argument("kinds", nargs="*")
    parser.add_argument("--jobs", type=int, default=1, help="processes at once")
    parser.add_argument("--from", type=int, dest="begin", help="one part, from this trial on")
    given = parser.parse_args()
    if given.begin is not None:
        answers = os.fdopen(os.dup(1), "w", buffering=1)
        os.dup2(2, 1)  # what anything else prints is no answer
        numbers = range(given.begin, given.count)

        def say(what: str | Tried) -> None:
            print(json.dumps(what), file=answers)

        for tried in trials(numbers, given.seed, given.kinds, say):
            say(tried)
        return
    os.environ.update(SINGLE_THREADED, NUMBA_THREADING_LAYER="workqueue")  # parts fork
    compile_kernels(read_study(STUDY), lambda text: print(text, file=sys.stderr))
    shares = [given.count // given.jobs + (j < given.count % given.jobs) for j in range(given.jobs)]
    counts, wrong, begun = Counter[str](), [], time.monotonic()
    with tempfile.TemporaryDirectory(prefix="arrayopt-series-") as folder:
        parts = [
            _Part(module, Path(folder), f"{given.seed}.{j}", share, given.kinds)
            for j, share in enumerate(shares)
            if share
        ]
        for tried in _heard(parts, given.count):
            counts[f"{tried.kind}: {tried.outcome}"] += 1
            if tried.wrong:
                wrong.append(tried.wrong)
                print(f"wrong: {tried.wrong}", file=sys.stderr, flush=True)
    for name, number in sorted(counts.items()):
        print(f"{name}: {number}")
    seconds = time.monotonic() - begun
    print(f"{counts.total()} of {given.count} in {seconds:.0f} s; {len(wrong)} wrong")
    for text in wrong:
        print(f"- {text}")
    sys.exit(bool(wrong) or counts.total() != given.count)


def _heard(parts: list[_Part], count: int) -> Iterator[Tried]:
    """What all parts tell, as it comes."""
    done, told = 0, time.monotonic()
    with selectors.DefaultSelector() as selector:
        for part in parts:
            selector.register(part.stream, selectors.EVENT_READ, part)
        while selector.get_map():
            for key, _ in selector.select():
                part = key.data
                if line := part.stream.readline():
                    tried = part.heard(line)
                else:
                    selector.unregister(part.stream)
                    tried = part.ended()
                    if tried and part.done < part.count and part.crashes < CRASHES:
                        part.start()
                        selector.register(part.stream, selectors.EVENT_READ, part)
                if tried is not None:
                    done += 1
                    yield tried
            if time.monotonic() - told > OFTEN:
                told = time.monotonic()
                print(f"{done} of {count}", file=sys.stderr, flush=True)
