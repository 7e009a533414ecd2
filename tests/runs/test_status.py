"""Status, log and fronts of a run while it goes on and after it died; starting from another run."""

from __future__ import annotations

import json
import os
import signal
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from arrayopt.base.errors import ResultsError
from arrayopt.runs import run as pipeline
from arrayopt.runs.kept.directory import RunDirectory, owner_of
from arrayopt.runs.kept.generations import stored_designs
from arrayopt.runs.kept.store import open_results
from arrayopt.runs.progress import LogProgress, Report, RotatingFile, TerminalProgress
from arrayopt.runs.status import read_status, status_text
from arrayopt.search.binding import Bound, binding
from arrayopt.search.problem import Evaluation, lost
from tests.support.toy_problem import Toy
from tests.support.toy_run import IDENTITY, run_toy


class Watched(Toy):
    """A toy that calls a function before each batch."""

    def __init__(self, toy: Toy, action: object) -> None:
        super().__init__(n_variables=toy.n_variables)
        self.action = action

    def evaluate(self, X: np.ndarray, front: np.ndarray | None = None) -> Evaluation:
        self.action()  # type: ignore[operator]
        return super().evaluate(X)


def same(a: Path, b: Path) -> None:
    for name in ("fronts.nc", "history.nc"):
        assert open_results(a / name).identical(open_results(b / name)), name


def test_status_of_a_running_a_stopped_and_a_searched_run(tmp_path: Path) -> None:
    seen = []

    def look() -> None:
        seen.append(read_status(tmp_path))
        if len(seen) == 4:
            os.kill(os.getpid(), signal.SIGTERM)

    run_toy(tmp_path, wrap=lambda name, toy: Watched(toy, look))
    assert [s.phase for s in seen] == ["running"] * 4
    assert f"process {os.getpid()} on" in (seen[0].owner or "")
    assert [s.strategies[0].generation for s in seen] == [0, 1, 1, 2]
    stopped = read_status(tmp_path)
    assert stopped.phase == "stopped"
    assert stopped.owner is None
    assert "--resume goes on" in status_text(stopped)
    assert any("SIGTERM: stopping" in note for note in stopped.notes)
    run_toy(tmp_path, resume=True)
    complete = read_status(tmp_path)
    text = status_text(complete)
    assert complete.phase == "searched"
    assert "its fronts are not verified" in text
    assert "alpha: generation 3, evaluations 24/24" in text
    assert "best so far: die area" in text
    volumes = [s.hypervolume for s in complete.strategies]
    tree = open_results(tmp_path)
    assert volumes == [tree[name].attrs["hypervolume"] for name in ("alpha", "beta")]
    log = (tmp_path / "run.log").read_text()
    assert log.count("alpha: generation") == 3
    assert "SIGTERM" in log


def test_status_after_a_kill_an_error_and_without_its_file(tmp_path: Path) -> None:
    child = os.fork()
    if child == 0:
        batches = iter(range(3))

        def die() -> None:
            if next(batches) == 2:
                os.kill(os.getpid(), signal.SIGKILL)

        run_toy(tmp_path, wrap=lambda name, toy: Watched(toy, die))
        os._exit(1)
    assert os.waitpid(child, 0)[1] == signal.SIGKILL
    dead = read_status(tmp_path)
    assert dead.phase == "dead"
    assert [s.generation for s in dead.strategies] == [1, 1]
    assert "ended without a word" in status_text(dead)
    known = json.loads((tmp_path / "status.json").read_text())
    for content in (b"", b"[]", b'{"program": "arrayopt"}', b"\xff", b'{"phase": 3}'):
        (tmp_path / "status.json").write_bytes(content)
        damaged = read_status(tmp_path)
        assert damaged.strategies[0].evaluations == 8
        assert "cannot be read" in status_text(damaged)
    for key, number in (("seconds_left", "1e999"), ("usual_seconds", "-1e999"), ("updated", "NaN")):
        content = json.dumps({**known, key: 0.125}).replace("0.125", number)
        (tmp_path / "status.json").write_text(content)
        assert "cannot be read" in status_text(read_status(tmp_path))
    (tmp_path / "status.json").unlink()
    assert "hypervolume" in status_text(read_status(tmp_path))

    def fail() -> None:
        raise ArithmeticError("invented trouble")

    with pytest.raises(ArithmeticError):
        run_toy(tmp_path, resume=True, wrap=lambda name, toy: Watched(toy, fail))
    failed = read_status(tmp_path)
    assert failed.phase == "failed"
    assert "invented trouble" in status_text(failed)
    with pytest.raises(ResultsError, match="holds no run"):
        read_status(tmp_path / "nowhere")


def test_asking_for_the_status_never_keeps_a_run_from_starting(tmp_path: Path) -> None:
    run_toy(tmp_path, evaluations=8)
    child = os.fork()
    if child == 0:
        while True:
            owner_of(tmp_path)
    try:
        for _ in range(50):
            with RunDirectory(tmp_path, IDENTITY, resume=True):
                assert owner_of(tmp_path) is not None
            assert owner_of(tmp_path) is None
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)


def test_fronts_can_be_read_while_the_run_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_toy(tmp_path / "reference", evaluations=32)
    run_toy(tmp_path / "short", evaluations=24)
    current = []

    def look() -> None:
        if (tmp_path / "a" / "fronts.nc").exists():
            current.append(open_results(tmp_path / "a"))

    monkeypatch.setattr(pipeline, "FRONTS_EVERY", 0.0)
    monkeypatch.setattr(pipeline, "FRONTS_SHARE", 1e9)
    run_toy(tmp_path / "a", evaluations=32, wrap=lambda name, toy: Watched(toy, look))
    same(tmp_path / "a", tmp_path / "reference")
    assert all(int(tree.attrs["complete"]) == 0 for tree in current)
    third = next(
        t for t in current if {g.attrs["evaluations"] for g in t.children.values()} == {24}
    )
    for name in ("alpha", "beta"):
        expected = open_results(tmp_path / "short")[name].to_dataset()
        assert third[name].to_dataset().identical(expected)


