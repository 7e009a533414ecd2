"""Which files of a run directory its run made: ``--fresh`` removes these and nothing else."""

from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path

from arrayopt.base.errors import ResultsError
from arrayopt.base.files import is_temporary, read_bytes, unwritable, write_file

RECORD = "files.txt"
_HEAD = "arrayopt run: the files it wrote, which --fresh may remove\n"
_NAME = re.compile(
    r"run\.json|fronts\.nc|history\.nc|status\.json|run\.log(\.\d)?"
    r"|[A-Za-z0-9][A-Za-z0-9_-]{0,63}/(state|generation-\d{6,}\.nc)?"
)
"""What a run can have made; a line that means anything else is not followed."""


class FileRecord:
    """The record of one run directory: a line for each file, and "STRATEGY/" for each folder.

    A name is added before its file is made, so that a killed run knows all of its own.

    Raises
    ------
    ResultsError
        If the record there is no plain file of this program.
    """

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self._path = directory / RECORD
        self._whole = True
        self.there = os.path.lexists(self._path)
        self.names: set[str] = set()
        if self.there:
            try:
                text = read_bytes(self._path, follow=False).decode(errors="replace")
            except OSError as error:
                raise ResultsError(f"{self._path} could not be read: {error.strerror}") from error
            if not text.startswith(_HEAD):
                raise ResultsError(f"{self._path} was not written by a run; move it away")
            self._whole = text.endswith("\n")
            self.names = {line for line in text.split("\n")[1:] if _NAME.fullmatch(line)}

    def add(self, *names: str) -> None:
        """Note names that are about to be made.

        Raises
        ------
        ResultsError
            If that cannot be written.
        """
        new = [name for name in names if name not in self.names]
        if not new:
            return
        lines = "".join(f"{name}\n" for name in new)
        if self.there:
            self._append((("" if self._whole else "\n") + lines).encode())
        else:
            write_file(self._path, (_HEAD + lines).encode(), resumable=True)
        self.there = self._whole = True
        self.names.update(new)

    def _append(self, content: bytes) -> None:
        self._whole = False
        try:
            descriptor = os.open(self._path, os.O_WRONLY | os.O_APPEND | os.O_NOFOLLOW)
            try:  # not synchronised: after a power cut --fresh names what it cannot know
                while content:
                    content = content[os.write(descriptor, content) :]
            finally:
                os.close(descriptor)
        except OSError as error:
            raise unwritable(self._path, error, resumable=True) from error

    def restart(self, name: str) -> None:
        """Begin anew with one file, where none of those recorded is left; folders are kept.

        Raises
        ------
        ResultsError
            If that cannot be written.
        """
        folders = sorted(old for old in self.names if old.endswith("/"))
        self.names, self.there = set(), False
        self.add(name, *folders)

    def existing(self) -> list[str]:
        """Recorded files that are there."""
        files = sorted(name for name in self.names if not name.endswith("/"))
        return [name for name in files if os.path.lexists(self.directory / name)]

    def last_generation(self, strategy: str) -> int:
        """The last generation of a strategy that the run was about to write; 0 if none."""
        start = f"{strategy}/generation-"
        return max(
            (int(n[len(start) : -3]) for n in self.names if n.startswith(start)),
            default=0,
        )

    def strangers(self, lock: str) -> list[str]:
        """What else lies in the directory, relative to it; not what this program makes in passing.

        Links, folders and devices in the place of a recorded file count too.
        """
        out = []
        for entry in _entries(self.directory):
            if entry.name == lock or entry.name == RECORD:
                continue
            if f"{entry.name}/" in self.names and entry.is_dir(follow_symlinks=False):
                inside = ((f"{entry.name}/{e.name}", e) for e in _entries(Path(entry.path)))
                out += [name for name, inner in inside if not self._own(name, inner)]
            elif not self._own(entry.name, entry):
                out.append(entry.name)
        return sorted(out)

    def _own(self, name: str, entry: os.DirEntry[str]) -> bool:
        recorded = name in self.names and entry.is_file(follow_symlinks=False)
        return recorded or is_temporary(entry.name)

    def remove_all(self) -> None:
        """Remove every recorded file and then the record; what is no plain file stays.

        Raises
        ------
        ResultsError
            If something cannot be removed; the rest of the record stands.
        """
        # run file and first generations first: without them nothing is resumed
        order = sorted(n for n in self.names if not n.endswith("/"))
        order.sort(key=lambda n: n != "run.json" and not n.endswith("/generation-000001.nc"))
        folders = sorted(n for n in self.names if n.endswith("/"))
        try:
            for name in order:
                (self.directory / name).unlink(missing_ok=True)
            for name in folders:
                with suppress(FileNotFoundError):
                    (self.directory / name).rmdir()
            self._path.unlink(missing_ok=True)
        except OSError as error:
            raise unwritable(self.directory, error, resumable=True) from error
        self.names, self.there, self._whole = set(), False, True


def _entries(folder: Path) -> list[os.DirEntry[str]]:
    with os.scandir(folder) as found:
        return list(found)
