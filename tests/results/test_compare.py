"""Comparisons: statistics against tables, dominance by hand, and equal footing enforced."""

from __future__ import annotations

import json
import resource
import shutil
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr

from arrayopt.base.errors import ResultsError
from arrayopt.cli.main import main
from arrayopt.results.compare.comparison import (
    Comparison,
    best_within,
    compare,
    coverage,
    difference,
    interval,
    lead_changes,
    typical,
)
from arrayopt.results.compare.footing import check_footing, entries
from arrayopt.results.compare.output import (
    comparison_content,
    comparison_files,
    comparison_text,
    verdict,
    write_comparison,
)
from arrayopt.results.plots.compare import plot_attainment, plot_dominated, plot_hypervolume
from arrayopt.results.read import feasible_rows, read_run
from arrayopt.runs.kept.store import open_results, write_results
from arrayopt.search.front import hypervolume
from arrayopt.search.problem import minimised
from tests.support.small_runs import run_small, runs


@pytest.fixture(scope="module")
def found() -> Comparison:
    return compare(runs())


def rewritten(source: Path, target: Path, **attributes: object) -> Path:
    """A copy of a run with other root attributes in its fronts."""
    shutil.copytree(source, target)
    tree = open_results(source)
    groups = {name: node.to_dataset() for name, node in tree.children.items()}
    kept = {k: v for k, v in tree.attrs.items() if k not in ("Conventions", "source", "format")}
    write_results(target / "fronts.nc", groups, {**kept, **attributes})
    return target


def test_student_interval() -> None:
    # Student's table: t = 2.776 for 4 degrees of freedom, two-sided 5 %; printed to 4 digits.
    mean, low, high = interval(np.array([1.0, 2.0, 3.0, 4.0, 5.0]))
    reach = 2.776 * np.sqrt(2.5) / np.sqrt(5.0)
    np.testing.assert_allclose([mean, low, high], [3.0, 3.0 - reach, 3.0 + reach], rtol=1e-3)
    assert np.isnan(interval(np.array([2.0]))[1:]).all()


def test_welch_difference() -> None:
    # Worked example of Welch's test with equal sizes (an encyclopedia's, from memory):
    # means 20.8 and 23.0, t = -2.46, 25 degrees of freedom, p = 0.021.
    one = [27.5, 21, 19, 23.6, 17, 17.9, 16.9, 20.1, 21.9, 22.6, 23.1, 19.6, 19, 21.7, 21.4]
    two = [27.1, 22, 20.8, 23.4, 23.4, 23.5, 25.8, 22, 24.8, 20.2, 21.9, 22.1, 22.9, 20.5, 24.4]
    mean, low, high, p = difference(np.array(one), np.array(two))
    np.testing.assert_allclose(mean, 20.8 - 23.0, rtol=0.02)
    np.testing.assert_allclose(p, 0.021, rtol=0.03)
    # t of 25 degrees of freedom, 5 % two-sided: 2.060 (Student's table)
    np.testing.assert_allclose(0.5 * (high - low), 2.060 * abs(mean) / 2.46, rtol=0.01)


def test_coverage_by_hand() -> None:
    one = np.array([[1.0, 1.0], [3.0, 0.0]])
    other = np.array([[1.0, 1.0], [2.0, 1.0], [0.5, 5.0], [3.0, 3.0]])
    # (1,1) equals a point, (2,1) and (3,3) are dominated by (1,1), (0.5,5) by none
    assert coverage(one, other) == 0.5


def test_best_within_and_changes_of_lead_by_hand() -> None:
    value, cost = np.array([0.1, 0.3, 0.2]), np.array([1.0, 3.0, 2.0])
    np.testing.assert_array_equal(
        best_within(value, cost, np.array([0.5, 1.0, 2.5, 9.0])), [np.nan, 0.1, 0.2, 0.3]
    )
    curves = np.array([[0.1, 0.1, 0.1], [np.nan, 0.1, 0.2]])
    assert lead_changes(curves, np.array([1.0, 2.0, 3.0]), ["a", "b"]) == (
        (1.0, "", "a"),
        (3.0, "a", "b"),
    )
    seeds = np.array([[[1.0], [2.0], [9.0]], [[np.nan], [4.0], [5.0]]])
    # the second strategy has two searches; the lower of the two middle ones counts
    np.testing.assert_array_equal(typical(seeds), [[2.0], [4.0]])


def test_all_are_compared_after_the_same_evaluations(found: Comparison) -> None:
    assert found.evaluations == 60
    assert any("Budgets differ, 60 to 120" in note for note in found.notes)
    assert found.table.sizes["seed"] == 3


def test_hypervolumes_are_those_of_the_search(found: Comparison) -> None:
    for k, path in enumerate(runs()[:2]):
        for name, front in read_run(path).fronts.items():
            mine = float(found.table["hypervolume"].sel(strategy=name)[k])
            np.testing.assert_allclose(mine, front.attrs["hypervolume"], rtol=1e-12)


