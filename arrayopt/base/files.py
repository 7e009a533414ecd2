"""Files that are there whole or not at all, and that show when they were damaged.

Reading never waits: what is no plain file (a pipe, a device) is refused before it is opened.
Writing goes to a temporary place beside the target, with a name that nobody can foresee, and ends
with a rename; what a killed command leaves is known by that name and removed by the next one.

The last line of a file, its trailer, states its format and the SHA-256 of all before it. HDF5
ignores what follows its data, so such a netCDF-4 file stays readable by every program. The trailer
is checked before the file is given to HDF5, which crashes on some damaged files.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from io import BufferedReader, BufferedWriter
from pathlib import Path

from arrayopt.base.errors import ResultsError

FORMAT = 2
PROGRAM = "arrayopt"
_HDF_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_TRAILER = re.compile(rb"\narrayopt format ([0-9]{4}) sha256 ([0-9a-f]{64})\n")
_TRAILER_LENGTH = 1 + 15 + 1 + 4 + 8 + 64 + 1
_BLOCK = 1 << 20
_PLACE = re.compile(r"\.arrayopt-([0-9a-f]{8})-([0-9]{1,9})-[0-9a-f]{16}\.part")
_KINDS = {
    stat.S_IFDIR: "a folder",
    stat.S_IFIFO: "a named pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
}
_SPACE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_LONGEST_NAME = 200  # characters of a path worth repeating in a message


class OutputError(ResultsError):
    """A file cannot be written, or must not be; whatever was there is as it was."""


def shown(path: str | os.PathLike[str]) -> str:
    """A path as messages name it: a name of thousands of characters is cut."""
    text = os.fspath(path)
    return text if len(text) <= _LONGEST_NAME else f"{text[:_LONGEST_NAME]}..."


def open_plain(path: str | os.PathLike[str], *, follow: bool = True) -> BufferedReader:
    """Open a plain file for reading; a pipe or a device is refused, and nothing is waited for.

    Parameters
    ----------
    path : the file.
    follow : False refuses a link.

    Raises
    ------
    OSError : it cannot be opened or is no plain file; ``strerror`` tells which, as a phrase.
    """
    name = os.fspath(path)
    if "\0" in name:
        raise OSError(errno.EINVAL, "a name cannot hold a NUL character")
    _refuse_special(os.stat(name, follow_symlinks=follow).st_mode)
    flags = os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | (0 if follow else os.O_NOFOLLOW)
    descriptor = os.open(name, flags)
    try:
        _refuse_special(os.fstat(descriptor).st_mode)  # it may be another by now
        return os.fdopen(descriptor, "rb")
    except BaseException:
        os.close(descriptor)
        raise


def _refuse_special(mode: int) -> None:
    if stat.S_ISREG(mode):
        return
    kind = "a link" if stat.S_ISLNK(mode) else _KINDS.get(stat.S_IFMT(mode), "something else")
    number = errno.EISDIR if stat.S_ISDIR(mode) else errno.EINVAL
    raise OSError(number, f"it is {kind}, and a plain file is needed")


def open_to_append(path: Path) -> BufferedWriter:
    """Open a plain file to add to its end, or a new one; neither follows a link nor waits.

    Raises
    ------
    OSError : as `open_plain`.
    """
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY
    descriptor = os.open(path, flags, 0o666)
    try:
        _refuse_special(os.fstat(descriptor).st_mode)
        return os.fdopen(descriptor, "ab")
    except BaseException:
        os.close(descriptor)
        raise


def read_bytes(path: str | os.PathLike[str], *, follow: bool = True) -> bytes:
    """Content of a plain file; see `open_plain`."""
    with open_plain(path, follow=follow) as stream:
        return stream.read()


def read_text(path: str | os.PathLike[str]) -> str:
    """Content of a plain file in UTF-8, line ends as Python has them; see `open_plain`.

    Raises
    ------
    OSError, UnicodeDecodeError
    """
    return read_bytes(path).decode("utf-8").replace("\r\n", "\n").replace("\r", "\n")


@contextmanager
def temporary_file(folder: Path) -> Iterator[Path]:
    """A new, empty file in a folder, to be written and given its name by `publish`.

    What still lies there at the end, also by an exception or a signal that raises one, is removed.
    """
    with _temporary(folder, _new_file) as place:
        yield place


@contextmanager
def temporary_folder(folder: Path) -> Iterator[Path]:
    """As `temporary_file`, a folder with all that is in it."""
    with _temporary(folder, os.mkdir) as place:
        yield place


def _new_file(place: Path) -> None:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
    os.close(os.open(place, flags, 0o666))


@contextmanager
def _temporary(folder: Path, make: Callable[[Path], None]) -> Iterator[Path]:
    name = f".{PROGRAM}-{_machine()}-{os.getpid()}-{os.urandom(8).hex()}.part"
    place = Path(os.path.abspath(folder)) / name
    try:
        make(place)
        yield place
    finally:
        try:
            _remove(place)
        except BaseException:  # a signal that raises came between looking and removing
            _remove(place)
            raise


@cache
def _machine() -> str:
    """Where a process number means something: this host, and in it this container."""
    import socket  # not for those who only read

    space = ""
    with suppress(OSError):
        space = os.readlink("/proc/self/ns/pid")
    return hashlib.sha256(f"{socket.gethostname()} {space}".encode()).hexdigest()[:8]


def _remove(place: Path) -> None:
    with suppress(OSError):
        if stat.S_ISDIR(os.lstat(place).st_mode):
            import shutil  # seldom needed

            shutil.rmtree(place)
        else:
            os.unlink(place)


def is_temporary(name: str) -> bool:
    """Is this the name of a temporary place of this program, in use or left behind?"""
    return _PLACE.fullmatch(name) is not None


def clear_leftovers(folder: Path, *, alone: bool = False) -> list[Path]:
    """Remove temporary files and folders that killed commands left in a folder; their paths.

    Only what certainly is one goes: named as `temporary_file` names it, of this user, no link, and
    made by a process that has ended.

    Parameters
    ----------
    folder : where to look; what lies deeper is not touched.
    alone : the caller holds the folder's lock, so that processes of other machines have ended too.
    """
    gone = []
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            match = _PLACE.fullmatch(entry.name)
            if match is None or entry.is_symlink() or entry.stat().st_uid != os.geteuid():
                continue
            if alone if match[1] != _machine() else not _alive(int(match[2])):
                _remove(Path(entry.path))
                gone.append(Path(entry.path))
    return gone


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        pass
    return True


def write_file(
    path: Path, content: bytes, *, replace: bool = True, resumable: bool = False
) -> None:
    """Write a file so that at any moment either the old or the whole new one is there.

    Parameters
    ----------
    path : the file; a link is replaced, not followed.
    content : all of it.
    replace : False refuses where there is something of that name.
    resumable : it belongs to a run that can go on, which the message says.

    Raises
    ------
    OutputError
        If it cannot be written (full disk, no permission); the old file is then untouched.
    """
    try:
        with temporary_file(path.parent) as place:
            fill(place, content)
            publish(place, path, replace=replace)
    except OSError as error:
        raise unwritable(path, error, resumable=resumable) from error


def fill(place: Path, content: bytes) -> None:
    """Write and synchronise the content of a temporary file."""
    descriptor = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_NOFOLLOW, 0o666)
    try:
        view = memoryview(content)
        while view:
            view = view[os.write(descriptor, view) :]
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def publish(temporary: Path, path: Path, *, replace: bool = True) -> None:
    """Give a complete, synchronised file its name, for good.

    Raises
    ------
    FileExistsError : there is one, and `replace` is False.
    OSError
    """
    if replace:
        os.replace(temporary, path)
    else:
        _name_new(temporary, path)
    directory = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)


def _name_new(temporary: Path, path: Path) -> None:
    """Rename without replacing: a second name is refused where there is one already."""
    try:
        os.link(temporary, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without second names, or the same trouble again
        if os.path.lexists(path):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from None
        os.replace(temporary, path)


def unwritable(path: Path, error: Exception, *, resumable: bool = False) -> OutputError:
    """The error to raise where a file cannot be written: what, why, and what to do about it.

    Parameters
    ----------
    path : the file or folder that was to be written.
    error : why not.
    resumable : it belongs to a run, of which all that was saved before is intact.
    """
    number = getattr(error, "errno", None)
    if isinstance(error, FileNotFoundError):
        folder = path.parent if os.fspath(path.parent) else Path()
        reason = (
            "its folder is gone; was it removed or renamed during the run?"
            if resumable
            else f"there is no folder {shown(folder)}; make it, or name another place"
        )
        return OutputError(f"{shown(path)} could not be written: {reason}")
    if isinstance(error, FileExistsError):
        reason = "there is a file of that name by now; name another"
        return OutputError(f"{shown(path)} could not be written: {reason}")
    reason = getattr(error, "strerror", None) or str(error)
    if number == errno.ENAMETOOLONG:
        advice = "choose a shorter name"
    elif number in _SPACE:
        advice = "free space"
    elif number in (errno.EACCES, errno.EPERM, errno.EROFS):
        advice = "correct the permissions, or name another place"
    else:
        advice = "name another place"
    if resumable:
        what = advice.partition(",")[0] if number else "mend that"
        advice = f"everything saved before is intact, so {what} and resume"
    elif number in _SPACE:
        advice += " and give the command again; nothing was left half-written"
    return OutputError(f"{shown(path)} could not be written: {reason}; {advice}")


def full_disk(place: Path) -> OSError | None:
    """Why no more can be written into a file, where a library did not tell; None if it can.

    netCDF reports a full disk as missing permission or in words of its own.
    """
    try:
        descriptor = os.open(place, os.O_WRONLY | os.O_APPEND | os.O_NOFOLLOW)
        try:
            block = memoryview(bytes(_BLOCK))
            while block:
                block = block[os.write(descriptor, block) :]
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        return error
    return None


def other_format(version: object) -> str:
    """What is wrong with a file of another format than this version's, and what to do."""
    told = f"has format {version}, and this version reads {FORMAT}"
    if isinstance(version, int) and version < FORMAT:
        return f"{told}: it holds figures of ideal arrays; read it with the version that wrote it"
    return f"{told}; update {PROGRAM}"


