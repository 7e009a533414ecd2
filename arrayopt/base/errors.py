"""The few errors a caller can act on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from arrayopt.base.text import one_line

_LONGEST_KEY = 120  # characters of a key worth repeating in a message


class ArrayoptError(Exception):
    """Base of every error raised on purpose; the command line ends with its ``exit_code``."""

    exit_code = 2


@dataclass(frozen=True)
class Problem:
    """One thing to correct in a file the user wrote.

    Parameters
    ----------
    file : path as the user gave it.
    line : line number from 1, or None when the problem belongs to no line.
    key : dotted key, ``vary.radius[1]``.
    value : the offending value as it stands in the file, or None when there is none.
    need : what is wrong or what is needed.
    nearest : the closest valid name, when there is one.
    """

    file: str
    line: int | None
    key: str
    value: str | None
    need: str
    nearest: str | None = None

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        key = self.key
        if len(key) > _LONGEST_KEY:
            key = key[: _LONGEST_KEY - 3] + "..."
        if self.value is not None:
            text = f"{key} is {self.value}; {self.need}"
        else:
            text = f"{key} {self.need}".strip()
        if self.nearest is not None:
            text += f"; did you mean {self.nearest}?"
        return one_line(f"{place}: {text}")


class StudyError(ArrayoptError):
    """A study or design file cannot be used; ``problems`` lists everything found wrong in it."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda p: (p.line is None, p.line or 0)))
        super().__init__(self.problems)

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)


class ResultsError(ArrayoptError):
    """Stored results cannot be read, or belong to another study than the one given."""


class ExportError(ArrayoptError):
    """An export cannot be made or its files do not belong together."""


def nearest_name(name: str, known: Iterable[str]) -> str | None:
    """The known name closest to ``name``, or None when nothing is close."""
    import difflib  # only where something is wrong, so that the command starts quickly

    lower = {candidate.lower(): candidate for candidate in known}
    match = difflib.get_close_matches(name.lower(), lower, n=1, cutoff=0.6)
    return lower[match[0]] if match else None
