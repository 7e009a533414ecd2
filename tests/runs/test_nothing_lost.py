"""A run directory: no generation and nothing of somebody else is ever lost."""

from __future__ import annotations

import hashlib
import io
import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from arrayopt.base.errors import ResultsError
from arrayopt.base.output import PAGE_MARK
from arrayopt.runs.kept.directory import RunDirectory
from arrayopt.runs.kept.generations import STATE_MAGIC
from arrayopt.runs.kept.identity import read_identity
from arrayopt.runs.kept.record import RECORD
from arrayopt.runs.kept.store import open_results
from arrayopt.runs.progress import LogProgress
from arrayopt.runs.status import read_status
from tests.support.toy_problem import Toy
from tests.support.toy_run import IDENTITY, run_toy

LEFT = f".arrayopt-{'0' * 8}-1-{'0' * 16}.part"
STARTED = replace(IDENTITY, start={"from": "x", "vectors": {"alpha": [[0.3, 0.5, 0.2]]}})


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("undisturbed")
    assert run_toy(directory).complete
    return directory


class Forbidden(Toy):
    """A toy that must not be evaluated."""

    def evaluate(self, X: Any, front: Any = None) -> Any:
        raise AssertionError("evaluated again")


def again(directory: Path, **options: Any) -> str:
    """Resume without evaluating anything; what was said."""
    told = io.StringIO()
    run_toy(directory, resume=True, progress=LogProgress(told),
            wrap=lambda name, toy: Forbidden(n_variables=toy.n_variables), **options)  # fmt: skip
    return told.getvalue()


def content(directory: Path) -> dict[str, bytes | None]:
    return {
        str(p.relative_to(directory)): p.read_bytes() if p.is_file() else None
        for p in sorted(directory.rglob("*"))
    }


def check_same(directory: Path, reference: Path) -> None:
    for name in ("fronts.nc", "history.nc"):
        assert open_results(directory / name).identical(open_results(reference / name)), name


@pytest.mark.parametrize("identity", [IDENTITY, STARTED])
def test_a_lost_state_is_rebuilt_bit_for_bit(tmp_path: Path, identity: Any) -> None:
    run_toy(tmp_path / "a", identity=identity)
    run_toy(tmp_path / "b", identity=identity, evaluations=48)
    before = content(tmp_path / "a")
    for name in identity.strategies:
        (tmp_path / "a" / name / "state").unlink()
    if identity is STARTED:  # the start is remembered without the run file, too
        (tmp_path / "a" / "run.json").unlink()
    told = again(tmp_path / "a", identity=replace(identity, start={}))
    assert told.count("rebuilt from 3 saved generations") == 2
    after = content(tmp_path / "a")
    for name, was in before.items():
        if name.startswith(("alpha/", "beta/", "run.json")):
            assert after[name] == was, name
    for name in identity.strategies:
        (tmp_path / "a" / name / "state").unlink()
    run_toy(tmp_path / "a", identity=identity, resume=True, evaluations=48)
    check_same(tmp_path / "a", tmp_path / "b")


def test_a_state_with_a_right_seal_that_cannot_be_read(tmp_path: Path, undisturbed: Path) -> None:
    run = tmp_path / "run"
    shutil.copytree(undisturbed, run)
    state = run / "alpha" / "state"
    body = state.read_bytes().rpartition(b"\n")[0]
    head = body[: body.index(b"\n", len(STATE_MAGIC)) + 1]
    for forged, words in (
        (head + b"carrayopt.gone\nThing\n.", "was written by another version"),
        (STATE_MAGIC + b"[1]\n", "is of another format"),
    ):
        state.write_bytes(forged + b"\n" + hashlib.sha256(forged).hexdigest().encode())
        assert words in again(run)
        check_same(run, undisturbed)


