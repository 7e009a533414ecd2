"""The words and tables of a report: the answer, the strategies, merits with limits, groups."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import xarray as xr

from arrayopt.base.glossary import (
    MARGIN_PREFIX,
    MERITS,
    quantity,
    shown,
    shown_change,
    shown_number,
    words,
)
from arrayopt.base.text import html_text
from arrayopt.merits.chips import limits_in_force
from arrayopt.results.plots.style import typeset
from arrayopt.results.read import (
    Reading,
    identifier,
    knee,
    objective_values,
    ranked,
    verified_merits,
)
from arrayopt.results.tables import chip_cells, chip_notes, group_rows, kept_text
from arrayopt.study.model import Limit, Objective, Study

MOST_GROUPS = 40
"""Rows of a table of groups."""


def with_unit(name: str, value: float) -> str:
    """A value with its unit, for running text: ``25.1 %``, ``3.11 V``."""
    return typeset(shown(name, value))


def best_member(front: xr.Dataset, objectives: Sequence[Objective]) -> int | None:
    """The member best in the first objective among those better than the reference in the others.

    None where no member is.
    """
    values = objective_values(front, objectives)
    good = np.ones(len(values), dtype=np.bool_)
    for k, objective in enumerate(objectives[1:], start=1):
        sign = 1.0 if objective.sense == "max" else -1.0
        good &= sign * (values[:, k] - objective.reference) >= 0.0
    if not good.any():
        return None
    sign = 1.0 if objectives[0].sense == "max" else -1.0
    return int(np.argmax(np.where(good, sign * values[:, 0], -np.inf)))


def answer(reading: Reading) -> str:
    """Which design to build and what it reaches, and how the strategies compare."""
    objectives = reading.objectives
    if not objectives:
        return "No strategy found a design that keeps all limits, so there is nothing to compare."
    found = {name: best_member(front, objectives) for name, front in reading.fronts.items()}
    if all(row is None for row in found.values()):
        return (
            "No design is better than the study's reference point in every objective: the wishes "
            "exceed what these strategies can do on this chip."
        )
    order = ranked(reading)
    lead, front = order[0], reading.fronts[order[0]]
    design = front.isel(design=knee(front))
    reaches = [f"{with_unit(o.name, float(design[o.name]))} {words(o.name)}" for o in objectives]
    share = f"{reading.study.fabrication.share:.0%} of chips" if reading.study else "chips"
    text = f"Build {identifier(lead, design)}: {share} reach {_listed(reaches)}"
    if "yield" in design:
        text += f"; {with_unit('yield', float(design['yield']))} yield"
    text += f"{_kept(design, front, objectives)}. {lead} leads over all objectives together"
    volumes = [f"{float(reading.fronts[n].attrs['hypervolume']):.3f} for {n}" for n in order[1:]]
    if volumes:
        text += (
            f", with a hypervolume of {float(front.attrs['hypervolume']):.3f} against "
            f"{_listed(volumes)}"
        )
    main = objectives[0]
    best = [
        f"{with_unit(main.name, float(reading.fronts[name][main.name][row]))} for {name}"
        for name, row in found.items()
        if row is not None
    ]
    superlative = "highest" if main.sense == "max" else "lowest"
    return f"{text}. The {superlative} {words(main.name)}: {_listed(best)}."


def _kept(design: xr.Dataset, front: xr.Dataset, objectives: Sequence[Objective]) -> str:
    """What the highest fidelity says of the design that the answer names; empty if nothing."""
    kept = set(verified_merits(front))
    values = [
        f"{with_unit(o.name, float(design[f'verified_{o.name}']))} {words(o.name)}"
        for o in objectives
        if o.name in kept and np.isfinite(design[f"verified_{o.name}"])
    ]
    return f"; verified: {_listed(values)}" if values else ""


def _listed(parts: Sequence[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 2 else parts)


def html_table(
    head: Sequence[str], rows: Sequence[Sequence[str]], *, caption: str, numeric: int = 1
) -> str:
    """A table whose first column names the rows; cells are HTML already.

    ``numeric`` is the first column set flush right.
    """
    top = "".join(
        f'<th scope="col"{" class=n" if k >= numeric else ""}>{cell}</th>'
        for k, cell in enumerate(head)
    )
    body = []
    for row in rows:
        cells = [f'<th scope="row">{row[0]}</th>']
        for k, cell in enumerate(row[1:], start=1):
            cells.append(f'<td class="n">{cell}</td>' if k >= numeric else f"<td>{cell}</td>")
        body.append(f"<tr>{''.join(cells)}</tr>")
    return (
        f'<div class="scroll"><table><caption>{caption}</caption><thead><tr>{top}</tr></thead>'
        f"<tbody>{''.join(body)}</tbody></table></div>"
    )


def strategy_table(reading: Reading) -> str:
    """What each strategy is and how far it came."""
    objectives = reading.objectives
    head = ["strategy", "designs evaluated", "designs on the front", "hypervolume"]
    head += [f"{'highest' if o.sense == 'max' else 'lowest'} {words(o.name)}" for o in objectives]
    rows = []
    for name, front in reading.fronts.items():
        values = objective_values(front, objectives)
        best = [
            with_unit(o.name, float(values[:, k].max() if o.sense == "max" else values[:, k].min()))
            for k, o in enumerate(objectives)
        ]
        count = int(front.attrs.get("front_members", front.sizes["design"]))
        rows.append(
            [
                html_text(name),
                f"{reading.evaluations.get(name, 0)}",
                f"{count}",
                f"{float(front.attrs['hypervolume']):.4f}",
                *(html_text(b) for b in best),
            ]
        )
    caption = (
        "Each extreme is of another design. Hypervolume: share of the wish box between reference "
        "and reference plus scale that the front dominates; more is better."
    )
    return html_table(head, rows, caption=caption)


def merit_table(reading: Reading, strategy: str, design: xr.Dataset) -> str:
    """Merits of one design with limits, margins and, where there are any, verified values."""
    limits = _limits(reading, strategy)
    verified = [n for n in verified_merits(design) if _there(design, f"verified_{n}")]
    head = ["merit", "reached", "lowest chip", "median", "highest", "as drawn", "unit", "limit"]
    head += ["margin", "chips that keep it"]
    head += ["verified", "difference"] if verified else []
    wanted = {o.name for o in reading.objectives}
    rows = []
    for name in MERITS:
        if name not in design:
            continue
        title = f'<abbr title="{html_text(quantity(name).meaning)}">{words(name)}</abbr>'
        margin = MARGIN_PREFIX + name
        row = [
            f"<strong>{title}</strong>" if name in wanted else title,
            shown_number(name, float(design[name])),
            *chip_cells(design, name),
            html_text(typeset(quantity(margin).shown)),
            limits.get(name, ""),
            _margin(name, float(design[margin])) if margin in design else "",
            kept_text(design, name),
        ]
        if verified:
            row += _verified(design, name) if name in verified else ["", ""]
        rows.append(row)
    for name in ("clearance_margin", "die_margin"):
        if name in design:
            label = words(name.removesuffix("_margin"))
            text = _margin(name, float(design[name]))
            unit = typeset(quantity(name).shown)
            rows.append([label, *[""] * 5, unit, "", text, *([""] * (3 if verified else 1))])
    caption = " ".join(
        [
            "Merits, limits in force and distance from them; objectives in bold.",
            *map(html_text, chip_notes(design)),
        ]
    )
    return html_table(head, rows, caption=caption)


def _there(design: xr.Dataset, name: str) -> bool:
    return bool(np.isfinite(float(design[name])))


def _limits(reading: Reading, strategy: str) -> dict[str, str]:
    if reading.study is None:
        return {}
    out: dict[str, list[str]] = {}
    for limit in limits_in_force(reading.study, reading.study.strategy(strategy)):
        out.setdefault(limit.name, []).append(_limit(limit))
    return {name: ", ".join(dict.fromkeys(parts)) for name, parts in out.items()}


def _limit(limit: Limit) -> str:
    low = shown_number(limit.name, limit.minimum) if limit.minimum is not None else None
    high = shown_number(limit.name, limit.maximum) if limit.maximum is not None else None
    if low is not None and high is not None:
        return f"{low} to {high}"
    return f"≥ {low}" if low is not None else f"≤ {high}"


def _margin(name: str, value: float) -> str:
    text = shown_number(name, value)
    return f'<span class="broken">{text} (broken)</span>' if value < 0.0 else text


def _verified(design: xr.Dataset, name: str) -> list[str]:
    value, search = float(design[f"verified_{name}"]), float(design[name])
    return [shown_number(name, value), shown_change(name, value, search)]


def band_owner(study: Study | None) -> str:
    """Whose band the stored one is, where it is not the sweep's: " of bursts", for captions."""
    excitation = study.target.excitation if study else ""
    owners = {"burst": " of bursts", "chirp": " of the chirp", "waveform": " of the pulse"}
    return owners.get(excitation, "")


def burst_length_text(study: Study | None) -> str:
    """The length of a study's bursts, " of 0.4 ms" or " of 40 cycles", for captions."""
    length = study.target.burst_length if study else None
    if length is None:
        return ""
    return f" of {length.value:g} cycles" if length.in_cycles else f" of {1e3 * length.value:g} ms"


def group_table(design: xr.Dataset) -> str:
    """One row for each group of like cells."""
    head, *rows = group_rows(design)
    caption = "Groups of like cells."
    if len(rows) > MOST_GROUPS:
        caption = f"The first {MOST_GROUPS} of {len(rows)} groups of like cells."
    return html_table([typeset(cell) for cell in head], rows[:MOST_GROUPS], caption=caption)
