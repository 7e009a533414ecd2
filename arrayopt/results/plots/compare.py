"""Pictures of a comparison over strategies and seeds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr
from matplotlib.patches import Rectangle

from arrayopt.base.glossary import quantity
from arrayopt.results.plots.pictures import legend_above
from arrayopt.results.plots.style import INK, MARKS, SOFT, axis_label, mark, new_axes, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def plot_attainment(table: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Widest band at no more than an onset voltage, median over seeds, with the seeds' range.

    Parameters
    ----------
    table : ``Comparison.table`` with ``attainment`` (strategy, seed, threshold).
    ax : to draw into; a new figure if not given.

    Returns
    -------
    matplotlib.axes.Axes
    """
    with styled():
        ax = new_axes(ax)
        volts = np.asarray(table["onset_threshold"])
        factor = quantity("fractional_bandwidth").factor
        for k, name in enumerate(np.asarray(table["strategy"])):
            look = mark(k)
            curves = factor * np.asarray(table["attainment"].isel(strategy=k))
            curves = curves[~np.isnan(curves).all(axis=1)]
            if not len(curves):
                continue
            filled = np.sort(np.where(np.isnan(curves), -np.inf, curves), axis=0)
            middle = filled[(len(filled) - 1) // 2]
            middle = np.where(np.isfinite(middle), middle, np.nan)
            ax.step(volts, middle, where="post", color=look.colour, ls=look.line, label=str(name))
            if len(curves) > 1:
                low = np.where(np.isfinite(filled[0]), filled[0], 0.0)
                high = np.where(np.isfinite(filled[-1]), filled[-1], np.nan)
                ax.fill_between(volts, low, high, step="post", color=look.colour, alpha=0.14, lw=0)
        ax.set_xlim(volts[0], volts[-1])
        ax.set_ylim(bottom=0.0)
        ax.set_xlabel(axis_label("onset_voltage", "onset voltage at most"))
        ax.set_ylabel(axis_label("fractional_bandwidth", "widest band attained"))
        legend_above(ax)
    return ax


def plot_hypervolume(table: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Hypervolume of every seed, and mean with confidence interval, for each strategy.

    Parameters
    ----------
    table : ``Comparison.table``.
    ax : to draw into; a new figure if not given.

    Returns
    -------
    matplotlib.axes.Axes
    """
    names = [str(n) for n in np.asarray(table["strategy"])]
    with styled():
        ax = new_axes(ax, height=1.1 + 0.55 * len(names))
        for k in range(len(names)):
            look = mark(k)
            values = np.asarray(table["hypervolume"].isel(strategy=k))
            values = values[np.isfinite(values)]
            ax.plot(
                values,
                np.full(len(values), -k - 0.18),
                ls="none",
                marker=look.marker,
                color=look.colour,
                mfc=look.colour if look.filled else "none",
                alpha=0.8,
            )
            mean, low, high = (float(table[f"hypervolume_{n}"][k]) for n in ("mean", "low", "high"))
            ax.plot([mean], [-k + 0.1], marker="|", ms=11, mew=2.0, color=INK)
            if np.isfinite(low):
                ax.plot([low, high], [-k + 0.1] * 2, color=INK, lw=1.4)
        ax.set_yticks([-float(k) for k in range(len(names))], names)
        ax.set_ylim(-len(names) + 0.4, 0.6)
        ax.set_xlim(left=0.0)
        ax.grid(axis="y", visible=False)
        ax.set_xlabel("hypervolume (1): bar mean, line its 95 % interval, marks single seeds")
    return ax


def plot_dominated(table: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Share of each front (column) that another strategy (row) dominates, as a table of squares.

    Parameters
    ----------
    table : ``Comparison.table``.
    ax : to draw into; a new figure if not given.

    Returns
    -------
    matplotlib.axes.Axes
    """
    names = [str(n) for n in np.asarray(table["strategy"])]
    share = 100.0 * np.asarray(table["dominated"])
    with styled():
        ax = new_axes(ax, width=2.4 + 1.25 * len(names), height=1.2 + 0.62 * len(names))
        for i in range(len(names)):
            for j in range(len(names)):
                if np.isnan(share[i, j]):
                    ax.text(j, i, "–", ha="center", va="center", color=SOFT)
                    continue
                side = 0.92 * np.sqrt(share[i, j] / 100.0)
                corner = (j - 0.5 * side, i - 0.5 * side)
                ax.add_patch(
                    Rectangle(corner, side, side, fc="#c3dcec", ec=MARKS[0].colour, lw=0.8)
                )
                ax.text(j, i, f"{share[i, j]:.0f} %", ha="center", va="center", color=INK)
        ax.set_xticks(range(len(names)), [n.replace("-", "-\n", 1) for n in names])
        ax.set_yticks(range(len(names)), names)
        ax.set_xlim(-0.5, len(names) - 0.5)
        ax.set_ylim(len(names) - 0.5, -0.5)
        ax.grid(visible=False)
        ax.set_xlabel("share of the front of …")
        ax.set_ylabel("… dominated by")
    return ax
