"""The report: one file that asks for nothing, says what is stored, and bears damaged results."""

from __future__ import annotations

import shutil
import sys
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from arrayopt.base.errors import ResultsError
from arrayopt.cli.main import main
from arrayopt.merits.evaluate import evaluate
from arrayopt.results.read import Reading, knee, read_run
from arrayopt.results.report.designs import choose, name_of
from arrayopt.results.report.explorer import explorer_data
from arrayopt.results.report.page import report_html, write_report
from arrayopt.results.report.text import answer
from arrayopt.runs.kept.store import open_results, write_results
from arrayopt.study.read import read_study_text
from tests.support.chain import random_designs
from tests.support.small_runs import run_small, runs, study_text
from tests.support.tiny_study import command


class Outline(HTMLParser):
    """Ids, outside addresses, headings and captions of a page; complains of unclosed elements."""

    VOID = frozenset({"meta", "link", "input", "br"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.open: list[str] = []
        self.headings: list[str] = []
        self.unnamed_pictures = 0
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        if told.get("id"):
            self.ids.append(str(told["id"]))
        for key in ("src", "href", "xlink:href", "action"):
            if key in told:
                self.addresses.append(str(told[key]))
        if tag == "svg" and told.get("role") == "img":
            self.unnamed_pictures += not (told.get("aria-label") or told.get("aria-labelledby"))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "h2":
            self.headings.append(data)


@pytest.fixture(scope="module")
def reading() -> Reading:
    return read_run(runs()[2])


@pytest.fixture(scope="module")
def page(reading: Reading) -> str:
    return report_html(reading, choose(reading))


def test_page_is_well_formed_and_asks_for_nothing(page: str) -> None:
    outline = Outline(page)
    assert outline.open == []
    assert len(outline.ids) == len(set(outline.ids))
    assert all(a.startswith(("#", "data:")) for a in outline.addresses)
    assert {a[1:] for a in outline.addresses if a.startswith("#")} <= set(outline.ids)
    assert outline.unnamed_pictures == 0
    assert "url(http" not in page
    assert "@import" not in page


def test_sections_are_there_and_none_without_data(page: str) -> None:
    headings = Outline(page).headings
    assert headings[0] == "Answer"
    for words in ("What each strategy reaches", "Chosen designs", "Explore the fronts"):
        assert words in headings
    # the recommended design shows the pulse that a burst makes, as its study has no waveform
    assert page.count("as short as its band bears") == 1
    # nothing was verified in this run, so there is no such section but a note
    assert "Verification" not in headings
    assert "no design has been verified" in page


def test_answer_says_what_to_build_with_the_stored_numbers(reading: Reading) -> None:
    text = answer(reading)
    lead = max(reading.fronts, key=lambda name: reading.fronts[name].attrs["hypervolume"])
    front = reading.fronts[lead]
    number = int(front["evaluation"][knee(front)])
    assert text.startswith(f"Build {lead}/{number}: 90% of chips reach ")
    told = 100 * float(front["fractional_bandwidth"][knee(front)])
    assert f"reach {told:.4g} % fractional bandwidth, " in text
    assert f". {lead} leads over all objectives together" in text
    for name, front in reading.fronts.items():
        inside = (front["onset_voltage"] <= 5.0).values  # the study's reference
        if inside.any():
            best = 100 * float(front["fractional_bandwidth"].values[inside].max())
            assert f"{best:.4g} % for {name}" in text


def test_knee_gains_most_by_itself(reading: Reading) -> None:
    for front in reading.fronts.values():
        gain = (
            (front["fractional_bandwidth"] / 0.3)
            * ((5.0 - front["onset_voltage"]) / 5.0).clip(min=0.0)
            * (front["peak_pressure"] / 20.0)
        )
        assert knee(front) == int(np.argmax(gain.values))


def test_every_strategy_has_a_design_in_full(reading: Reading, page: str) -> None:
    for one in choose(reading):
        assert f"arrayopt verify {reading.path} {name_of(reading, one)}" in page
    assert {one.strategy for one in choose(reading)} == set(reading.fronts)


def test_cautions_and_recipe_travel_with_the_page(reading: Reading, page: str) -> None:
    assert "not a safety assessment" in page
    assert reading.digest in page
    assert "--seed 3 --evaluations 120" in page
    assert "scheme = &quot;interleaved&quot;" in page


def test_margins_are_signed_and_broken_ones_marked(reading: Reading) -> None:
    name, front = next(iter(reading.fronts.items()))
    broken = front.copy(deep=True)
    broken["margin_ripple"][0] = -1.25
    fronts = {name: broken.isel(design=[0])}
    shown = Reading(**{**vars(reading), "fronts": fronts, "history": {}})
    assert "-1.25 (broken)" in report_html(shown, choose(shown)[:1])


def test_explorer_data_are_the_stored_values(reading: Reading) -> None:
    data = explorer_data(reading)
    names = [column["name"] for column in data["columns"]]
    for told in data["strategies"]:
        front = reading.fronts[told["name"]]
        values = told["values"][names.index("onset voltage")]
        # rounded to five digits
        np.testing.assert_allclose(values, front["onset_voltage"], rtol=1e-4)
        radius = told["values"][names.index("mean radius")]
        np.testing.assert_allclose(radius, 1e6 * front["radius"].mean("cell"), rtol=1e-4)
        assert told["ids"] == front["evaluation"].values.tolist()


def test_600_designs_stay_below_a_megabyte(reading: Reading) -> None:
    fronts = {
        name: front.isel(design=np.arange(200) % front.sizes["design"])
        for name, front in reading.fronts.items()
    }
    many = Reading(**{**vars(reading), "fronts": fronts})
    assert sum(f.sizes["design"] for f in fronts.values()) == 600
    assert len(report_html(many, choose(many)).encode()) < 1_000_000


def test_same_run_same_page(reading: Reading) -> None:
    one = choose(reading)[:1]
    assert report_html(reading, one) == report_html(reading, one)


def test_hostile_names_and_texts_stay_text(reading: Reading) -> None:
    assert reading.study is not None
    evil = "</script><script>alert(1)</script>"
    fronts = {f"a{evil}": next(iter(reading.fronts.values()))}
    shown = Reading(
        **{**vars(reading), "fronts": fronts, "study": None, "text": evil, "history": {}}
    )
    page = report_html(shown, choose(shown)[:1])
    assert "<script>alert" not in page
    Outline(page)


def test_asked_for_designs_and_unknown_ones(reading: Reading, tmp_path: Path) -> None:
    number = int(reading.fronts["combined"]["evaluation"][1])
    path = write_report(runs()[2], tmp_path / "r.html", designs=[f"combined/{number}"])
    assert f"combined/{number} <small>asked for" in path.read_text()
    with pytest.raises(ResultsError, match="not on a front"):
        write_report(runs()[2], tmp_path / "none.html", designs=["combined/999999"])
    assert not (tmp_path / "none.html").exists()


def test_verified_values_appear_when_there_are_any(reading: Reading) -> None:
    fronts = dict(reading.fronts)
    front = fronts["combined"]
    values = np.full(front.sizes["design"], np.nan)
    values[knee(front)] = 0.8 * float(front["fractional_bandwidth"][knee(front)])
    fronts["combined"] = front.assign(verified_fractional_bandwidth=("design", values))
    shown = Reading(**{**vars(reading), "fronts": fronts})
    page = report_html(shown, choose(shown)[:1])
    assert "Verification" in Outline(page).headings
    assert "-20.0 %" in page


def test_answer_says_what_verification_left_of_it(reading: Reading) -> None:
    plain = answer(reading)
    fronts = {
        name: front.assign(verified_fractional_bandwidth=0.5 * front["fractional_bandwidth"])
        for name, front in reading.fronts.items()
    }
    told = answer(Reading(**{**vars(reading), "fronts": fronts}))
    half = 0.5 * float(plain.split("reach ")[1].split(" %")[0])
    assert "verified" not in plain
    found = float(told.split("; verified: ")[1].split(" %")[0])
    assert found == pytest.approx(half, rel=0.01)  # three digits are printed


def test_bursts_are_drawn_as_the_evaluation_stores_them() -> None:
    """Through the evaluation itself: its names and dimensions are what the page looks for."""
    target = ('excitation = "up-sweep"', 'excitation = "burst"\nburst_length = "0.3 ms"')
    study = read_study_text(study_text(target))
    designs = random_designs(study, "uniform-nonlinear", 1, seed=2)
    front = evaluate(designs, study, study.strategy("uniform-nonlinear"))
    stored = read_run(runs()[2])
    kept = stored.fronts["uniform-nonlinear"].isel(design=[0])
    front = kept.assign({name: front[name] for name in front.data_vars})
    shown = Reading(**{**vars(stored), "fronts": {"uniform-nonlinear": front}, "study": study})
    page = report_html(shown, choose(shown)[:1])
    assert "Tone bursts of 0.3 ms from rest against their carrier" in page
    assert "the shaded range is the band of bursts" in page
    assert Outline(page).unnamed_pictures == 0


class TestWhatIsAmissIsSaid:
    def test_run_without_fronts_is_read_from_its_generations(self, tmp_path: Path) -> None:
        copy = tmp_path / "killed"
        shutil.copytree(runs()[0], copy)
        (copy / "fronts.nc").unlink()
        page = write_report(copy).read_text()
        assert "is unfinished" in page
        assert "Chosen designs" in page

    def test_stopped_run(self, tmp_path: Path) -> None:
        copy = tmp_path / "stopped"
        shutil.copytree(runs()[0], copy)
        tree = open_results(copy)
        groups = {name: node.to_dataset() for name, node in tree.children.items()}
        kept = {k: v for k, v in tree.attrs.items() if k not in ("Conventions", "source", "format")}
        write_results(copy / "fronts.nc", groups, {**kept, "complete": np.int32(0)})
        assert any("stopped before" in note for note in read_run(copy).notes)

    def test_damaged_history_leaves_the_rest(self, tmp_path: Path) -> None:
        copy = tmp_path / "damaged"
        shutil.copytree(runs()[0], copy)
        content = (copy / "history.nc").read_bytes()
        (copy / "history.nc").write_bytes(content[: len(content) // 2])
        page = write_report(copy).read_text()
        assert "There is no history of the search to show" in page
        assert "Has the search converged?" not in Outline(page).headings

    def test_history_of_another_run_is_left_out(self, tmp_path: Path) -> None:
        copy = tmp_path / "mixed"
        shutil.copytree(runs()[0], copy)
        shutil.copy(runs()[1] / "history.nc", copy / "history.nc")
        assert any("belongs to another run" in note for note in read_run(copy).notes)

    def test_study_of_another_version(self, tmp_path: Path) -> None:
        copy = tmp_path / "foreign"
        shutil.copytree(runs()[0], copy)
        tree = open_results(copy)
        groups = {name: node.to_dataset() for name, node in tree.children.items()}
        kept = {k: v for k, v in tree.attrs.items() if k not in ("Conventions", "source", "format")}
        write_results(copy / "fronts.nc", groups, {**kept, "study": "format = 99"})
        page = write_report(copy).read_text()
        assert "no longer accepts the study" in page
        assert "Explore the fronts" in Outline(page).headings

    def test_nothing_feasible(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        changes = (('ripple = { max = "6 dB" }', 'peak_level = { min = "250 dB" }'),)
        run_small(tmp_path / "none", seed=1, evaluations=20, changes=changes)
        page = write_report(tmp_path / "none").read_text()
        assert "no design kept all limits" in page
        assert "nothing to compare" in page
        Outline(page)
        assert command("verify", tmp_path / "none") == 2
        assert "there is nothing to verify; no front has a member" in capsys.readouterr().err

    def test_nothing_at_all(self, tmp_path: Path) -> None:
        with pytest.raises(ResultsError, match="holds no"):
            write_report(tmp_path)


def test_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "page.html"
    words = ["arrayopt", "report", str(runs()[0]), "--out", str(out)]
    monkeypatch.setattr(sys, "argv", words)
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0
    told = capsys.readouterr().out
    assert str(out) in told
    assert told.startswith(answer(read_run(runs()[0])))


def test_a_place_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(ResultsError, match="could not be written"):
        write_report(runs()[0], tmp_path / "file" / "page.html")


def test_only_an_earlier_report_is_replaced(tmp_path: Path) -> None:
    copy = tmp_path / "run"
    shutil.copytree(runs()[0], copy)
    victim = tmp_path / "victim"
    victim.write_text("precious")
    (copy / ".report.html.part").symlink_to(victim)
    page = write_report(copy)
    assert write_report(copy) == page
    for name, need in (
        ("study.toml", r"the name of a report ends in \.html"), ("thesis.html", "not a report"),
        ("link.html", "is a link"), (".", "is a folder"), ("n" * 300 + ".html", "too long"),
    ):  # fmt: skip
        place = tmp_path / name
        if name == "link.html":
            place.symlink_to(victim)
        elif name in ("study.toml", "thesis.html"):
            place.write_text("mine")
        with pytest.raises(ResultsError, match=need):
            write_report(copy, place)
    assert victim.read_text() == "precious"
    assert {(tmp_path / n).read_text() for n in ("study.toml", "thesis.html")} == {"mine"}
    write_report(copy, tmp_path / "thesis.html", overwrite=True)
    assert (tmp_path / "thesis.html").read_text() == page.read_text()