def test_what_cannot_be_rebuilt_is_refused_with_the_way_on(
    tmp_path: Path, undisturbed: Path
) -> None:
    run = tmp_path / "run"
    shutil.copytree(undisturbed, run)
    (run / "alpha" / "state").unlink()
    other = tmp_path / "other"
    run_toy(other, identity=replace(IDENTITY, seed=5))
    second = run / "alpha" / "generation-000002.nc"
    good = second.read_bytes()
    for bad, words in (
        (None, "lacks generation 2 of 3"),
        (good[:3000], r"generation-000002\.nc is truncated"),
        ((other / "alpha" / second.name).read_bytes(), "belongs to another run"),
        ((run / "alpha" / "generation-000001.nc").read_bytes(), "does not hold the designs"),
    ):
        second.unlink()
        if bad is not None:
            second.write_bytes(bad)
        with pytest.raises(ResultsError, match=rf"{words}.* --out OTHER --start-from {run}"):
            run_toy(run, resume=True)
        assert not (run / "alpha" / "state").exists()
        second.write_bytes(good)
    again(run)
    check_same(run, undisturbed)


def test_lost_last_generations_are_missed(tmp_path: Path, undisturbed: Path) -> None:
    run = tmp_path / "run"
    shutil.copytree(undisturbed, run)
    shutil.rmtree(run / "alpha")
    history = (run / "history.nc").read_bytes()
    with pytest.raises(ResultsError, match="alpha lacks generation 1 and 1 more of 2"):
        run_toy(run, resume=True)
    assert (run / "history.nc").read_bytes() == history


@pytest.mark.parametrize("found", [None, b"{", b'{"name": "web app"}', "other run"])
def test_a_lost_or_foreign_run_file_is_rebuilt(
    tmp_path: Path, undisturbed: Path, found: Any
) -> None:
    run = tmp_path / "run"
    shutil.copytree(undisturbed, run)
    good = (run / "run.json").read_bytes()
    (run / "run.json").unlink()
    if found == "other run":
        found = replace(IDENTITY, seed=77).to_json()
    if found is not None:
        (run / "run.json").write_bytes(found)
    before = content(run)
    with pytest.raises(ResultsError, match="--resume"):  # never begun anew
        run_toy(run)
    with pytest.raises(ResultsError, match="seed 11 there, 3 here"):
        run_toy(run, resume=True, identity=replace(IDENTITY, seed=3))
    assert {k: v for k, v in content(run).items() if k != "lock"} == {
        k: v for k, v in before.items() if k != "lock"
    }
    told = again(run)
    assert "rebuilt from the saved generations" in told
    assert (run / "run.json").read_bytes() == good
    if found is not None:
        assert (run / "run.json.aside-1").read_bytes() == found
    check_same(run, undisturbed)


def test_a_run_file_that_cannot_be_rebuilt_is_named(tmp_path: Path, undisturbed: Path) -> None:
    run = tmp_path / "run"
    shutil.copytree(undisturbed, run)
    (run / "run.json").unlink()
    for name in ("alpha", "beta"):
        first = run / name / "generation-000001.nc"
        first.write_bytes(first.read_bytes()[:2000])
    with pytest.raises(ResultsError, match=r"run\.json is missing and cannot be rebuilt: .*trunc"):
        run_toy(run, resume=True)
    for name in ("alpha", "beta"):
        (run / name / "generation-000001.nc").unlink()
    before = content(run)
    for resume in (True, False):
        with pytest.raises(ResultsError, match=r"rest of a run without its run\.json"):
            run_toy(run, resume=resume)
    assert content(run).keys() == before.keys()
    (run / "alpha" / "mine.txt").write_text("x")
    with pytest.raises(ResultsError, match=r"alpha/mine\.txt"):
        run_toy(run, fresh=True)
    (run / "alpha" / "mine.txt").unlink()
    run_toy(run, fresh=True)
    check_same(run, undisturbed)


def test_status_tells_of_generations_without_a_state(tmp_path: Path) -> None:
    run_toy(tmp_path)
    told = [(s.generation, s.evaluations, s.hypervolume) for s in read_status(tmp_path).strategies]
    for name in ("alpha", "beta"):
        (tmp_path / name / "state").unlink()
    assert told == [
        (s.generation, s.evaluations, s.hypervolume) for s in read_status(tmp_path).strategies
    ]
    assert told[0][:2] == (3, 24)


def _file(place: Path) -> None:
    place.write_text("mine")


def _folder(place: Path) -> None:
    place.mkdir()
    (place / "state").write_text("mine")


