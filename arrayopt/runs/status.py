"""How a run is doing, kept beside it for another shell: progress, best so far, health.

The run writes ``status.json`` after a generation, at most once a second. A reader trusts it only
for what the saved generations do not tell, so that a run that died is shown as it lies on disk.
"""

from __future__ import annotations

import json
import math
import os
import shutil
import socket
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from arrayopt.base.errors import ResultsError
from arrayopt.base.files import FORMAT, PROGRAM, read_text, temporary_file
from arrayopt.base.glossary import UnknownQuantityError, shown, words
from arrayopt.runs.kept.directory import STATUS, owner_of
from arrayopt.runs.kept.generations import read_progress
from arrayopt.runs.kept.identity import read_identity
from arrayopt.runs.kept.store import open_fronts
from arrayopt.runs.progress import Report, SilentProgress, duration

Health = Callable[[], Mapping[str, int]]
"""Counters of what went wrong and was mended, by name; 0 everywhere on a quiet run."""

RUNNING, COMPLETE, STOPPED, FAILED = "running", "complete", "stopped", "failed"
SEARCHED = "searched"
"""Written as complete, but not every member of its fronts is verified."""
DEAD = "dead"
"""Written as running, but its process is gone: killed, or the machine went down."""

KEPT_NOTES = 8
SLOW = 10.0
"""A generation that takes so many times the usual is called slow."""


class StatusFile(SilentProgress):
    """Writes ``status.json`` of a run; trouble in writing it never ends the run.

    Parameters
    ----------
    directory : Path
        The run directory.
    budget : mapping
        ``evaluations`` and ``hours``; None where there is no such limit.
    health : function, optional
        Called after each generation.
    every : float
        Least number of seconds between two writes.
    """

    def __init__(
        self,
        directory: Path,
        budget: Mapping[str, float | None],
        health: Health | None = None,
        *,
        every: float = 1.0,
    ) -> None:
        self._file = directory / STATUS
        self._health = health or dict
        self._every = every
        self._written = -float("inf")
        self._saved: float | None = None
        self._content: dict[str, Any] = {
            "program": PROGRAM,
            "format": FORMAT,
            "phase": RUNNING,
            "process": os.getpid(),
            "host": socket.gethostname(),
            "started": time.time(),
            "budget": dict(budget),
            "seconds_left": None,
            "usual_seconds": None,
            "strategies": {},
            "health": dict(self._health()),
            "notes": [],
        }
        self._write()

    def report(self, report: Report) -> None:
        """A generation was saved."""
        now = time.monotonic()
        if self._saved is not None:
            usual, last = self._content["usual_seconds"], now - self._saved
            self._content["usual_seconds"] = last if usual is None else 0.8 * usual + 0.2 * last
        self._saved = now
        self._content["strategies"][report.strategy] = asdict(report)
        self._content["seconds_left"] = report.seconds_left
        self._content["health"] = dict(self._health())
        if now - self._written >= self._every:
            self._write()

    def note(self, text: str) -> None:
        """Keep a sentence."""
        notes = self._content["notes"]
        notes.append(f"{time.strftime('%Y-%m-%d %H:%M:%S')} {text}")
        del notes[:-KEPT_NOTES]
        self._write()

    def finish(self, phase: str, text: str = "") -> None:
        """Write the end of the run."""
        self._content["phase"] = phase
        self._content["health"] = dict(self._health())
        if text:
            self.note(text)
        else:
            self._write()

    def _write(self) -> None:
        # Not synchronised to disk: after a power cut the saved generations tell enough.
        self._content["updated"] = time.time()
        self._written = time.monotonic()
        with suppress(OSError), temporary_file(self._file.parent) as place:
            place.write_text(json.dumps(self._content, indent=1), encoding="utf-8")
            os.replace(place, self._file)


@dataclass(frozen=True)
class StrategyStatus:
    """Where one strategy stands on disk, and what its last report said (None: nothing known)."""

    name: str
    generation: int
    evaluations: int
    seconds: float
    hypervolume: float
    report: Report | None


@dataclass(frozen=True)
class RunStatus:
    """How a run is doing.

    ``phase`` is "running", "searched" (to its end, fronts not verified), "complete", "stopped" (on
    request), "failed" (an error, in the notes) or "dead" (its process is gone). ``age`` is seconds
    since the last sign of life, None if unknown; ``free`` and ``used`` are bytes of disk.
    """

    path: Path
    phase: str
    owner: str | None
    age: float | None
    usual_seconds: float | None
    seconds_left: float | None
    evaluations_budget: int | None
    hours_budget: float | None
    strategies: tuple[StrategyStatus, ...]
    health: dict[str, int]
    notes: tuple[str, ...]
    free: int
    used: int

    @property
    def seconds(self) -> float:
        """Running so far, all strategies and sittings together."""
        return sum(s.seconds for s in self.strategies)


