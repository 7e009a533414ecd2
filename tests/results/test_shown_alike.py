"""One design's values are the same text wherever a command, table, page or picture shows them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from arrayopt.base.glossary import MERITS, heading, shown, shown_number, words
from arrayopt.lab.against import Row, Verdict, verdict_table
from arrayopt.results.compare.footing import check_footing
from arrayopt.results.plots.style import axis_label
from arrayopt.results.read import read_run
from arrayopt.results.report.explorer import explorer_data
from arrayopt.results.report.text import merit_table as page_table
from arrayopt.results.report.text import with_unit
from arrayopt.results.tables import front_table, merit_table
from arrayopt.runs.progress import Report
from arrayopt.runs.status import read_status, status_text
from tests.support.small_runs import runs


def unit(name: str) -> str:
    return heading(name).removeprefix(words(name)).strip(" []")


def test_every_reader_shows_the_same_text() -> None:
    place = runs()[2]
    reading = read_run(place)
    strategy, front = next(iter(reading.fronts.items()))
    design = front.isel(design=0)
    terminal = merit_table(design).splitlines()
    page = re.sub(r"<[^>]+>", "|", page_table(reading, strategy, design))
    several = front_table(strategy, front.isel(design=[0]), rows=1)
    for name in (n for n in MERITS if n in design):
        number = shown_number(name, float(design[name]))
        (line,) = (row for row in terminal if re.match(rf"{words(name)}  ", row))
        assert line.removeprefix(words(name)).split()[0] == number, line
        assert re.search(rf"\|{re.escape(words(name))}\|[|]*{re.escape(number)}\|", page), name
        if name in [o.name for o in reading.objectives]:
            assert heading(name) in several
            assert number in several.splitlines()[-1].split()
        row = Row("array", name, float(design[name]), float(design[name]), 0.0, 1.0)
        against = verdict_table(Verdict((row,), ()))
        assert heading(name) in against
        assert against.splitlines()[2].count(f"  {number}") == 2, against
        report = Report(strategy, 1, 1, None, 1.0, 0.1, 1, {name: float(design[name])}, None)
        assert report.cells()[f"best {words(name)}"] == shown(name, float(design[name]))
        assert with_unit(name, float(design[name])).startswith(number)


def test_status_shows_best_values_with_their_units(tmp_path: Path) -> None:
    status = read_status(runs()[2])
    told = status_text(status)
    for strategy in status.strategies:
        assert strategy.report is not None
        for name, value in strategy.report.best.items():
            assert f"{words(name)} {shown(name, value)}" in told
    assert "%" in told


def test_axes_and_explorer_have_the_units_of_tables() -> None:
    assert axis_label("beam_width") == "beam width (°)"
    assert axis_label("peak_level", "level at target") == "level at target (dB re 20 µPa)"
    assert axis_label("die_area") == "die area (mm²)"
    reading = read_run(runs()[2])
    front = next(iter(reading.fronts.values()))
    data = explorer_data(reading)
    for column, values in zip(data["columns"], data["strategies"][0]["values"], strict=True):
        name = column["name"].replace(" ", "_")
        if name in MERITS:
            assert f"({column['unit']})" in axis_label(name) or not column["unit"]
            expected = float(shown_number(name, float(front[name][0])))
            assert values[0] == pytest.approx(expected, rel=1e-3, abs=1e-6)


def test_differing_objectives_are_told_with_units() -> None:
    one, other = read_run(runs()[0]), read_run(runs()[1])
    for front in other.fronts.values():
        front.attrs["references"] = [0.1, *list(front.attrs["references"])[1:]]
    with pytest.raises(Exception, match="max fractional_bandwidth from 10 % by 30 %"):
        list(check_footing([one, other]))