def _trailer(digest: str) -> bytes:
    return f"\n{PROGRAM} format {FORMAT:04d} sha256 {digest}\n".encode()


def with_trailer(content: bytes) -> bytes:
    """Content with its trailer."""
    return content + _trailer(hashlib.sha256(content).hexdigest())


def add_trailer(path: Path) -> None:
    """Add the trailer to a file that was just written, and synchronise it."""
    digest = _digest(path, path.stat().st_size)
    with open_to_append(path) as stream:
        stream.write(_trailer(digest))
        stream.flush()
        os.fsync(stream.fileno())


def _digest(path: Path, size: int) -> str:
    digest = hashlib.sha256()
    with open_plain(path) as stream:
        while size > 0 and (block := stream.read(min(_BLOCK, size))):
            digest.update(block)
            size -= len(block)
    return digest.hexdigest()


def check_trailer(path: Path) -> None:
    """Make sure that a netCDF-4 file is what this program wrote, before anything parses it.

    Raises
    ------
    ResultsError
        If it is missing, not netCDF-4, truncated, damaged, foreign or of a newer format.
    """
    try:
        with open_plain(path) as stream:
            start = stream.read(48)
            size = stream.seek(0, os.SEEK_END)
            stream.seek(max(0, size - _TRAILER_LENGTH))
            match = _TRAILER.fullmatch(stream.read())
        if not start.startswith(_HDF_SIGNATURE):
            raise ResultsError(f"{path} is not a netCDF-4 file")
        if match is None:
            stated = hdf_size(start)
            if len(start) < 48 or (stated is not None and stated > size):
                raise ResultsError(f"{path} is truncated; take it from a copy")
            raise ResultsError(
                f"{path} was not written by {PROGRAM}, or was cut or changed since; xarray can "
                "still try to open it"
            )
        if (version := int(match[1])) != FORMAT:
            raise ResultsError(f"{path} {other_format(version)}")
        if _digest(path, size - _TRAILER_LENGTH) != match[2].decode():
            raise ResultsError(f"{path} is damaged (its checksum does not match); use a copy")
    except OSError as error:
        raise ResultsError(f"{path} could not be read: {error.strerror}") from error


def hdf_size(start: bytes) -> int | None:
    """Size of an HDF5 file as its first 48 bytes state it; None for unknown versions.

    HDF5 File Format Specification 3.0, section II.A: end of file address.
    """
    place = {0: 40, 2: 28, 3: 28}.get(start[8]) if len(start) >= 48 else None
    return None if place is None else int.from_bytes(start[place : place + 8], "little")
