"""Turns what is wrong with a file into problems with line, key, value, need and nearest name."""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from arrayopt.base.errors import Problem, StudyError, nearest_name
from arrayopt.base.text import LONGEST_TEXT, counted, name_problem
from arrayopt.base.toml import TomlError, parse, read_text
from arrayopt.base.toml_lines import Path as KeyPath
from arrayopt.base.toml_lines import locate

M = TypeVar("M", bound=BaseModel)

MOST_LISTED = 100
"""Problems of one file that are told one by one; further ones are counted."""
WHOLE_FILE = ("calibration_content", "text")
"""Where a study holds the text of another file, which is checked when that is read."""
_LONGEST_VALUE = 60  # characters of a value worth repeating in a message


def dotted(path: Iterable[str | int]) -> str:
    """``("vary", "radius", 1)`` as ``vary.radius[1]``."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


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
        elif isinstance(value, str) and path != WHOLE_FILE:
            need = name_problem(value, longest=LONGEST_TEXT, lines=True)
            if need is not None:
                self.add(path, need)

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
        if len(self.problems) >= MOST_LISTED:
            self.more += 1
            return
        value = self.value(path) if show_value else None
        problem = Problem(self.file, self.line(path), dotted(path), value, need, nearest)
        if problem not in self._seen:
            self._seen.add(problem)
            self.problems.append(problem)

    def validate(self, model: type[M]) -> M:
        """The file in the form of ``model``.

        Raises
        ------
        StudyError : everything that does not fit the form, in our words.
        """
        form = None
        try:
            form = model.model_validate(self.data)
        except ValidationError as error:
            found = error.errors(include_url=False)
            self.more += len(found[MOST_LISTED:])
            for item in found[:MOST_LISTED]:
                self._add_item(tuple(item["loc"]), item["type"], item, model)
        self.finish()
        assert form is not None
        return form

    def finish(self) -> None:
        """Raise ``StudyError`` if anything was recorded."""
        if self.more:
            need = f"has {counted(self.more)} more problems"
            self.problems.append(Problem(self.file, None, "the file", None, need))
        if self.problems:
            raise StudyError(self.problems)

    def _add_item(self, path: KeyPath, type_: str, item: Any, model: type[BaseModel]) -> None:
        context = item.get("ctx", {})
        if type_ == "extra_forbidden":
            self._add_unknown(path, model)
        elif type_ == "missing":
            self.add(path, f"is missing; {_what(model, path)}", show_value=False)
        elif type_ == "literal_error":
            known = [
                word.strip("' ") for word in context["expected"].replace(" or ", ",").split(",")
            ]
            given = item["input"]
            nearest = nearest_name(given, known) if isinstance(given, str) else None
            listed = ", ".join(word if word.isdigit() else f'"{word}"' for word in known)
            need = f"one of {listed} is needed" if len(known) > 1 else f"{listed} is needed"
            self.add(path, need, nearest=f'"{nearest}"' if nearest else None)
        elif type_ in ("too_short", "too_long"):
            wanted = context.get("min_length", context.get("max_length"))
            self.add(path, f"{wanted} values are needed; there are {context['actual_length']}")
        elif type_ in _ENDS:
            self.add(path, f"a number {_ENDS[type_]} {next(iter(context.values()))} is needed")
        else:
            self.add(path, _NEEDS.get(type_) or item["msg"])

    def _add_unknown(self, path: KeyPath, model: type[BaseModel]) -> None:
        table, key = path[:-1], str(path[-1])
        known = list(_fields(model, table))
        nearest = nearest_name(key, known)
        if nearest is not None:
            suggestion: str | None = dotted((*table, nearest))
        else:
            # a right key in a wrong table
            elsewhere = [p for p in _all_keys(model) if p[-1] == key]
            suggestion = dotted(elsewhere[0]) if elsewhere else None
        need = "is not known"
        if suggestion is None:
            need += f"; known here: {', '.join(known)}"
        self.add(path, need, nearest=suggestion, show_value=False)


_ENDS = {
    "greater_than": "above",
    "greater_than_equal": "of at least",
    "less_than": "below",
    "less_than_equal": "of at most",
}
_NEEDS = {
    "bool_type": "true or false is needed, without quotes",
    "string_type": "text in quotes is needed",
    "int_type": "a whole number is needed, without quotes or point",
    "list_type": "a list is needed, in square brackets",
    "model_type": "a table is needed",
    "dict_type": "a table is needed",
}


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


def _unwrap(annotation: Any) -> Any:
    """Drop ``| None`` and ``Annotated``."""
    while True:
        if typing.get_origin(annotation) is typing.Annotated:
            annotation = typing.get_args(annotation)[0]
        elif isinstance(annotation, types.UnionType) or (
            typing.get_origin(annotation) is typing.Union
        ):
            annotation = next(a for a in typing.get_args(annotation) if a is not type(None))
        else:
            return annotation


def _fields(model: type[BaseModel], path: KeyPath) -> dict[str, FieldInfo]:
    """Fields of the table at a path; empty when there is no table of fixed keys."""
    here: Any = model
    for part in path:
        if isinstance(here, type) and issubclass(here, BaseModel):
            field = here.model_fields.get(str(part))
            here = None if field is None else _unwrap(field.annotation)
        elif typing.get_args(here):
            here = _unwrap(typing.get_args(here)[-1])
    return dict(here.model_fields) if isinstance(here, type) and issubclass(here, BaseModel) else {}


def _all_keys(model: type[BaseModel], path: KeyPath = ()) -> list[KeyPath]:
    found: list[KeyPath] = []
    for name, field in model.model_fields.items():
        found.append((*path, name))
        annotation = _unwrap(field.annotation)
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            found += _all_keys(annotation, (*path, name))
    return found


def _what(model: type[BaseModel], path: KeyPath) -> str:
    """What a missing key should hold."""
    field = _fields(model, path[:-1]).get(str(path[-1]))
    if field is None:
        return "it is needed"
    for item in field.metadata:
        need = getattr(getattr(item, "func", None), "need", None)
        if need is not None:
            return str(need)
    annotation = _unwrap(field.annotation)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        required = [name for name, f in annotation.model_fields.items() if f.is_required()]
        return f"a table [{dotted(path)}] with {', '.join(required)} is needed"
    if typing.get_origin(annotation) is typing.Literal:
        words = typing.get_args(annotation)
        listed = ", ".join(json.dumps(word) for word in words)
        return f"one of {listed} is needed" if len(words) > 1 else f"{listed} is needed"
    if typing.get_origin(annotation) is list:
        for item in getattr(typing.get_args(annotation)[0], "__metadata__", ()):
            need = getattr(getattr(item, "func", None), "need", None)
            if need is not None:
                return f"a list is needed in which {need}"
    return "a list is needed" if typing.get_origin(annotation) is list else "text is needed"
