"""The drawing of a chip: one page to scale with dimensions, a detail, legend and title block."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch, PathPatch, Rectangle
from matplotlib.path import Path
from numpy.typing import NDArray

from arrayopt.base.text import svg_text
from arrayopt.chip.layout import ChipLayout
from arrayopt.chip.process import Process
from arrayopt.results.plots.style import STYLE

_PAGE = (11.69, 8.27)  # A4 across [inch]
_STYLE = {
    **STYLE,
    "figure.constrained_layout.use": False,  # everything has its place on the page
    "savefig.bbox": None,
    "svg.hashsalt": "arrayopt",
}

# Role -> face, edge, width of edge, hatch; told apart in grey by lightness and hatch.
_LOOK: dict[str, tuple[str, str, float]] = {
    "bottom-electrode": ("#dbe6ee", "#8fa9bc", 0.3),
    "cavity": ("none", "#333333", 0.5),
    "film-opening": ("#ffffff", "#333333", 0.4),
    "top-electrode": ("#c98b3a", "#7a4f14", 0.3),
    "via": ("#000000", "#000000", 0.2),
    "wiring": ("#3b6f8f", "#1e4257", 0.3),
    "pad-opening": ("none", "#000000", 0.5),
    "outline": ("none", "#000000", 0.8),
}


_ROUND: Any = Path.unit_circle()


@dataclass(frozen=True)
class TitleBlock:
    """What the drawing says about itself: (name, text) rows, and rows of the class table."""

    title: str
    rows: Sequence[tuple[str, str]]
    classes: Sequence[tuple[str, ...]]
    """Header first."""


def draw_chip(chip: ChipLayout, *, process: Process, block: TitleBlock) -> Figure:
    """One page: die and coupon with dimensions, one cell in detail, legend and title block.

    Parameters
    ----------
    chip : ChipLayout
    process : names of the layers.
    block : TitleBlock
    """
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=_PAGE)
        whole = figure.add_axes((0.03, 0.05, 0.55, 0.89))
        detail = figure.add_axes((0.62, 0.52, 0.35, 0.42))
        words = figure.add_axes((0.62, 0.05, 0.35, 0.44))
        shapes = _flat(chip)
        for ax in (whole, detail):
            ax.set_aspect("equal")
            ax.set_axis_off()
        _whole(whole, chip, process)
        _detail(detail, chip)
        for ax in (whole, detail):
            _add_shapes(ax, chip, shapes)
        _words(words, chip, process, block, shapes)
        figure.text(0.03, 0.955, block.title, fontsize=13, fontweight="bold")
    return figure


def drawing_files(figure: Figure, *, subject: str) -> tuple[bytes, str]:
    """A figure as PDF and as SVG; the same figure gives the same bytes.

    Parameters
    ----------
    figure : from `draw_chip`.
    subject : what the PDF's properties say it is about.
    """
    pdf, svg = io.BytesIO(), io.StringIO()
    fixed = {"CreationDate": None, "ModDate": None, "Producer": None, "Creator": "arrayopt"}
    with mpl.rc_context(_STYLE):
        figure.savefig(pdf, format="pdf", metadata={**fixed, "Subject": subject})
        figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": None})
    return pdf.getvalue(), svg_text(svg.getvalue())


def _add_shapes(ax: Axes, chip: ChipLayout, shapes: Mapping[str, list[NDArray[Any]]]) -> None:
    """Diaphragms as true circles, which keeps the file small, everything else as polygons."""
    cell_of_block = {name: cell for cell, name in enumerate(chip.block_of_cell)}
    (left, right), (bottom, top) = (
        np.multiply(ax.get_xlim(), 1e6),
        np.multiply(ax.get_ylim(), 1e6),
    )
    most = 1e9 * float(chip.drawn.bottom.max())
    placed = [
        place
        for place in chip.placements
        if place.block in cell_of_block
        and left - most < place.x < right + most
        and bottom - most < place.y < top + most
    ]
    cell = np.array([cell_of_block[place.block] for place in placed])
    centre = np.array([(place.x, place.y) for place in placed]) / 1e6
    circles = {
        "bottom-electrode": (chip.drawn.bottom, None),
        "cavity": (chip.drawn.cavity, None),
        "top-electrode": (chip.drawn.top_outer, chip.drawn.top_inner),
    }
    for role in _LOOK:
        face, edge, width = _LOOK[role]
        rims = [r for r in circles.get(role, ()) if r is not None]
        for radius, colour in zip(rims, (face, _LOOK["bottom-electrode"][0]), strict=False):
            side = 2e3 * radius[cell]
            drawn = side > 0.0
            if not drawn.any():
                continue
            rim = _ROUND.vertices * (0.5 * side[drawn])[:, None, None] + centre[drawn][:, None]
            codes = np.tile(_ROUND.codes, len(rim))
            _fill(ax, Path(rim.reshape(-1, 2), codes), colour, edge, width)
        if shapes[role]:
            _fill(ax, _joined(shapes[role]), face, edge, width)


def _fill(ax: Axes, path: Path, face: str, edge: str, width: float) -> None:
    """All shapes of a role as one path: thousands of single ones take minutes.

    An artist and not a patch, since the axes' limits are set and need not be found curve by curve.
    """
    patch = PathPatch(path, facecolor=face, edgecolor=edge, linewidth=width)
    patch.set_transform(ax.transData)
    ax.add_artist(patch)


def _joined(polygons: Sequence[NDArray[Any]]) -> Path:
    closed = [np.concatenate([points, points[:1]]) for points in polygons]
    codes = np.concatenate([_codes(len(points)) for points in closed])
    return Path(np.concatenate(closed), codes)


def _codes(count: int) -> NDArray[np.uint8]:
    codes = np.full(count, Path.LINETO, dtype=np.uint8)
    codes[0], codes[-1] = Path.MOVETO, Path.CLOSEPOLY
    return codes


def _flat(chip: ChipLayout) -> Mapping[str, list[NDArray[Any]]]:
    """All polygons but those of diaphragms, by role [mm]."""
    flat: dict[str, list[NDArray[Any]]] = {role: [] for role in _LOOK}
    blocks = {block.name: block.polygons for block in chip.blocks}
    cells = set(chip.block_of_cell)
    for place in chip.placements:
        if place.block not in cells:
            for role, points in blocks[place.block]:
                flat[role].append(np.add(points, (place.x, place.y)) / 1e6)
    for role, points, _ in chip.polygons:
        flat[role].append(points / 1e6)
    return flat


def _whole(ax: Axes, chip: ChipLayout, process: Process) -> None:
    width, height = (side * 1e3 for side in chip.die)
    low = chip.coupon.outline[:, 1].min() * 1e3
    reach = 0.08 * max(width, height)
    ax.set_xlim(-0.5 * width - 0.6 * reach, 0.5 * width + 2.0 * reach)
    ax.set_ylim(low - 1.3 * reach, 0.5 * height + 1.3 * reach)
    _dimension(ax, (-0.5 * width, 0.5 * height), (0.5 * width, 0.5 * height), 0.6 * reach)
    _dimension(ax, (0.5 * width, 0.5 * height), (0.5 * width, -0.5 * height), 0.6 * reach)
    _dimension(ax, (0.5 * width, -0.5 * height), (0.5 * width, low), 0.6 * reach)
    position = chip.position * 1e3
    x = np.unique(np.round(position[:, 0], 6))
    if len(x) > 1:
        top = position[:, 1].max()
        _dimension(ax, (x[0], top), (x[-1], top), 0.5 * height - top + 0.15 * reach)
    for pad in chip.pads:
        # beside the die on the left, elsewhere where no trace runs
        left = pad.x < -0.45 * chip.die[0] and pad.y > -0.5 * chip.die[1]
        ax.annotate(
            pad.net,
            (-0.5 * width if left else pad.x * 1e3, pad.y * 1e3),
            xytext=(-2, 0) if left else (0, 4) if pad.net.endswith("GND") else (4, 0),
            textcoords="offset points",
            fontsize=5,
            ha="right" if left or pad.net.endswith("GND") else "left",
            va="bottom" if pad.net.endswith("GND") else "center",
        )
    _scale_bar(ax, low - 0.8 * reach, -0.5 * width)


def _scale_bar(ax: Axes, y: float, x: float) -> None:
    left, right = ax.get_xlim()
    length = _round_down(0.25 * (right - left))
    half = 0.004 * (right - left)
    for k in range(2):
        ax.add_patch(
            Rectangle(
                (x + 0.5 * k * length, y - half),
                0.5 * length,
                2.0 * half,
                facecolor="black" if k == 0 else "white",
                edgecolor="black",
                linewidth=0.6,
            )
        )
    ax.annotate(
        f"{length:g} mm",
        (x + length, y),
        xytext=(4, 0),
        textcoords="offset points",
        fontsize=8,
        va="center",
    )


def _round_down(value: float) -> float:
    power = 10.0 ** np.floor(np.log10(value))
    return float(max(step for step in (1.0, 2.0, 5.0) if step * power <= value) * power)


def _dimension(
    ax: Axes, start: tuple[float, float], stop: tuple[float, float], away: float
) -> None:
    """A dimension line beside a horizontal or vertical edge, with its length in mm."""
    across = start[1] == stop[1]
    shift = (0.0, away) if across else (away, 0.0)
    a, b = ((p[0] + shift[0], p[1] + shift[1]) for p in (start, stop))
    for point, end in ((start, a), (stop, b)):
        ax.plot(*zip(point, end, strict=True), color="#555555", linewidth=0.4)
    ax.annotate("", a, b, arrowprops={"arrowstyle": "<|-|>", "linewidth": 0.5, "color": "#222222"})
    length = abs(stop[0] - start[0]) + abs(stop[1] - start[1])
    ax.annotate(
        f"{length:.6g}",
        (0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1])),
        xytext=(0, 3) if across else (3, 0),
        textcoords="offset points",
        fontsize=8,
        ha="center" if across else "left",
        va="bottom" if across else "center",
        rotation=0 if across else 90,
    )


def _detail(ax: Axes, chip: ChipLayout) -> None:
    """The cell nearest the upper left corner of the array, with radii."""
    cell = int(np.argmin(chip.position[:, 0] - chip.position[:, 1]))
    x, y = chip.position[cell] * 1e3
    cavity, outer = (float(r[cell]) * 1e3 for r in (chip.drawn.cavity, chip.drawn.top_outer))
    reach = 1.25 * float(chip.drawn.bottom[cell]) * 1e3
    ax.set_xlim(x - 1.3 * reach, x + 1.3 * reach)
    ax.set_ylim(y - reach, y + reach)
    ax.set_axis_on()
    ax.set_xticks([])
    ax.set_yticks([])
    for side in ax.spines.values():
        side.set_visible(True)
    rows = [("cavity", cavity, -25.0), ("top electrode", outer, -115.0)]
    inner = float(chip.drawn.top_inner[cell]) * 1e3
    if inner > 0.0:
        rows.append(("inner rim", inner, 150.0))
    for name, radius, angle in rows:
        end = x + radius * np.cos(np.radians(angle)), y + radius * np.sin(np.radians(angle))
        ax.annotate(
            "", end, (x, y), arrowprops={"arrowstyle": "-|>", "linewidth": 0.7, "color": "black"}
        )
        ax.annotate(
            f"{name} R {radius * 1e3:.4g} µm",
            end,
            xytext=(4, -4),
            textcoords="offset points",
            fontsize=7,
            ha="left" if np.cos(np.radians(angle)) > 0.0 else "center",
            va="top",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
        )
    ax.set_title(f"Cell {cell}, as drawn", fontsize=9, loc="left")


def _words(
    ax: Axes,
    chip: ChipLayout,
    process: Process,
    block: TitleBlock,
    shapes: Mapping[str, list[NDArray[Any]]],
) -> None:
    ax.set_axis_off()
    ax.set_xlim(0.0, 1.0)
    ax.set_ylim(0.0, 1.0)
    handles = [
        Patch(facecolor=_LOOK[role][0], edgecolor=_LOOK[role][1], label=process.layers[role].name)
        for role in _LOOK
        if shapes[role] or role == "cavity"
    ]
    ax.legend(
        handles=handles,
        loc="upper left",
        ncols=4,
        fontsize=7,
        frameon=False,
        bbox_to_anchor=(-0.02, 1.04),
        columnspacing=1.0,
        handlelength=1.4,
    )
    y = 0.87
    for columns in block.classes:
        for k, text in enumerate(columns):
            ax.text(k / len(columns), y, text, fontsize=7, family="monospace", va="top")
        y -= 0.042
    y = min(y, 0.04 + 0.055 * len(block.rows)) - 0.02
    for name, text in block.rows:
        ax.text(0.0, y, name, fontsize=7.5, color="#444444", va="top")
        ax.text(0.24, y, text, fontsize=7.5, va="top")
        y -= 0.055
    ax.add_patch(Rectangle((-0.02, -0.02), 1.04, 1.06, fill=False, linewidth=0.6, clip_on=False))