@pytest.mark.parametrize(
    ("name", "make"),
    [
        ("fronts.nc", _file), ("history.nc", _file), ("lock", _file), ("status.json", _file),
        ("notes.txt", _file), ("alpha", _folder), ("lock", os.mkfifo), ("files.txt", _file),
        ("lock", lambda place: place.symlink_to("/etc/hostname")), ("generation-000001.nc", _file),
    ],
)  # fmt: skip
@pytest.mark.parametrize("options", [{}, {"resume": True}, {"fresh": True}])
def test_a_folder_of_somebody_else_is_left_alone(
    tmp_path: Path, name: str, make: Any, options: dict[str, bool]
) -> None:
    make(tmp_path / name)
    before = content(tmp_path)
    with pytest.raises(ResultsError, match=name.replace(".", r"\.")):
        run_toy(tmp_path, **options)
    assert content(tmp_path) == before


@pytest.mark.parametrize("options", [{}, {"resume": True}, {"fresh": True}])
def test_what_a_kill_left_before_the_run_file_is_no_obstacle(
    tmp_path: Path, undisturbed: Path, options: dict[str, bool], caplog: Any
) -> None:
    (tmp_path / "lock").write_bytes(b"")
    shutil.copy(undisturbed / RECORD, tmp_path)
    (tmp_path / LEFT).write_bytes(b"half")
    run_toy(tmp_path, **options)
    check_same(tmp_path, undisturbed)
    assert not list(tmp_path.rglob(".*"))
    assert f"{LEFT}, which a killed command left" in caplog.text


def test_what_is_removed_is_named_also_where_nothing_is_run(
    tmp_path: Path, undisturbed: Path, caplog: Any
) -> None:
    shutil.copytree(undisturbed, tmp_path / "run")
    (tmp_path / "run" / LEFT).write_bytes(b"half")
    with RunDirectory(tmp_path / "run", IDENTITY, resume=True):  # as verify does
        assert f"{LEFT}, which a killed command left" in caplog.text
    (tmp_path / "run" / "alpha" / LEFT).write_bytes(b"half")
    (tmp_path / "run" / "alpha" / "generation-000001.nc").unlink()
    caplog.clear()
    with pytest.raises(ResultsError, match="lacks generation 1"):
        RunDirectory(tmp_path / "run", IDENTITY, resume=True)
    assert f"{LEFT}, which a killed command left" in caplog.text


def _linked(run: Path) -> None:
    shutil.move(run / "alpha", run.parent / "elsewhere")
    (run / "alpha").symlink_to(run.parent / "elsewhere")


def _mine(name: str) -> Any:
    def make(run: Path) -> None:
        (run / name).parent.mkdir(exist_ok=True)
        (run / name).write_text("mine")

    return make


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (_mine("notes.txt"), r"notes\.txt"),
        (_mine("data/state"), "data"),
        (_mine("alpha/state.bak"), r"alpha/state\.bak"),
        (_linked, "alpha"),
        (lambda run: (run / RECORD).unlink(), r"its list of its own files, is missing"),
        (lambda run: ((run / "fronts.nc").unlink(), (run / "fronts.nc").mkdir()), r"fronts\.nc"),
        (_mine("web/manifest.json"), "web"),
        (_mine("report.html"), r"report\.html"),
        (lambda run: (run / RECORD).write_text("mine"), r"files\.txt was not written by a run"),
    ],
)
def test_fresh_removes_what_the_run_made_and_refuses_otherwise(
    tmp_path: Path, undisturbed: Path, change: Any, named: str
) -> None:
    run = tmp_path / "run"
    shutil.copytree(undisturbed, run)
    change(run)
    before = content(tmp_path)
    with pytest.raises(ResultsError, match=named):
        run_toy(run, fresh=True)
    after = content(tmp_path)
    assert {k: v for k, v in after.items() if k != "run/lock"} == {
        k: v for k, v in before.items() if k != "run/lock"
    }