def test_best_under_requirements_by_counting(found: Comparison) -> None:
    past = read_run(runs()[0]).history["combined"]
    rows = past.isel(design=feasible_rows(past, 60))
    good = (rows["peak_level"] >= found.level) & (rows["onset_voltage"] <= found.onset)
    bands = rows["fractional_bandwidth"].where(good)
    expected = float(bands.max()) if bool(good.any()) else np.nan
    mine = float(found.table["best_bandwidth"].sel(strategy="combined")[0])
    np.testing.assert_equal(mine, expected)


def test_text_names_every_strategy_and_the_verdict(found: Comparison) -> None:
    text = comparison_text(found)
    assert text.startswith(verdict(found))
    assert "95 % interval" in text
    for name in found.ranking:
        assert name in text


def test_written_files_are_complete(found: Comparison, tmp_path: Path) -> None:
    paths = write_comparison(found, comparison_files(tmp_path / "new" / "folder"))
    assert {p.name for p in paths} >= {"comparison.json", "comparison.txt", "attainment.svg"}
    content = json.loads((tmp_path / "new" / "folder" / "comparison.json").read_text())
    assert content["ranking"] == found.ranking
    assert set(content.pop("files")) == {p.name for p in paths} - {"comparison.json"}
    assert comparison_content(found) == content


def test_only_an_earlier_comparison_is_replaced(found: Comparison, tmp_path: Path) -> None:
    for name in ("notes.txt", "comparison.txt"):
        (tmp_path / name).write_text("mine")
    with pytest.raises(ResultsError, match=r"holds comparison\.txt, not written by this command"):
        write_comparison(found, comparison_files(tmp_path))
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {
        "notes.txt": "mine",
        "comparison.txt": "mine",
    }
    write_comparison(found, comparison_files(tmp_path, overwrite=True))
    assert (tmp_path / "comparison.txt").read_text().startswith(verdict(found))
    (tmp_path / "comparison.txt").unlink()
    write_comparison(found, comparison_files(tmp_path))
    assert (tmp_path / "comparison.txt").exists()
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_a_full_disk_leaves_no_part_of_a_comparison(found: Comparison, tmp_path: Path) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (8192, hard))  # the text fits, no picture does
    try:
        with pytest.raises(ResultsError, match="File too large; free space and give") as told:
            write_comparison(found, comparison_files(tmp_path / "new"))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert "resume" not in str(told.value)
    assert list(tmp_path.iterdir()) == []


def test_pictures_show_what_the_table_says(found: Comparison) -> None:
    ax = plot_hypervolume(found.table)
    means = [line.get_xdata()[0] for line in ax.get_lines() if line.get_marker() == "|"]
    np.testing.assert_array_equal(means, found.table["hypervolume_mean"])
    assert plot_attainment(found.table).get_xlabel() == "onset voltage at most (V)"
    shown = [t.get_text() for t in plot_dominated(found.table).texts]
    share = float(found.table["dominated"][0, 1])
    assert f"{100 * share:.0f} %" in shown


def test_single_seed_says_that_chance_is_open() -> None:
    one = compare(runs()[:1])
    assert "chance cannot be excluded" in verdict(one)
    assert "NaN" not in json.dumps(comparison_content(one))


def test_verified_values_are_told(tmp_path: Path) -> None:
    copy = tmp_path / "verified"
    shutil.copytree(runs()[0], copy)
    tree = open_results(copy)
    groups = {}
    for name, node in tree.children.items():
        front = node.to_dataset()
        values = np.full(front.sizes["design"], np.nan)
        values[0] = 0.9 * float(front["fractional_bandwidth"][0])
        groups[name] = front.assign(
            verified_fractional_bandwidth=("design", values),
            # a merit of the front that its search did not need, and so did not keep
            verified_small_signal_bandwidth=(
                "design",
                0.8 * front["small_signal_bandwidth"].values,
            ),
        )
    kept = {k: v for k, v in tree.attrs.items() if k not in ("Conventions", "source", "format")}
    write_results(copy / "fronts.nc", groups, kept)
    text = comparison_text(compare([copy]))
    assert "Verified designs" in text
    assert "small signal bandwidth" in text.partition("Verified designs")[2]


def test_chips_are_a_scatter_of_their_own(found: Comparison) -> None:
    """Hypervolume of one front made into one chip, by hand; and told beside that of seeds."""
    reading = read_run(runs()[0])
    front, objectives = reading.fronts["combined"], reading.objectives
    values = np.stack([front[f"{o.name}_chips"].values[:, 3] for o in objectives], axis=1)
    volume = hypervolume(minimised(values, objectives), np.ones(3))
    chips = found.table["hypervolume_chips"].sel(strategy="combined")
    assert float(chips[0, 3]) == pytest.approx(volume, rel=1e-12)
    ends = ("hypervolume_chips_low", "hypervolume_chips_high")
    low, high = (float(found.table[x].sel(strategy="combined")) for x in ends)
    assert low < high
    assert f"{low:.4f} to {high:.4f}" in comparison_text(found)


