"""Turns what is wrong with a file into problems with line, key, value, need and nearest name."""

from __future__ import annotations

import json
import tomllib
import types
import typing
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from arrayopt.base.errors import Problem, StudyError, nearest_name
from arrayopt.base.files import read_text
from arrayopt.base.toml_lines import Path as KeyPath
from arrayopt.base.toml_lines import locate

M = TypeVar("M", bound=BaseModel)

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

    def validate(self, model: type[M]) -> M:
        """The file in the form of ``model``.

        Raises
        ------
        StudyError : everything that does not fit the form, in our words.
        """
        try:
            return model.model_validate(self.data)
        except ValidationError as error:
            for item in error.errors(include_url=False):
                self._add_item(tuple(item["loc"]), item["type"], item, model)
            raise StudyError(self.problems) from None

    def finish(self) -> None:
        """Raise ``StudyError`` if anything was recorded."""
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


_NEEDS = {
    "bool_type": "true or false is needed, without quotes",
    "string_type": "text in quotes is needed",
    "int_type": "a whole number is needed, without quotes or point",
    "list_type": "a list is needed, in square brackets",
    "model_type": "a table is needed",
    "dict_type": "a table is needed",
}


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
