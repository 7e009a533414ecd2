"""Reading TOML: one reader for every file people write, with limits on what it takes in.

A file beyond a limit is refused before anything is built of it: ``tomllib`` recurses on nested
values, takes the square of the length of a dotted key, and leaves integers of any length.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from arrayopt.base.files import open_plain
from arrayopt.base.text import counted

LARGEST_FILE = 4 << 20
"""Bytes of a file; 100 times the longest study that ships, 4 096 cells at positions of its own."""
TOO_LARGE = f"holds more than {counted(LARGEST_FILE)} bytes, the most that is read"
DEEPEST = 32
"""Brackets open at one place, and parts of one dotted key."""
_INT64 = range(-(2**63), 2**63)  # what TOML 1.0 asks readers to take

_TOKEN = re.compile(
    r'''"{3}(?:[^"\\]++|\\.|"(?!""))*+"{3,5}|"(?:[^"\\\n]++|\\.)*+"'''
    r"""|'{3}(?:[^']++|'(?!''))*+'{3,5}|'[^'\n]*+'|\#[^\n]*|[\[\]{}\n=,."']""",
    re.DOTALL,
)


class TomlError(ValueError):
    """A text cannot be taken in: ``line`` from 1 (None: none in particular), and what is wrong.

    ``key`` is what ``need`` is said of.
    """

    def __init__(self, line: int | None, need: str, key: str = "the file") -> None:
        self.line, self.need, self.key = line, need, key
        super().__init__(need)


def read_text(file: Path) -> str:
    """Text of a file that a person wrote.

    Raises
    ------
    TomlError : it cannot be read, is no plain file, no UTF-8 text, or larger than `LARGEST_FILE`.
    """
    try:
        with open_plain(file) as stream:
            content = stream.read(LARGEST_FILE + 1)
    except OSError as error:
        raise TomlError(None, f"cannot be read: {error.strerror}") from None
    if len(content) > LARGEST_FILE:
        raise TomlError(None, TOO_LARGE)
    try:
        return content.decode("utf-8").replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError:
        raise TomlError(None, "cannot be read: not UTF-8 text") from None


def parse(text: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Raises
    ------
    TomlError : no TOML, or beyond a limit of size, nesting or whole numbers.
    """
    if len(text) > LARGEST_FILE:
        raise TomlError(None, TOO_LARGE)
    _check_depth(text)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax(text, str(error)) from None
    except (RecursionError, ValueError) as error:
        # brackets in a text that is no TOML; an integer longer than Python turns into a number
        need = "is nested too deeply" if isinstance(error, RecursionError) else _TOO_LONG
        raise TomlError(_line_of_long_number(text) if need == _TOO_LONG else None, need) from None
    _check_integers(data, text)
    return data


_TOO_LONG = "holds a whole number beyond 9223372036854775807, the largest that is read"


def _check_depth(text: str) -> None:
    line, depth, parts = 1, 0, 1
    for match in _TOKEN.finditer(text):
        token = match[0]
        if token in "[{":
            depth, parts = depth + 1, 1
        elif token in "]}":
            depth = max(depth - 1, 0)
        elif token == ".":
            parts += 1
        elif token in "=,\n":
            parts = 1
        elif token in "\"'":
            return  # a string without an end: no TOML
        if depth > DEEPEST or parts > DEEPEST:
            what = "brackets inside one another" if depth > DEEPEST else "parts of a dotted key"
            raise TomlError(line, f"holds more than {DEEPEST} {what}, the most that is read")
        line += token.count("\n")


def _check_integers(data: Any, text: str) -> None:
    left = [data]
    while left:
        value = left.pop()
        if isinstance(value, dict | list):
            left += value.values() if isinstance(value, dict) else value
        elif isinstance(value, int) and value not in _INT64:
            raise TomlError(_line_of_long_number(text), _TOO_LONG)


def _line_of_long_number(text: str) -> int | None:
    match = re.search(r"=[^\n\"'#]*?(?<![\w.])[+-]?(?:0[xob])?[0-9a-fA-F_]{16,}", text)
    return None if match is None else text.count("\n", 0, match.end()) + 1


def _syntax(text: str, message: str) -> TomlError:
    # tomllib says "... (at line 3, column 5)" or "... (at end of document)"
    line = text.count("\n") + 1
    what, _, place = message.partition(" (at line ")
    if place:
        line = int(place.partition(",")[0])
    what = what.partition(" (at end of document)")[0]
    return TomlError(line, what[:1].lower() + what[1:], "TOML syntax:")
