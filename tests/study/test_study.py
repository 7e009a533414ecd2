"""Study files: values and defaults, and one clear message for each mistake."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest

from arrayopt.base.errors import ArrayoptError, StudyError
from arrayopt.base.toml_lines import locate
from arrayopt.study.materials import MATERIALS
from arrayopt.study.model import BurstLength, Fabrication, UnknownStrategyError
from arrayopt.study.read import Study, read_study
from arrayopt.study.schema import DesignFile, StudyFile
from tests.support.paths import ROOT

GOOD = """\
format = 1
title = "A test"
seed = 7

[[stack]]
material = "Si"
thickness = "5 um"

[[stack]]
material = "AlN"
thickness = "1 um"
active = true
residual_stress = "50 MPa"

[[stack]]
material = "Al"
thickness = "0.2 um"
patterned = true

[cell]
quality_factor = 80

[array]
lattice = "square"
rows = 4
columns = 4
pitch = "1.2 mm"
die = ["6 mm", "6 mm"]

[drive]
amplitude_limit = "20 V"
bias_limit = "10 V"

[fixed]
amplitude = "10 V"

[vary]
radius = ["300 um", "500 um"]

[target]
centre_frequency = ["90 kHz", "110 kHz"]

[limits]
deflection_ratio = { max = 1.2 }
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return path


def study_of(folder: Path, text: str = GOOD) -> Study:
    return read_study(write(folder, text))


def problems_of(folder: Path, text: str) -> list[str]:
    path = write(folder, text)
    with pytest.raises(StudyError) as caught:
        read_study(path)
    lines = str(caught.value).splitlines()
    assert len(lines) == len(caught.value.problems)
    assert all(line.startswith(f"{path}") for line in lines)
    return [line.removeprefix(str(path)).lstrip(": ") for line in lines]


def test_values_are_si_and_defaults_are_filled_in(tmp_path: Path) -> None:
    study = study_of(tmp_path)
    assert study.title == "A test"
    assert study.seed == 7
    assert [layer.thickness for layer in study.stack] == [5e-6, 1e-6, 0.2e-6]
    assert study.film.material == "AlN"
    assert study.film.residual_stress == 50e6
    assert study.film.e31f == MATERIALS["AlN"].e31f
    assert [layer.role for layer in study.stack] == ["structure", "film", "top-electrode"]
    assert study.thickness == pytest.approx(6.2e-6, rel=1e-12, abs=0.0)
    assert not study.contains_lead
    assert study.air.temperature == 293.15
    assert study.air.humidity == 0.5
    assert study.cell.back == "vented"
    assert study.target.level == -6.0
    assert study.target.excitation == "up-sweep"
    assert [(o.name, o.sense) for o in study.objectives] == [
        ("fractional_bandwidth", "max"),
        ("onset_voltage", "min"),
        ("peak_pressure", "max"),
    ]
    (strategy,) = study.strategies
    assert strategy.name == "base"
    assert dict(strategy.vary) == {"radius": (300e-6, 500e-6)}
    assert strategy.fixed["drive_amplitude"] == 10.0
    assert strategy.fixed["electrode_coverage"] == 0.67
    assert strategy.fixed["pitch"] == 1.2e-3
    assert [(li.name, li.minimum, li.maximum) for li in strategy.limits] == [
        ("deflection_ratio", None, 1.2)
    ]


def test_a_folder_stands_for_its_study_file(tmp_path: Path) -> None:
    write(tmp_path, GOOD.replace('title = "A test"\n', ""))
    assert read_study(tmp_path).title == tmp_path.name


def test_target_direction_and_air(tmp_path: Path) -> None:
    direction = '[target]\ndirection = { polar = "30 deg", azimuth = "90 deg" }\n'
    study = study_of(tmp_path, GOOD.replace("[target]\n", direction))
    assert study.target.sine_vector()[1] == pytest.approx(0.5, rel=1e-12)
    # ISO 9613-1: 343.2 m/s at 20 degC; humid air is up to 0.4 % faster
    assert study.air_state.sound_speed == pytest.approx(343.2, rel=4e-3)


