"""Text of users at the edges: what names may hold, and how any text leaves for people and files.

Names and titles with control characters are refused where they are read (`name_problem`). Stored
results may be forged, and paths are what the file system holds: whatever leaves for a terminal, a
page, a table or a drawing goes through one of the functions here.
"""

from __future__ import annotations

import html
import re

LONGEST_NAME = 100
"""Characters of a name: of a strategy, material, layer or cell."""
LONGEST_TEXT = 10_000
"""Characters of a title, question, description or remark."""

# Control characters (C0 but for tab and line feed, DEL, C1), line and paragraph separators, marks
# that turn the order of what follows, halves of surrogate pairs, and what no XML may hold.
_UNSHOWN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069"
    "\ud800-\udfff\ufffe\uffff]"
)
_FORMULA = ("=", "+", "-", "@")


def visible(text: object) -> str:
    """Text for a terminal, a log or a drawing: every control character as its code."""
    return _UNSHOWN.sub(lambda match: _code(ord(match[0])), str(text))


def one_line(text: object) -> str:
    """As `visible`, in one line: a cell of a table, a comment, a message's value."""
    return visible(text).replace("\n", "\\n").replace("\t", "\\t")


def html_text(text: object) -> str:
    """Text for HTML and XML, between tags or in a quoted attribute."""
    return html.escape(visible(text), quote=True)


def svg_text(document: str) -> str:
    """A finished SVG file: no XML can hold what control characters its texts have."""
    return visible(document)


def csv_cell(value: object) -> object:
    """A cell of a CSV file: text that a spreadsheet would compute gets an apostrophe in front."""
    if not isinstance(value, str):
        return value
    text = one_line(value)
    return f"'{text}" if text.startswith(_FORMULA) and not _is_number(text) else text


def name_problem(text: str, *, longest: int = LONGEST_NAME, lines: bool = False) -> str | None:
    """What is wrong with a name or a title, as a need for a message; None where nothing is.

    Parameters
    ----------
    text : as it was read.
    longest : characters it may have.
    lines : whether tabs and several lines are allowed.
    """
    if len(text) > longest:
        return f"at most {counted(longest)} characters are taken; there are {counted(len(text))}"
    found = _UNSHOWN.search(text) or (None if lines else re.search("[\t\n]", text))
    if found is not None:
        return f"control characters are not taken; there is {_code(ord(found[0]))}"
    return None


def counted(number: int) -> str:
    """A whole number with its thousands apart."""
    return f"{number:,}".replace(",", " ")


def _code(number: int) -> str:
    return f"\\x{number:02x}" if number < 256 else f"\\u{number:04x}"


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
