"""Files beyond what is read, and their texts: one sentence each, in bounded time."""

from __future__ import annotations

import os
import re
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from arrayopt.base.errors import ArrayoptError
from arrayopt.base.problems import MOST_LISTED
from arrayopt.base.toml import DEEPEST, LARGEST_FILE, parse
from arrayopt.chip.process import read_process, read_process_text
from arrayopt.design.file import read_design
from arrayopt.models.cells import tables
from arrayopt.study.read import read_study, read_study_text

ROOT = Path(__file__).parent.parent.parent
DUCT = (ROOT / "studies" / "duct-flow-meter" / "study.toml").read_text(encoding="utf-8")
PROCESS = (ROOT / "arrayopt" / "chip" / "data" / "process.toml").read_text(encoding="utf-8")
DEEP = "[" * 1000 + "]" * 1000
LATTICE = 'lattice = "square"\nrows = 8\ncolumns = 8\npitch = "1.1 mm"\n'


def changed(text: str, key: str, value: str) -> str:
    """A study with another value of its first such key."""
    found = re.sub(rf"^{key} = .*$", lambda _: f"{key} = {value}", text, count=1, flags=re.M)
    assert found != text, key
    return found


def at(count: int) -> str:
    """So many cells at positions of their own."""
    assert LATTICE in DUCT
    listed = ",".join(f'["{k % 100} mm", "{k // 100} mm"]' for k in range(count))
    return DUCT.replace(LATTICE, f'lattice = "explicit"\npositions = [{listed}]\n')