STRATEGIES = """
[strategy.wide]
description = "more"
classes = { scheme = "interleaved", count = 2 }
channels = { scheme = "same-as-classes" }
fixed.radius = "400 um"
vary.phase = ["-90 deg", "90 deg"]
limits.deflection_ratio = {}
limits.ripple = { max = "3 dB" }

[strategy.plain]
vary.amplitude = ["1 V", "20 V"]
"""


def test_strategies_override_key_by_key(tmp_path: Path) -> None:
    study = study_of(tmp_path, GOOD + STRATEGIES)
    wide, plain = study.strategies
    assert list(wide.vary) == ["drive_phase"]
    assert wide.fixed["radius"] == 400e-6
    assert [limit.name for limit in wide.limits] == ["ripple"]
    assert (wide.layout.n_classes, wide.layout.n_channels, wide.layout.n_groups) == (2, 2, 2)
    assert plain.layout.n_groups == 1
    assert list(plain.vary) == ["radius", "drive_amplitude"]
    assert "drive_amplitude" not in plain.fixed
    assert study.strategy("plain") is plain
    with pytest.raises(UnknownStrategyError, match="did you mean plain"):
        study.strategy("plan")


def test_inline_materials(tmp_path: Path) -> None:
    own = """
[materials.FabPZT]
youngs_modulus = "70 GPa"
poisson_ratio = 0.3
density = "7600 kg/m3"
e31f = "-15 C/m2"
relative_permittivity = 1000
contains_lead = true
"""
    study = study_of(tmp_path, GOOD.replace('"AlN"', '"FabPZT"') + own)
    assert study.film.youngs_modulus == 70e9
    assert study.contains_lead


def test_digest_tells_what_can_change_results(tmp_path: Path) -> None:
    digest = study_of(tmp_path).digest
    same = GOOD.replace("A test", "Other title").replace("seed = 7", "# a comment\nseed   =   7")
    assert study_of(tmp_path, same).digest == digest
    assert study_of(tmp_path, GOOD.replace('"5 um"', '"5.1 um"')).digest != digest
    assert study_of(tmp_path, GOOD + STRATEGIES.replace("more", "less")).digest == (
        study_of(tmp_path, GOOD + STRATEGIES).digest
    )


BROKEN = tomllib.loads((Path(__file__).parent / "broken_studies.toml").read_text("utf-8"))["case"]


def broken(*words: str) -> str:
    """The good study with the mistakes whose replacements hold these words."""
    text = GOOD
    for word in words:
        (case,) = (case for case in BROKEN if word in case["new"])
        text = text.replace(case["old"], case["new"], 1)
    return text


@pytest.mark.parametrize("case", BROKEN, ids=lambda case: case["message"][:40])
def test_each_mistake_has_its_message(tmp_path: Path, case: dict[str, str]) -> None:
    assert case["old"] in GOOD
    found = problems_of(tmp_path, GOOD.replace(case["old"], case["new"], 1))
    assert case["message"] in found


def test_all_mistakes_are_told_at_once_in_file_order(tmp_path: Path) -> None:
    text = broken("-5 um", "qualty_factor", "sqare", "4.0", "80 Hz")
    found = problems_of(tmp_path, text)
    # the misspelt key is reported, and the right one is missing as well
    assert [int(line.split(":")[0]) for line in found] == [7, 20, 21, 24, 25, 38]


def test_cross_checks_are_told_at_once(tmp_path: Path) -> None:
    found = problems_of(tmp_path, broken("AIN", "21 V", "deflection_rato", "sealed", "0.6 mm"))
    assert [int(line.split(":")[0]) for line in found] == [10, 20, 28, 36, 45]


def test_a_missing_file_is_a_study_error(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="cannot be read: No such file"):
        read_study(tmp_path / "none.toml")
    assert issubclass(StudyError, ArrayoptError)
    assert StudyError([]).exit_code == 2


def test_a_key_in_the_wrong_table_is_shown_its_place(tmp_path: Path) -> None:
    found = problems_of(tmp_path, GOOD.replace("[drive]\n", '[drive]\nclearance = "1 um"\n'))
    assert found == ["31: drive.clearance is not known; did you mean array.clearance?"]


