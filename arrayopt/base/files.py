"""Files that are there whole or not at all, and that show when they were damaged.

A sealed file ends with one line that states its format and the SHA-256 of all before it. HDF5
ignores what follows its data, so a sealed netCDF-4 file stays readable by every program. The seal
is checked before the file is given to HDF5, which crashes on some damaged files.
"""

from __future__ import annotations

import hashlib
import os
import re
from contextlib import suppress
from pathlib import Path

from arrayopt.base.errors import ResultsError

FORMAT = 1
PROGRAM = "arrayopt"
_HDF_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_SEAL = re.compile(rb"\narrayopt format ([0-9]{4}) sha256 ([0-9a-f]{64})\n")
_SEAL_LENGTH = 1 + 15 + 1 + 4 + 8 + 64 + 1
_BLOCK = 1 << 20


def write_file(path: Path, content: bytes) -> None:
    """Replace a file so that at any moment either the old or the whole new one is there.

    Raises
    ------
    ResultsError
        If it cannot be written (full disk, no permission); the old file is then untouched.
    """
    temporary = path.with_name(f".{path.name}.part")
    try:
        descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
        try:
            view = memoryview(content)
            while view:
                view = view[os.write(descriptor, view) :]
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        publish(temporary, path)
    except OSError as error:
        with suppress(OSError):
            temporary.unlink()
        raise unwritable(path, error) from error


def publish(temporary: Path, path: Path) -> None:
    """Give a complete, synchronised file its name, for good."""
    os.replace(temporary, path)
    directory = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)


def unwritable(path: Path, error: Exception) -> ResultsError:
    """The error to raise where a file cannot be written."""
    if isinstance(error, FileNotFoundError):
        return ResultsError(
            f"{path} could not be written: its folder is gone; was it removed or renamed during "
            "the run?"
        )
    reason = getattr(error, "strerror", None) or str(error)
    return ResultsError(
        f"{path} could not be written: {reason}; everything saved before is intact, "
        "so free space or correct the permissions and resume"
    )


def _seal(digest: str) -> bytes:
    return f"\n{PROGRAM} format {FORMAT:04d} sha256 {digest}\n".encode()


def sealed(content: bytes) -> bytes:
    """Content with its seal."""
    return content + _seal(hashlib.sha256(content).hexdigest())


def seal_file(path: Path) -> None:
    """Seal a file that was just written, and synchronise it."""
    digest = _digest(path, path.stat().st_size)
    with path.open("ab") as stream:
        stream.write(_seal(digest))
        stream.flush()
        os.fsync(stream.fileno())


def _digest(path: Path, size: int) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while size > 0 and (block := stream.read(min(_BLOCK, size))):
            digest.update(block)
            size -= len(block)
    return digest.hexdigest()


def check_seal(path: Path) -> None:
    """Make sure that a netCDF-4 file is what this program wrote, before anything parses it.

    Raises
    ------
    ResultsError
        If it is missing, not netCDF-4, truncated, damaged, foreign or of a newer format.
    """
    try:
        with path.open("rb") as stream:
            start = stream.read(48)
            size = stream.seek(0, os.SEEK_END)
            stream.seek(max(0, size - _SEAL_LENGTH))
            match = _SEAL.fullmatch(stream.read())
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
        if (version := int(match[1])) > FORMAT:
            raise ResultsError(
                f"{path} has format {version}, and this version reads up to {FORMAT}; "
                f"update {PROGRAM}"
            )
        if _digest(path, size - _SEAL_LENGTH) != match[2].decode():
            raise ResultsError(f"{path} is damaged (its checksum does not match); use a copy")
    except OSError as error:
        raise ResultsError(f"{path} could not be read: {error.strerror}") from error


def hdf_size(start: bytes) -> int | None:
    """Size of an HDF5 file as its first 48 bytes state it; None for unknown versions.

    HDF5 File Format Specification 3.0, section II.A: end of file address.
    """
    place = {0: 40, 2: 28, 3: 28}.get(start[8]) if len(start) >= 48 else None
    return None if place is None else int.from_bytes(start[place : place + 8], "little")
