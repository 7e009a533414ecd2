"""Forms of the files that people write: frozen dataclasses whose fields say what their keys take.

A field's type is bool, int, float, str, a Literal, a list, tuple or dict of such, or another form.
``Annotated[T, check]`` gives the raw value to ``check``, which returns what the field holds or
raises ValueError with what is needed; ``str(check)`` says so where the key is missing.
"""

from __future__ import annotations

import json
import math
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from functools import cache, partial
from operator import ge, gt, le
from typing import Annotated, Any, Protocol

from arrayopt.base.errors import nearest_name
from arrayopt.base.text import LONGEST_NAME, name_problem
from arrayopt.base.toml_lines import Path as KeyPath
from arrayopt.base.units import Need


@dataclass(frozen=True)
class Whole:
    """Check of a whole number in a range."""

    above: int | None = None
    at_least: int | None = None
    at_most: int | None = None

    def __str__(self) -> str:
        return "a whole number is needed, without quotes or point"

    def __call__(self, value: object) -> int:
        """The number."""
        if type(value) is not int:
            raise ValueError(str(self))
        for limit, words, good in (
            (self.above, "above", gt),
            (self.at_least, "of at least", ge),
            (self.at_most, "of at most", le),
        ):
            if limit is not None and not good(value, limit):
                raise ValueError(f"a number {words} {limit} is needed")
        return value


@dataclass(frozen=True)
class Read:
    """Check that is a function, with the words for a missing key."""

    function: Callable[[Any], Any]
    need: str

    def __str__(self) -> str:
        return self.need

    def __call__(self, value: object) -> Any:
        """What the field holds."""
        return self.function(value)


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("a finite number is needed, without quotes")
    return float(value)


def _name(value: object, longest: int = LONGEST_NAME) -> str:
    """A name fits in a line, a table's column and a file's name."""
    if not isinstance(value, str):
        raise ValueError("text in quotes is needed")
    if (need := name_problem(value, longest=longest)) is not None:
        raise ValueError(need)
    return value


ONE_OR_MORE = "one or more"
"""Beside the type of a list for which a single value may stand."""


@dataclass(frozen=True)
class Keys:
    """Beside the type of a dict that takes the known keys only, and must have the needed ones."""

    known: tuple[str, ...]
    needed: tuple[str, ...]


@dataclass(frozen=True)
class FixedOrVaried:
    """Check of a quantity, or of the bounds between which the search varies it."""

    need: Need

    def __str__(self) -> str:
        return f"{self.need}, or a list of the two bounds between which it is varied"

    def __call__(self, value: object) -> float | tuple[float, float]:
        """The value, or both bounds."""
        if not isinstance(value, list):
            return self.need(value)
        if len(value) != 2:
            raise ValueError(str(self))
        low, high = (self.need(item) for item in value)
        if not low < high:
            raise ValueError("the lower bound must come first and be smaller")
        return low, high


Length = Annotated[float, Need("length", above=0.0)]
LengthOrZero = Annotated[float, Need("length", at_least=0.0)]
Coordinate = Annotated[float, Need("length")]
Voltage = Annotated[float, Need("voltage")]
VoltageOrZero = Annotated[float, Need("voltage", at_least=0.0)]
VoltageAbove = Annotated[float, Need("voltage", above=0.0)]
Frequency = Annotated[float, Need("frequency", above=0.0)]
Duration = Annotated[float, Need("time", above=0.0)]
Stress = Annotated[float, Need("stress", at_least=-1e11, at_most=1e11)]
Modulus = Annotated[float, Need("stress", above=0.0)]
Angle = Annotated[float, Need("angle")]
Coverage = Annotated[float, Need("ratio", above=0.0, at_most=1.0)]
Fraction = Annotated[float, Need("ratio", at_least=0.0, at_most=1.0)]
Name = Annotated[str, Read(_name, "text in quotes is needed")]
Title = Annotated[str, Read(partial(_name, longest=300), "text in quotes is needed")]
Finite = Annotated[float, Read(_number, "a number is needed, without quotes")]
Positive = Annotated[int, Whole(above=0)]
Natural = Annotated[int, Whole(at_least=0)]

BAD: Any = object()
"""In place of a value of which a problem was told."""
_TYPES: dict[Any, str] = {
    bool: "true or false is needed, without quotes",
    str: "text in quotes is needed",
    int: str(Whole()),
    list: "a list is needed, in square brackets",
    dict: "a table is needed",
}


class Report(Protocol):
    """Where problems go."""

    @property
    def full(self) -> bool:
        """So many problems are told that hints are not worth their time."""

    def add(
        self, path: KeyPath, need: str, *, nearest: str | None = None, show_value: bool = True
    ) -> None:
        """Record one problem."""


