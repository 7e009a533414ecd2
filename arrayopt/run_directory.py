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
from dataclasses import asdict, dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from arrayopt.errors import ResultsError
from arrayopt.sealed import FORMAT, PROGRAM, unwritable, write_file
from arrayopt.store import FRONTS, encoded, join_files, load, write_results

HISTORY, RUN, STATE, LOCK = "history.nc", "run.json", "state", "lock"
_GENERATION = re.compile(r"generation-(\d{6,})\.nc")
_STRATEGY = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_STATE_MAGIC = b"arrayopt search state 1\n"


@dataclass(frozen=True)
class RunIdentity:
    """What must agree before a run goes on: the same study, seed, settings and versions.

    Parameters
    ----------
    study : str
        Text of the study file.
    digest : str
        Digest of its meaning.
    seed : int
    strategies : tuple of str
        Names, letters, digits, "-" and "_".
    settings : mapping
        Search settings, of JSON values.
    versions : mapping of str to str
        Packages whose change may change numbers.
    """

    study: str
    digest: str
    seed: int
    strategies: tuple[str, ...]
    settings: Mapping[str, Any]
    versions: Mapping[str, str]

    def attributes(self) -> dict[str, Any]:
        """Attributes for result files; the versions and settings as JSON."""
        return {
            "study": self.study,
            "digest": self.digest,
            "seed": str(self.seed),
            "settings": json.dumps(dict(self.settings), sort_keys=True),
            "versions": json.dumps(dict(self.versions), sort_keys=True),
        }

    def to_json(self) -> bytes:
        """Content of the run file; equal identities give equal bytes."""
        content = {"program": PROGRAM, "format": FORMAT, **asdict(self)}
        return json.dumps(content, indent=1, sort_keys=True).encode()


def read_identity(directory: Path) -> RunIdentity:
    """Which run a directory holds.

    Raises
    ------
    ResultsError
        If it holds none that this version can read.
    """
    path = Path(directory) / RUN
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(content, dict) or content.pop("program") != PROGRAM:
            raise KeyError
        if (version := content.pop("format")) != FORMAT:
            raise ResultsError(
                f"{path} has format {version}, and this version reads {FORMAT}; update {PROGRAM}"
            )
        content["strategies"] = tuple(content["strategies"])
        return RunIdentity(**content)
    except FileNotFoundError:
        raise ResultsError(f"{directory} holds no run ({RUN} is missing)") from None
    except OSError as error:
        raise ResultsError(f"{path} could not be read: {error.strerror}") from error
    except (ValueError, KeyError, TypeError):
        raise ResultsError(f"{path} is damaged or was not written by {PROGRAM}") from None


@dataclass(frozen=True)
class Saved:
    """Where one strategy stands: its last complete generation and, apart from it, the state."""

    generation: int
    evaluations: int
    seconds: float
    hypervolume: float
    state: bytes


