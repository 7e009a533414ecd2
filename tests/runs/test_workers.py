"""Worker processes: the same result for any number of them, whatever happens to them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from arrayopt.runs.power.workers import Workers
from arrayopt.search.problem import EVALUATION_LOST, Evaluation
from tests.support.paths import ROOT
from tests.support.toy_problem import Toy, build

X = np.random.default_rng(1).random((23, 5))


def check_equal(a: Evaluation, b: Evaluation) -> None:
    np.testing.assert_array_equal(a.F, b.F, strict=True)
    np.testing.assert_array_equal(a.G, b.G, strict=True)
    np.testing.assert_array_equal(a.status, b.status, strict=True)
    assert a.columns.keys() == b.columns.keys()
    for name in a.columns:
        np.testing.assert_array_equal(a.columns[name], b.columns[name], strict=True)


def test_one_and_two_workers_agree_and_death_changes_nothing(tmp_path: Path) -> None:
    expected = Toy().evaluate(X)
    with Workers(build, "", workers=1, chunk=7) as one:
        check_equal(one.evaluate("a", X, n_objectives=2), expected)
    with Workers(build, "", workers=2, chunk=7) as two:
        check_equal(two.evaluate("a", X, n_objectives=2), expected)
        assert two._pool is not None
        for victim in two._pool._processes:
            os.kill(victim, signal.SIGKILL)
        check_equal(two.evaluate("a", X, n_objectives=2), expected)
        assert two.rebuilt == 1
    with Workers(build, f"die-once {tmp_path / 'mark'}", workers=2, chunk=7) as dying:
        check_equal(dying.evaluate("a", X, n_objectives=2), expected)
        assert dying.rebuilt >= 1


@pytest.mark.parametrize("workers", [1, 2])
def test_out_of_memory_is_halved_until_it_fits(workers: int) -> None:
    with Workers(build, "memory", workers=workers) as pool:
        check_equal(pool.evaluate("a", X, n_objectives=2), Toy().evaluate(X))
    with Workers(build, "hog", workers=workers) as pool:
        result = pool.evaluate("a", X, n_objectives=2)
    big = X[:, 0] > 0.5
    assert (result.status[big] == EVALUATION_LOST).all()
    np.testing.assert_array_equal(result.F[~big], Toy().evaluate(X).F[~big])
    assert np.isnan(result.F[big]).all()


def test_a_design_that_always_kills_its_process_is_found() -> None:
    batch = np.concatenate([X[X[:, 0] < 0.9][:3], [[0.95] * 5]])
    with Workers(build, "die-always", workers=2, chunk=2) as pool:
        result = pool.evaluate("a", batch, n_objectives=2)
    np.testing.assert_array_equal(result.status != EVALUATION_LOST, [True] * 3 + [False])


@pytest.mark.parametrize("workers", [1, 2])
def test_other_errors_are_raised(workers: int) -> None:
    with (
        Workers(build, "wrong", workers=workers) as pool,
        pytest.raises(ZeroDivisionError, match="invented"),
    ):
        pool.evaluate("a", X, n_objectives=2)


def test_workers_end_with_a_killed_driver() -> None:
    code = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r})\n"
        "import numpy as np\n"
        "from tests.support.toy_problem import build\n"
        "from arrayopt.runs.power.workers import Workers\n"
        "if __name__ == '__main__':\n"
        "    pool = Workers(build, '', workers=2)\n"
        "    pool.evaluate('a', np.full((4, 5), 0.5), n_objectives=2)\n"
        "    print(*pool._pool._processes, flush=True)\n"
        "    sys.stdin.read()\n"
    )
    driver = subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert driver.stdout is not None
    pids = [int(word) for word in driver.stdout.readline().split()]
    assert len(pids) == 2
    driver.kill()
    driver.communicate()
    deadline = time.monotonic() + 10.0
    while any(alive(pid) for pid in pids):
        assert time.monotonic() < deadline, "workers outlived their driver"
        time.sleep(0.05)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_signals_to_the_group_do_not_reach_workers(number: signal.Signals) -> None:
    with Workers(build, "", workers=2) as pool:
        pool.evaluate("a", X, n_objectives=2)
        assert pool._pool is not None
        assert len(pool._pool._processes) == 2
        for pid in pool._pool._processes:
            os.kill(pid, number)
            threads = Path(f"/proc/{pid}/environ").read_bytes().split(b"\0")
            assert b"NUMBA_NUM_THREADS=1" in threads
        time.sleep(0.1)
        pool.evaluate("a", X, n_objectives=2)
        assert pool.rebuilt == 0
    assert number not in signal.pthread_sigmask(signal.SIG_BLOCK, [])


def alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"  # an orphan that nobody has reaped yet is dead
