"""Pictures of stored results: each function takes labelled data and returns matplotlib axes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr
from matplotlib.cm import ScalarMappable
from matplotlib.collections import EllipseCollection, LineCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from arrayopt.base.arrays import Floats
from arrayopt.base.glossary import quantity
from arrayopt.physics.sound.level import sound_pressure_level
from arrayopt.results.plots.style import (
    AMPLITUDES,
    INK,
    MARKS,
    SOFT,
    axis_label,
    mark,
    new_axes,
    styled,
    unit_of,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes


FLOOR = 40.0
"""Depth of level pictures below their peak [dB]."""


def plot_front(
    fronts: xr.DataTree | Mapping[str, xr.Dataset],
    *,
    x: str | None = None,
    y: str | None = None,
    chosen: Mapping[str, Sequence[int]] | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Front members of all strategies in two of their quantities.

    Parameters
    ----------
    fronts : what ``open_results`` gives, or strategy -> dataset.
    x, y : stored quantities by glossary name; the second and the first objective if not given.
    chosen : strategy -> rows of members to ring.
    ax : to draw into; a new figure if not given.

    Returns
    -------
    matplotlib.axes.Axes
    """
    members = datasets(fronts)
    first = next(iter(members.values()))
    names = [str(n) for n in np.atleast_1d(first.attrs.get("objectives", []))]
    y = y or names[0]
    x = x or names[min(1, len(names) - 1)]
    with styled():
        ax = new_axes(ax)
        for k, (name, front) in enumerate(members.items()):
            look = mark(k)
            across, up = values_shown(front, x), values_shown(front, y)
            ax.plot(
                across,
                up,
                linestyle="none",
                marker=look.marker,
                color=look.colour,
                markerfacecolor=look.colour if look.filled else "none",
                markeredgewidth=0.9,
                label=f"{name} ({front.sizes['design']})",
            )
            if chosen and name in chosen:
                row = list(chosen[name])
                ax.plot(across[row], up[row], "o", ms=12, mfc="none", mec=INK, mew=1.3)
        if chosen:
            ax.plot([], [], "o", ms=9, mfc="none", mec=INK, mew=1.3, label="chosen")
        ax.set_xlabel(axis_label(x))
        ax.set_ylabel(axis_label(y))
        legend_above(ax)
    return ax


def plot_response(design: xr.Dataset, *, ax: Axes | None = None, legend: bool = True) -> Axes:
    """Level at the target against frequency: both sweep directions, small signal, band and chips.

    Parameters
    ----------
    design : one stored design (no ``design`` dimension), with ``frequency``, ``pressure``,
        ``pressure_lowest``, ``pressure_highest``, ``opposite_pressure`` and
        ``small_signal_pressure``.
    ax : to draw into; a new figure if not given.
    legend : False leaves it out.

    Returns
    -------
    matplotlib.axes.Axes
    """
    with styled():
        ax = new_axes(ax)
        f = values_shown(design, "frequency")
        sweep, other = "up-sweep", "down-sweep"
        if design.attrs.get("excitation") == "down-sweep":
            sweep, other = other, sweep
        level = {
            name: sound_pressure_level(np.asarray(design[name], dtype=np.float64))
            for name in (
                "pressure",
                "pressure_lowest",
                "pressure_highest",
                "opposite_pressure",
                "small_signal_pressure",
            )
        }
        _shade_band(ax, design)
        ax.fill_between(
            f,
            level["pressure_lowest"],
            level["pressure_highest"],
            color=MARKS[0].colour,
            alpha=0.25,
            lw=0.0,
            label="lowest to highest chip",
        )
        ax.plot(f, level["small_signal_pressure"], color=SOFT, lw=1.1, ls=":", label="small signal")
        ax.plot(
            f,
            level["opposite_pressure"],
            color=MARKS[1].colour,
            lw=1.3,
            ls=(0, (5, 2)),
            label=other,
        )
        ax.plot(f, level["pressure"], color=MARKS[0].colour, lw=1.8, label=f"{sweep}, median chip")
        top = max(float(np.nanmax(v)) for v in level.values() if np.isfinite(v).any())
        bottom = min(float(v[np.isfinite(v)].min()) for v in level.values() if np.isfinite(v).any())
        ax.set_ylim(max(top - FLOOR, bottom - 2.0), top + 2.0)
        ax.set_xlim(f[0], f[-1])
        ax.set_xlabel(axis_label("frequency"))
        ax.set_ylabel(axis_label("peak_level", "level at target"))
        if legend:
            legend_above(ax)
    return ax