def test_explicit_positions(tmp_path: Path) -> None:
    lattice = 'lattice = "square"\nrows = 4\ncolumns = 4\npitch = "1.2 mm"\n'
    explicit = 'lattice = "explicit"\npositions = [["0 mm", "0 mm"], ["2 mm", "0 mm"]]\n'
    study = study_of(tmp_path, GOOD.replace(lattice, explicit))
    (strategy,) = study.strategies
    assert strategy.fixed["pitch"] == 1.0
    assert strategy.layout.unit_position.tolist() == [[-1e-3, 0.0], [1e-3, 0.0]]
    near = explicit.replace('"2 mm"', '"0.5 mm"')
    (problem,) = problems_of(tmp_path, GOOD.replace(lattice, near))
    assert "cells are 500 um apart at most" in problem
    varied = GOOD.replace(lattice, explicit).replace("[vary]", '[vary]\npitch = ["1 mm", "2 mm"]')
    (problem,) = problems_of(tmp_path, varied)
    assert 'pitch does not go with lattice = "explicit"' in problem


NASTY = '''
# [not.a.table]
a.b = [1, # one
  [2, "]"], \'#\',
]
"odd key" = """
[fake]
""""
[t]
x = {y = {z = 1, "w\\"w" = [ {q = 1}, {q = 2} ]}, v = \'\'\'
= [\'\'\'}
d = 1979-05-27T07:32:00Z
[[p.q]]
r = -1.5e3
[p.q.s]
t = false
[[p.q]]
r = 2 # last
[[p.q.u]]
v = 1
'''


def paths(value: Any, here: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, item in items:
        yield (*here, key)
        if isinstance(item, dict | list):
            yield from paths(item, (*here, key))


def test_every_key_has_a_line() -> None:
    lines = locate(NASTY)
    assert set(lines) == set(paths(tomllib.loads(NASTY)))
    text = NASTY.splitlines()
    for path, line in lines.items():
        if isinstance(path[-1], str) and path[-1] != 'w"w':
            assert path[-1] in text[line - 1], path
    assert lines[("a", "b", 1, 1)] == 4
    assert lines[("p", "q", 1, "u", 0, "v")] == 20


def test_the_example_of_the_page_is_a_study(tmp_path: Path) -> None:
    page = (ROOT / "docs" / "study-file.md").read_text(encoding="utf-8")
    studies = [block for block in page.split("```toml\n")[1:] if "[[stack]]" in block]
    (example,) = [block.split("```")[0] for block in studies]
    assert len(study_of(tmp_path, example).strategies) == 3


def forms(form: Any) -> set[Any]:
    """A form and all that its fields hold."""
    found = {form}
    for kind in get_type_hints(form).values():
        inside = [kind]
        while inside:
            one = inside.pop()
            inside += get_args(one)
            if is_dataclass(one):
                found |= forms(one)
    return found


def test_every_key_is_documented() -> None:
    page = (ROOT / "docs" / "study-file.md").read_text(encoding="utf-8")
    tables = (forms(StudyFile) | forms(DesignFile)) - {BurstLength}
    assert len(tables) > 20
    keys = {field.name for table in tables for field in fields(table)}
    assert {k for k in keys if f"`{k}`" not in page and f"## `[{k}]`" not in page} == set()


def test_fabrication(tmp_path: Path) -> None:
    plain = study_of(tmp_path)
    assert plain.fabrication == Fabrication()
    given = "cell_radius = '0.5 %'\nchip_tension = '8 N/m'\nchips = 8\n"
    study = study_of(tmp_path, f"{GOOD}\n[fabrication]\n{given}")
    assert study.fabrication == Fabrication(cell_radius=0.005, chip_tension=8.0, chips=8)
    assert study.digest != plain.digest
    bad = "cell_radius = '-1 %'\nchip_tension = '8 um'\nchips = 0\nshare = 0\n"
    told = problems_of(tmp_path, f"{GOOD}\n[fabrication]\n{bad}")
    keys = ("cell_radius", "chip_tension", "chips", "share")
    assert [line.split(" ")[1] for line in told] == [f"fabrication.{key}" for key in keys]
