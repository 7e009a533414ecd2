"""A run directory: one owner, every generation kept, and nothing half-written that counts.

Layout and guarantees: docs/run-directory.md.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import socket
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from arrayopt.base.errors import ResultsError
from arrayopt.base.files import open_plain, read_bytes, unwritable, write_file
from arrayopt.base.output import clean
from arrayopt.runs.kept.generations import (
    STATE,
    STATE_MAGIC,
    Saved,
    UnusableStateError,
    generation_files,
    generation_name,
    kept_run_file,
    read_state,
    stored_designs,
)
from arrayopt.runs.kept.identity import RUN, RunIdentity, differing, parsed_identity
from arrayopt.runs.kept.record import RECORD, FileRecord
from arrayopt.runs.kept.store import FRONTS, encoded, join_files, load, write_results

HISTORY, LOCK = "history.nc", "lock"
STATUS, LOG = "status.json", "run.log"
_LOCK_TRIES = 20  # of 50 ms: `owner_of` holds the lock for an instant
_OWNER = re.compile(rb"(process \d[^\n]{0,350})?")
"""What a lock holds; less after a kill or on a full disk."""
_STRATEGY = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")


def owner_of(directory: Path) -> str | None:
    """Who runs in a directory now, as written in its lock; None if nobody does."""
    try:
        with open_plain(Path(directory) / LOCK) as stream:
            try:
                fcntl.flock(stream, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except OSError:
                return stream.read(200).decode(errors="replace").strip() or "unknown process"
    except OSError:
        return None
    return None


def _own_lock(path: Path) -> bool:
    """Whether a file was written as the lock of a run."""
    try:
        with open_plain(path, follow=False) as stream:
            return _OWNER.fullmatch(stream.read(400)) is not None
    except OSError:
        return False


class RunDirectory:
    """A run directory held by one owner; use it in a ``with`` statement.

    Parameters
    ----------
    path : Path
    identity : RunIdentity
    resume : bool
        Go on with the run that is there; otherwise there must be none.
    fresh : bool
        Remove the run that is there and start again.

    Raises
    ------
    ResultsError
        If another process holds it, a run is there and neither `resume` nor `fresh` is set, or the
        run there differs in study, seed, settings or versions.
    """

    def __init__(
        self, path: Path, identity: RunIdentity, *, resume: bool = False, fresh: bool = False
    ) -> None:
        for name in identity.strategies:
            if not _STRATEGY.fullmatch(name):
                raise ResultsError(
                    f"strategy name {name!r} cannot be a folder; use letters, digits, - and _"
                )
        self.path = Path(path)
        self.identity = identity
        self.notes: list[str] = []
        self._last: dict[str, Saved] = {}
        self._unusable: dict[str, str] = {}
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            self.record = FileRecord(self.path)
            self._check_place(resume, fresh)  # before anything is made there
        except OSError as error:
            raise unwritable(self.path, error) from error
        except ValueError as error:
            raise ResultsError(f"{str(self.path)!r} cannot be a directory: {error}") from error
        self._lock = self._locked()
        try:
            self._begin(resume, fresh)
        except BaseException:
            self.close()
            raise

    def _check_place(self, resume: bool, fresh: bool) -> None:
        """Leave alone what is not a run, and with ``fresh`` what the run there did not make."""
        if not fresh and (os.path.lexists(self.path / RUN) or (resume and self._first_files())):
            return
        strangers = self.record.strangers(LOCK)
        if os.path.lexists(lock := self.path / LOCK) and not _own_lock(lock):
            strangers.append(LOCK)
        if not strangers:
            return
        named = ", ".join(strangers[:5])
        named += f" and {len(strangers) - 5} more" if len(strangers) > 5 else ""
        if not fresh:
            raise ResultsError(
                f"{self.path} is not empty and holds no run ({named}); choose a new or an empty "
                "directory with --out"
            )
        unknown = "" if self.record.there else f"; {RECORD}, its list of its own files, is missing"
        raise ResultsError(
            f"{self.path} holds what the run there did not write ({named}){unknown}; nothing was "
            "removed: move that away, or choose another directory with --out"
        )

    def _first_files(self) -> bool:
        return any(self.path.glob(f"*/{generation_name(1)}"))

    def _begin(self, resume: bool, fresh: bool) -> None:
        file = self.path / RUN
        self.record = FileRecord(self.path)
        self._check_place(resume, fresh)
        if fresh:
            self._clean()
            if products := self.record.products():
                self.notes.append(f"Left as they were: {', '.join(products)}, of an earlier run.")
            self.record.remove_all()
        if os.path.lexists(file) or self._first_files():
            if not resume:
                raise ResultsError(
                    f"{self.path} already holds a run; --resume continues it to the total budget, "
                    "--fresh removes it and starts again"
                )
            self._check_results()
            self._resume(file)
        elif rest := self.record.existing():
            raise ResultsError(
                f"{self.path} holds the rest of a run without its {RUN} ({rest[0]} and others), "
                "which cannot be rebuilt; --fresh removes it"
            )
        else:
            self.record.restart(RUN)
            write_file(file, self.identity.to_json(), resumable=True)
        self.run = hashlib.sha256(file.read_bytes()).hexdigest()
        self._clean()
        for strategy in self.identity.strategies:
            self._enter(strategy)

    def _check_results(self) -> None:
        """Replace no results that the run did not write, nor pipes or links in their place."""
        for name in (FRONTS, HISTORY, STATUS):
            path = self.path / name
            if not os.path.lexists(path):
                continue
            if path.is_symlink() or not path.is_file():
                raise ResultsError(f"{path} is no plain file; move it away")
            if self.record.there and name not in self.record.names:
                raise ResultsError(f"{path} was not written by the run there; move it away")

    def _resume(self, file: Path) -> None:
        """Accept the run there, its run file taken from the generations where it is not theirs."""
        try:
            kept = kept_run_file(self.path)
        except ResultsError as error:
            kept, doubt = None, str(error)
            if not os.path.lexists(file):
                raise ResultsError(
                    f"{file} is missing and cannot be rebuilt: {doubt}; restore it from a copy"
                ) from None
        content = None
        if os.path.lexists(file):
            try:
                content = read_bytes(file, follow=False)
            except OSError as error:
                raise ResultsError(f"{file} could not be read: {error.strerror}") from error
        if kept is None or content == kept:
            there = parsed_identity(content or b"", file)
            self._check_same(there)
        else:
            there = parsed_identity(kept, file)
            self._check_same(there)
            if content is not None:
                aside = self._set_aside(file)
                self.notes.append(
                    f"{RUN} was damaged or of another run; it is kept as {aside} and was rebuilt "
                    "from the saved generations."
                )
            else:
                self.notes.append(f"{RUN} was missing and was rebuilt from the saved generations.")
            self.record.add(RUN)
            write_file(file, kept, resumable=True)
        self.identity = replace(self.identity, start=there.start)

    def _set_aside(self, file: Path) -> str:
        """Rename what stands in the place of a file of the run; its new name."""
        number = 1
        while os.path.lexists(aside := file.with_name(f"{file.name}.aside-{number}")):
            number += 1
        try:
            os.rename(file, aside)
        except OSError as error:
            raise unwritable(aside, error, resumable=True) from error
        return aside.name

    def _check_same(self, there: RunIdentity) -> None:
        differences = differing(there, self.identity)
        if differences:
            raise ResultsError(
                f"{self.path} cannot be resumed bit for bit: {'; '.join(differences)}; restore "
                f"what changed, or {self.otherwise()}"
            )

    def otherwise(self) -> str:
        """What to do where a run cannot go on, as the end of a sentence."""
        return f"start a new run from what this one found: --out OTHER --start-from {self.path}"

    def _clean(self) -> None:
        """Drop what killed commands left."""
        for folder in (self.path, *(self.path / name for name in self.identity.strategies)):
            clean(folder, alone=True)

    def _enter(self, strategy: str) -> None:
        """Find where a strategy stands; no generation is ever removed."""
        folder = self.path / strategy
        try:
            if not folder.is_dir():
                self.record.add(f"{strategy}/")
                folder.mkdir()
            files = generation_files(folder)
        except OSError as error:
            raise unwritable(folder, error, resumable=True) from error
        try:
            saved = read_state(folder / STATE, self.run)
        except UnusableStateError as error:
            saved, self._unusable[strategy] = None, str(error)
        known = 0 if saved is None else saved.generation
        # the last one recorded need not have been written
        last = max([known, self.record.last_generation(strategy) - 1, *files])
        if last == 0 and strategy in self._unusable:
            raise ResultsError(
                f"{self._unusable[strategy]}, and there is no generation to rebuild the search "
                "from; restore the files from a copy"
            )
        self._complete_files(strategy, last)
        if saved is not None:
            self._last[strategy] = saved

    def _complete_files(self, strategy: str, last: int) -> list[Path]:
        """Files of all generations up to the last, in order."""
        folder = self.path / strategy
        files = generation_files(folder)
        missing = sorted(set(range(1, last + 1)) - set(files))
        if missing:
            raise ResultsError(
                f"{folder} lacks generation {missing[0]}"
                + (f" and {len(missing) - 1} more" if len(missing) > 1 else "")
                + f" of {last}; restore the files, or {self.otherwise()}"
            )
        return [files[number] for number in range(1, last + 1)]

    def _locked(self) -> int:
        """The lock: held by the kernel for a living process, so that a dead owner holds nothing."""
        path = self.path / LOCK
        if os.path.lexists(path) and not _own_lock(path):
            raise ResultsError(f"{path} is not the lock of a run; move it away")
        try:
            flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK
            descriptor = os.open(path, flags, 0o666)
        except OSError as error:
            raise unwritable(path, error, resumable=True) from error
        for tries_left in reversed(range(_LOCK_TRIES)):
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except OSError:
                if tries_left:
                    time.sleep(0.05)
                    continue
                owner = os.pread(descriptor, 200, 0).decode(errors="replace").strip()
                os.close(descriptor)
                raise ResultsError(
                    f"{self.path} is in use by another run"
                    + (f" ({owner})" if owner else "")
                    + "; wait for it, stop it, or choose another directory"
                ) from None
        with suppress(OSError):  # only for the message above; a full disk must not matter
            os.ftruncate(descriptor, 0)
            now = time.strftime("%Y-%m-%d %H:%M:%S")
            os.pwrite(
                descriptor,
                f"process {os.getpid()} on {socket.gethostname()} since {now}".encode(),
                0,
            )
        return descriptor

    def check_owned(self) -> None:
        """Stop before two runs write here, should someone have removed the lock or the directory.

        Raises
        ------
        ResultsError
            If the lock file is no longer the one this run locked.
        """
        try:
            there = os.stat(self.path / LOCK).st_ino
        except OSError:
            there = None
        if there != os.fstat(self._lock).st_ino:
            raise ResultsError(
                f"{self.path / LOCK} was removed or replaced during the run, which stopped so that "
                "no other run is disturbed; it can be resumed"
            )

    def saved(self, strategy: str) -> Saved | None:
        """Where a strategy stands, or None before its first generation."""
        return self._last.get(strategy)

    def unsearched(self, strategy: str) -> list[Path]:
        """Files of the generations, in order, that the search state does not know of."""
        saved, files = self.saved(strategy), generation_files(self.path / strategy)
        return [files[k] for k in sorted(files) if saved is None or k > saved.generation]

    def rebuilt(self, strategy: str, saved: Saved) -> None:
        """Keep a state rebuilt from the generations; what stood in its place is kept, too."""
        place = self.path / strategy / STATE
        if strategy in self._unusable:
            aside = self._set_aside(place)
            reason = f"{self._unusable.pop(strategy)}; it is kept as {aside}"
        else:
            reason = f"{place} " + ("was behind" if strategy in self._last else "was missing")
        self.notes.append(
            f"{reason}. The search was rebuilt from {saved.generation} saved generations; no "
            "design was evaluated again."
        )
        self._write_state(strategy, saved)

    def save(self, strategy: str, dataset: xr.Dataset, saved: Saved) -> None:
        """Keep one generation: its file, which is the record, then the state to go on from.

        Raises
        ------
        ResultsError
            If it cannot be written; the generation before then still stands.
        """
        self.check_owned()
        name = generation_name(saved.generation)
        self.record.add(f"{strategy}/{name}", f"{strategy}/{STATE}")
        attributes = {
            "strategy": strategy,
            "run": self.run,
            "evaluations": np.int64(saved.evaluations),
            "seconds": saved.seconds,
            "hypervolume": saved.hypervolume,
        }
        if saved.generation == 1:  # so that a lost run file can be written again
            attributes["run_file"] = (self.path / RUN).read_text(encoding="utf-8")
        write_file(self.path / strategy / name, encoded(dataset, attributes), resumable=True)
        self._write_state(strategy, saved)

    def _write_state(self, strategy: str, saved: Saved) -> None:
        header = {k: v for k, v in asdict(saved).items() if k != "state"} | {"run": self.run}
        body = STATE_MAGIC + json.dumps(header).encode() + b"\n" + saved.state
        seal = hashlib.sha256(body).hexdigest().encode()
        self.record.add(f"{strategy}/{STATE}")
        write_file(self.path / strategy / STATE, body + b"\n" + seal, resumable=True)
        self._last[strategy] = saved

    def front(self, strategy: str) -> NDArray[np.int64]:
        """Evaluation numbers of all front members of a strategy, ascending.

        Raises
        ------
        ResultsError
            If the strategy has no generation yet.
        """
        saved = self.saved(strategy)
        if saved is None:
            raise ResultsError(f"{self.path / strategy} holds no generation yet")
        last = generation_files(self.path / strategy)[saved.generation]
        return np.asarray(load(last)["front"].values, dtype=np.int64)

    def designs(
        self, strategy: str, evaluations: NDArray[np.int64], *, joined: bool = True
    ) -> xr.Dataset:
        """What is stored about some evaluations, given in ascending order.

        Parameters
        ----------
        strategy : str
        evaluations : array, shape (design,)
        joined : bool
            From the history, which must have been written; otherwise from the saved generations.
        """
        if joined:
            return load(self.path / HISTORY, group=strategy, designs=evaluations)
        return stored_designs(self.path / strategy, evaluations)

    def write_fronts(self, groups: Mapping[str, xr.Dataset], attributes: Mapping[str, Any]) -> Path:
        """Write the result file, one group per strategy; see ``open_results``."""
        self.check_owned()
        path = self.path / FRONTS
        self.record.add(FRONTS)
        root = {**self.identity.attributes(), **attributes}
        write_results(path, groups, root, resumable=True)
        return path

    def write_history(self) -> Path:
        """Write every evaluation of every strategy into one file, reading one generation at a time.

        Raises
        ------
        ResultsError
            If it cannot be written.
        """
        self.check_owned()
        path = self.path / HISTORY
        self.record.add(HISTORY)
        groups = {}
        for strategy in self.identity.strategies:
            if (saved := self.saved(strategy)) is not None:
                files = self._complete_files(strategy, saved.generation)
                groups[strategy] = (files, saved.evaluations)
        join_files(path, groups, self.identity.attributes())
        return path

    def close(self) -> None:
        """Let go of the directory."""
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    def __enter__(self) -> RunDirectory:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