def plot_array(
    design: xr.Dataset, *, die: tuple[float, float] | None = None, ax: Axes | None = None
) -> Axes:
    """The array to scale: diaphragms, electrodes shaded by drive amplitude, a hand for the phase.

    Parameters
    ----------
    design : one stored design (no ``design`` dimension).
    die : sides (x, y) of the die [m], drawn if given.
    ax : to draw into; a new figure if not given.

    Returns
    -------
    matplotlib.axes.Axes
        Lengths in millimetres. Phase hands turn counter-clockwise from the right and are left out
        where all phases are equal.
    """
    with styled():
        ax = new_axes(ax, width=5.6, height=4.9)
        place = 1e3 * np.asarray(design["position"], dtype=np.float64)
        radius = 1e3 * np.asarray(design["radius"], dtype=np.float64)
        cover = np.asarray(design["electrode_coverage"], dtype=np.float64)
        ring = np.asarray(design["ring"], dtype=bool)
        volts = np.asarray(design["drive_amplitude"], dtype=np.float64)
        phase = np.asarray(design["drive_phase"], dtype=np.float64)
        if die is not None:
            x, y = 1e3 * die[0], 1e3 * die[1]
            ax.add_patch(Rectangle((-x / 2, -y / 2), x, y, fc="#fafbfc", ec=SOFT, lw=1.0))
        scale = ScalarMappable(Normalize(0.0, float(max(volts.max(), 1e-12))), AMPLITUDES)
        alike = np.stack([radius, cover, ring, volts], axis=1)
        for row in np.unique(np.round(alike, 9), axis=0):
            _cells(ax, place[np.all(np.round(alike, 9) == row, axis=1)], row, scale)
        bar = ax.figure.colorbar(scale, ax=ax, shrink=0.8, pad=0.02)
        bar.set_label(axis_label("drive_amplitude"))
        bar.outline.set_visible(False)
        if np.ptp(phase) > 1e-9:
            _phase_hands(ax, place, radius, phase, volts)
        reach = np.abs(place) + radius[:, None]
        half = reach.max(axis=0)
        if die is not None:
            half = np.maximum(half, 500.0 * np.asarray(die))
        ax.set_xlim(-1.04 * half[0], 1.04 * half[0])
        ax.set_ylim(-1.04 * half[1], 1.04 * half[1])
        ax.set_aspect("equal")
        ax.grid(False)
        ax.set_xlabel("x (mm)")
        ax.set_ylabel("y (mm)")
    return ax


def _cells(ax: Axes, place: Floats, like: Floats, scale: ScalarMappable) -> None:
    """Cells of one size, electrode and drive: diaphragm, electrode, and the hole of a ring."""
    radius, cover, ring, volts = like
    shades = [(radius, "white", 0.8)]
    driven = scale.to_rgba(np.array([volts]))[0]
    shades.append((radius if ring else cover * radius, driven, 0.4))
    if ring:
        shades.append(((1.0 - cover) * radius, "white", 0.4))
    for size, face, line in shades:
        ax.add_collection(
            EllipseCollection(
                [2.0 * size],
                [2.0 * size],
                [0.0],
                units="xy",
                offsets=place,
                offset_transform=ax.transData,
                facecolor=[face],
                edgecolor=SOFT,
                linewidth=line,
            )
        )


def _phase_hands(ax: Axes, place: Floats, radius: Floats, phase: Floats, volts: Floats) -> None:
    reach = 0.62 * radius[:, None] * np.stack([np.cos(phase), np.sin(phase)], axis=1)
    dark = volts > 0.45 * max(float(volts.max()), 1e-12)
    for colour, chosen in (("white", dark), (INK, ~dark & (volts > 0.0))):
        hands = np.stack([place[chosen], place[chosen] + reach[chosen]], axis=1)
        ax.add_collection(LineCollection(list(hands), colors=colour, linewidths=1.3))
        ax.plot(*(place + reach)[chosen].T, "o", ms=2.6, color=colour)


