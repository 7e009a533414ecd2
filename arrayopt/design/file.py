"""Design files: one design written by hand or taken from a front, and back to text."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Ints
from arrayopt.base.errors import nearest_name
from arrayopt.base.files import write_file
from arrayopt.base.glossary import GLOSSARY
from arrayopt.base.problems import Reporter
from arrayopt.base.units import format_value
from arrayopt.design.designs import PER_CHANNEL, PER_CLASS, Designs
from arrayopt.study.build import FILE_NAMES as DESIGN_NAMES
from arrayopt.study.lattice import ArrayLayout, array_layout
from arrayopt.study.model import Strategy, Study
from arrayopt.study.schema import DesignFile
from arrayopt.study.waveform import WAVE_KINDS, WAVE_NAMES

PER_CELL = (*PER_CLASS, *PER_CHANNEL)
FILE_NAMES = {**DESIGN_NAMES, **WAVE_NAMES}


def read_design(path: str | os.PathLike[str], study: Study) -> tuple[Strategy, Designs]:
    """Read one design.

    Bounds of the search do not apply: a person may ask "what if". What the file leaves out is
    taken from the strategy's fixed values.

    Parameters
    ----------
    path : a design file (docs/study-file.md).
    study : gives sites, grouping and fixed values.

    Returns
    -------
    The strategy and a batch of one design on its layout. Where ``[cells]`` gives cells of one
    class or channel different values, the cells are grouped anew by what they have in common, and
    the returned strategy holds that layout.

    Raises
    ------
    StudyError : all problems of the file.
    """
    report = Reporter(Path(path))
    form = report.validate(DesignFile)
    strategy = _strategy(form, study, report)
    layout = strategy.layout
    cells = {name: _cell_values(name, form, strategy, report) for name in PER_CELL}
    common = {name: _common(name, form, strategy, report) for name in ("bias", "pitch")}
    wave = _wave_values(form, strategy, report)
    if layout.explicit and form.pitch is not None:
        report.add(("pitch",), "the positions of this study are explicit; it has no pitch")
    report.finish()
    if not _alike(cells, layout):
        own = [cells[name] for name in PER_CHANNEL] + list(wave.values())
        layout = array_layout(
            layout.unit_position,
            class_of_cell=_group_by([cells[name] for name in PER_CLASS]),
            channel_of_cell=_group_by(own),
            explicit=layout.explicit,
        )
        strategy = replace(strategy, layout=layout)
    first = np.unique(layout.group_of_cell, return_index=True)[1]
    group = {name: values[first][None, :] for name, values in (cells | wave).items()}
    return strategy, Designs(
        layout=layout,
        radius=group["radius"],
        electrode_coverage=group["electrode_coverage"],
        ring=group["electrode"] > 0.5,
        drive_amplitude=group["drive_amplitude"],
        drive_phase=group["drive_phase"],
        bias=np.full((1, layout.n_groups), common["bias"]),
        pitch=np.array([common["pitch"]]),
        waveform={name: group[name] for name in wave},
    )


def _strategy(form: DesignFile, study: Study, report: Reporter) -> Strategy:
    names = [strategy.name for strategy in study.strategies]
    if form.strategy is None or form.strategy in names:
        return study.strategy(form.strategy or names[0])
    nearest = nearest_name(form.strategy, names)
    need = f"the study has {', '.join(names)}"
    report.add(("strategy",), need, nearest=f'"{nearest}"' if nearest else None)
    report.finish()
    raise AssertionError("finish raises after add")


def _cell_values(
    name: str, form: DesignFile, strategy: Strategy, report: Reporter
) -> NDArray[np.float64]:
    """Value of every cell: from [cells], else by class or channel, else the fixed value."""
    layout, short = strategy.layout, FILE_NAMES.get(name, name)
    if name in PER_CLASS:
        table, owner, words = "classes", layout.class_of_cell, "radius classes"
        given = getattr(form.classes, short)
    else:
        table, owner, words = "channels", layout.channel_of_cell, "drive channels"
        given = getattr(form.channels, short)
    if getattr(form.cells, short) is not None:
        table, owner, words = "cells", np.arange(layout.n_cells), "cells"
        given = getattr(form.cells, short)
    if given is None:
        if name not in strategy.fixed:
            need = f"is missing; strategy {strategy.name} varies it, so the design must give it"
            report.add((table, short), need, show_value=False)
            return np.zeros(layout.n_cells)
        given = [strategy.fixed[name]]
    count = int(owner.max()) + 1
    if len(given) not in (1, count):
        need = f"one value, or one for each of the {count} {words}, is needed; there are"
        report.add((table, short), f"{need} {len(given)}")
        return np.zeros(layout.n_cells)
    numbers = np.array([float(v == "ring") if isinstance(v, str) else v for v in given])
    every: NDArray[np.float64] = np.broadcast_to(numbers, count)[owner]
    return every


def _wave_values(
    form: DesignFile, strategy: Strategy, report: Reporter
) -> dict[str, NDArray[np.float64]]:
    """Numbers of the waveform at every cell: from [waveform], by channel, else the fixed value."""
    layout, made = strategy.layout, strategy.waveform
    mine = WAVE_KINDS[made.kind] if made is not None else ()
    found = {}
    for name, key in WAVE_NAMES.items():
        given = getattr(form.waveform, key)
        if name not in mine:
            if given is not None:
                kind = f"is a {made.kind}" if made is not None else "has none"
                report.add(("waveform", key), f"the waveform of {strategy.name} {kind}")
            continue
        if given is None and name not in strategy.fixed:
            need = f"is missing; strategy {strategy.name} varies it, so the design must give it"
            report.add(("waveform", key), need, show_value=False)
            continue
        values = [strategy.fixed[name]] if given is None else given
        count = layout.n_channels
        if len(values) not in (1, count):
            need = f"one value, or one for each of the {count} drive channels, is needed"
            report.add(("waveform", key), f"{need}; there are {len(values)}")
            continue
        numbers = np.array(values, dtype=np.float64)
        found[name] = np.broadcast_to(numbers, count)[layout.channel_of_cell]
    return found


def _common(name: str, form: DesignFile, strategy: Strategy, report: Reporter) -> float:
    given = getattr(form, name)
    if given is None and name not in strategy.fixed:
        need = f"is missing; strategy {strategy.name} varies it, so the design must give it"
        report.add((name,), need, show_value=False)
        return 1.0
    value = strategy.fixed.get(name) if given is None or strategy.layout.explicit else given
    return float(given if value is None else value)


def _alike(cells: Mapping[str, NDArray[np.float64]], layout: ArrayLayout) -> bool:
    """Do all cells of each group share all values?"""
    first = np.unique(layout.group_of_cell, return_index=True)[1][layout.group_of_cell]
    return all(bool(np.array_equal(values, values[first])) for values in cells.values())


def _group_by(columns: list[NDArray[np.float64]]) -> Ints:
    rows = np.stack(columns, axis=1)
    numbers = np.unique(rows, axis=0, return_inverse=True)[1]
    return numbers.reshape(-1).astype(np.int64)


def design_text(
    designs: Designs, *, strategy: Strategy, index: int = 0, description: str = ""
) -> str:
    """The text of a design file that ``read_design`` reads back (to 15 digits).

    Parameters
    ----------
    designs : a batch on the strategy's layout.
    strategy : whose name goes into the file.
    index : which design of the batch.
    description : what to say about it.
    """
    one, layout = designs.take([index]), designs.layout
    lines = ["format = 1"]
    if description:
        lines.append(f"description = {json.dumps(description, ensure_ascii=False)}")
    lines.append(f'strategy = "{strategy.name}"')
    if not layout.explicit:
        lines.append(f"pitch = {_text(one.pitch[0], 'pitch')}")
    lines.append(f"bias = {_text(one.bias[0, 0], 'bias')}")
    same_sites = layout.n_cells == strategy.layout.n_cells
    by_class = (
        same_sites
        and np.array_equal(layout.class_of_cell, strategy.layout.class_of_cell)
        and np.array_equal(layout.channel_of_cell, strategy.layout.channel_of_cell)
        and all(_tied(one, name) for name in PER_CELL)
    )
    if not by_class:
        lines += ["", "[cells]", *_table(one, PER_CELL, layout.group_of_cell)]
        return "\n".join([*lines, *_wave_lines(one)]) + "\n"
    for table, names, owner in (
        ("classes", PER_CLASS, layout.group_class),
        ("channels", PER_CHANNEL, layout.group_channel),
    ):
        first = np.unique(owner, return_index=True)[1]
        lines += ["", f"[{table}]", *_table(one, names, first)]
    return "\n".join([*lines, *_wave_lines(one)]) + "\n"


def write_design(
    path: str | os.PathLike[str],
    designs: Designs,
    *,
    strategy: Strategy,
    index: int = 0,
    description: str = "",
) -> None:
    """Write ``design_text`` to a file, complete or not at all.

    Raises
    ------
    ResultsError : it cannot be written.
    """
    text = design_text(designs, strategy=strategy, index=index, description=description)
    write_file(Path(path), text.encode())


def _values(one: Designs, name: str) -> NDArray[Any]:
    if name in one.waveform:
        return one.waveform[name][0]
    return one.ring[0] if name == "electrode" else getattr(one, name)[0]


def _wave_lines(one: Designs) -> list[str]:
    """``[waveform]`` of a design: one value where all channels share it."""
    lines = []
    first = np.unique(one.layout.group_channel, return_index=True)[1]
    for name in one.waveform:
        some = first[:1] if np.ptp(_values(one, name)) == 0.0 else first
        lines += _table(one, (name,), some)
    return ["", "[waveform]", *lines] if lines else []


def _tied(one: Designs, name: str) -> bool:
    layout = one.layout
    owner = layout.group_class if name in PER_CLASS else layout.group_channel
    values = _values(one, name)
    return bool(np.array_equal(values, values[np.unique(owner, return_index=True)[1]][owner]))


def _table(one: Designs, names: tuple[str, ...], groups: Ints) -> list[str]:
    lines = []
    for name in names:
        values = [_text(value, name) for value in _values(one, name)[groups]]
        short = FILE_NAMES.get(name, name)
        lines.append(f"{short} = [{', '.join(values)}]")
    return lines


def _text(value: Any, name: str) -> str:
    if name == "electrode":
        return '"ring"' if value else '"disc"'
    kind = GLOSSARY[name].kind
    text = format_value(float(value), kind)
    return text if kind == "ratio" else f'"{text}"'
