"""Pictures of a calibration: measured sweeps beside fitted curves, residuals, bursts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats
from arrayopt.base.glossary import quantity
from arrayopt.base.text import svg_text
from arrayopt.results.plots.style import axis_label

if TYPE_CHECKING:
    from matplotlib.figure import Figure


PER_ROW = 3
MARK = "arrayopt calibration"
"""What pictures carry inside, so that a later one may take their place."""


@dataclass(frozen=True)
class SweepCurve:
    """One sweep: points [Hz, m], which were used, residuals (nan where not), and the fit."""

    label: str
    frequency: Floats
    amplitude: Floats
    used: NDArray[np.bool_]
    residual: Floats
    model_frequency: Floats
    model_amplitude: Floats


@dataclass(frozen=True)
class SweepPicture:
    """All sweeps of one cell at one bias."""

    title: str
    curves: tuple[SweepCurve, ...]


@dataclass(frozen=True)
class BurstPicture:
    """Burst amplitude against carrier, measured and computed [Hz, m]."""

    title: str
    frequency: Floats
    measured: Floats
    model: Floats


def draw_calibration(
    sweeps: Sequence[SweepPicture], bursts: Sequence[BurstPicture], *, form: str
) -> bytes:
    """Draw every sweep with its fit and residuals, and the bursts; the content of a picture file.

    Parameters
    ----------
    sweeps, bursts : what to draw.
    form : png, svg or pdf.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.use("Agg")

    with mpl.rc_context({"text.parse_math": False}):  # names of cells are no formulas
        return _drawn(Figure, sweeps, bursts, form)


def _drawn(
    new: type[Figure], sweeps: Sequence[SweepPicture], bursts: Sequence[BurstPicture], form: str
) -> bytes:
    count = len(sweeps) + len(bursts)
    columns = min(PER_ROW, count)
    rows = -(-count // columns)
    figure = new(figsize=(5.0 * columns, 4.6 * rows), layout="constrained")
    grid = figure.add_gridspec(2 * rows, columns, height_ratios=[3, 1] * rows)
    for place, picture in enumerate(sweeps):
        row, column = divmod(place, columns)
        above = figure.add_subplot(grid[2 * row, column])
        below = figure.add_subplot(grid[2 * row + 1, column], sharex=above)
        _sweeps(above, below, picture)
    for place, burst in enumerate(bursts, len(sweeps)):
        row, column = divmod(place, columns)
        axes = figure.add_subplot(grid[2 * row : 2 * row + 2, column])
        f = burst.frequency * quantity("frequency").factor
        axes.plot(f, burst.measured * 1e9, "o", ms=3, label="measured")
        axes.plot(f, burst.model * 1e9, "-", lw=1.2, label="calibrated model")
        axes.set(xlabel=axis_label("frequency", "carrier"), ylabel="largest displacement (nm)")
        axes.set_title(burst.title, fontsize=9)
        axes.legend(fontsize=8, frameon=False)
    content = BytesIO()
    key = "Software" if form == "png" else "Creator"
    figure.savefig(content, format=form, dpi=130, metadata={key: MARK})
    return svg_text(content.getvalue().decode()).encode() if form == "svg" else content.getvalue()


def _sweeps(above: object, below: object, picture: SweepPicture) -> None:
    from matplotlib.axes import Axes

    assert isinstance(above, Axes)
    assert isinstance(below, Axes)
    hertz = quantity("frequency").factor
    for curve in picture.curves:
        f, y = curve.frequency * hertz, curve.amplitude * 1e9
        (line,) = above.plot(curve.model_frequency * hertz, curve.model_amplitude * 1e9, lw=1.0)
        colour = line.get_color()
        above.plot(f[curve.used], y[curve.used], "o", ms=3, color=colour, label=curve.label)
        aside = ~curve.used
        above.plot(f[aside], y[aside], "x", ms=5, color="0.5")
        below.plot(f, curve.residual, ".", ms=3, color=colour)
    above.set_title(picture.title, fontsize=9)
    above.set_ylabel("displacement (nm)")
    above.tick_params(labelbottom=False)
    above.legend(fontsize=8, frameon=False, title="crosses: set aside", title_fontsize=7)
    below.axhline(0.0, color="0.7", lw=0.8)
    below.axhspan(-2.0, 2.0, color="0.93", zorder=0)
    below.set(xlabel=axis_label("frequency"), ylabel="misfit (sigma)", ylim=(-5.0, 5.0))
