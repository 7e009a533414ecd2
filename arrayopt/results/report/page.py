"""One self-contained page that a colleague understands without the program."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from functools import partial
from importlib.resources import files
from itertools import combinations
from pathlib import Path
from string import Template

import numpy as np
import xarray as xr

from arrayopt.base.glossary import (
    KEPT_PREFIX,
    SPREAD_SUFFIXES,
    VERIFIED_PREFIX,
    heading,
    shown,
    shown_change,
    shown_number,
    words,
)
from arrayopt.base.output import PAGE_MARK, Kind, Output, begins_with
from arrayopt.base.status import trouble
from arrayopt.base.text import html_text
from arrayopt.merits.cautions import DISCLAIMER, cautions
from arrayopt.results.plots.pictures import (
    plot_array,
    plot_beam,
    plot_burst,
    plot_convergence,
    plot_front,
    plot_pulse,
    plot_response,
)
from arrayopt.results.plots.style import Axes, figure_svg, new_axes, styled, typeset
from arrayopt.results.read import Reading, convergence, identifier, read_run, verified_merits
from arrayopt.results.report.designs import Chosen, beam_of, choose, design_of, name_of, pulse_of
from arrayopt.results.report.explorer import explorer_html
from arrayopt.results.report.text import (
    answer,
    band_owner,
    burst_length_text,
    group_table,
    html_table,
    merit_table,
    strategy_table,
)

REPORT = "report.html"
_PAGE = Kind("a report", (".html", ".htm"), begins_with(PAGE_MARK.encode()))


def write_report(
    directory: str | os.PathLike[str],
    out: str | os.PathLike[str] | None = None,
    *,
    designs: Sequence[str] = (),
    overwrite: bool = False,
) -> Path:
    """Write the report of a run as one HTML file without outside parts.

    Parameters
    ----------
    directory : run directory or ``fronts.nc``; an unfinished run is shown as far as it came.
    out : the file; ``report.html`` in the run directory if not given.
    designs : identifiers (STRATEGY/NUMBER) to show in full; by default each strategy's knee and
        the best in the first objective.
    overwrite : replace a file that is no report, too.

    Returns
    -------
    pathlib.Path

    Raises
    ------
    ResultsError
        There is nothing to show, a design is unknown, or the file cannot be written.
    """
    reading = read_run(directory)
    chosen = choose(reading, designs)
    folder = reading.path if reading.path.is_dir() else reading.path.parent
    target = folder / REPORT if out is None else Path(out)
    page = Output(target, _PAGE, (Path(directory),), overwrite)
    page.write(report_html(reading, chosen).encode())
    return target


def report_html(reading: Reading, chosen: Sequence[Chosen]) -> str:
    """The page as text."""
    sections = [
        ("fronts", "What each strategy reaches", _fronts(reading, chosen)),
        ("designs", "Chosen designs", _designs(reading, chosen)),
        ("explore", "Explore the fronts", explorer_html(reading) if reading.fronts else ""),
        ("verified", "Verification", _verification(reading)),
        ("search", "Has the search converged?", _convergence(reading)),
        ("cautions", "Before anyone builds or drives this", _cautions(reading)),
        ("reproduce", "How to reproduce this", _reproduce(reading)),
    ]
    there = [(name, title, body) for name, title, body in sections if body]
    study = reading.study
    page = Template(_resource("page.html"))
    return page.substitute(
        title=html_text(study.title if study else str(reading.path)),
        question=html_text(study.question if study else ""),
        answer=html_text(answer(reading)),
        notes=_notes(reading),
        contents="".join(f'<li><a href="#{n}">{html_text(t)}</a></li>' for n, t, _ in there),
        sections="".join(
            f'<section id="{n}" aria-labelledby="{n}-title"><h2 id="{n}-title">{html_text(t)}</h2>'
            f"{body}</section>"
            for n, t, body in there
        ),
        style=_resource("page.css"),
        script=_resource("explorer.js") if reading.fronts else "",
        version=html_text(reading.versions.get("arrayopt", "")),
    )


def _resource(name: str) -> str:
    return (files("arrayopt.results.report") / "assets" / name).read_text(encoding="utf-8")


def _notes(reading: Reading) -> str:
    notes = list(reading.notes)
    if reading.fronts and not any(verified_merits(f) for f in reading.fronts.values()):
        notes.append(
            "These are values of the chips that the search chose by; no design has been verified "
            "on others yet."
        )
    if len(reading.fronts) > 1:
        notes.append(
            f"One search of each strategy, seed {reading.seed}: whether a difference is more than "
            "chance, `arrayopt compare` tells from runs with several seeds."
        )
    return "".join(
        "<li>" + re.sub(r"`([^`]+)`", r"<code>\1</code>", html_text(note)) + "</li>"
        for note in notes
    )


def picture(
    plot: Callable[..., object],
    height: float,
    name: str,
    caption: str,
    alternative: str,
    width: float = 5.0,
) -> str:
    """A figure of the page with its caption and a text for those who cannot see it."""
    with styled():
        ax = new_axes(None, width=width, height=height)
        plot(ax=ax)
    return _figure(ax, name, caption, alternative)


def _figure(ax: Axes, name: str, caption: str, alternative: str, kind: str = "") -> str:
    svg = figure_svg(ax.figure.figure, name).replace(
        "<svg ", f'<svg role="img" aria-label="{html_text(alternative)}" ', 1
    )
    return f"<figure{kind}>{svg}<figcaption>{html_text(caption)}</figcaption></figure>"


def _fronts(reading: Reading, chosen: Sequence[Chosen]) -> str:
    if not reading.fronts:
        return "<p>No strategy has a design that keeps all limits; see the notes above.</p>"
    names = [o.name for o in reading.objectives]
    pairs = [(b, a) for a, b in combinations(names, 2)][:3] or [("centre_frequency", names[0])]
    parts = [strategy_table(reading), '<div class="pair">']
    ringed: dict[str, list[int]] = {}
    for one in chosen:
        ringed.setdefault(one.strategy, []).append(one.row)
    for k, (x, y) in enumerate(pairs):
        better = ", ".join(
            f"{'higher' if o.sense == 'max' else 'lower'} {words(o.name)}"
            for o in reading.objectives
            if o.name in (x, y)
        )
        parts.append(
            picture(
                partial(plot_front, reading.fronts, x=x, y=y, chosen=ringed),
                3.5,
                f"front{k}",
                f"Front members, {words(y)} against {words(x)}. Better: {better}.",
                f"Scatter of {words(y)} against {words(x)} for {', '.join(reading.fronts)}; the "
                "table above gives the extremes, the explorer below every value.",
            )
        )
    told = {s.name: s.description for s in reading.study.strategies} if reading.study else {}
    listed = "".join(
        f"<dt>{html_text(name)}</dt><dd>{html_text(told.get(name, ''))}</dd>"
        for name in reading.fronts
    )
    if any(told.values()):
        parts.append(f'<div><h3>The strategies</h3><dl class="read">{listed}</dl></div>')
    return "".join([*parts, "</div>"])


def _designs(reading: Reading, chosen: Sequence[Chosen]) -> str:
    return "".join(_design(reading, one, k) for k, one in enumerate(chosen))


def _design(reading: Reading, chosen: Chosen, number: int) -> str:
    design, name = design_of(reading, chosen), name_of(reading, chosen)
    key = f"d{number}"
    parts = [f"<article><h3>{html_text(name)} <small>{html_text(chosen.reason)}</small></h3>"]
    parts.append('<div class="pair">')
    if "pressure" in design:
        parts.append(
            picture(
                partial(plot_response, design),
                3.6,
                f"{key}r",
                "Response at the target, median of the chips, in both sweep directions; shaded "
                "around it what lies between the lowest and the highest chip; the shaded range is "
                f"the band{band_owner(reading.study)}.",
                f"Level against frequency of {name}; band "
                f"{shown_number('band_lower', float(design['band_lower']))} to "
                f"{shown('band_upper', float(design['band_upper']))}.",
            )
        )
    if "burst_pressure" in design:
        parts.append(
            picture(
                partial(plot_burst, design),
                3.6,
                f"{key}b",
                f"Tone bursts{burst_length_text(reading.study)} from rest against their carrier: "
                "largest amplitude while the drive lasts, and that of its last cycle; beside them "
                "the slow sweep.",
                f"Level against carrier of bursts of {name}.",
            )
        )
    die = reading.study.chip.die if reading.study else None
    parts.append(
        picture(
            partial(plot_array, design, die=die),
            4.1,
            f"{key}a",
            "The array to scale: circles are diaphragms, shaded areas electrodes (darker: more "
            "drive); hands show the drive phase, 0 to the right, counter-clockwise.",
            f"Map of {design.sizes['cell']} cells of {name}; the table of groups gives the values.",
        )
    )
    beam = beam_of(reading, chosen)
    if beam is not None:
        centre = shown("centre_frequency", float(design["centre_frequency"]))
        parts.append(
            picture(
                partial(plot_beam, beam),
                3.2,
                f"{key}p",
                f"Beam pattern at {centre} in two planes through the axis.",
                f"Level against angle for {name}.",
            )
        )
    if "pulse_envelope" in design:
        parts.append("</div>" + _pulse(design, name, key) + '<div class="pair">')
    elif number == 0 and (sent := pulse_of(reading, chosen)) is not None:
        parts.append("</div>" + _pulse(sent[0], name, key, sent[1]) + '<div class="pair">')
    parts += ["</div>", merit_table(reading, chosen.strategy, design), group_table(design)]
    parts += [f"<p>{html_text(sentence)}</p>" for sentence in trouble(design)]
    folder = html_text(str(reading.path))
    parts.append(
        "<p>To check it on more chips, or hand it on:</p>"
        f"<pre>arrayopt verify {folder} {html_text(name)}\n"
        f"arrayopt export {folder} {html_text(name)} --to OUT</pre></article>"
    )
    return "".join(parts)


def _pulse(design: xr.Dataset, name: str, key: str, drive: str = "") -> str:
    """Pictures of the pulse, as wide as the page; ``drive``: what makes it, if not the study's."""
    axes = plot_pulse(design)
    level = shown("pulse_level", float(design["pulse_level"]))
    length = shown("pulse_length", float(design["pulse_length"]))
    what = "the design's waveform"
    if drive:
        what = f"{drive}, as short as its band bears; the study has no [waveform] of its own"
    caption = (
        f"The pulse of {what}: {level}, {length} long to -20 dB. Drive, pressure at the target, "
        "spectrum, and after a filter matched to a chip as drawn (dotted: half its peak). Lines "
        "are the median chip, shaded around them what lies between the lowest and the highest."
    )
    alternative = f"Pulse of {name}: {level}, {length} long."
    return _figure(axes[0], f"{key}w", caption, alternative, ' class="wide"')


