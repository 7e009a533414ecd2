"""Turns what is wrong with a file into problems with line, key, value, need and nearest name."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeVar

from arrayopt.base.errors import Problem, StudyError
from arrayopt.base.forms import FormReader, dotted
from arrayopt.base.text import LONGEST_TEXT, counted, name_problem
from arrayopt.base.toml import TomlError, parse, read_text
from arrayopt.base.toml_lines import Path as KeyPath
from arrayopt.base.toml_lines import locate

T = TypeVar("T")

MOST_LISTED = 100
"""Problems of one file that are told one by one; further ones are counted."""
WHOLE_FILES = ("calibration_content", "waveform_content")
"""Tables in which a study holds the text of other files, which is checked when that is read."""
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
        self.more = 0
        self._seen: set[Problem] = set()
        try:
            self.text = read_text(file) if text is None else text
        except TomlError as error:
            raise StudyError([Problem(self.file, None, "the file", None, error.need)]) from None
        try:
            self.data: dict[str, Any] = parse(self.text)
        except TomlError as error:
            problem = Problem(self.file, error.line, error.key, None, error.need)
            raise StudyError([problem]) from None
        self.lines = locate(self.text)
        self._check_texts(self.data, ())

    def _check_texts(self, value: Any, path: KeyPath) -> None:
        """Names and texts that no terminal, page or file name could hold."""
        if isinstance(value, dict):
            for key, item in value.items():
                if (need := name_problem(key)) is not None:
                    self.add((*path, key), f"is no usable key: {need}", show_value=False)
                else:
                    self._check_texts(item, (*path, key))
        elif isinstance(value, list):
            for index, item in enumerate(value):
                self._check_texts(item, (*path, index))
        elif isinstance(value, str) and path[0] not in WHOLE_FILES:
            need = name_problem(value, longest=LONGEST_TEXT, lines=True)
            if need is not None:
                self.add(path, need)

    def line(self, path: KeyPath) -> int | None:
        """Line of a key, or of the closest table around it that is in the file."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return None

    @property
    def full(self) -> bool:
        """So many problems are told that further ones are only counted."""
        return len(self.problems) >= MOST_LISTED

    def value(self, path: KeyPath) -> str | None:
        """The value as it stands in the file, or None when the key is not there."""
        here: Any = self.data
        for part in path:
            try:
                here = here[part]
            except (KeyError, IndexError, TypeError):
                return None
        text = ""
        for piece in _as_toml(here):
            text += piece
            if len(text) > _LONGEST_VALUE:
                return text[: _LONGEST_VALUE - 3] + "..."
        return text

    def add(
        self, path: KeyPath, need: str, *, nearest: str | None = None, show_value: bool = True
    ) -> None:
        """Record one problem; the same sentence about the same key only once."""
        if self.full:
            self.more += 1
            return
        value = self.value(path) if show_value else None
        problem = Problem(self.file, self.line(path), dotted(path), value, need, nearest)
        if problem not in self._seen:
            self._seen.add(problem)
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
        if self.more:
            need = f"has {counted(self.more)} more problems"
            self.problems.append(Problem(self.file, None, "the file", None, need))
        if self.problems:
            raise StudyError(self.problems)


def _as_toml(value: Any) -> Iterator[str]:
    """Pieces of a value as TOML has it; only as many are made as are taken."""
    if isinstance(value, dict):
        for number, (key, item) in enumerate(value.items()):
            yield f"{', ' if number else '{ '}{key} = "
            yield from _as_toml(item)
        yield " }" if value else "{}"
    elif isinstance(value, list):
        yield "["
        for number, item in enumerate(value):
            yield ", " if number else ""
            yield from _as_toml(item)
        yield "]"
    elif isinstance(value, str):
        yield json.dumps(value[: _LONGEST_VALUE + 1], ensure_ascii=False)
    else:
        yield json.dumps(value, default=str)