def read_state(path: Path, run: str) -> Saved | None:
    """The saved search of one strategy, or None where nothing was saved yet.

    Parameters
    ----------
    path : Path
        The state file.
    run : str
        SHA-256 of the run file it must belong to.

    Raises
    ------
    ResultsError
        Unless the file is a plain file of this user, belongs to the run and is undamaged. Only then
        may ``state`` be unpickled.
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise ResultsError(f"{path} could not be read: {error.strerror}") from error
    with os.fdopen(descriptor, "rb") as stream:
        owner, content = os.fstat(descriptor).st_uid, stream.read()
    if owner != os.geteuid():
        raise ResultsError(
            f"{path} belongs to another user and is not loaded; copy the run directory first"
        )
    body, _, seal = content.rpartition(b"\n")
    if not content.startswith(_STATE_MAGIC) or hashlib.sha256(body).hexdigest().encode() != seal:
        raise ResultsError(
            f"{path} is damaged (its checksum does not match); the generations beside it are "
            "readable, and --fresh starts again"
        )
    line, _, state = body[len(_STATE_MAGIC) :].partition(b"\n")
    header = json.loads(line)
    if header.pop("run") != run:
        raise ResultsError(f"{path} belongs to another run and is not loaded")
    return Saved(state=state, **header)


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
            raise unwritable(self.path, error) from error
        self._lock = self._locked()
        try:
            self._begin(resume, fresh)
        except BaseException:
            self.close()
            raise

    def _begin(self, resume: bool, fresh: bool) -> None:
        content = self.identity.to_json()
        file = self.path / RUN
        if fresh:
            self._remove_run()
        if file.exists():
            if not resume:
                raise ResultsError(
                    f"{self.path} already holds a run; --resume continues it to the total budget, "
                    "--fresh removes it and starts again"
                )
            self._check_same(read_identity(self.path))
        else:
            write_file(file, content)
        self.run = hashlib.sha256(file.read_bytes()).hexdigest()
        for strategy in self.identity.strategies:
            self._tidy(strategy)

    def _check_same(self, there: RunIdentity) -> None:
        differences = [
            f"{key} {old or 'none'} there, {new or 'none'} here"
            for key in sorted({*there.versions, *self.identity.versions})
            if (old := there.versions.get(key)) != (new := self.identity.versions.get(key))
        ]
        if there.digest != self.identity.digest:
            differences.insert(0, "the study was changed")
        if there.seed != self.identity.seed:
            differences.append(f"seed {there.seed} there, {self.identity.seed} here")
        if there.strategies != self.identity.strategies:
            differences.append(f"strategies {', '.join(there.strategies)} there")
        if json.dumps(dict(there.settings), sort_keys=True) != json.dumps(
            dict(self.identity.settings), sort_keys=True
        ):
            differences.append("the search settings were changed")
        if differences:
            raise ResultsError(
                f"{self.path} cannot be resumed bit for bit: {'; '.join(differences)}; restore "
                "what changed, or start in another directory"
            )

    def _remove_run(self) -> None:
        for name in (RUN, FRONTS, HISTORY):  # the run file first: without it nothing is resumed
            (self.path / name).unlink(missing_ok=True)
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
            for file in [*self.path.glob(".*.part"), *folder.glob(".*.part")]:
                file.unlink(missing_ok=True)
            for number, file in _generation_files(folder).items():
                if number > last:
                    file.unlink()
        except OSError as error:
            raise unwritable(folder, error) from error
        missing = sorted(set(range(1, last + 1)) - set(_generation_files(folder)))
        if missing:
            raise ResultsError(
                f"{folder} lacks generation {missing[0]}"
                + (f" and {len(missing) - 1} more" if len(missing) > 1 else "")
                + f" of {last}; restore the files, or --fresh starts again"
            )

    def _locked(self) -> int:
        """The lock: held by the kernel for a living process, so that a dead owner holds nothing."""
        path = self.path / LOCK
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        except OSError as error:
            raise unwritable(path, error) from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
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
        body = _STATE_MAGIC + json.dumps(header).encode() + b"\n" + saved.state
        seal = hashlib.sha256(body).hexdigest().encode()
        write_file(
            folder / f"generation-{saved.generation:06d}.nc",
            encoded(dataset, {"strategy": strategy, "run": self.run}),
        )
        write_file(folder / STATE, body + b"\n" + seal)

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
        last = _generation_files(self.path / strategy)[saved.generation]
        return np.asarray(load(last)["front"].values, dtype=np.int64)

    def designs(self, strategy: str, evaluations: NDArray[np.int64]) -> xr.Dataset:
        """What the history, which must have been written, holds about some evaluations."""
        return load(self.path / HISTORY, group=strategy, designs=evaluations)

    def write_fronts(self, groups: Mapping[str, xr.Dataset], attributes: Mapping[str, Any]) -> Path:
        """Write the result file, one group per strategy; see ``open_results``."""
        self.check_owned()
        path = self.path / FRONTS
        root = {**self.identity.attributes(), **attributes}
        write_results(path, groups, root)
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
                files = sorted(_generation_files(self.path / strategy).items())
                groups[strategy] = ([file for _, file in files], saved.evaluations)
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


def _generation_files(folder: Path) -> dict[int, Path]:
    matches = ((_GENERATION.fullmatch(p.name), p) for p in folder.iterdir())
    return {int(match[1]): path for match, path in matches if match}