def _verification(reading: Reading) -> str:
    rows = []
    for name, front in reading.fronts.items():
        for merit in verified_merits(front):
            every = VERIFIED_PREFIX + merit
            names = [
                every,
                *(every + suffix for suffix in SPREAD_SUFFIXES if every + suffix in front),
            ]
            kept = VERIFIED_PREFIX + KEPT_PREFIX + merit
            for k in np.flatnonzero(np.isfinite(np.asarray(front[every], dtype=np.float64))):
                search, value, *spread = (float(front[n].values[k]) for n in (merit, *names))
                rows.append(
                    [
                        f"{html_text(name)}/{int(front['evaluation'][k])}",
                        typeset(heading(merit)),
                        shown_number(merit, search),
                        shown_number(merit, value),
                        shown_change(merit, value, search),
                        *([shown_number(merit, x) for x in spread] or [""] * 3),
                        f"{shown_number(kept, float(front[kept].values[k]))} %"
                        if kept in front
                        else "",
                    ]
                )
    if not rows:
        return ""
    head = ["design", "merit", "search", "verified", "change", "lowest chip", "median", "highest"]
    caption = (
        "What the search promised, and what the study's share of other chips reaches, with three "
        "modes a cell."
    )
    told = [
        f"<p>{html_text(identifier(name, front.isel(design=k)))}: {html_text(sentence)}</p>"
        for name, front in reading.fronts.items()
        if "verify_status" in front
        for k in range(front.sizes["design"])
        for sentence in trouble(front.isel(design=k))
    ]
    table = html_table([*head, "chips that keep its limit"], rows, caption=caption, numeric=2)
    return table + "".join(told)