def test_fresh_leaves_what_other_commands_made_and_names_it(
    tmp_path: Path, undisturbed: Path
) -> None:
    run, told = tmp_path / "run", io.StringIO()
    shutil.copytree(undisturbed, run)
    products = {
        "report.html": PAGE_MARK,
        "tapeout/manifest.json": '{"study_digest": "0"}',
        "against/comparison.json": '{"program": "arrayopt"}',
    }
    for name, text in products.items():
        (run / name).parent.mkdir(exist_ok=True)
        (run / name).write_text(text)
    run_toy(run, fresh=True, progress=LogProgress(told))
    assert "Left as they were: against, report.html, tapeout" in told.getvalue()
    assert {name: (run / name).read_text() for name in products} == products
    check_same(run, undisturbed)


def test_results_that_the_run_did_not_write_are_not_replaced(
    tmp_path: Path, undisturbed: Path
) -> None:
    run = tmp_path / "run"
    shutil.copytree(undisturbed, run)
    listed = (run / RECORD).read_text()
    (run / RECORD).write_text(listed.replace("history.nc\n", ""))
    with pytest.raises(ResultsError, match=r"history\.nc was not written by the run there"):
        run_toy(run, resume=True)


def test_fresh_removes_other_strategies_of_the_run_too(tmp_path: Path) -> None:
    run_toy(tmp_path, evaluations=8)
    run_toy(tmp_path, fresh=True, identity=replace(IDENTITY, strategies=("gamma",)))
    assert not (tmp_path / "alpha").exists()
    assert read_identity(tmp_path).strategies == ("gamma",)


def test_a_forged_record_names_nothing_outside(tmp_path: Path, undisturbed: Path) -> None:
    run, victim = tmp_path / "run", tmp_path / "victim"
    shutil.copytree(undisturbed, run)
    victim.write_text("mine")
    with (run / RECORD).open("a") as stream:
        stream.write("../victim\nalpha/../../victim\n/etc/hostname\n")
    run_toy(run, fresh=True)
    check_same(run, undisturbed)
    assert victim.read_text() == "mine"


@pytest.mark.parametrize("after", range(1, 17))
def test_fresh_cut_short_is_finished_by_the_next(
    tmp_path: Path, undisturbed: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    run = tmp_path / "run"
    shutil.copytree(undisturbed, run)
    unlink, calls = Path.unlink, iter(range(1, 100))

    def dying(path: Path, **options: Any) -> None:
        if next(calls) >= after:
            raise KeyboardInterrupt
        unlink(path, **options)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", dying)
        with pytest.raises(KeyboardInterrupt):
            run_toy(run, fresh=True)
    try:
        run_toy(run, resume=True)  # nothing lost yet, or begun anew with nothing left of it
    except ResultsError:
        run_toy(run, fresh=True)
    check_same(run, undisturbed)


@pytest.mark.parametrize(
    "name",
    ["alpha/state", "run.json", "files.txt", "lock", "status.json", "fronts.nc", "history.nc"],
)
def test_a_pipe_in_the_place_of_a_file_is_refused_without_waiting(
    tmp_path: Path, undisturbed: Path, name: str
) -> None:
    run = tmp_path / "run"
    shutil.copytree(undisturbed, run)
    (run / name).unlink()
    os.mkfifo(run / name)
    if name == "status.json":
        assert "cannot be read" in " ".join(read_status(run).notes)
    with pytest.raises(ResultsError, match=name):
        run_toy(run, resume=True)


def test_a_log_that_is_a_pipe_or_a_link_is_neither_waited_for_nor_followed(
    tmp_path: Path, undisturbed: Path
) -> None:
    victim = tmp_path / "victim"
    victim.write_text("mine")
    for number, make in enumerate((os.mkfifo, lambda place: place.symlink_to(victim))):
        run = tmp_path / f"run{number}"
        shutil.copytree(undisturbed, run)
        (run / "run.log").unlink()
        make(run / "run.log")
        again(run)
    assert victim.read_text() == "mine"


def test_names_that_cannot_be_a_directory(tmp_path: Path) -> None:
    with pytest.raises(ResultsError, match="File name too long; choose a shorter name"):
        run_toy(tmp_path / ("x" * 300))
    with pytest.raises(ResultsError, match="cannot be a directory"):
        run_toy(Path(f"{tmp_path}/a\0b"))
