"""Texts of users at the edges: terminal, page, tables and drawings."""

from __future__ import annotations

import csv
import io
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from arrayopt.base.text import csv_cell, html_text, name_problem, one_line, visible
from arrayopt.chip.export.files import Stamp, csv_text
from arrayopt.cli.say import say
from arrayopt.lab.plot import BurstPicture, draw_calibration
from arrayopt.results.plots.style import figure_svg, new_axes, styled, svg_file

PACKAGE = Path(__file__).parent.parent.parent / "arrayopt"
FORGED = 'a\x1b[31m\x00\x9b\u202eb & <script>"$\\frac$"\ufffe'


def test_terminals_get_codes_instead_of_control_characters(
    capsys: pytest.CaptureFixture[str],
) -> None:
    say(FORGED + "\nµ °C 数")
    said = capsys.readouterr().out
    assert said.startswith('a\\x1b[31m\\x00\\x9b\\u202eb & <script>"$')
    assert said.endswith("\\ufffe\nµ °C 数\n")
    assert one_line("a\tb\nc") == "a\\tb\\nc"


@pytest.mark.filterwarnings("ignore:Glyph")
def test_pages_and_pictures_stay_well_formed() -> None:
    root = ET.fromstring(f'<p title="{html_text(FORGED)}">{html_text(FORGED)}</p>')
    assert root.text == root.get("title") == visible(FORGED)
    with styled():
        ax = new_axes(None)
        ax.plot([0, 1], [0, 1], label=FORGED)
        ax.set_title(FORGED)
        ax.legend()
        for text in (svg_file(ax.figure.figure), figure_svg(ax.figure.figure, "x")):
            ET.fromstring(text[text.index("<svg") :])
            assert "\\x1b[31m" in text


@pytest.mark.filterwarnings("ignore:Glyph")
@pytest.mark.parametrize("form", ["svg", "png"])
def test_pictures_of_a_calibration_take_any_name(form: str) -> None:
    import numpy as np

    ends = np.array([1.0, 2.0])
    drawn = draw_calibration([], [BurstPicture(FORGED, ends, ends, ends)], form=form)
    if form == "svg":
        assert ET.fromstring(drawn).tag.endswith("svg")
    else:
        assert len(drawn) > 1000


@pytest.mark.parametrize("text", ["=1+1", "@SUM(A1)", "+1 V/m", "-a", "\t=1", "=1+1\x1b"])
def test_no_cell_of_a_table_is_a_formula(text: str) -> None:
    table = csv_text(Stamp("a/1", "d"), [{"material": f"{text}", "x": -1.5}], [f"process: {text}"])
    rows = list(csv.reader(io.StringIO(table)))
    assert rows[0][0].startswith("# design")
    assert rows[-1][1] == "-1.5"
    assert rows[-1][0][0] in "'\\"
    assert table.isascii()
    assert all(line.isprintable() for line in table.splitlines())


def test_numbers_are_left_alone() -> None:
    assert [csv_cell(x) for x in ("-1.5e-3", "+inf", "", "a=b", 3)] == [
        "-1.5e-3",
        "+inf",
        "",
        "a=b",
        3,
    ]


def test_what_a_name_may_be() -> None:
    assert name_problem("ScAlN-20 (µ)") is None
    assert name_problem("a\nb") is not None
    assert name_problem("a\nb\tc", lines=True) is None
    assert name_problem("a\x1bb", lines=True) is not None
    assert name_problem("a" * 101) == "at most 100 characters are taken; there are 101"


def test_texts_leave_through_one_place() -> None:
    """Commands print with `say`, pages escape with `html_text`: nothing else does."""
    homes = {"click.echo(": {"cli/say.py"}, "html import": set(), "html.escape(": {"base/text.py"}}
    for word, home in homes.items():
        found = {
            str(path.relative_to(PACKAGE))
            for path in PACKAGE.rglob("*.py")
            if word in path.read_text(encoding="utf-8")
        }
        assert found == home, word