def _convergence(reading: Reading) -> str:
    curves = convergence(reading)
    if not curves.sizes["strategy"]:
        return ""
    late = []
    for name in np.asarray(curves["strategy"]):
        volume = np.asarray(curves["hypervolume"].sel(strategy=name))
        if volume[-1] > 0.0:
            gain = 100.0 * (volume[-1] - volume[3 * len(volume) // 4 - 1]) / volume[-1]
            late.append(f"{name} {gain:.1f} %")
    text = (
        f"<p>Share of the final hypervolume gained in the last quarter of the search: "
        f"{html_text(', '.join(late))}. A curve that still climbs promises better designs from a "
        "longer search.</p>"
        if late
        else ""
    )
    caption = "Hypervolume of everything found so far."
    names = ", ".join(str(n) for n in np.asarray(curves["strategy"]))
    told = f"Hypervolume against evaluations for {names}."
    plot = partial(plot_convergence, curves)
    return text + picture(plot, 3.4, "conv", caption, told, width=6.4)


def _cautions(reading: Reading) -> str:
    if reading.study is None or not reading.fronts:
        return ""
    worst = {}
    for name in (
        "peak_level",
        "band_lower",
        "band_upper",
        "drive_amplitude",
        "bias",
        "electric_field",
    ):
        parts = [np.ravel(f[name].values) for f in reading.fronts.values() if name in f]
        if parts:
            worst[name] = np.concatenate(parts)
    items = "".join(
        f'<li class="{"act" if c.act else "know"}"><strong>{html_text(c.topic.capitalize())}'
        f"{' – act on this' if c.act else ''}.</strong> {html_text(c.text)}</li>"
        for c in cautions(reading.study, worst)
    )
    return f"<p>{DISCLAIMER}</p><ul>{items}</ul>"


def _reproduce(reading: Reading) -> str:
    versions = ", ".join(f"{name} {value}" for name, value in reading.versions.items())
    spent = max(reading.evaluations.values(), default=0)
    return (
        f"<p>Seed {reading.seed}, {spent} evaluations for each strategy; {html_text(versions)}. "
        "The same study, seed and versions give the same fronts for any number of workers. "
        f'Digest of the study: <code class="long">{html_text(reading.digest)}</code></p>'
        "<p>Save the text below as <code>study.toml</code>, then</p>"
        f"<pre>arrayopt run study.toml --out results --seed {reading.seed} --evaluations {spent}\n"
        "arrayopt report results</pre>"
        f"<details open><summary>The study</summary><pre>{html_text(reading.text)}</pre></details>"
    )
