"""Pictures of one evaluated design as the content of a file."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import matplotlib as mpl
from matplotlib.figure import Figure

from arrayopt.base.text import svg_text
from arrayopt.results.plots.pictures import plot_pulse, plot_response
from arrayopt.results.plots.style import STYLE, styled

if TYPE_CHECKING:
    import xarray as xr

MARK = "arrayopt evaluate"
"""What pictures carry inside, so that a later one may take their place."""
DPI = 130


def draw_design(design: xr.Dataset, *, form: str, title: str) -> bytes:
    """The pulse of a design of a study with a waveform, its response of one without.

    Parameters
    ----------
    design : as `plot_pulse` and `plot_response` take it.
    form : png, svg or pdf.
    """
    with styled():
        if "pulse_envelope" in design:
            figure = Figure(figsize=(9.0, 6.4))
            plot_pulse(design, axes=list(figure.subplots(2, 2).ravel()))
        else:
            figure = Figure(figsize=(6.4, 4.2))
            plot_response(design, ax=figure.subplots())
        figure.suptitle(title, x=0.01, ha="left", fontsize=10)
    content = io.BytesIO()
    key = "Software" if form == "png" else "Creator"
    dated = {} if form == "png" else {"Date" if form == "svg" else "CreationDate": None}
    with mpl.rc_context({**STYLE, "svg.hashsalt": "arrayopt"}):
        figure.savefig(content, format=form, dpi=DPI, metadata={key: MARK, **dated})
    return svg_text(content.getvalue().decode()).encode() if form == "svg" else content.getvalue()
