"""The look of every picture: quiet, colour-blind safe, and readable in grey."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes as Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

from arrayopt.base.glossary import quantity, words
from arrayopt.base.text import svg_text


@dataclass(frozen=True)
class Mark:
    """How one strategy is drawn: colour, marker (filled or open) and dashes, all three different.

    ``dash`` is an SVG dash pattern in points; ``shape`` the marker's name on the explorer page.
    """

    colour: str
    marker: str
    filled: bool
    line: Any
    dash: str
    shape: str


# Colours of Okabe & Ito (2008), "Color universal design"; those that fade on white are darkened.
MARKS = (
    Mark("#0072b2", "o", True, "-", "", "circle"),
    Mark("#d55e00", "s", False, (0, (6, 2)), "6 2", "square"),
    Mark("#009e73", "^", True, (0, (1.5, 1.5)), "1.5 1.5", "triangle"),
    Mark("#b0487f", "D", False, (0, (7, 2, 1.5, 2)), "7 2 1.5 2", "diamond"),
    Mark("#000000", "v", True, (0, (3, 1)), "3 1", "down"),
    Mark("#3d8fc0", "o", False, (0, (1, 3)), "1 3", "circle"),
    Mark("#b87f00", "s", True, (0, (10, 2)), "10 2", "square"),
    Mark("#595959", "^", False, (0, (4, 1, 1, 1, 1, 1)), "4 1 1 1 1 1", "triangle"),
)

INK, SOFT, FAINT, PAPER = "#1c2126", "#5a646e", "#d9dee3", "#ffffff"
WIDTH, HEIGHT = 6.4, 3.9

STYLE: Any = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9.0,
    "axes.labelcolor": INK,
    "axes.edgecolor": SOFT,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": FAINT,
    "grid.linewidth": 0.6,
    "axes.axisbelow": True,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "text.color": INK,
    "lines.linewidth": 1.6,
    "lines.markersize": 4.5,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
    "svg.fonttype": "none",
    "text.parse_math": False,  # texts of users are no formulas
    "figure.constrained_layout.use": True,
}

AMPLITUDES = LinearSegmentedColormap.from_list(
    "amplitude", ["#f3f6f8", "#b9d3e4", "#5e9cc4", "#1f6a9c", "#0a3556"]
)
"""One hue from light to dark, so that it keeps its order in grey."""


def mark(index: int) -> Mark:
    """The look of the strategy at this place in the study."""
    return MARKS[index % len(MARKS)]


def typeset(text: str) -> str:
    """Units in a text as they are printed: µm, µs, mm², °."""
    for plain, printed in (
        (r"\bu(m|Pa)\b", r"µ\1"),
        (r"^us$|(?<=\d )us\b|(?<=[/[])us\b", "µs"),
        (r"\buJ/m2\b", "µJ/m²"),
        (r"\bmm2\b", "mm²"),
        (r"(?<=\d) deg\b|\bdeg\b", "°"),
    ):
        text = re.sub(plain, printed, text)
    return text


def unit_of(name: str) -> str:
    """Unit of a quantity as printed for people."""
    return typeset(quantity(name).shown)


def axis_label(name: str, label: str = "") -> str:
    """A quantity, or what ``label`` calls it, with its unit, for an axis."""
    unit, label = unit_of(name), label or words(name)
    return f"{label} ({unit})" if unit else label


@contextmanager
def styled() -> Iterator[None]:
    """The settings of every picture, for a while."""
    with mpl.rc_context(STYLE):
        yield


def new_axes(ax: Axes | None, *, width: float = WIDTH, height: float = HEIGHT) -> Axes:
    """The given axes, or those of a new figure that belongs to no window."""
    if ax is not None:
        return ax
    return Figure(figsize=(width, height)).subplots()


def svg_file(figure: Figure) -> str:
    """A figure as the text of an SVG file; the same figure gives the same text."""
    stream = io.StringIO()
    with mpl.rc_context({**STYLE, "svg.hashsalt": "arrayopt"}):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return svg_text(stream.getvalue())


def figure_svg(figure: Figure, name: str) -> str:
    """A figure as an SVG element for a page: text stays text, ids begin with ``name``.

    The same figure gives the same text: no date, no random ids.
    """
    stream = io.StringIO()
    with mpl.rc_context({**STYLE, "svg.hashsalt": name}):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    text = svg_text(stream.getvalue())
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.S)
    text = re.sub(r"<!--.*?-->", "", text, flags=re.S)
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', text))
    text = re.sub(r' id="([^"]*)"', lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", text)
    text = re.sub(r'href="#', f'href="#{name}-', text)
    text = re.sub(r"url\(#", f"url(#{name}-", text)
    # In tags only: a tenth of a point is less than any line's width, but labels keep their digits.
    text = re.sub(r"<[^>]*>", lambda tag: re.sub(r"(\d+\.\d)\d+", r"\1", tag[0]), text)
    text = text.replace("font-family: 'DejaVu Sans', sans-serif; ", "")
    text = re.sub(r' transform="rotate\(-?0(?:\.0)? [^"]*"', "", text)
    text = re.sub(r'style="[^"]*"', lambda m: m[0].replace(": ", ":").replace("; ", ";"), text)
    text = re.sub(r">\s+<", ">\n<", text).strip()
    return re.sub(r'(?:<use [^>]*style="[^"]*"/>\n){3,}', _share_style, text)


def _share_style(run: re.Match[str]) -> str:
    """A run of equal markers with their style said once."""
    styles = set(re.findall(r'style="([^"]*)"', run[0]))
    if len(styles) != 1:
        return run[0]
    bare = re.sub(r' style="[^"]*"', "", run[0])
    return f'<g style="{styles.pop()}">\n{bare}</g>\n'
