"""Turns what is wrong with a file into problems with line, key, value, need and nearest name."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from arrayopt.base.errors import Problem, StudyError
from arrayopt.base.files import read_text
from arrayopt.base.forms import FormReader, dotted
from arrayopt.base.toml_lines import Path as KeyPath
from arrayopt.base.toml_lines import locate

T = TypeVar("T")

_LONGEST_VALUE = 60  # characters of a value worth repeating in a message


class Reporter:
    """Collects the problems of one TOML file and raises them all at once.

    Parameters
    ----------
    file : path as the user gave it.
    text : its content where that is known already; otherwise it is read.

    Raises
    ------
    StudyError : at once when the file cannot be read or is not TOML.
    """

    def __init__(self, file: Path, text: str | None = None) -> None:
        self.file = str(file)
        self.problems: list[Problem] = []
        try:
            self.text = read_text(file) if text is None else text
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "not UTF-8 text"
            need = f"cannot be read: {reason}"
            raise StudyError([Problem(self.file, None, "the file", None, need)]) from None
        try:
            self.data: dict[str, Any] = tomllib.loads(self.text)
        except tomllib.TOMLDecodeError as error:
            raise StudyError([_syntax_problem(self.file, self.text, str(error))]) from None
        self.lines = locate(self.text)

    def line(self, path: KeyPath) -> int | None:
        """Line of a key, or of the closest table around it that is in the file."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return None

    def value(self, path: KeyPath) -> str | None:
        """The value as it stands in the file, or None when the key is not there."""
        here: Any = self.data
        for part in path:
            try:
                here = here[part]
            except (KeyError, IndexError, TypeError):
                return None
        text = _as_toml(here)
        return text if len(text) <= _LONGEST_VALUE else text[: _LONGEST_VALUE - 3] + "..."

    def add(
        self, path: KeyPath, need: str, *, nearest: str | None = None, show_value: bool = True
    ) -> None:
        """Record one problem; the same sentence about the same key only once."""
        value = self.value(path) if show_value else None
        problem = Problem(self.file, self.line(path), dotted(path), value, need, nearest)
        if problem not in self.problems:
            self.problems.append(problem)

    def validate(self, form: type[T]) -> T:
        """The file in a form.

        Raises
        ------
        StudyError : everything that does not fit the form, in our words.
        """
        read: T = FormReader(self, form).read(form, self.data)
        self.finish()
        return read

    def finish(self) -> None:
        """Raise ``StudyError`` if anything was recorded."""
        if self.problems:
            raise StudyError(self.problems)


def _as_toml(value: Any) -> str:
    if isinstance(value, dict):
        inside = ", ".join(f"{key} = {_as_toml(item)}" for key, item in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_as_toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False, default=str)


def _syntax_problem(file: str, text: str, message: str) -> Problem:
    # tomllib says "... (at line 3, column 5)" or "... (at end of document)"
    line: int | None = text.count("\n") + 1
    what, _, place = message.partition(" (at line ")
    if place:
        line = int(place.partition(",")[0])
    what = what.partition(" (at end of document)")[0]
    return Problem(file, line, "TOML syntax:", None, what[:1].lower() + what[1:])