def test_a_required_yield_leaves_designs_out() -> None:
    one = compare(runs()[:1], level=60.0, onset=20.0, yielding=0.0)
    assert np.isfinite(one.table["best_bandwidth"]).all()
    none = compare(runs()[:1], level=60.0, onset=20.0, yielding=1.01)
    assert np.isnan(none.table["best_bandwidth"]).all()


class TestFooting:
    def test_states_before_and_after_a_calibration_stand_side_by_side(self) -> None:
        one, other = (read_run(path) for path in runs()[:2])
        assert other.study is not None
        calibration = SimpleNamespace(digest="measured")
        thicker = tuple(replace(x, thickness=1.1 * x.thickness) for x in other.study.stack)
        study = replace(other.study, stack=thicker, calibration=calibration)
        after = replace(other, study=study, digest="other")
        (note,) = [x for x in check_footing([one, after]) if "two states" in x]
        assert "as designed and calibrated" in note
        labels = {entry.label for entry in entries([one, after])}
        assert labels == {x + end for x in one.fronts for end in ("", f" ({after.path.name})")}
        plain = replace(after, study=replace(study, calibration=None))
        with pytest.raises(ResultsError, match="layer stack"):
            list(check_footing([one, plain]))

    def test_same_seed_twice_is_refused(self) -> None:
        with pytest.raises(ResultsError, match="same seed 1"):
            compare([runs()[0], runs()[0]])

    def test_another_die_is_refused_or_told(self, tmp_path: Path) -> None:
        changes = (('die = ["10 mm", "10 mm"]', 'die = ["11 mm", "10 mm"]'),)
        run_small(tmp_path / "large", seed=4, evaluations=20, changes=changes)
        with pytest.raises(ResultsError, match=r"die, clearance or edge margin"):
            compare([runs()[0], tmp_path / "large"])
        told = compare([runs()[0], tmp_path / "large"], anyway=True)
        assert any("Not on equal footing" in note for note in told.notes)

    def test_another_reference_point_is_always_refused(self, tmp_path: Path) -> None:
        changes = (
            (
                'onset_voltage = "5 V"\npeak_pressure = "0 Pa"',
                'onset_voltage = "6 V"\npeak_pressure = "0 Pa"',
            ),
        )
        run_small(tmp_path / "other", seed=4, evaluations=20, changes=changes)
        with pytest.raises(ResultsError, match="reference points"):
            compare([runs()[0], tmp_path / "other"], anyway=True)

    def test_other_versions_are_told(self, tmp_path: Path) -> None:
        versions = json.dumps({"arrayopt": "0.0.1"})
        old = rewritten(runs()[1], tmp_path / "old", versions=versions)
        notes = " ".join(compare([runs()[0], old]).notes)
        assert "different versions" in notes
        assert "arrayopt 0.0.1 (here" in notes

    def test_limits_of_one_strategy_are_told(self, found: Comparison) -> None:
        assert any("overlapping-radii alone" in note for note in found.notes)

    def test_without_history_the_budget_cannot_be_cut(self, tmp_path: Path) -> None:
        copies = []
        for path in runs()[1:]:
            copies.append(tmp_path / path.name)
            shutil.copytree(path, copies[-1])
            (copies[-1] / "history.nc").unlink()
        told = compare(copies)
        assert any("advantage" in note for note in told.notes)


def test_unfinished_run_is_compared_as_far_as_it_came(tmp_path: Path) -> None:
    copy = tmp_path / "killed"
    shutil.copytree(runs()[1], copy)
    for name in ("fronts.nc", "history.nc"):
        (copy / name).unlink()
    told = compare([runs()[0], copy])
    assert any("unfinished" in note for note in told.notes)
    whole = compare(runs()[:2])
    xr.testing.assert_identical(told.table, whole.table)


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["compare", "no-such-run"], "no-such-run"),
        (["compare", "RUN", "--level", "5 V"], "level is needed"),
        (["compare"], "Missing argument"),
    ],
)
def test_mistakes_end_with_a_sentence_and_2(
    arguments: list[str],
    text: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    given = [str(runs()[0]) if word == "RUN" else word for word in arguments]
    monkeypatch.setattr(sys, "argv", ["arrayopt", *given])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    told = capsys.readouterr().err
    assert text in told
    assert "Traceback" not in told


def test_command_prints_and_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = [
        "arrayopt",
        "compare",
        *map(str, runs()),
        "--onset",
        "4 V",
        "--to",
        str(tmp_path / "c"),
    ]
    monkeypatch.setattr(sys, "argv", words)
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0
    assert "at most 4 V" in capsys.readouterr().out
    assert (tmp_path / "c" / "comparison.json").exists()