def test_a_run_of_which_every_design_was_lost_has_fronts_and_a_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Lost(Toy):
        def evaluate(self, X: np.ndarray, *more: object) -> Evaluation:
            return lost(len(X), 2)

    monkeypatch.setattr(pipeline, "FRONTS_EVERY", 0.0)
    run_toy(tmp_path, wrap=lambda name, toy: Lost(n_variables=toy.n_variables))
    front = open_results(tmp_path)["alpha"].to_dataset()
    assert front.sizes["design"] == front.attrs["front_members"] == 0
    bounds = [Bound("ripple", "ripple at most 6 dB", 6.0)]
    assert binding(np.zeros((8, 0)), bounds)[0] == "100% of designs have no values at all"


def test_stored_designs_are_those_of_the_history(tmp_path: Path) -> None:
    run_toy(tmp_path, evaluations=40)
    history = open_results(tmp_path / "history.nc")["alpha"].to_dataset()
    for wanted in ([0], [39], [0, 7, 8, 31, 39], list(range(40)), []):
        chosen = np.array(wanted, dtype=np.int64)
        found = stored_designs(tmp_path / "alpha", chosen)
        assert found.equals(history.isel(design=chosen))
    with pytest.raises(ResultsError, match="lacks evaluation 40"):
        stored_designs(tmp_path / "alpha", np.array([3, 40]))


def test_the_log_rotates_and_may_be_moved_away(tmp_path: Path) -> None:
    file = tmp_path / "run.log"
    log = LogProgress(RotatingFile(file, limit=400, keep=2))
    for number in range(40):
        log.note(f"line {number}")
    pieces = sorted(p.name for p in tmp_path.iterdir())
    assert pieces == ["run.log", "run.log.1", "run.log.2"]
    assert all(p.stat().st_size <= 400 for p in tmp_path.iterdir())
    order = "".join((tmp_path / n).read_text() for n in ("run.log.2", "run.log.1", "run.log"))
    numbers = [int(line.rpartition(" ")[2]) for line in order.splitlines()]
    assert numbers == list(range(numbers[0], 40))
    file.rename(tmp_path / "elsewhere")
    log.note("after")
    assert "after" in file.read_text()


def test_a_lost_terminal_ends_nothing() -> None:
    master, slave = os.openpty()
    report = Report("alpha", 1, 8, 24, 0.5, 0.1, 3, {"die_area": 1.0}, 5.0)
    with os.fdopen(slave, "w") as terminal, TerminalProgress(terminal) as display:
        display.report(report)
        os.close(master)
        display.report(report)
        display.note("still here")
        # what the closing stream would still write must not raise either
        os.dup2(os.open(os.devnull, os.O_WRONLY), terminal.fileno())


@pytest.mark.parametrize("ignored", [False, True])
def test_a_lost_terminal_stops_in_order_and_nohup_goes_on(tmp_path: Path, ignored: bool) -> None:
    sent = []

    def hang_up() -> None:
        if not sent:
            sent.append(os.kill(os.getpid(), signal.SIGHUP))

    before = signal.signal(signal.SIGHUP, signal.SIG_IGN if ignored else signal.SIG_DFL)
    try:
        outcome = run_toy(tmp_path, wrap=lambda name, toy: Watched(toy, hang_up))
    finally:
        signal.signal(signal.SIGHUP, before)
    assert outcome.complete is ignored
    assert outcome.evaluations["alpha"] == (24 if ignored else 8)


def test_jumps_of_the_wall_clock_change_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_toy(tmp_path / "reference")
    year = 366 * 86400.0
    true = time.time
    jumps = iter([0.0, year, -year, 5 * year, -40 * year] * 1000)
    monkeypatch.setattr(time, "time", lambda: true() + next(jumps))
    run_toy(tmp_path / "a", budget=pipeline.Budget(evaluations=24, hours=1.0))
    same(tmp_path / "a", tmp_path / "reference")
    (tmp_path / "a" / "status.json").write_text(
        json.dumps(json.loads((tmp_path / "a" / "status.json").read_text()) | {"updated": 9e9})
    )
    status = read_status(tmp_path / "a")
    assert status.age == 0.0
    assert status.seconds < 600.0


def test_a_start_is_remembered_by_the_run(tmp_path: Path) -> None:
    vectors = {"alpha": np.linspace(0.1, 0.8, 24).reshape(8, 3).tolist()}
    started = replace(IDENTITY, start={"from": "another", "vectors": vectors})
    run_toy(tmp_path / "a", identity=started)
    history = open_results(tmp_path / "a" / "history.nc")
    np.testing.assert_array_equal(history["alpha"]["vector"][:8], vectors["alpha"])
    assert history.attrs["started_from"] == "another"
    child = os.fork()
    if child == 0:  # dies before its first generation; the start must not be lost
        run_toy(
            tmp_path / "b",
            identity=started,
            wrap=lambda name, toy: Watched(toy, lambda: os._exit(0)),
        )
    os.waitpid(child, 0)
    run_toy(tmp_path / "b", resume=True)
    same(tmp_path / "a", tmp_path / "b")
    run_toy(tmp_path / "c")
    assert not (tmp_path / "c" / "run.json").read_text().count("start")
