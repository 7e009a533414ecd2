"""Where each key of a TOML text stands: the line numbers that ``tomllib`` does not give."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_left

Path = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]\}\#\n]+")


def locate(text: str) -> dict[Path, int]:
    """Line (from 1) of every key, table and list item of a valid TOML text.

    Parameters
    ----------
    text : a text that ``tomllib.loads`` has accepted.

    Returns
    -------
    Mapping from path (keys, and list positions from 0) to line.
    """
    return _Scanner(text).run()


class _Scanner:
    """One pass over a text already known to be valid, so syntax errors need no handling."""

    def __init__(self, text: str) -> None:
        self.text = text.replace("\r\n", "\n")
        self.at = 0
        self.lines: dict[Path, int] = {}
        self.list_lengths: dict[Path, int] = {}
        self.ends = [match.start() for match in re.finditer("\n", self.text)]

    def run(self) -> dict[Path, int]:
        table: Path = ()
        while self._skip():
            if self.text.startswith("[[", self.at):
                self.at += 2
                table = self._resolve(self._keys())
                index = self.list_lengths.get(table, 0)
                self.list_lengths[table] = index + 1
                self._mark(table)
                table = (*table, index)
                self._mark(table)
                self._skip_blank()
                self.at += 2
            elif self.text[self.at] == "[":
                self.at += 1
                table = self._resolve(self._keys())
                self._mark(table)
                self._skip_blank()
                self.at += 1
            else:
                self._pair(table)
        return self.lines

    def _resolve(self, keys: Path) -> Path:
        # [a.b] below [[a]] belongs to the last item of a
        path: Path = ()
        for key in keys[:-1]:
            path = (*path, key)
            if path in self.list_lengths:
                path = (*path, self.list_lengths[path] - 1)
        return (*path, keys[-1])

    def _mark(self, path: Path) -> None:
        line = bisect_left(self.ends, self.at) + 1
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def _skip_blank(self) -> None:
        while self.at < len(self.text) and self.text[self.at] in " \t":
            self.at += 1

    def _skip(self) -> bool:
        while self.at < len(self.text):
            if self.text[self.at] in " \t\n":
                self.at += 1
            elif self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                return True
        return False

    def _keys(self) -> Path:
        keys: list[str] = []
        while True:
            self._skip_blank()
            if self.text[self.at] in "\"'":
                start = self.at
                self._string()
                keys.append(tomllib.loads("k=" + self.text[start : self.at])["k"])
            else:
                match = _BARE.match(self.text, self.at)
                assert match is not None, "the text was accepted by tomllib"
                keys.append(match[0])
                self.at = match.end()
            self._skip_blank()
            if self.text[self.at] != ".":
                return tuple(keys)
            self.at += 1

    def _pair(self, table: Path) -> None:
        start = self.at
        path = (*table, *self._keys())
        end, self.at = self.at, start
        self._mark(path)
        self.at = end + 1
        self._value(path)

    def _string(self) -> None:
        quote = self.text[self.at]
        long = self.text.startswith(quote * 3, self.at)
        mark = quote * 3 if long else quote
        self.at += len(mark)
        while not self.text.startswith(mark, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += len(mark)
        while long and self.text.startswith(quote, self.at):  # """text"""" ends with a quote
            self.at += 1

    def _value(self, path: Path) -> None:
        self._skip_blank()
        first = self.text[self.at]
        if first in "\"'":
            self._string()
        elif first == "[":
            self.at += 1
            index = 0
            while self._skip() and self.text[self.at] != "]":
                if self.text[self.at] == ",":
                    self.at += 1
                    continue
                self._mark((*path, index))
                self._value((*path, index))
                index += 1
            self.at += 1
        elif first == "{":
            self.at += 1
            while self._skip() and self.text[self.at] != "}":
                if self.text[self.at] == ",":
                    self.at += 1
                    continue
                self._pair(path)
            self.at += 1
        else:
            match = _SCALAR.match(self.text, self.at)
            assert match is not None, "the text was accepted by tomllib"
            self.at = match.end()
