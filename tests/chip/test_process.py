"""Process files: what is read, and what each mistake is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from arrayopt.base.errors import StudyError
from arrayopt.chip.process import ENCLOSURES, read_process, read_process_text

TEXT = read_process().text


def problems(text: str) -> str:
    with pytest.raises(StudyError) as error:
        read_process_text(text)
    return str(error.value)


def changed(old: str, new: str) -> str:
    assert old in TEXT
    return TEXT.replace(old, new, 1)


def test_the_example_has_every_role_and_enclosure() -> None:
    process = read_process()
    assert process.second_level
    assert set(process.enclosures) == set(ENCLOSURES)
    assert process.grid == 5e-9
    assert process.layers["cavity"].edge_shift == 2e-6
    assert process.layers["top-electrode"].edge_shift == -0.25e-6
    numbers = [(layer.number, layer.datatype) for layer in process.layers.values()]
    assert len(set(numbers)) == len(numbers)


def test_digest_depends_on_values_only(tmp_path: Path) -> None:
    file = tmp_path / "fab.toml"
    file.write_text("# ours\n" + changed("Neutral example", "Another"), encoding="utf-8")
    assert read_process(file).digest == read_process().digest
    assert read_process_text(changed('"100 um" ', '"110 um" ')).digest != read_process().digest


def test_a_process_may_have_one_level() -> None:
    text = TEXT.replace('via_size = "3 um"', "")
    for role in ("via", "wiring"):
        start = text.index(f"[layers.{role}]")
        text = text[:start] + text[text.index("[layers.", start + 1) :]
    text = text[: text.index('[[enclosure]]\nouter = "top-electrode"\ninner = "via"')] + (
        '[[enclosure]]\nouter = "top-electrode"\ninner = "pad-opening"\nat_least = "5 um"\n'
    )
    process = read_process_text(text)
    assert not process.second_level
    assert process.enclosed("wiring", "via") == 0.0


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('grid = "5 nm"', 'grid = "2.5 nm"', "a whole number of nanometres"),
        ('curve_tolerance = "100 nm"', 'curve_tolerance = "1 nm"', "less than the grid"),
        ('width = "10 um"', 'width = "3 um"', "layers.wiring.min_width is 4 um"),
        ('width = "10 um"', 'width = "10.001 um"', "a multiple of 10 nm"),
        ("number = 20", "number = 10", "layer 10/0 is already cavity"),
        ('name = "BOTTOM"', 'name = "CAVITY"', "already the name of cavity"),
        ('name = "BOTTOM"', 'name = "BOT TOM"', "letters, digits and underscores"),
        ('via_size = "3 um"', "", "belong together"),
        ('inner = "cavity"', 'inner = "via"', "layouts hold no via in bottom-electrode"),
        ('inner = "cavity"', 'inner = "cavty"', 'did you mean "cavity"'),
        ('size = "120 um"', 'size = "44 um"', "whose min_width is 40 um"),
        ("[layers.label]", "[layers.labels]", "layers.label is missing"),
        ('min_width = "20 um"', 'min_width = "20 V"', "a length is needed"),
    ],
)
def test_each_mistake_has_its_message(old: str, new: str, said: str) -> None:
    text = problems(changed(old, new))
    assert said in text
    assert "process.toml:" in text


def test_all_mistakes_at_once() -> None:
    text = changed("number = 20", "number = 10").replace('grid = "5 nm"', 'grid = "5.5 nm"')
    assert len(problems(text).splitlines()) == 2
