"""From the checked form of a study file to a Study: everything that needs more than one key."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from arrayopt.base.arrays import Ints
from arrayopt.base.errors import nearest_name
from arrayopt.base.glossary import MERITS, stored
from arrayopt.base.problems import Reporter
from arrayopt.base.text import counted
from arrayopt.base.toml_lines import Path
from arrayopt.base.units import QuantityError, format_value
from arrayopt.study.lattice import (
    MOST_CELLS,
    ArrayLayout,
    GroupingError,
    Sites,
    array_layout,
    explicit_sites,
    group_cells,
    lattice_sites,
)
from arrayopt.study.materials import MATERIALS, Material
from arrayopt.study.model import (
    VARIABLES,
    WAVE_VARIABLES,
    Channels,
    Chip,
    Classes,
    Limit,
    Objective,
    StackLayer,
    Strategy,
)
from arrayopt.study.schema import LimitRow, StrategyTable, StudyFile
from arrayopt.study.waveform import build_waveform

FILE_NAMES = {"drive_amplitude": "amplitude", "drive_phase": "phase"}
"""Glossary names that [fixed] and [vary] write in short."""

# 0.67 of the radius is where a disc drives mode (0,1) of a uniform clamped plate best (0.6713).
DEFAULTS: dict[str, float | str] = {
    "electrode_coverage": 0.67,
    "electrode": "disc",
    "drive_phase": 0.0,
    "bias": 0.0,
}
REFERENCES = {"fractional_bandwidth": 0.0, "onset_voltage": 20.0, "peak_pressure": 0.0}
SCALES = {"fractional_bandwidth": 0.2, "onset_voltage": 20.0, "peak_pressure": 1.0}
_STRATEGY_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
ONLY_STRATEGY = "base"
MOST_LAYERS = 64
MOST_STRATEGIES = 100


def build_stack(form: StudyFile, report: Reporter) -> tuple[StackLayer, ...]:
    """Layers with their materials; reports unknown materials and a wrong active layer."""
    inline = {}
    for name, table in form.materials.items():
        if name in MATERIALS:
            report.add(
                ("materials", name),
                "is built in; give your own material another name",
                show_value=False,
            )
        properties = asdict(table)
        del properties["source"]
        inline[name] = Material(name=name, **properties)
    known: Mapping[str, Material] = {**MATERIALS, **inline}
    layers: list[StackLayer] = []
    if len(form.stack) > MOST_LAYERS:
        need = f"has {counted(len(form.stack))} layers; at most {MOST_LAYERS} are computed"
        report.add(("stack",), need, show_value=False)
        return ()
    for index, row in enumerate(form.stack):
        path: Path = ("stack", index)
        found = known.get(row.material)
        if found is None:
            nearest = nearest_name(row.material, known)
            need = "no such material is built in or defined in [materials]"
            if nearest is None:
                need += f"; known: {', '.join(known)}"
            report.add((*path, "material"), need, nearest=f'"{nearest}"' if nearest else None)
            continue
        if row.active and (found.e31f is None or found.relative_permittivity is None):
            report.add((*path, "material"), "an active layer needs e31f and relative_permittivity")
        default_role = "top-electrode" if row.patterned else "structure"
        role = row.role or ("film" if row.active else default_role)
        if row.role is not None and (role == "film") != row.active:
            report.add((*path, "role"), 'role = "film" and active = true belong together')
        layers.append(
            StackLayer(
                name=row.name or row.material,
                thickness=row.thickness,
                youngs_modulus=found.youngs_modulus,
                poisson_ratio=found.poisson_ratio,
                density=found.density,
                residual_stress=row.residual_stress,
                patterned=row.patterned,
                active=row.active,
                e31f=found.e31f or 0.0,
                relative_permittivity=found.relative_permittivity or 1.0,
                material=found.name,
                role=role,
                breakdown_field=found.breakdown_field,
                contains_lead=found.contains_lead,
            )
        )
    active = [index for index, row in enumerate(form.stack) if row.active]
    if not active:
        report.add(("stack",), "has no layer with active = true; one is needed", show_value=False)
    for index in active[1:]:
        report.add(("stack", index, "active"), "only one layer can be active")
    return tuple(layers)


def build_sites(array: Chip, report: Reporter) -> Sites | None:
    """Cell sites of the lattice; reports keys that do not belong to it."""
    explicit = array.lattice == "explicit"
    needed = ("positions",) if explicit else ("rows", "columns")
    foreign = ("rows", "columns", "pitch") if explicit else ("positions",)
    for key in needed:
        if getattr(array, key) is None:
            need = f'is missing; lattice = "{array.lattice}" needs it'
            report.add(("array", key), need, show_value=False)
    for key in foreign:
        if getattr(array, key) is not None:
            need = f'does not go with lattice = "{array.lattice}"'
            report.add(("array", key), need, show_value=False)
    rows, columns, positions = array.rows, array.columns, array.positions or ()
    cells = len(positions) if explicit else (rows or 0) * (columns or 0)
    if cells > MOST_CELLS:
        need = f"at most {counted(MOST_CELLS)} cells are computed; there are {counted(cells)}"
        report.add(("array", "positions" if explicit else "rows"), need, show_value=not explicit)
        return None
    if explicit:
        return explicit_sites(np.array(positions)) if positions else None
    if rows is None or columns is None:
        return None
    return lattice_sites(array.lattice, rows=rows, columns=columns)


def build_strategies(
    form: StudyFile, sites: Sites | None, report: Reporter
) -> tuple[Strategy, ...]:
    """Every strategy with the rest of the file merged in, cross-checked."""
    tables = form.strategy or {ONLY_STRATEGY: StrategyTable()}
    strategies: list[Strategy] = []
    if len(tables) > MOST_STRATEGIES:
        need = f"holds {counted(len(tables))} strategies; at most {MOST_STRATEGIES} are searched"
        report.add(("strategy",), need, show_value=False)
        return ()
    for name, table in tables.items():
        path: Path = ("strategy", name) if form.strategy else ()
        if not _STRATEGY_NAME.fullmatch(name):
            need = "is no usable name; letters, digits, - and _ are, beginning with a letter"
            report.add(path, need, show_value=False)
        fixed, vary, origin = _merge(form, table, path, report)
        _check_values(form, fixed, vary, origin, path, report)
        wave = build_waveform(form, table, path, (fixed, vary), report)
        if not vary:
            need = "is empty; the search needs something to vary"
            report.add((*path, "vary"), need, show_value=False)
        limits = {**form.limits, **table.limits}
        checked = [
            _limit(key, limit, path if key in table.limits else (), report)
            for key, limit in limits.items()
        ]
        layout = None if sites is None else _layout(form, table, sites, path, report)
        if layout is None:
            continue
        _check_room(form, layout, fixed, vary, origin, path, report)
        ordered = {key: vary[key] for key in (*VARIABLES, *WAVE_VARIABLES) if key in vary}
        kept = tuple(limit for limit in checked if limit is not None)
        told = (name, table.description, layout, fixed, ordered, kept, table.cell, wave)
        strategies.append(Strategy(*told))
    return tuple(strategies)


def _merge(
    form: StudyFile, table: StrategyTable, path: Path, report: Reporter
) -> tuple[dict[str, Any], dict[str, Any], dict[str, Path]]:
    fixed: dict[str, Any] = dict(DEFAULTS)
    vary: dict[str, Any] = {}
    origin: dict[str, Path] = {}
    if form.array.pitch is not None:
        fixed["pitch"], origin["pitch"] = form.array.pitch, ("array", "pitch")
        if form.fixed.pitch is not None:
            report.add(("fixed", "pitch"), "array.pitch is given too; one of them is enough")
    for level, where in ((form, ()), (table, path)):
        for key in VARIABLES:
            short = FILE_NAMES.get(key, key)
            value, bounds = getattr(level.fixed, short), getattr(level.vary, short)
            if value is not None:
                fixed[key], origin[key] = value, (*where, "fixed", short)
                vary.pop(key, None)
            if bounds is not None:
                if value is not None and level is table:
                    need = "the same strategy also varies it; one of them is enough"
                    report.add((*where, "fixed", short), need)
                vary[key], origin[key] = bounds, (*where, "vary", short)
    explicit = form.array.lattice == "explicit"
    if explicit and "pitch" in origin and origin["pitch"][0] != "array":
        report.add(origin["pitch"], 'pitch does not go with lattice = "explicit"')
    if explicit:
        fixed["pitch"] = 1.0
        vary.pop("pitch", None)
    for key in VARIABLES:
        short = FILE_NAMES.get(key, key)
        if key not in fixed and key not in vary:
            where = (*path, "fixed", short)
            report.add(where, "is missing; give it here or vary it", show_value=False)
    return {k: v for k, v in fixed.items() if k not in vary}, vary, origin


def _check_values(
    form: StudyFile,
    fixed: dict[str, Any],
    vary: dict[str, Any],
    origin: dict[str, Path],
    path: Path,
    report: Reporter,
) -> None:
    for key, (low, high) in vary.items():
        if key == "electrode":
            if low == high:
                report.add(origin[key], 'two different values are needed: ["disc", "ring"]')
        elif not low < high:
            report.add(origin[key], "the lower bound must come first and be smaller")
    for key, limit, name in (
        ("drive_amplitude", form.drive.amplitude_limit, "drive.amplitude_limit"),
        ("bias", form.drive.bias_limit, "drive.bias_limit"),
    ):
        values = vary.get(key, (fixed.get(key, 0.0),))
        if max(abs(value) for value in values) > limit:
            need = f"{name} allows {format_value(limit, 'voltage')}"
            report.add(origin.get(key, path), need)


def _layout(
    form: StudyFile, table: StrategyTable, sites: Sites, path: Path, report: Reporter
) -> ArrayLayout | None:
    class_path: Path = (*path, "classes") if table.classes else ("array", "classes")
    channel_path: Path = (*path, "channels") if table.channels else ("array", "channels")
    classes = _grouping(table.classes or form.array.classes, sites, class_path, report)
    channels_table = table.channels or form.array.channels
    if channels_table.scheme == "same-as-classes":
        for key in ("count", "table"):
            if getattr(channels_table, key) is not None:
                report.add((*channel_path, key), 'does not go with scheme = "same-as-classes"')
        channels = classes
    else:
        channels = _grouping(channels_table, sites, channel_path, report)
    if classes is None or channels is None:
        return None
    return array_layout(
        sites.position,
        class_of_cell=classes,
        channel_of_cell=channels,
        explicit=sites.lattice == "explicit",
    )


def _grouping(table: Classes | Channels, sites: Sites, path: Path, report: Reporter) -> Ints | None:
    try:
        return group_cells(sites, scheme=table.scheme, count=table.count, table=table.table)
    except GroupingError as error:
        report.add(path, str(error))
        return None


def _check_room(
    form: StudyFile,
    layout: ArrayLayout,
    fixed: dict[str, Any],
    vary: dict[str, Any],
    origin: dict[str, Path],
    path: Path,
    report: Reporter,
) -> None:
    """Is there any design in the bounds that fits: smallest cells, widest or narrowest pitch?"""
    radius = _lowest("radius", fixed, vary)
    pitch_low = _lowest("pitch", fixed, vary)
    if radius is None or pitch_low is None:
        return
    pitch_high = vary["pitch"][1] if "pitch" in vary else pitch_low
    where = origin.get("pitch", ("array", "positions"))
    needed = 2.0 * radius + form.array.clearance
    widest = layout.nearest_distance * pitch_high
    # rounding of positions is no violation
    if layout.n_cells > 1 and widest < needed * (1.0 - 1e-9):
        need = (
            f"cells are {format_value(float(f'{widest:.6g}'), 'length')} apart at most; the "
            f"smallest radius and the clearance need {format_value(needed, 'length')}"
        )
        report.add(where, need, show_value=where != ("array", "positions"))
    extent = 2.0 * pitch_low * layout.group_extent.max(axis=0)
    for axis, side in enumerate(form.array.die):
        least = float(extent[axis]) + 2.0 * (radius + form.array.edge_margin)
        if least > side * (1.0 + 1e-9):
            need = (
                "the smallest design, with its edge margins, needs "
                f"{format_value(float(f'{least:.6g}'), 'length')} "
                f"(strategy {path[-1] if path else ONLY_STRATEGY})"
            )
            report.add(("array", "die", axis), need)


def _lowest(key: str, fixed: dict[str, Any], vary: dict[str, Any]) -> float | None:
    value = vary[key][0] if key in vary else fixed.get(key)
    return None if value is None else float(value)


def _merit(name: str, path: Path, report: Reporter) -> bool:
    if name in MERITS:
        return True
    nearest = nearest_name(name, MERITS)
    need = "is not a merit" if nearest else f"is not a merit; known: {', '.join(MERITS)}"
    report.add(path, need, nearest=nearest, show_value=False)
    return False


def _quantity(value: Any, name: str, path: Path, report: Reporter) -> float:
    try:
        return stored(name, value)
    except QuantityError as error:
        report.add(path, str(error))
        return math.nan


def _limit(name: str, table: LimitRow, path: Path, report: Reporter) -> Limit | None:
    where: Path = (*path, "limits", name)
    if not _merit(name, where, report):
        return None
    low = None if table.min is None else _quantity(table.min, name, (*where, "min"), report)
    high = None if table.max is None else _quantity(table.max, name, (*where, "max"), report)
    if low is None and high is None:
        if not path:  # in a strategy, an empty table lifts the limit of the rest of the file
            report.add(where, "min or max is needed")
        return None
    if low is not None and high is not None and low > high:
        report.add(where, "min is above max")
    return Limit(name, low, high)


def build_objectives(form: StudyFile, report: Reporter) -> tuple[Objective, ...]:
    """Objectives with hypervolume reference and scale; reports unknown names and senses."""
    names = [name for name, _ in form.objectives]
    found = []
    if not names:
        report.add(("objectives",), "one objective at least is needed")
    for index, (name, sense) in enumerate(form.objectives):
        path: Path = ("objectives", index)
        if name in names[:index]:
            report.add(path, "is there twice", show_value=False)
        if not _merit(name, (*path, 0), report):
            continue
        ends = []
        for key, given, defaults in (
            ("reference", form.reference, REFERENCES),
            ("scale", form.scale, SCALES),
        ):
            if name in given:
                value = _quantity(given[name], name, (key, name), report)
                if key == "scale" and value <= 0.0:
                    report.add((key, name), "a scale above zero is needed")
            elif name in defaults:
                value = defaults[name]
            else:
                need = f"is missing; the objective {name} has no default {key}"
                report.add((key, name), need, show_value=False)
                value = math.nan
            ends.append(value)
        if math.isfinite(ends[0]) and ends[1] > 0.0:
            found.append(Objective(name, sense, ends[0], ends[1]))
    for key, given in (("reference", form.reference), ("scale", form.scale)):
        for name in given:
            if name not in names:
                nearest = nearest_name(name, names)
                report.add((key, name), "is not an objective", nearest=nearest, show_value=False)
    return tuple(found)
