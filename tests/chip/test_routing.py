"""Routing: every electrode reaches exactly its pad, seen by an independent reader of the file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from arrayopt.chip.layout import ChipLayout, build_chip
from arrayopt.chip.process import NANOMETRE, Process, read_process
from arrayopt.chip.readback import ReadLayout
from arrayopt.chip.readback_nets import wrong_connections
from arrayopt.chip.rules import check_rules
from arrayopt.chip.streets import RoutingError, net_of
from arrayopt.chip.write import write_layouts
from arrayopt.design.designs import Designs
from arrayopt.study.model import Study
from tests.support.layout_studies import make

PROCESS = read_process()

ONE_METAL = replace(
    PROCESS,
    layers={role: x for role, x in PROCESS.layers.items() if role not in ("via", "wiring")},
    traces=replace(PROCESS.traces, via_size=None),
)


def with_pads(size: float) -> Process:
    return replace(PROCESS, pads=replace(PROCESS.pads, size=size))


def built(process: Process = PROCESS, **options: object) -> tuple[Study, Designs, ChipLayout]:
    study, _, designs = make(**options)  # type: ignore[arg-type]
    return study, designs, build_chip(designs, die=study.chip.die, process=process)


def read_back(chip: ChipLayout, folder: Path, process: Process = PROCESS) -> ReadLayout:
    return ReadLayout(write_layouts(chip, folder, name="t", process=process, note="n")[0], process)


def electrodes(chip: ChipLayout, channel: np.ndarray) -> dict[str, tuple[str, int, int, int, int]]:
    """A point on every electrode of the array, from centres and radii alone."""
    found = {}
    for cell, (x, y) in enumerate(np.rint(chip.position / NANOMETRE).astype(int)):
        inner, outer = chip.drawn.top_inner[cell], chip.drawn.top_outer[cell]
        aside = round((inner + outer) / 2 / NANOMETRE) if inner > 0.0 else 0
        net = net_of(int(channel[cell]))
        found[f"cell {cell}"] = (net, int(x) + aside, int(y), int(x), int(y))
    return found


def pads(chip: ChipLayout) -> dict[str, tuple[int, int]]:
    return {p.net: (round(p.x / NANOMETRE), round(p.y / NANOMETRE)) for p in chip.pads}


CASES = {
    "one channel": ({}, 1),
    "rows": ({"channels": "rows"}, 1),
    "blocks of rows": ({"channels": "rows", "count": 2}, 1),
    "columns": ({"channels": "columns"}, 1),
    "interleaved": ({"channels": "interleaved", "count": 4, "classes": "each"}, 2),
    "each its own": ({"channels": "each", "classes": "each"}, 2),
    "rings of discs": ({"channels": "rings", "rows": 5, "columns": 5, "die": "7 mm"}, 2),
    "ring electrodes": ({"channels": "rows", "electrode": "ring"}, 1),
    "ring electrodes crossing": (
        {"channels": "interleaved", "count": 3, "electrode": "ring"},
        2,
    ),
    "winding streets": (
        {"lattice": "hexagonal", "pitch": "0.96 mm", "channels": "interleaved", "count": 3},
        2,
    ),
    "winding streets, one channel": ({"lattice": "hexagonal", "pitch": "0.96 mm"}, 1),
    "single cell": ({"rows": 1, "columns": 1}, 1),
    "scattered": (
        {
            "lattice": "explicit",
            "positions": '[["0 mm","0 mm"],["1.1 mm","0.1 mm"],["0.1 mm","1.2 mm"],'
            '["1.2 mm","1.25 mm"],["2.3 mm","0.05 mm"]]',
            "channels": "each",
            "classes": "each",
        },
        2,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_every_electrode_reaches_its_pad_and_rules_are_kept(name: str, tmp_path: Path) -> None:
    options, levels = CASES[name]
    study, designs, chip = built(**options)
    radius = designs.at_cells("radius")[0].astype(float)
    assert chip.routing.levels == levels
    assert check_rules(chip, radius=radius, chip_limits=study.chip, process=PROCESS) == ()
    read = read_back(chip, tmp_path)
    assert read.findings() == []
    layout = designs.layout
    wrong = wrong_connections(read.nets(), electrodes(chip, layout.channel_of_cell), pads(chip))
    assert wrong == []
    # a net for each channel and test cell, and two grounds; nothing else floats
    tests = len(chip.coupon.placements)
    assert len(read.nets()) == layout.n_channels + 1 + tests + 1


def test_one_metal_level_has_nothing_on_the_second(tmp_path: Path) -> None:
    _, designs, chip = built(ONE_METAL, channels="rows")
    assert chip.routing.levels == 1
    read = read_back(chip, tmp_path, ONE_METAL)
    assert (
        wrong_connections(read.nets(), electrodes(chip, designs.layout.channel_of_cell), pads(chip))
        == []
    )


def test_crossings_without_a_second_level_are_refused() -> None:
    with pytest.raises(RoutingError, match="rule crossing: 4 channels share rows and columns"):
        built(ONE_METAL, channels="interleaved", count=4)


def test_a_narrow_street_names_cells_and_widths() -> None:
    with pytest.raises(RoutingError, match=r"rule street: cells \d+ and \d+ leave .* um .* need"):
        built(pitch="0.862 mm", channels="each", rows=3, columns=12, die="14 mm")


def test_a_small_die_has_no_room_for_trunks() -> None:
    with pytest.raises(RoutingError, match=r"rule margin: .* Use a larger die"):
        built(
            replace(PROCESS, pads=replace(PROCESS.pads, size=250e-6)),
            channels="interleaved",
            count=4,
            die="3.5 mm",
            rows=3,
        )


def test_too_many_pads_are_counted() -> None:
    with pytest.raises(RoutingError, match=r"rule pads: \d+ pads are needed"):
        built(
            replace(PROCESS, pads=replace(PROCESS.pads, size=900e-6)),
            channels="each",
            rows=3,
            columns=6,
            die="8 mm",
        )


def test_a_cut_trace_and_a_bridge_are_seen(tmp_path: Path) -> None:
    _, designs, chip = built(channels="rows")
    channel = designs.layout.channel_of_cell
    tracks = [
        k
        for k, (role, _, net) in enumerate(chip.polygons)
        if role == "top-electrode" and net == "CH1"
    ]
    without = replace(
        chip, polygons=tuple(p for k, p in enumerate(chip.polygons) if k != tracks[0])
    )
    said = wrong_connections(
        read_back(without, tmp_path).nets(), electrodes(chip, channel), pads(chip)
    )
    assert any("of cell" in line and "not CH1" in line for line in said)
    bar = np.array(
        [[-2750000, -2600000], [-2740000, -2600000], [-2740000, 2600000], [-2750000, 2600000]]
    )
    bridged = replace(chip, polygons=(*chip.polygons, ("top-electrode", bar, "")))
    said = wrong_connections(
        read_back(bridged, tmp_path).nets(), electrodes(chip, channel), pads(chip)
    )
    assert "pads CH0 and CH1 are joined" in said


@pytest.mark.parametrize(
    ("role", "grow", "rule"),
    [
        ("top-electrode", 0.5, "width of TOP"),
        ("bottom-electrode", 0.98, "enclosure of CAVITY in BOTTOM"),
    ],
)
def test_the_reader_sees_broken_rules(role: str, grow: float, rule: str, tmp_path: Path) -> None:
    """A layout spoilt on purpose: the independent check must not pass it."""
    _, _, chip = built()
    if role == "top-electrode":
        thin = np.add([[0, 0], [2000, 0], [2000, 50000], [0, 50000]], [0, 2550000])
        spoilt = replace(chip, polygons=(*chip.polygons, (role, thin, "")))
    else:
        blocks = tuple(
            replace(
                b,
                polygons=tuple(
                    (r, np.rint(p * grow / 5).astype(np.int64) * 5 if r == role else p)
                    for r, p in b.polygons
                ),
            )
            for b in chip.blocks
        )
        spoilt = replace(chip, blocks=blocks)
    assert rule in {finding.rule for finding in read_back(spoilt, tmp_path).findings()}


@pytest.mark.parametrize(("shared", "measured"), [(0, 0.0), (2000, 2e-6), (4990, 4.99e-6)])
def test_the_reader_measures_overlap(shared: int, measured: float, tmp_path: Path) -> None:
    """Two bars of 10 um that share less than 5 um of their length, by hand."""
    _, _, chip = built()
    bar = np.add([[0, 0], [10000, 0], [10000, 40000], [0, 40000]], [-2700000, 2600000])
    bars = (bar, np.add(bar, [0, 40000 - shared]))
    spoilt = replace(
        chip, polygons=(*chip.polygons, *(("top-electrode", points, "") for points in bars))
    )
    found = read_back(spoilt, tmp_path).findings()
    assert [finding.rule for finding in found] == ["overlap of TOP"]
    assert found[0].required == PROCESS.layers["top-electrode"].min_overlap == 5e-6
    # one grid step at most, of shapes measured in steps of 2 nm
    assert found[0].measured == pytest.approx(measured, abs=4e-9)
    enough = (bar, np.add(bar, [0, 40000 - 5000]))
    sound = replace(
        chip, polygons=(*chip.polygons, *(("top-electrode", points, "") for points in enough))
    )
    assert read_back(sound, tmp_path).findings() == []


def test_the_reader_sees_shapes_off_the_grid(tmp_path: Path) -> None:
    _, _, chip = built()
    first = replace(chip.placements[0], x=chip.placements[0].x + 1)
    spoilt = replace(chip, placements=(first, *chip.placements[1:]))
    rules = {finding.rule for finding in read_back(spoilt, tmp_path).findings()}
    assert "grid of CAVITY" in rules
