"""Where commands may write: never over an input, nor over what this program did not make.

`Output` guards one file, `FileSet` the files that a command writes into a folder together. What
each command may write, replace and delete: docs/run-directory.md.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from arrayopt.base.files import (
    OutputError,
    clear_leftovers,
    fill,
    is_temporary,
    open_plain,
    publish,
    read_bytes,
    shown,
    temporary_file,
    temporary_folder,
    unwritable,
    write_file,
)
from arrayopt.base.text import visible

PAGE_MARK = '<meta name="generator" content="arrayopt report">'
"""In the head of every report."""
_SHOWN = 5  # names worth repeating in a message


@dataclass(frozen=True)
class Kind:
    """A kind of file: what it is, how its name ends, and how to tell one that was written before.

    ``ours`` is given a path and may raise any error for a file that is something else.
    """

    name: str
    suffixes: tuple[str, ...]
    ours: Callable[[Path], bool]


@dataclass(frozen=True)
class Output:
    """One file to be written; made before any work, so that what is in the way is said first.

    Parameters
    ----------
    path : the file.
    kind : what will be in it.
    inputs : files that the command reads; folders do not matter.
    overwrite : a file of another origin may be replaced.

    Raises
    ------
    OutputError : the name is an input's or another kind's, there is no place for it, or there is a
        file that is not of this kind and origin.
    """

    path: Path
    kind: Kind
    inputs: tuple[Path, ...] = ()
    overwrite: bool = False

    def __post_init__(self) -> None:
        clean(self.path.parent)
        self.check()

    def check(self) -> bool:
        """Raise unless the file may be written; True if one of that name is to be replaced."""
        path, kind, mode = self.path, self.kind, _mode(self.path)
        if mode is not None and path.is_dir():
            raise OutputError(f"{shown(path)} is a folder; a file is needed")
        if path.suffix.lower() not in kind.suffixes:
            needed = " or ".join(kind.suffixes)
            raise OutputError(
                f"{shown(path)}: the name of {kind.name} ends in {needed}; nothing was written"
            )
        check_folder(path.parent, path)
        for source in self.inputs:
            if _same(path, source):
                raise OutputError(
                    f"{shown(path)} is read by this command ({shown(source)}) and is not "
                    "overwritten; name another file"
                )
        if mode is None:
            return False
        if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode)):
            raise OutputError(f"{shown(path)} is no plain file and is not replaced")
        if not self.overwrite and not (stat.S_ISREG(mode) and _is(kind, path)):
            what = "a link" if stat.S_ISLNK(mode) else f"not {kind.name} made by this command"
            raise OutputError(
                f"{shown(path)} exists and is {what}; name another file, or replace it with "
                "--overwrite"
            )
        return True

    def write(self, content: bytes) -> None:
        """Write the file, complete or not at all.

        Raises
        ------
        OutputError : it cannot be written, or something else took its name meanwhile.
        """
        write_file(self.path, content, replace=self.check())


def check_folder(folder: Path, path: Path) -> None:
    """Say before any work that there is no place for a file or folder.

    Raises
    ------
    OutputError : no such folder, or no permission.
    """
    try:
        if not stat.S_ISDIR(os.stat(folder).st_mode):
            raise OutputError(f"{shown(path)} could not be written: {shown(folder)} is no folder")
    except (OSError, ValueError) as error:
        raise unwritable(path, error) from None
    if not os.access(folder, os.W_OK | os.X_OK):
        raise OutputError(
            f"{shown(path)} could not be written: there is no permission to write into "
            f"{shown(folder)}; correct the permissions, or name another place"
        )


def clean(folder: Path, *, alone: bool = False) -> None:
    """Remove what killed commands left in a folder, and say so at once; see `clear_leftovers`."""
    for place in clear_leftovers(folder, alone=alone):
        import logging  # seldom needed

        told = logging.getLogger("arrayopt")
        told.warning("Removed %s, which a killed command left.", visible(place))


def _mode(path: Path) -> int | None:
    """Kind of what has this name, of a link itself; None for nothing."""
    try:
        return os.lstat(path).st_mode
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, ValueError) as error:
        raise unwritable(path, error) from None


def _same(path: Path, other: Path) -> bool:
    """Are these one file, by whatever names, or would they be?"""
    try:
        return os.path.samefile(path, other)
    except (OSError, ValueError):
        return os.path.realpath(path) == os.path.realpath(other)


def _is(kind: Kind, path: Path) -> bool:
    try:
        return kind.ours(path)
    except Exception:  # whatever a reader finds wrong with a file of another kind
        return False


def begins_with(mark: bytes, *, within: int = 4096) -> Callable[[Path], bool]:
    """Tells files that hold a mark in their first bytes."""

    def ours(path: Path) -> bool:
        with open_plain(path) as stream:
            return mark in stream.read(within)

    return ours


def digest(path: Path) -> str:
    """SHA-256 of a plain file.

    Raises
    ------
    OSError : it cannot be read or is no plain file.
    """
    with open_plain(path, follow=False) as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def listing(folder: Path) -> dict[str, dict[str, Any]]:
    """Size and digest of every file in a folder, by name."""
    return {
        path.name: {"bytes": path.stat().st_size, "sha256": digest(path)}
        for path in sorted(folder.iterdir())
    }


@dataclass
class FileSet:
    """Files that a command writes into a folder together; one of them, the index, lists them.

    The index is JSON with the `listing` of the others as ``files``. Only what an index of this kind
    lists, unchanged, is replaced or removed later. While files of a folder are being exchanged the
    index also lists, as ``before``, what they replace: after a kill both are known to be ours.

    Parameters
    ----------
    folder : the folder, which need not exist.
    index : name of the index.
    ours : tells an index of this kind from its content.
    overwrite : files of another origin may be replaced.

    Raises
    ------
    OutputError : it is no folder, or there is no permission to write.
    """

    folder: Path
    index: str
    ours: Callable[[Mapping[str, Any]], bool]
    overwrite: bool = False
    listed: dict[str, set[str]] | None = field(init=False)
    """Digests of the files an earlier command wrote, by name; None where there is no index."""

    def __post_init__(self) -> None:
        mode = _mode(self.folder)
        if mode is not None and not self.folder.is_dir():
            raise OutputError(f"{shown(self.folder)} is no folder; name another")
        if mode is not None:
            clean(self.folder)
            check_folder(self.folder, self.folder)
        else:
            there = next(p for p in self.folder.absolute().parents if _mode(p) is not None)
            clean(self.folder.absolute().parent)
            check_folder(there, self.folder)
        self.listed = self._listed()

    def _listed(self) -> dict[str, set[str]] | None:
        try:
            content = json.loads(read_bytes(self.folder / self.index, follow=False))
            if not self.ours(content):
                return None
            found: dict[str, set[str]] = {}
            for files in (content["files"], content.get("before", {})):
                for name, told in files.items():
                    if os.path.basename(name) == name and name not in ("", ".", "..", self.index):
                        found.setdefault(name, set()).add(str(told["sha256"]))
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return None
        return found

    def others(self) -> list[str]:
        """Names in the folder that no earlier command listed."""
        if _mode(self.folder) is None:
            return []
        known = set() if self.listed is None else {*self.listed, self.index}
        names = os.listdir(self.folder)
        return sorted(name for name in names if name not in known and not is_temporary(name))

    def changed(self, names: Iterable[str]) -> list[str]:
        """Which of these names the folder holds otherwise than an earlier command wrote them."""
        here = sorted(set(names) - {self.index}) if self.listed is not None else sorted(names)
        return [n for n in here if _mode(self.folder / n) is not None and not self._unchanged(n)]

    def _unchanged(self, name: str) -> bool:
        try:
            return digest(self.folder / name) in (self.listed or {}).get(name, ())
        except OSError:
            return False

    @contextmanager
    def staged(self) -> Iterator[Path]:
        """A temporary folder for the files: beside a folder to be made, or in the one there."""
        there = _mode(self.folder) is not None
        place = self.folder if there else self.folder.absolute().parent
        place.mkdir(parents=True, exist_ok=True)
        with temporary_folder(place) as part:
            yield part

    def put(self, part: Path, content: Mapping[str, Any]) -> None:
        """Give complete files their place.

        Parameters
        ----------
        part : the folder of `staged`, with all files but the index.
        content : of the index, without its list of files.

        Raises
        ------
        OutputError : one of them would replace a file of another origin.
        OSError
        """
        files = listing(part)
        wrong = self.changed([*files, self.index])
        if self.overwrite:
            wrong = [name for name in wrong if (self.folder / name).is_dir()]
        if wrong:
            raise in_the_way(self.folder, wrong)
        for name in files:
            _synchronise(part / name)
        final = {**content, "files": files}
        if _mode(self.folder) is None:
            fill(part / self.index, index_text(final))
            publish(part, self.folder)
            return
        old = [name for name in self.listed or () if self._unchanged(name)]
        before = {name: {"sha256": digest(self.folder / name)} for name in old}
        self._put_index({**final, "before": before})
        for name in files:
            publish(part / name, self.folder / name)
        for name in old:
            if name not in files:
                os.unlink(self.folder / name)
        self._put_index(final)

    def _put_index(self, content: Mapping[str, Any]) -> None:
        with temporary_file(self.folder) as place:
            fill(place, index_text(content))
            publish(place, self.folder / self.index)

    def write(self, files: Mapping[str, bytes], content: Mapping[str, Any]) -> None:
        """Write files and index from memory; see `put`.

        Raises
        ------
        OutputError : also where they cannot be written.
        """
        try:
            with self.staged() as part:
                for name, text in files.items():
                    fill(part / name, text)
                self.put(part, content)
        except OSError as error:
            raise unwritable(self.folder, error) from error


def in_the_way(folder: Path, names: Collection[str]) -> OutputError:
    """The error where files of another origin have the names of those to be written."""
    few = ", ".join(sorted(names)[:_SHOWN])
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return OutputError(
        f"{shown(folder)} holds {few}{more}, not written by this command or changed since; name "
        "another folder, or move them away"
    )


def index_text(content: Mapping[str, Any]) -> bytes:
    """An index as it is stored."""
    return (json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _synchronise(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
