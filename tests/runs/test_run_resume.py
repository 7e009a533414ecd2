"""Runs: interrupted at any moment and resumed they equal undisturbed ones, bit for bit."""

from __future__ import annotations

import errno
import io
import os
import pickle
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from arrayopt.base.errors import ResultsError
from arrayopt.base.labelled import labelled
from arrayopt.runs.kept.directory import RunDirectory
from arrayopt.runs.kept.identity import read_identity
from arrayopt.runs.kept.store import open_results
from arrayopt.runs.progress import (
    LogProgress,
    SilentProgress,
    TerminalProgress,
    duration,
    progress_on,
)
from arrayopt.runs.run import Budget
from arrayopt.search.problem import Evaluation
from tests.support.paths import ROOT
from tests.support.toy_problem import Toy
from tests.support.toy_run import IDENTITY, run_toy


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of 24 evaluations, three generations, of each of two strategies."""
    directory = tmp_path_factory.mktemp("undisturbed")
    assert run_toy(directory).complete
    return directory


def check_same(directory: Path, reference: Path) -> None:
    for name in ("fronts.nc", "history.nc"):
        assert open_results(directory / name).identical(open_results(reference / name)), name


class Hooked(Toy):
    """A toy that does something before its n-th batch."""

    def __init__(self, toy: Toy, batch: int, action: Callable[[], Any]) -> None:
        super().__init__(n_variables=toy.n_variables)
        self.left, self.action = batch, action

    def evaluate(self, X: np.ndarray, front: np.ndarray | None = None) -> Evaluation:
        self.left -= 1
        if self.left == 0:
            self.action()
        return super().evaluate(X)


def hooked(batch: int, action: Callable[[], Any]) -> Callable[[str, Toy], Toy]:
    return lambda name, toy: Hooked(toy, batch, action) if name == "alpha" else toy


def test_same_seed_same_files_and_another_seed_others(tmp_path: Path, undisturbed: Path) -> None:
    outcome = run_toy(tmp_path / "again")
    check_same(tmp_path / "again", undisturbed)
    assert outcome.evaluations == {"alpha": 24, "beta": 24}
    assert outcome.hypervolume["alpha"] == open_results(undisturbed)["alpha"].attrs["hypervolume"]
    run_toy(tmp_path / "other", identity=replace(IDENTITY, seed=12))
    ours, other = (open_results(d / "history.nc") for d in (undisturbed, tmp_path / "other"))
    assert not np.array_equal(ours["alpha"]["vector"], other["alpha"]["vector"])


def test_results_hold_the_front_of_the_history(undisturbed: Path) -> None:
    history, fronts = open_results(undisturbed / "history.nc"), open_results(undisturbed)
    for name in ("alpha", "beta"):
        everything, front = history[name].to_dataset(), fronts[name].to_dataset()
        assert everything.sizes["design"] == 24
        np.testing.assert_array_equal(everything["evaluation"], np.arange(24))
        np.testing.assert_array_equal(everything["generation"], np.repeat([1, 2, 3], 8))
        values = np.stack([everything["die_area"], -everything["peak_pressure"]], axis=1)
        good = np.flatnonzero(everything["feasible"])

        def beaten(i: int, values: Any = values, good: Any = good) -> bool:
            others = values[good]
            no_worse = (others <= values[i]).all(axis=1)
            return bool((no_worse & (others < values[i]).any(axis=1)).any())

        best = [i for i in good if not beaten(i)]
        np.testing.assert_array_equal(front["evaluation"], best)
        assert everything.isel(design=best).equals(front)
        assert front["peak_pressure"].attrs["units"] == "Pa"
    assert fronts.attrs["study"] == IDENTITY.study
    assert fronts.attrs["digest"] == IDENTITY.digest
    assert int(fronts.attrs["complete"]) == 1


def test_longer_budget_continues_and_equals_one_go(tmp_path: Path, undisturbed: Path) -> None:
    shutil.copytree(undisturbed, tmp_path / "a")
    run_toy(tmp_path / "a", resume=True, evaluations=48)
    run_toy(tmp_path / "b", evaluations=48)
    check_same(tmp_path / "a", tmp_path / "b")
    before = (tmp_path / "a" / "alpha" / "state").read_bytes()
    assert run_toy(tmp_path / "a", resume=True, evaluations=48).complete
    assert (tmp_path / "a" / "alpha" / "state").read_bytes() == before


def test_thinned_and_described_fronts(tmp_path: Path) -> None:
    from arrayopt.runs.run import Task, run_tasks
    from arrayopt.search.population import SearchSettings

    task = Task("alpha", Toy(n_variables=3), describe=lambda X: labelled({"radius": np.exp(X)}))
    run_tasks(
        [task], tmp_path, replace(IDENTITY, strategies=("alpha",)),
        budget=Budget(evaluations=60), settings=SearchSettings(population=20), front_size=3,
    )  # fmt: skip
    front = open_results(tmp_path)["alpha"]
    assert front.sizes["design"] == 3
    assert front.attrs["front_members"] > 3
    np.testing.assert_array_equal(front["radius"], np.exp(front["vector"].values))


def test_killed_and_resumed_equals_undisturbed(tmp_path: Path) -> None:
    seconds = 8.0  # on an idle machine enough for every call; on a busy one for a random sample
    done = subprocess.run(
        [sys.executable, "-m", "tests.robustness.kill_run", str(tmp_path), str(seconds)],
        capture_output=True, text=True, timeout=120, check=False, cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert int(done.stdout.split()[0]) >= 3, done.stdout


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_finishes_the_generation_and_says_how_to_go_on(
    tmp_path: Path, undisturbed: Path, number: int
) -> None:
    before = signal.getsignal(number)
    outcome = run_toy(tmp_path, wrap=hooked(2, lambda: os.kill(os.getpid(), number)))
    assert signal.getsignal(number) is before
    assert not outcome.complete
    assert "--resume" in outcome.message
    assert outcome.evaluations == {"alpha": 16, "beta": 8}
    assert int(open_results(tmp_path).attrs["complete"]) == 0
    assert run_toy(tmp_path, resume=True).complete
    check_same(tmp_path, undisturbed)


def test_a_signal_before_the_first_strategies_are_through(
    tmp_path: Path, undisturbed: Path
) -> None:
    outcome = run_toy(tmp_path, wrap=hooked(1, lambda: os.kill(os.getpid(), signal.SIGINT)))
    assert outcome.evaluations == {"alpha": 8, "beta": 0}
    assert list(open_results(tmp_path).children) == ["alpha"]
    run_toy(tmp_path, resume=True)
    check_same(tmp_path, undisturbed)


def test_a_second_signal_stops_at_once(tmp_path: Path, undisturbed: Path) -> None:
    def twice() -> None:
        os.kill(os.getpid(), signal.SIGINT)
        os.kill(os.getpid(), signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        run_toy(tmp_path, wrap=hooked(3, twice))
    assert not (tmp_path / "fronts.nc").exists()
    run_toy(tmp_path, resume=True)
    check_same(tmp_path, undisturbed)


def test_a_failing_evaluation_loses_only_its_generation(tmp_path: Path, undisturbed: Path) -> None:
    def fail() -> None:
        raise FloatingPointError("invented")

    with pytest.raises(FloatingPointError):
        run_toy(tmp_path, wrap=hooked(3, fail))
    run_toy(tmp_path, resume=True)
    check_same(tmp_path, undisturbed)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"digest": "4567"}, "the study was changed"),
        ({"seed": 3}, "seed 11 there, 3 here"),
        ({"settings": {"population": 9}}, "settings were changed .population 8 there, 9 here"),
        ({"versions": {"arrayopt": "0.2.0"}}, "arrayopt 0.1.0 there, 0.2.0 here"),
        ({"versions": {}}, "arrayopt 0.1.0 there, none here"),
    ],
)
def test_resume_refuses_what_would_not_be_the_same(
    tmp_path: Path, undisturbed: Path, change: dict[str, Any], message: str
) -> None:
    shutil.copytree(undisturbed, tmp_path / "a")
    with pytest.raises(ResultsError, match=message):
        run_toy(tmp_path / "a", resume=True, identity=replace(IDENTITY, **change))
    check_same(tmp_path / "a", undisturbed)
    assert read_identity(tmp_path / "a") == IDENTITY


def test_one_owner_and_a_dead_owner_holds_nothing(tmp_path: Path) -> None:
    code = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r})\n"
        "from pathlib import Path\n"
        "from tests.support.toy_run import IDENTITY\n"
        "from arrayopt.runs.kept.directory import RunDirectory\n"
        "with RunDirectory(Path(sys.argv[1]), IDENTITY, resume=True):\n"
        "    print('held', flush=True)\n"
        "    sys.stdin.read()\n"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert other.stdout is not None
    assert other.stdout.readline() == "held\n"
    with pytest.raises(ResultsError, match=f"in use by another run .process {other.pid} on"):
        run_toy(tmp_path, resume=True)
    other.kill()
    other.communicate()
    assert run_toy(tmp_path, resume=True).complete
    with (
        RunDirectory(tmp_path, IDENTITY, resume=True),
        pytest.raises(ResultsError, match="in use"),
    ):
        run_toy(tmp_path, resume=True)


def test_a_removed_lock_or_directory_stops_the_run(tmp_path: Path, undisturbed: Path) -> None:
    with pytest.raises(ResultsError, match="removed or replaced"):
        run_toy(tmp_path / "a", wrap=hooked(2, lambda: (tmp_path / "a" / "lock").unlink()))
    run_toy(tmp_path / "a", resume=True)
    check_same(tmp_path / "a", undisturbed)
    with pytest.raises(ResultsError, match="removed or replaced"):
        run_toy(tmp_path / "b", wrap=hooked(2, lambda: shutil.rmtree(tmp_path / "b")))


def test_a_full_disk_ends_the_run_and_loses_nothing(
    tmp_path: Path, undisturbed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = os.write
    for allowed in (0, 1, 2, 3, 6):
        shutil.rmtree(tmp_path, ignore_errors=True)
        calls = iter(range(10_000))

        def full(descriptor: int, data: Any) -> int:
            if next(calls) >= allowed:  # noqa: B023
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return write(descriptor, data)

        with monkeypatch.context() as patch:
            patch.setattr(os, "write", full)
            with pytest.raises(ResultsError, match="No space left on device"):
                run_toy(tmp_path)
        run_toy(tmp_path, resume=True)
        check_same(tmp_path, undisturbed)


def test_the_operating_system_refusing_to_write_is_survived(
    tmp_path: Path, undisturbed: Path
) -> None:
    """A real limit on file sizes, so that netCDF's own writing of the history fails as well."""
    run_toy(tmp_path)
    sizes = {p: p.stat().st_size for p in tmp_path.rglob("*.nc")}
    largest_generation = max(n for p, n in sizes.items() if p.name.startswith("generation"))
    limit = max(sizes[tmp_path / "history.nc"] // 2, largest_generation)
    assert limit < sizes[tmp_path / "history.nc"]
    before = (tmp_path / "fronts.nc").read_bytes()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        with pytest.raises(ResultsError, match=r"history\.nc could not be written"):
            run_toy(tmp_path, resume=True)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert (tmp_path / "fronts.nc").read_bytes() == before
    assert not list(tmp_path.rglob(".*.part"))
    run_toy(tmp_path, resume=True)
    check_same(tmp_path, undisturbed)


class Trap:
    """Unpickling this creates a file."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> Any:
        return (Path.touch, (self.path,))


def test_only_an_undamaged_state_of_this_run_is_unpickled(
    tmp_path: Path, undisturbed: Path
) -> None:
    trap = tmp_path / "sprung"
    payload = pickle.dumps(Trap(trap))
    run = tmp_path / "run"
    shutil.copytree(undisturbed, run)
    state = run / "alpha" / "state"
    good = state.read_bytes()

    run_toy(tmp_path / "other", identity=replace(IDENTITY, seed=99))
    middle = len(good) // 2
    flipped = good[:middle] + bytes([good[middle] ^ 1]) + good[middle + 1 :]
    foreign = (tmp_path / "other" / "alpha" / "state").read_bytes()
    for number, content in enumerate(
        (payload, b"", good[:-1], good[: len(good) // 2], flipped, foreign), 1
    ):
        state.write_bytes(content)
        told = io.StringIO()
        assert run_toy(run, resume=True, progress=LogProgress(told)).complete
        assert not trap.exists()
        word = "another run" if content == foreign else "damaged"
        assert word in told.getvalue(), told.getvalue()
        assert "rebuilt from 3 saved generations" in told.getvalue()
        assert state.with_name(f"state.aside-{number}").read_bytes() == content
        check_same(run, undisturbed)
    state.unlink()
    state.symlink_to(undisturbed / "alpha" / "state")
    with pytest.raises(ResultsError, match=r"alpha/state could not be read: it is a link"):
        run_toy(run, resume=True)


def test_generations_newer_than_the_state_count_and_temporary_places_go(
    tmp_path: Path, undisturbed: Path
) -> None:
    run_toy(tmp_path / "a", evaluations=8)
    alpha = tmp_path / "a" / "alpha"
    early = (alpha / "state").read_bytes()
    run_toy(tmp_path / "a", resume=True)
    (alpha / "state").write_bytes(early)
    left = alpha / f".arrayopt-{'0' * 8}-1-{'0' * 16}.part"
    left.mkdir()  # a killed command's
    (left / "half").write_bytes(b"half")

    def never() -> None:
        raise AssertionError("evaluated again")

    run_toy(tmp_path / "a", resume=True, wrap=hooked(1, never))
    check_same(tmp_path / "a", undisturbed)
    assert (alpha / "generation-000003.nc").exists()
    assert not left.exists()
    shutil.copy(alpha / "generation-000001.nc", alpha / "generation-000004.nc")
    with pytest.raises(ResultsError, match=r"generation-000004\.nc does not hold the designs"):
        run_toy(tmp_path / "a", resume=True)


def test_hours_count_running_only_and_give_equal_generations(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [1000.0]

    def hour(name: str, toy: Toy) -> Toy:
        def tick() -> None:
            now[0] += 3600.0

        class Slow(Toy):
            def evaluate(self, X: np.ndarray, front: np.ndarray | None = None) -> Evaluation:
                tick()
                return super().evaluate(X)

        return Slow(n_variables=toy.n_variables)

    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    first = run_toy(tmp_path, wrap=hour, budget=Budget(hours=3.0))
    assert first.evaluations == {"alpha": 16, "beta": 16}
    now[0] += 1e6
    second = run_toy(tmp_path, wrap=hour, budget=Budget(hours=5.5), resume=True)
    assert second.evaluations == {"alpha": 24, "beta": 24}
    with pytest.raises(ValueError, match="evaluations or hours"):
        Budget()


def test_log_lines_tell_where_the_run_is(tmp_path: Path) -> None:
    stream = io.StringIO()
    run_toy(tmp_path, progress=LogProgress(stream))
    lines = stream.getvalue().splitlines()
    assert len(lines) == 6
    for word in ("beta: generation 3, evaluations 24/24", "feasible", "hypervolume",
                 "best die area", "best peak pressure", "left 0 s"):  # fmt: skip
        assert word in lines[-1]
    assert "\x1b" not in stream.getvalue()
    rare = io.StringIO()
    run_toy(tmp_path, evaluations=48, resume=True, progress=LogProgress(rare, every=3600))
    assert len(rare.getvalue().splitlines()) == 2


def test_a_terminal_gets_a_table_and_a_closed_stream_ends_nothing(tmp_path: Path) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    display = progress_on(terminal)
    assert isinstance(display, TerminalProgress)
    run_toy(tmp_path, progress=display)
    assert "24/24" in terminal.getvalue()
    closed = io.StringIO()
    assert isinstance(progress_on(closed), LogProgress)
    closed.close()
    assert run_toy(tmp_path, evaluations=32, resume=True, progress=LogProgress(closed)).complete
    assert isinstance(LogProgress(closed), SilentProgress)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(None, "-"), (4.4, "4 s"), (75, "1 min 15 s"), (7500, "2 h 05 min")],
)
def test_durations(seconds: float | None, text: str) -> None:
    assert duration(seconds) == text
