"""Progress of a run: a live table on a terminal, plain log lines anywhere else."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, TextIO

from arrayopt.base.files import open_to_append
from arrayopt.base.glossary import shown, words
from arrayopt.base.text import visible


@dataclass(frozen=True)
class Report:
    """Where one strategy stands after a generation.

    ``best`` holds the best value of each objective on the front so far, as stored;
    ``seconds_left`` is for the whole run and None while it cannot be said.
    """

    strategy: str
    generation: int
    evaluations: int
    budget: int | None
    feasible_share: float
    hypervolume: float
    front: int
    best: Mapping[str, float]
    seconds_left: float | None
    binding: Sequence[str] = ()
    """Where nothing is feasible yet, what the last generation broke most often."""

    def cells(self) -> dict[str, str]:
        """What both displays show, as text by heading."""
        budget = "" if self.budget is None else f"/{self.budget}"
        return {
            "generation": str(self.generation),
            "evaluations": f"{self.evaluations}{budget}",
            "feasible": f"{self.feasible_share:.0%}",
            "hypervolume": f"{self.hypervolume:.5g}",
            "front": str(self.front),
            **{f"best {words(n)}": shown(n, value) for n, value in self.best.items()},
            "left": duration(self.seconds_left),
        }


def duration(seconds: float | None) -> str:
    """A duration for people, such as "2 h 05 min"; "-" for None."""
    if seconds is None:
        return "-"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


class Progress(Protocol):
    """What a run tells while it goes on; used in a ``with`` statement."""

    def report(self, report: Report) -> None:
        """A generation was saved."""

    def note(self, text: str) -> None:
        """Something a person should know, one sentence."""

    def __enter__(self) -> Progress: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...


class SilentProgress:
    """Says nothing."""

    def report(self, report: Report) -> None:
        """Ignore a report."""

    def note(self, text: str) -> None:
        """Ignore a note."""

    def __enter__(self) -> Progress:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        return None


class Stream(Protocol):
    """Where log lines go."""

    def write(self, text: str, /) -> object:
        """Write text."""

    def flush(self) -> None:
        """Hand everything to the operating system."""


class LogProgress(SilentProgress):
    """One line per report, with the time, for log files and pipes.

    Parameters
    ----------
    stream : text stream
    every : float
        Least number of seconds between two lines of one strategy; notes always appear.
    """

    def __init__(self, stream: Stream, *, every: float = 0.0) -> None:
        self._stream = stream
        self._every = every
        self._last: dict[str, float] = {}

    def report(self, report: Report) -> None:
        """Write a line unless the last one is too recent."""
        now = time.monotonic()
        if now - self._last.get(report.strategy, -float("inf")) >= self._every:
            self._last[report.strategy] = now
            shown = (f"{heading} {text}" for heading, text in report.cells().items())
            self._write(f"{report.strategy}: {', '.join(shown)}")

    def note(self, text: str) -> None:
        """Write a line."""
        self._write(text)

    def _write(self, text: str) -> None:
        # Opened anew by log rotation or closed by a lost terminal: progress must not end a run.
        try:
            self._stream.write(f"{time.strftime('%Y-%m-%d %H:%M:%S')} {visible(text)}\n")
            self._stream.flush()
        except (OSError, ValueError):
            return


class RotatingFile:
    """A text file that is cut into numbered pieces; opened for every write, so it may be moved.

    Parameters
    ----------
    path : Path
    limit : int
        Bytes after which the file becomes ``NAME.1``, that ``NAME.2`` and so on.
    keep : int
        Pieces kept beside the file.
    """

    def __init__(self, path: Path, *, limit: int = 1_000_000, keep: int = 3) -> None:
        self._path, self._limit, self._keep = path, limit, keep

    def write(self, text: str) -> None:
        """Append."""
        if self._path.exists() and self._path.stat().st_size + len(text) > self._limit:
            pieces = [self._path, *(Path(f"{self._path}.{k}") for k in range(1, self._keep + 1))]
            for older, newer in zip(pieces[:0:-1], pieces[-2::-1], strict=True):
                if newer.exists():
                    newer.replace(older)
        with open_to_append(self._path) as stream:
            stream.write(text.encode())

    def flush(self) -> None:
        """Nothing is held back."""


class SeveralProgress(SilentProgress):
    """Passes everything on to several displays."""

    def __init__(self, *shown: Progress) -> None:
        self._shown = shown

    def report(self, report: Report) -> None:
        """Pass a report on."""
        for one in self._shown:
            one.report(report)

    def note(self, text: str) -> None:
        """Pass a sentence on."""
        for one in self._shown:
            one.note(text)


class TerminalProgress(SilentProgress):
    """A table redrawn in place, one row per strategy; nothing more once the terminal is lost.

    Parameters
    ----------
    stream : text stream
        A terminal.
    """

    def __init__(self, stream: TextIO) -> None:
        from rich.console import Console
        from rich.live import Live

        self._reports: dict[str, Report] = {}
        self._live = Live(console=Console(file=stream), auto_refresh=False, transient=False)

    def report(self, report: Report) -> None:
        """Redraw the table."""
        self._reports[report.strategy] = report
        with suppress(OSError, ValueError):
            self._live.update(self._table(), refresh=True)

    def note(self, text: str) -> None:
        """Print a sentence above the table."""
        with suppress(OSError, ValueError):
            self._live.console.print(visible(text), markup=False, highlight=False)

    def _table(self) -> Any:
        from rich.table import Table

        headings = dict.fromkeys(h for r in self._reports.values() for h in r.cells())
        table = Table("strategy", *headings)
        for name, report in self._reports.items():
            table.add_row(name, *(report.cells().get(h, "") for h in headings))
        return table

    def __enter__(self) -> Progress:
        self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with suppress(OSError, ValueError):
            self._live.stop()


def progress_on(stream: TextIO) -> Progress:
    """The display that suits a stream: a table on a terminal, otherwise log lines."""
    return TerminalProgress(stream) if stream.isatty() else LogProgress(stream)