REFUSED = {
    "deep": (f"{DUCT}\n[x]\ny = {DEEP}\n", f"holds more than {DEEPEST} brackets inside one"),
    "deep tables": (f"{DUCT}\n[{'.'.join('a' * 999)}]\n", f"{DEEPEST} parts of a dotted key"),
    "deep key": (f"{'.'.join('a' * 200_000)} = 1\n{DUCT}", f"{DEEPEST} parts of a dotted key"),
    "deep calibration": (
        f"{DUCT}\n[calibration]\nfile = 'c.toml'\n[calibration_content]\ntext = 'a = {DEEP}'\n",
        f"c.toml:1: the file holds more than {DEEPEST} brackets",
    ),
    "long seed": (changed(DUCT, "seed", "1" * 5000), ":5: the file holds a whole number beyond"),
    "long hexadecimal": (changed(DUCT, "seed", "0x" + "f" * 5000), "a whole number beyond"),
    "seed of 65 bits": (changed(DUCT, "seed", "1" + "0" * 19), "a whole number beyond"),
    "rows of 1e30": (changed(DUCT, "rows", "1e30"), "a whole number is needed"),
    "very many rows": (changed(DUCT, "rows", "1" + "0" * 17), "at most 4 096 cells are computed"),
    "a million cells": (
        changed(changed(DUCT, "rows", "1000"), "columns", "1000"),
        "at most 4 096 cells are computed; there are 1 000 000",
    ),
    "stress beyond all films": (
        changed(DUCT, "residual_stress", '"1e300 MPa"'),
        "a stress at least -100 GPa and at most",
    ),
    "many positions": (at(100_000), "at most 4 096 cells are computed; there are 100 000"),
    "many layers": (
        DUCT.replace("[cell]", '[[stack]]\nmaterial="Si"\nthickness="1 um"\n' * 80_000 + "[cell]"),
        "stack has 80 005 layers; at most 64 are computed",
    ),
    "many strategies": (
        f"{DUCT}\n" + "".join(f"[strategy.s{k}]\n" for k in range(5000)),
        "strategy holds 5 003 strategies; at most 100 are searched",
    ),
    "large table": (
        f'{DUCT}\n[strategy.x]\nclasses = {{scheme = "table", table = [{"9" * 18 + ", "!s}'
        + ", ".join(["0"] * 63)
        + "]}\n",
        "table uses numbers up to 999999999999999999 but not 1",
    ),
    "many islands": (
        DUCT.replace("[search]", f"[search]\nislands = {10**18}"),
        "a number of at most 1000 is needed",
    ),
    "NUL in a path": (
        f'{DUCT}\n[calibration]\nfile = "a\\u0000b"\n',
        "control characters are not taken; there is \\x00",
    ),
    "long path": (f'{DUCT}\n[calibration]\nfile = "{"a" * 70_000}"\n', "at most 10 000 characters"),
    "long title": (changed(DUCT, "title", f'"{"t" * 70_000}"'), "at most 300 characters"),
    "long strategy": (f"{DUCT}\n[strategy.{'s' * 70_000}]\n", "at most 100 characters are taken"),
    "long material": (changed(DUCT, "material", f'"{"m" * 70_000}"'), "at most 100 characters"),
    "long key": (f"{DUCT}\n[{'s' * 70_000}]\n", "at most 100 characters are taken"),
    "terminal codes": (changed(DUCT, "title", '"a\\u001b[31m"'), "there is \\x1b"),
    "lines in a title": (changed(DUCT, "title", '"a\\nb"'), "there is \\x0a"),
    "text turned round": (changed(DUCT, "question", '"a\\u202eb"'), "there is \\u202e"),
    "a string without an end": (DUCT + '"""' + '\\"' * 500_000, "TOML syntax"),
    "large": (DUCT + "#" * LARGEST_FILE, "holds more than 4 194 304 bytes"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_study_beyond_what_is_read(tmp_path: Path, name: str) -> None:
    text, need = REFUSED[name]
    file = tmp_path / "study.toml"
    file.write_text(text, encoding="utf-8")
    begun = time.process_time()
    with pytest.raises(ArrayoptError) as refused:
        read_study(file)
    assert need in str(refused.value)
    assert len(str(refused.value)) < 3000
    assert time.process_time() - begun < 60.0  # minutes to hours before, or no memory


@pytest.mark.parametrize("kind", ["process", "design", "calibration"])
@pytest.mark.parametrize("name", ["deep", "long seed", "large"])
def test_every_kind_of_file_has_these_limits(tmp_path: Path, kind: str, name: str) -> None:
    text = {"deep": f"x = {DEEP}", "long seed": f"x = {'1' * 5000}", "large": "#" * 5_000_000}
    folder = tmp_path / "study"
    folder.mkdir()
    file = folder / "file.toml"
    file.write_text(text[name], encoding="utf-8")

    def with_calibration(path: Path) -> object:
        (folder / "study.toml").write_text(f'{DUCT}\n[calibration]\nfile = "{path.name}"\n')
        return read_study(folder)

    readers: dict[str, Callable[[Path], object]] = {
        "process": read_process,
        "design": lambda path: read_design(path, read_study_text(DUCT)),
        "calibration": with_calibration,
    }
    with pytest.raises(ArrayoptError, match=r"holds (more than|a whole number beyond)"):
        readers[kind](file)


@pytest.mark.parametrize(
    ("key", "value"),
    [("edge_shift", '"1 m"'), ("edge_shift", '"600 um"'), ("edge_shift", '"-1 mm"')],
)
def test_shift_that_is_no_correction(key: str, value: str) -> None:
    text = PROCESS.replace("[layers.cavity]", f"[layers.cavity]\n{key} = {value}")
    text = re.sub(rf"({key} = {re.escape(value)}\n(?:(?!\[).*\n)*?){key} = .*\n", r"\1", text)
    with pytest.raises(ArrayoptError, match="a length at least -100 um and at most 100 um"):
        read_process_text(text)


def test_problems_beyond_a_hundred_are_counted() -> None:
    text = DUCT.replace("[cell]", "[[stack]]\nmaterials = 1\n" * 1000 + "[cell]")
    with pytest.raises(ArrayoptError) as refused:
        read_study_text(text)
    lines = str(refused.value).splitlines()
    assert len(lines) == MOST_LISTED + 1
    assert lines[-1] == "study.toml: the file has 2 900 more problems"


def test_values_are_repeated_in_one_short_line(tmp_path: Path) -> None:
    file = tmp_path / "a\x1b[31m\nb.toml"
    file.write_text(changed(DUCT, "rows", '"' + "\\n\\u0007" * 1000 + '"'), encoding="utf-8")
    with pytest.raises(ArrayoptError) as refused:
        read_study(file)
    for line in str(refused.value).splitlines():
        assert len(line) < 400
        assert line.isprintable()


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "study.toml")
    with pytest.raises(ArrayoptError, match="a plain file is needed"):
        read_study(tmp_path)


@pytest.mark.parametrize(
    "text",
    [
        'a = """\n[[[[ "" \\"" ]]]]\n"""" # [[',
        "a = '''[[[[''''\nb = [['[', \"]\"]]",
        'a."b.c.d".e = 1.5\n[a."[".x]\ny = [[1.5, 2.5], [3.5]]',
    ],
)
def test_brackets_and_points_in_strings_do_not_count(
    text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("arrayopt.base.toml.DEEPEST", 3)
    assert parse(text) == tomllib.loads(text)


def test_a_whole_study_fits_in_results(tmp_path: Path) -> None:
    """Study and calibration are kept as one text, which must be read again."""
    (tmp_path / "c.toml").write_text("#" * (LARGEST_FILE - 10), encoding="utf-8")
    text = f'{DUCT}\n[calibration]\nfile = "c.toml"\n'
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ArrayoptError, match="study and the files it names together"):
        read_study(tmp_path)


def test_a_stack_that_is_no_plate() -> None:
    thick = 'thickness = "1 m"\nresidual_stress = "200 MPa"\npatterned'
    study = read_study_text(DUCT.replace(thick.replace("1 m", "0.1 um"), thick))
    with pytest.raises(ArrayoptError, match="stack cannot be computed: the sections under and"):
        tables(study.stack, 5, ring=False)


def test_text_where_a_number_is_the_only_word() -> None:
    with pytest.raises(ArrayoptError, match='format is "two"; 1 is needed'):
        read_study_text(changed(DUCT, "format", '"two"'))
