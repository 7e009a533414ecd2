"""Result files with a right seal that are no fronts, and fronts without members."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import xarray as xr

from arrayopt.base.errors import ResultsError
from arrayopt.cli.main import main
from arrayopt.design.stored import find_design
from arrayopt.results.read import current_results, read_run
from arrayopt.runs.kept.store import open_results, write_results
from arrayopt.verify.run import verify_run
from tests.support.toy_run import run_toy

STUDY = Path(__file__).parents[2] / "studies" / "duct-flow-meter" / "study.toml"
Groups = dict[str, xr.Dataset]


@pytest.fixture(scope="module")
def fronts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("toy")
    run_toy(directory)
    return directory / "fronts.nc"


def forged(fronts: Path, target: Path, change: Callable[[Groups, dict[Any, Any]], object]) -> Path:
    """A copy with other content and a right seal."""
    tree = open_results(fronts)
    groups = {name: node.to_dataset() for name, node in tree.children.items()}
    root = {k: v for k, v in tree.attrs.items() if k not in ("Conventions", "source", "format")}
    change(groups, root)
    write_results(target, groups, root)
    return target


def _extra(groups: Groups, root: dict[Any, Any]) -> None:
    groups["notes"] = xr.Dataset({"x": ("y", [1.0, 2.0])})


def _without(key: str) -> Callable[[Groups, dict[Any, Any]], object]:
    def change(groups: Groups, root: dict[Any, Any]) -> None:
        root.pop(key, None)
        for front in groups.values():
            front.attrs.pop(key, None)

    return change


def _set(key: str, value: object) -> Callable[[Groups, dict[Any, Any]], object]:
    def change(groups: Groups, root: dict[Any, Any]) -> None:
        for attributes in (root, groups["alpha"].attrs):
            if key in attributes:
                attributes[key] = value

    return change


CASES = {
    "group notes has no attribute objectives, senses": _extra,
    **{
        f"has no attribute {key}": _without(key)
        for key in ("objectives", "versions", "seed", "complete", "study", "digest", "evaluations",
                    "scales", "hypervolume")
    },
    "attribute seed that means nothing": _set("seed", "eleven"),
    "attribute versions that means nothing": _set("versions", "[1]"),
    "attribute hypervolume that means nothing": _set("hypervolume", "large"),
    "group alpha holds no bandwith, peak": _set("objectives", ["bandwith", "peak"]),
    "senses and scales of unequal number": _set("senses", ["max"]),
    "group alpha holds no evaluation": lambda groups, root: groups.update(
        alpha=groups["alpha"].drop_vars("evaluation")
    ),
}  # fmt: skip


@pytest.mark.parametrize("words", CASES)
def test_a_sealed_file_that_is_no_front_gets_a_sentence(
    fronts: Path, tmp_path: Path, words: str
) -> None:
    file = forged(fronts, tmp_path / "fronts.nc", CASES[words])
    for read in (read_run, current_results, lambda path: verify_run(path, ["alpha/0"])):
        with pytest.raises(ResultsError, match=words):
            read(file)


def test_a_design_of_an_empty_front_and_odd_numbers(fronts: Path, tmp_path: Path) -> None:
    def empty(groups: Groups, root: dict[Any, Any]) -> None:
        for name in groups:
            groups[name] = groups[name].isel(design=slice(0, 0))
        root["study"] = STUDY.read_text(encoding="utf-8")

    file = forged(fronts, tmp_path / "fronts.nc", empty)
    with pytest.raises(ResultsError, match="the front of alpha is empty, because no design"):
        find_design(current_results(file), "alpha/3")
    for number in ("²", "9" * 5000, "-1", ""):
        with pytest.raises(ResultsError, match=r"is not on the front; its [1-9]"):
            find_design(current_results(fronts), f"alpha/{number}")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--workers", "1e20"], "--workers"), (["--workers", "1" + 20 * "0"], "--workers"),
        (["--hours", "nan"], "--hours"), (["--hours", "inf"], "--hours"),
        (["--evaluations", "1" + 400 * "0"], "--evaluations"), (["--seed", 5000 * "9"], "--seed"),
        (["--out", 300 * "x"], "File name too long; choose a shorter name"),
    ],
)  # fmt: skip
def test_options_out_of_range_are_told_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any, options: list[str], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", ["arrayopt", "run", str(STUDY), "--out", "out", *options])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code == 2
    assert words in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
