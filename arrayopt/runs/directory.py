"""A run directory: one owner, every generation kept, and nothing half-written that counts.

Layout and guarantees: docs/run-directory.md.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import shutil
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
from arrayopt.base.files import clear_leftovers, unwritable, write_file
from arrayopt.runs.identity import RUN, RunIdentity, differing, read_identity
from arrayopt.runs.saved import (
    STATE,
    STATE_MAGIC,
    Saved,
    generation_files,
    read_state,
    stored_designs,
)
from arrayopt.runs.store import FRONTS, encoded, join_files, load, write_results

HISTORY, LOCK = "history.nc", "lock"
STATUS, LOG = "status.json", "run.log"
_LOCK_TRIES = 20  # of 50 ms: `owner_of` holds the lock for an instant
_GENERATION = re.compile(r"generation-(\d{6,})\.nc")
_STRATEGY = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")


def owner_of(directory: Path) -> str | None:
    """Who runs in a directory now, as written in its lock; None if nobody does."""
    try:
        descriptor = os.open(Path(directory) / LOCK, os.O_RDONLY)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return os.pread(descriptor, 200, 0).decode(errors="replace").strip() or "unknown process"
    finally:
        os.close(descriptor)
    return None


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
        try:
            self.path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise unwritable(self.path, error, resumable=True) from error
        self._lock = self._locked()
        try:
            self._begin(resume, fresh)
        except BaseException:
            self.close()
            raise

    def _begin(self, resume: bool, fresh: bool) -> None:
        file = self.path / RUN
        if fresh:
            self._remove_run()
        if file.exists():
            if not resume:
                raise ResultsError(
                    f"{self.path} already holds a run; --resume continues it to the total budget, "
                    "--fresh removes it and starts again"
                )
            there = read_identity(self.path)
            self._check_same(there)
            self.identity = replace(self.identity, start=there.start)
        else:
            write_file(file, self.identity.to_json(), resumable=True)
        self.run = hashlib.sha256(file.read_bytes()).hexdigest()
        for strategy in self.identity.strategies:
            self._tidy(strategy)

    def _check_same(self, there: RunIdentity) -> None:
        differences = differing(there, self.identity)
        if differences:
            raise ResultsError(
                f"{self.path} cannot be resumed bit for bit: {'; '.join(differences)}; restore "
                "what changed, or start a new run from what this one found: --out OTHER "
                f"--start-from {self.path}"
            )

    def _remove_run(self) -> None:
        # the run file first: without it nothing is resumed
        for name in (RUN, FRONTS, HISTORY, STATUS, LOG):
            (self.path / name).unlink(missing_ok=True)
        for piece in self.path.glob(f"{LOG}.[0-9]"):
            piece.unlink()
        for folder in self.path.iterdir():
            if folder.is_dir() and not folder.is_symlink() and (folder / STATE).is_file():
                shutil.rmtree(folder)
        for strategy in self.identity.strategies:
            if (self.path / strategy).is_dir():
                shutil.rmtree(self.path / strategy)

    def _tidy(self, strategy: str) -> None:
        """Drop what an interrupted write left: parts, and generations newer than the state."""
        folder = self.path / strategy
        try:
            folder.mkdir(exist_ok=True)
            saved = self.saved(strategy)
            last = 0 if saved is None else saved.generation
            for place in (self.path, folder):
                clear_leftovers(place, alone=True)
            for number, file in generation_files(folder).items():
                if number > last:
                    file.unlink()
        except OSError as error:
            raise unwritable(folder, error, resumable=True) from error
        self._complete_files(strategy, last)

    def _complete_files(self, strategy: str, last: int) -> list[Path]:
        """Files of all generations up to the last, in order."""
        folder = self.path / strategy
        files = generation_files(folder)
        missing = sorted(set(range(1, last + 1)) - set(files))
        if missing:
            raise ResultsError(
                f"{folder} lacks generation {missing[0]}"
                + (f" and {len(missing) - 1} more" if len(missing) > 1 else "")
                + f" of {last}; restore the files, or --fresh starts again"
            )
        return [files[number] for number in range(1, last + 1)]

    def _locked(self) -> int:
        """The lock: held by the kernel for a living process, so that a dead owner holds nothing."""
        path = self.path / LOCK
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
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
        return read_state(self.path / strategy / STATE, self.run)

    def save(self, strategy: str, dataset: xr.Dataset, saved: Saved) -> None:
        """Keep one generation: its file, then the state that makes it count.

        Raises
        ------
        ResultsError
            If it cannot be written; the generation before then still stands.
        """
        self.check_owned()
        folder = self.path / strategy
        header = {k: v for k, v in asdict(saved).items() if k != "state"} | {"run": self.run}
        body = STATE_MAGIC + json.dumps(header).encode() + b"\n" + saved.state
        seal = hashlib.sha256(body).hexdigest().encode()
        write_file(
            folder / f"generation-{saved.generation:06d}.nc",
            encoded(dataset, {"strategy": strategy, "run": self.run}),
            resumable=True,
        )
        write_file(folder / STATE, body + b"\n" + seal, resumable=True)

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