def read_status(directory: Path) -> RunStatus:
    """How the run in a directory is doing; only reads, while it runs and after it died.

    Raises
    ------
    ResultsError
        If the directory holds no run.
    """
    path = Path(directory)
    identity = read_identity(path)
    content, notes = _content(path / STATUS)
    owner = owner_of(path)
    phase = str(content.get("phase", DEAD))
    if owner is not None:
        phase = RUNNING
    elif phase == RUNNING:
        phase = DEAD
    elif phase == COMPLETE and not _verified(path):
        phase = SEARCHED
    strategies = []
    for name in identity.strategies:
        try:
            saved = read_progress(path, name)
        except ResultsError as error:
            notes.append(str(error))
            saved = None
        report = _report(content.get("strategies", {}).get(name))
        if saved is None:
            strategies.append(StrategyStatus(name, 0, 0, 0.0, 0.0, report))
        else:
            strategies.append(
                StrategyStatus(
                    name,
                    saved.generation,
                    saved.evaluations,
                    saved.seconds,
                    saved.hypervolume,
                    report,
                )
            )
    budget = content.get("budget", {})
    updated = content.get("updated")
    sizes = (p.stat().st_size for p in path.rglob("*") if _is_file(p))
    return RunStatus(
        path,
        phase,
        owner,
        None if updated is None else max(0.0, time.time() - float(updated)),
        content.get("usual_seconds"),
        content.get("seconds_left"),
        budget.get("evaluations"),
        budget.get("hours"),
        tuple(strategies),
        {str(k): int(v) for k, v in content.get("health", {}).items()},
        (*content.get("notes", ()), *notes),
        shutil.disk_usage(path).free,
        sum(sizes),
    )


def _is_file(path: Path) -> bool:
    try:
        return path.is_file() and not path.is_symlink()
    except OSError:
        return False


def _content(file: Path) -> tuple[dict[str, Any], list[str]]:
    """What the status file holds, if it can be believed; everything in it is optional."""
    try:
        content = json.loads(read_text(file))
        if content["program"] != PROGRAM or content["format"] != FORMAT:
            raise ValueError
        for key, kind in (("strategies", dict), ("budget", dict), ("health", dict)):
            if not isinstance(content[key], kind):
                raise ValueError
        if not all(isinstance(note, str) for note in content["notes"]):
            raise ValueError
        for key in ("updated", "usual_seconds", "seconds_left"):
            if content[key] is not None:
                content[key] = _finite(content[key])
        if not all(isinstance(v, int) for v in content["health"].values()):
            raise ValueError
        for value in content["budget"].values():
            if value is not None:
                _finite(value)
    except FileNotFoundError:
        return {}, []
    except (OSError, ValueError, KeyError, TypeError, OverflowError):
        return {}, [f"{file} cannot be read; this is what the saved generations tell"]
    return content, []


def _finite(value: Any) -> float:
    if not math.isfinite(value):
        raise ValueError
    return float(value)


def _report(content: Any) -> Report | None:
    try:
        report = Report(**content)
        report.cells()
    except (TypeError, ValueError, OverflowError, AttributeError, UnknownQuantityError):
        return None
    return report


def status_text(status: RunStatus) -> str:
    """A run's status for people, a few lines."""
    lines = [f"{status.path}: {_headline(status)}", _spent(status), ""]
    rows = []
    for s in status.strategies:
        total = "" if status.evaluations_budget is None else f"/{status.evaluations_budget}"
        done = f"  {s.name}: generation {s.generation}, evaluations {s.evaluations}{total}"
        rows.append(f"{done}, hypervolume {s.hypervolume:.5g}")
        if s.report is not None:
            best = ", ".join(f"{words(n)} {shown(n, value)}" for n, value in s.report.best.items())
            told = f"front {s.report.front}, feasible {s.report.feasible_share:.0%}"
            nothing = "; ".join(["nothing feasible yet", *s.report.binding])
            rows.append(f"    {told}; best so far: {best or nothing}")
    lines += rows
    lines.append("")
    mended = {name: count for name, count in status.health.items() if count}
    counted = ", ".join(f"{name} {count}" for name, count in mended.items())
    lines.append(f"Health: {counted or 'nothing to report'}.")
    lines.append(f"Disk: {status.used / 2**20:.1f} MiB used, {status.free / 2**30:.1f} GiB free.")
    lines += [f"Note: {note}" for note in status.notes]
    if any(s.generation for s in status.strategies):
        lines.append(f"Fronts so far: arrayopt show {status.path}")
    return "\n".join(lines)


def _verified(path: Path) -> bool:
    """Whether every front of a run is one of verified values."""
    try:
        fronts = open_fronts(path)
    except ResultsError:
        return False
    return all(bool(node.attrs.get("verified", 0)) for node in fronts.children.values())


def _headline(status: RunStatus) -> str:
    since = "" if status.age is None else f", last sign of life {duration(status.age)} ago"
    if status.phase == RUNNING:
        owner = f" ({status.owner})" if status.owner else ""
        usual = status.usual_seconds
        slow = usual is not None and status.age is not None and status.age > max(60.0, SLOW * usual)
        warning = (
            f"; that is slow, a generation usually takes {duration(usual)}: is the machine busy?"
            if slow
            else ""
        )
        return f"running{owner}{since}{warning}"
    return {
        COMPLETE: "complete: its budget is used up and its fronts are verified",
        SEARCHED: f"searched, its budget is used up; its fronts are not verified{since}: that is "
        "under way, or `arrayopt verify` does it",
        STOPPED: f"stopped on request{since}; --resume goes on",
        FAILED: f"ended with an error{since}; the notes say which, then --resume goes on",
    }.get(
        status.phase,
        f"not running: its process ended without a word{since} (killed, or the machine went "
        "down); everything up to the last generation is saved, --resume goes on",
    )


def _spent(status: RunStatus) -> str:
    of = "" if status.hours_budget is None else f" of {status.hours_budget:g} h"
    left = (
        f", about {duration(status.seconds_left)} left"
        if status.seconds_left is not None and status.phase == RUNNING
        else ""
    )
    return f"Ran for {duration(status.seconds)}{of}{left}."