def plot_beam(pattern: xr.DataArray, *, ax: Axes | None = None) -> Axes:
    """Beam pattern at one frequency against polar angle, a line for each plane.

    Parameters
    ----------
    pattern : (plane, angle), pressure relative to the largest; coordinates ``angle`` [rad] and
        ``plane`` (its name). A single plane needs no ``plane``.
    ax : to draw into; a new figure if not given.

    Returns
    -------
    matplotlib.axes.Axes
        In dB down to -40.
    """
    with styled():
        ax = new_axes(ax)
        planes = pattern if "plane" in pattern.dims else pattern.expand_dims(plane=["pattern"])
        angle = np.degrees(np.asarray(planes["angle"]))
        ax.axhline(-3.01, color=SOFT, lw=0.8, ls=(0, (1, 2)))
        ax.annotate("half power", (89, -3.01), ha="right", va="bottom", fontsize=8, color=SOFT)
        with np.errstate(divide="ignore"):
            for k, name in enumerate(np.asarray(planes["plane"])):
                look = (MARKS[0], MARKS[1])[k % 2]
                level = 20.0 * np.log10(np.asarray(planes.isel(plane=k)))
                ax.plot(
                    angle,
                    np.maximum(level, -FLOOR - 5.0),
                    color=look.colour,
                    ls=look.line,
                    label=str(name),
                )
        ax.set_ylim(-FLOOR, 2.0)
        ax.set_xlim(-90, 90)
        ax.set_xticks(range(-90, 91, 30))
        ax.set_xlabel(axis_label("beam_width", "angle from the axis"))
        ax.set_ylabel(axis_label("side_lobe_level", "level re largest"))
        if planes.sizes["plane"] > 1:
            legend_above(ax)
    return ax


