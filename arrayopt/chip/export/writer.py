"""Layouts and drawing of an export, written in a second process while the first one predicts."""

from __future__ import annotations

import gc
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from arrayopt.base.errors import ExportError
from arrayopt.base.files import fill
from arrayopt.chip.layout import ChipLayout
from arrayopt.chip.process import Process
from arrayopt.chip.write import write_layouts
from arrayopt.physics.numerics.threads import thread_count

MANY = 200
"""From so many different cells on, their files take longer than starting a process."""


@dataclass(frozen=True)
class Order:
    """A chip, the folder of its files, its process, and the note that every file carries."""

    chip: ChipLayout
    folder: Path
    process: Process
    note: str


@dataclass(frozen=True)
class Words:
    """What the drawing says, as `plot_drawing.TitleBlock` takes it."""

    title: str
    rows: Sequence[tuple[str, str]]
    classes: Sequence[tuple[str, ...]]


class LayoutWriter:
    """Writes layouts and drawing, in a process of its own where many cells differ.

    A context; leaving it by an exception ends the process. The files are the same either way.

    Parameters
    ----------
    kinds : number of different cells.
    """

    def __init__(self, kinds: int) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._order: Order | None = None
        if kinds >= MANY and thread_count() > 1 and sys.executable:
            # the paths of this process, so that the other loads the same installation
            code = f"import sys; sys.path[:] = {sys.path!r}; from {__name__} import main; main()"
            pipe = subprocess.PIPE
            self._process = subprocess.Popen(
                [sys.executable, "-c", code], stdin=pipe, stdout=pipe, bufsize=-1
            )

    def __enter__(self) -> LayoutWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """End the process; after this it writes nothing more."""
        if self._process is not None:
            self._process.kill()
            with suppress(BrokenPipeError):
                self._process.communicate()
            self._process = None

    def layouts(self, order: Order) -> None:
        """Begin with the layouts; errors come from here or from `finish`."""
        self._order = order
        if self._process is None:
            _write_layouts(order)
        else:
            self._send(order)

    def drawing(self, words: Words) -> None:
        """Go on with the drawing of the same chip; errors come from here or from `finish`."""
        if self._process is None:
            assert self._order is not None, "layouts come first"
            _write_drawing(self._order, words)
        else:
            self._send(words)

    def finish(self) -> None:
        """Wait until all files are there."""
        if self._process is None:
            return
        assert self._process.stdout is not None
        answer = self._process.stdout.read()
        if not answer:
            code = self._process.wait()
            raise ExportError(f"the process that writes layouts ended early, exit code {code}")
        error = pickle.loads(answer)
        if error is not None:
            raise error

    def _send(self, message: object) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        with suppress(BrokenPipeError):  # it failed, and `finish` hears why
            pickle.dump(message, self._process.stdin, protocol=pickle.HIGHEST_PROTOCOL)
            self._process.stdin.flush()


def _write_layouts(order: Order) -> None:
    write_layouts(order.chip, order.folder, name="layout", process=order.process, note=order.note)


def _write_drawing(order: Order, words: Words) -> None:
    from arrayopt.chip.drawing import TitleBlock, draw_chip, drawing_files  # slow to load

    block = TitleBlock(words.title, words.rows, words.classes)
    figure = draw_chip(order.chip, process=order.process, block=block)
    pdf, svg = drawing_files(figure, subject=order.note)
    fill(order.folder / "drawing.pdf", pdf)
    fill(order.folder / "drawing.svg", svg.encode())


def main() -> None:
    """The second process: an order and words come in, an error or None goes out."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process is told, and ends this one
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints is no answer
    gc.disable()  # nothing here becomes garbage before the end, which is near
    threading.Thread(target=_load, daemon=True).start()
    error: Exception | None = None
    try:
        order: Order = pickle.load(sys.stdin.buffer)
        _write_layouts(order)
        words: Words = pickle.load(sys.stdin.buffer)
        _write_drawing(order, words)
    except Exception as found:
        error = found
    with answers, suppress(BrokenPipeError):
        answers.write(_pickled(error))


def _load() -> None:
    """Load the slow library while the first process still prepares its order."""
    import arrayopt.chip.drawing  # noqa: F401


def _pickled(error: Any) -> bytes:
    try:
        answer = pickle.dumps(error)
        pickle.loads(answer)
    except Exception:  # of whatever kind a library raises
        answer = pickle.dumps(ExportError(f"{type(error).__name__}: {error}"))
    return answer