@dataclass(frozen=True)
class FormReader:
    """Turns the values of a TOML file into forms, and tells every problem on the way.

    Parameters
    ----------
    report : where problems go.
    root : form of the whole file, in which keys in a wrong table are looked up.
    """

    report: Report
    root: Any

    def read(self, kind: Any, value: Any, path: KeyPath = ()) -> Any:
        """A value as its type has it, ``BAD`` after a problem."""
        kind, checks = _unwrapped(kind)
        if ONE_OR_MORE in checks and not isinstance(value, list):
            return self._each([kind.__args__[0]], [value], path, lambda items: list(items), [path])
        for check in checks:
            if callable(check):
                try:
                    return check(value)
                except ValueError as error:
                    return self._bad(path, str(error))
        origin, inside = typing.get_origin(kind), typing.get_args(kind)
        if kind is Any:
            return value
        if origin is typing.Literal:
            return self._word(inside, value, path)
        if is_dataclass(kind):
            return self._form(kind, value, path)
        plain = list if origin in (list, tuple) else origin or kind
        if type(value) is not plain:
            return self._bad(path, _TYPES[plain])
        if plain is dict:
            keys = next((c for c in checks if isinstance(c, Keys)), Keys(tuple(value), ()))
            return self._table(
                {key: (inside[1], key in keys.needed) for key in keys.known}, value, path, dict
            )
        if plain is not list:
            return value
        if origin is tuple and inside[-1] is not ...:
            if len(value) != len(inside):
                need = f"{len(inside)} values are needed; there are {len(value)}"
                return self._bad(path, need)
            return self._each(inside, value, path, tuple)
        return self._each([inside[0]] * len(value), value, path, origin)

    def _bad(self, path: KeyPath, need: str, nearest: str | None = None) -> Any:
        self.report.add(path, need, nearest=nearest)
        return BAD

    def _each(
        self,
        kinds: Any,
        values: list[Any],
        path: KeyPath,
        whole: Callable[[Any], Any],
        paths: list[KeyPath] | None = None,
    ) -> Any:
        paths = paths or [(*path, k) for k in range(len(values))]
        read = [self.read(*item) for item in zip(kinds, values, paths, strict=True)]
        return BAD if any(item is BAD for item in read) else whole(read)

    def _word(self, known: tuple[Any, ...], value: Any, path: KeyPath) -> Any:
        if any(type(value) is type(word) and value == word for word in known):
            return value
        near = isinstance(value, str) and not self.report.full
        names = [word for word in known if isinstance(word, str)]
        nearest = nearest_name(value, names) if near else None
        return self._bad(path, _words(known), f'"{nearest}"' if nearest else None)

    def _form(self, form: Any, value: Any, path: KeyPath) -> Any:
        if not isinstance(value, dict):
            return self._bad(path, _TYPES[dict])
        return self._table(fields_of(form), value, path, form)

    def _table(
        self,
        known: Mapping[str, tuple[Any, bool]],
        value: Any,
        path: KeyPath,
        whole: Callable[..., Any],
    ) -> Any:
        read: dict[str, Any] = {}
        for key, item in value.items():
            if key in known:
                read[key] = self.read(known[key][0], item, (*path, key))
            else:
                read[key] = self._unknown(key, list(known), path)
        for key, (kind, required) in known.items():
            if required and key not in value:
                need = f"is missing; {_needed(kind, (*path, key))}"
                self.report.add((*path, key), need, show_value=False)
                read[key] = BAD
        return BAD if any(item is BAD for item in read.values()) else whole(**read)

    def _unknown(self, key: str, known: list[str], table: KeyPath) -> Any:
        nearest = None if self.report.full else nearest_name(key, known)
        suggestion = None if nearest is None else dotted((*table, nearest))
        if suggestion is None:  # a right key in a wrong table
            elsewhere = [path for path in _all_keys(self.root) if path[-1] == key]
            suggestion = dotted(elsewhere[0]) if elsewhere else None
        need = "is not known"
        if suggestion is None:
            need += f"; known here: {', '.join(known)}"
        self.report.add((*table, key), need, nearest=suggestion, show_value=False)
        return BAD


def dotted(path: typing.Iterable[str | int]) -> str:
    """``("vary", "radius", 1)`` as ``vary.radius[1]``."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


@cache
def fields_of(form: Any) -> dict[str, tuple[Any, bool]]:
    """Type and whether it is required, of every key of a form."""
    hints = typing.get_type_hints(form, include_extras=True)
    return {
        f.name: (hints[f.name], f.default is MISSING and f.default_factory is MISSING)
        for f in fields(form)
    }


def _unwrapped(kind: Any) -> tuple[Any, tuple[Any, ...]]:
    """The type without ``| None`` and ``Annotated``, and what stood beside it there."""
    beside: tuple[Any, ...] = ()
    while True:
        if typing.get_origin(kind) is Annotated:
            kind, *more = typing.get_args(kind)
            beside += tuple(more)
        elif isinstance(kind, types.UnionType) or typing.get_origin(kind) is typing.Union:
            kind = next(a for a in typing.get_args(kind) if a is not type(None))
        else:
            return kind, beside


def _all_keys(form: Any, path: KeyPath = ()) -> list[KeyPath]:
    found: list[KeyPath] = []
    for name, (kind, _) in fields_of(form).items():
        found.append((*path, name))
        inner = _unwrapped(kind)[0]
        if is_dataclass(inner):
            found += _all_keys(inner, (*path, name))
    return found


def _words(known: tuple[Any, ...]) -> str:
    listed = ", ".join(json.dumps(word) for word in known)
    return f"one of {listed} is needed" if len(known) > 1 else f"{listed} is needed"


def _needed(kind: Any, path: KeyPath) -> str:
    """What a missing key should hold."""
    kind, checks = _unwrapped(kind)
    form: Any = kind
    for check in checks:
        if callable(check):
            return str(check)
    inside = typing.get_args(kind)
    if typing.get_origin(kind) is typing.Literal:
        return _words(inside)
    if is_dataclass(kind):
        required = [name for name, field in fields_of(form).items() if field[1]]
        return f"a table [{dotted(path)}] with {', '.join(required)} is needed"
    if typing.get_origin(kind) in (list, tuple):
        item = next((str(c) for c in _unwrapped(inside[0])[1] if callable(c)), "")
        return f"a list is needed in which {item}" if item else "a list is needed"
    return _TYPES.get(kind, "text is needed")