def plot_convergence(curves: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Hypervolume against evaluations for each strategy.

    Parameters
    ----------
    curves : ``hypervolume`` and ``evaluations`` (strategy, checkpoint), as
        ``arrayopt.results.read.convergence`` gives.
    ax : to draw into; a new figure if not given.

    Returns
    -------
    matplotlib.axes.Axes
    """
    with styled():
        ax = new_axes(ax)
        for k, name in enumerate(np.asarray(curves["strategy"])):
            look = mark(k)
            one = curves.sel(strategy=name)
            ax.plot(
                np.asarray(one["evaluations"]),
                np.asarray(one["hypervolume"]),
                color=look.colour,
                ls=look.line,
                label=str(name),
            )
        ax.set_xlim(left=0)
        ax.set_ylim(bottom=0)
        ax.set_xlabel("designs evaluated")
        ax.set_ylabel("hypervolume (1)")
        legend_above(ax)
    return ax


def plot_burst(design: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Level at the target against the carrier of tone bursts: largest, at the end, and the sweep's.

    Parameters
    ----------
    design : one stored design (no ``design`` dimension), with ``frequency``, ``burst_pressure``,
        ``burst_end_pressure`` and ``pressure``. The band is shaded where it is that of bursts
        (attribute ``excitation``).
    ax : to draw into; a new figure if not given.

    Returns
    -------
    matplotlib.axes.Axes
        Gaps where a softening cell escapes.
    """
    with styled():
        ax = new_axes(ax)
        f = values_shown(design, "frequency")
        if design.attrs.get("excitation") == "burst":
            _shade_band(ax, design)
        lines = (
            (design["pressure"], SOFT, 1.1, ":", "slow sweep"),
            (design["burst_end_pressure"], MARKS[1].colour, 1.3, (0, (5, 2)), "end of burst"),
            (design["burst_pressure"], MARKS[0].colour, 1.8, "-", "largest in burst"),
        )
        levels = []
        for pressure, colour, width, style, label in lines:
            levels.append(sound_pressure_level(np.asarray(pressure)))
            ax.plot(f, levels[-1], color=colour, lw=width, ls=style, label=label)
        known = np.concatenate([v[np.isfinite(v)] for v in levels])
        if known.size:
            ax.set_ylim(max(known.max() - FLOOR, known.min() - 2.0), known.max() + 2.0)
        ax.set_xlim(f[0], f[-1])
        ax.set_xlabel(axis_label("frequency", "carrier"))
        ax.set_ylabel(axis_label("peak_level", "level at target"))
        legend_above(ax)
    return ax


def plot_pulse(design: xr.Dataset, *, axes: Sequence[Axes] | None = None) -> Sequence[Axes]:
    """The pulse of a design: its drive, the sound at the target, its spectrum, and compressed.

    Parameters
    ----------
    design : one stored design (no ``design`` dimension) of a study with a waveform. Lines are the
        median of the chips (the pressure is that of a chip as drawn), around them what lies between
        the lowest and the highest chip.
    axes : four to draw into, in that order; a new figure if not given.

    Returns
    -------
    Four matplotlib.axes.Axes.
    """
    with styled():
        if axes is None:
            axes = Figure(figsize=(9.0, 6.2)).subplots(2, 2).ravel()
        drive, sound, tones, narrow = axes
        t = values_shown(design, "pulse_time")
        drive.plot(t, np.asarray(design["pulse_drive"]), color=INK, lw=1.0)
        drive.set_ylabel(axis_label("pulse_drive", "drive of the channel driven most"))
        sound.plot(t, np.asarray(design["pulse_pressure"]), color=SOFT, lw=0.7, label="as drawn")
        if "pulse_envelope_unbraked" in design:
            bare = np.asarray(design["pulse_envelope_unbraked"])
            look = MARKS[1]
            sound.plot(t, bare, color=look.colour, ls=look.line, lw=1.2, label="without tail")
        _chips(sound, design, t, "pulse_envelope")
        sound.set_ylabel(axis_label("pulse_pressure", "pressure at target"))
        for ax in (drive, sound):
            ax.set_xlim(t[0], t[-1])
            ax.set_xlabel(axis_label("pulse_time", "time"))
        f = values_shown(design, "pulse_frequency")
        _chips(tones, design, f, "pulse_spectrum")
        tones.set_ylabel(axis_label("pulse_spectrum", "spectrum"))
        tones.set_xlabel(axis_label("pulse_frequency", "frequency"))
        offset = values_shown(design, "compressed_time")
        _chips(narrow, design, offset, "compressed_pulse")
        narrow.axhline(-6.02, color=SOFT, lw=0.8, ls=(0, (1, 2)))
        narrow.set_ylabel(axis_label("compressed_pulse", "compressed pulse"))
        narrow.set_xlabel(axis_label("compressed_time", "time from its peak"))
        for ax, x in ((tones, f), (narrow, offset)):
            ax.set_xlim(x[0], x[-1])
            ax.set_ylim(-FLOOR, 3.0)
        for ax in (sound, tones):
            legend_above(ax)
    return tuple(axes)


def _chips(ax: Axes, design: xr.Dataset, x: Floats, name: str) -> None:
    """A curve of the median chip, and the range of all shaded."""
    low, middle, high = (
        values_shown(design, f"{name}{end}") for end in ("_lowest", "", "_highest")
    )
    colour = MARKS[0].colour
    ax.fill_between(x, low, high, color=colour, alpha=0.25, lw=0.0, label="lowest to highest chip")
    ax.plot(x, middle, color=colour, lw=1.6, label="median chip")


def _shade_band(ax: Axes, design: xr.Dataset) -> None:
    low, high = (float(values_shown(design, n)) for n in ("band_lower", "band_upper"))
    kinds = {
        "burst": "band of bursts",
        "chirp": "band of the chirp",
        "waveform": "band of the pulse",
    }
    what = kinds.get(design.attrs.get("excitation", ""), "band")
    if np.isfinite(low) and np.isfinite(high):
        ax.axvspan(
            low,
            high,
            color="#eef2f5",
            zorder=0,
            label=f"{what} {low:.1f}–{high:.1f} {unit_of('frequency')}",
        )


def datasets(fronts: xr.DataTree | Mapping[str, xr.Dataset]) -> dict[str, xr.Dataset]:
    """Strategy -> front, of those that have members."""
    if isinstance(fronts, xr.DataTree):
        fronts = {name: node.to_dataset() for name, node in fronts.children.items()}
    return {name: front for name, front in fronts.items() if front.sizes.get("design", 0)}


def values_shown(designs: xr.Dataset, name: str) -> Floats:
    """A stored quantity in the unit people read."""
    return np.asarray(designs[name], dtype=np.float64) * quantity(name).factor


def legend_above(ax: Axes, **options: Any) -> None:
    """Put a legend above the axes, where it can hide no data."""
    labels = ax.get_legend_handles_labels()[1]
    figure = ax.figure.figure
    grid = ax.get_gridspec()
    share = figure.get_figwidth() / (1 if grid is None else grid.ncols)
    # 8.5-point letters: about 13 to the inch, and 6 for the handle and the gap
    columns = int(13.0 * share / (6.0 + max((len(label) for label in labels), default=1)))
    ax.legend(
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        borderaxespad=0.2,
        ncols=min(max(1, columns), max(1, len(labels))),
        handlelength=2.6,
        columnspacing=1.4,
        **options,
    )


__all__ = [
    "plot_array",
    "plot_beam",
    "plot_burst",
    "plot_convergence",
    "plot_front",
    "plot_pulse",
    "plot_response",
]
