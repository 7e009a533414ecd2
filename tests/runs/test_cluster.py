"""A dask cluster gives what one process gives, whatever happens to its workers and scheduler."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from arrayopt.runs.kept.store import open_results
from arrayopt.runs.power import cluster
from arrayopt.runs.power.cluster import ClusterError, ClusterWorkers, package_versions, processor
from arrayopt.runs.run import PooledEvaluator
from arrayopt.runs.status import read_status
from arrayopt.runs.study_run import RunOptions, run_study
from arrayopt.search.problem import EVALUATION_LOST, Evaluation
from arrayopt.study.read import read_study_text
from tests.support.paths import ROOT
from tests.support.tiny_study import tiny_text
from tests.support.toy_problem import Toy, build
from tests.support.toy_run import run_toy

pytest.importorskip("distributed", reason="the extra cluster is not installed")
pytestmark = pytest.mark.filterwarnings("default")  # dask's own

X = np.random.default_rng(1).random((23, 5))
VERSIONS = ("numpy", "numba")


def same(a: Evaluation, b: Evaluation) -> None:
    np.testing.assert_array_equal(a.F, b.F, strict=True)
    np.testing.assert_array_equal(a.G, b.G, strict=True)
    np.testing.assert_array_equal(a.status, b.status, strict=True)


def dask(*arguments: str) -> subprocess.Popen[bytes]:
    """A scheduler or worker process as people start it."""
    return subprocess.Popen(
        [sys.executable, "-m", *arguments],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip


class Cluster:
    """A scheduler on a fixed port, and workers, as processes."""

    def __init__(self) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{self.port}"
        self.workers: list[subprocess.Popen[bytes]] = []
        self.start_scheduler()

    def start_scheduler(self) -> None:
        self.scheduler = dask(
            "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(self.port),
            "--no-dashboard",
        )  # fmt: skip

    def start_worker(self) -> None:
        self.workers.append(
            dask(
                "distributed.cli.dask_worker", self.address, "--nthreads", "1", "--no-dashboard",
                "--no-nanny", "--death-timeout", "60",
            )
        )  # fmt: skip

    def close(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()

    def pool(self, text: str = "", **options: Any) -> ClusterWorkers:
        """Connected, once the scheduler has started."""
        end = time.monotonic() + 60.0
        while True:
            try:
                return ClusterWorkers(
                    build, text, address=self.address, versions=VERSIONS, **options
                )
            except ClusterError:
                assert time.monotonic() < end, "the scheduler does not start"
                time.sleep(0.2)


@contextmanager
def cluster_of(workers: int) -> Iterator[Cluster]:
    made = Cluster()
    try:
        for _ in range(workers):
            made.start_worker()
        yield made
    finally:
        made.close()


@pytest.fixture(scope="module")
def two() -> Iterator[Cluster]:
    with cluster_of(2) as made:
        yield made


def test_a_cluster_gives_what_one_process_gives(two: Cluster, tmp_path: Path) -> None:
    expected = Toy().evaluate(X)
    with two.pool() as pool:
        same(pool.evaluate("a", X, n_objectives=2), expected)
        wrap = lambda name, toy: PooledEvaluator(toy, pool, name)  # noqa: E731
        run_toy(tmp_path / "cluster", evaluations=16, wrap=wrap, health=pool.health)
    run_toy(tmp_path / "here", evaluations=16)
    for name in ("fronts.nc", "history.nc"):
        mine, reference = (open_results(tmp_path / d / name) for d in ("cluster", "here"))
        assert mine.identical(reference)
    with two.pool("memory") as pool:
        same(
            pool.evaluate("a", np.tile(X, (4, 1)), n_objectives=2),
            Toy().evaluate(np.tile(X, (4, 1))),
        )
        assert pool.health()["pieces of work halved on the cluster"] > 0
    with two.pool("hog") as pool:
        result = pool.evaluate("a", X, n_objectives=2)
    big = X[:, 0] > 0.5
    np.testing.assert_array_equal(result.status[big], EVALUATION_LOST)
    np.testing.assert_array_equal(result.F[~big], expected.F[~big])
    with two.pool("wrong") as pool, pytest.raises(ZeroDivisionError, match="invented"):
        pool.evaluate("a", X, n_objectives=2)


def test_a_study_on_a_cluster_equals_one_here(two: Cluster, tmp_path: Path) -> None:
    study = read_study_text(tiny_text(evaluations=16))
    here = RunOptions(workers=1)
    run_study(study, tmp_path / "here", options=here)
    there = RunOptions(workers=1, scheduler=two.address)
    run_study(study, tmp_path / "cluster", options=there)
    for name in ("fronts.nc", "history.nc"):
        mine, reference = (open_results(tmp_path / d / name) for d in ("cluster", "here"))
        assert mine.identical(reference)
    assert read_status(tmp_path / "cluster").health["generations finished on this machine"] == 0


def test_other_versions_are_refused(two: Cluster, monkeypatch: pytest.MonkeyPatch) -> None:
    here = package_versions(VERSIONS)
    monkeypatch.setattr(cluster, "package_versions", lambda names: {**here, "numpy": "0.1"})
    with (
        two.pool() as pool,
        pytest.raises(ClusterError, match=rf"numpy {np.__version__}, not 0\.1"),
    ):
        pool.evaluate("a", X, n_objectives=2)


def test_mixed_processors_are_reported(two: Cluster) -> None:
    told: list[str] = []
    with two.pool(note=told.append) as pool:
        pool._accepted((Toy().evaluate(X), processor()))
        assert not told
        pool._accepted((Toy().evaluate(X), "another processor"))
        pool._accepted((Toy().evaluate(X), "a third"))
    assert len(told) == 1
    assert "mixes processors" in told[0]


def test_late_and_dying_workers_and_a_lost_scheduler() -> None:
    expected, told = Toy().evaluate(X), list[str]()
    with cluster_of(0) as made, made.pool(note=told.append, patience=30.0) as pool:
        pool._patience = 0.5
        same(pool.evaluate("a", X, n_objectives=2), expected)
        assert any("has no workers" in text for text in told)
        pool._patience, pool._lost_at = 30.0, -1e9  # long ago: look for it again
        made.start_worker()  # late: the work already waits for it
        same(pool.evaluate("a", X, n_objectives=2), expected)
        made.workers[0].kill()
        made.start_worker()
        same(pool.evaluate("a", X, n_objectives=2), expected)
        made.scheduler.kill()
        made.scheduler.wait()
        made.start_scheduler()
        made.start_worker()
        same(pool.evaluate("a", X, n_objectives=2), expected)
        pool._patience = 0.5
        made.scheduler.kill()
        made.scheduler.wait()
        same(pool.evaluate("a", X, n_objectives=2), expected)
        assert pool.health()["generations finished on this machine"] == 2
    assert any("is gone; going on on this machine" in text for text in told)


def test_no_scheduler_is_said() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{unused.getsockname()[1]}"
        with pytest.raises(ClusterError, match="does not answer"):
            ClusterWorkers(build, "", address=address, versions=VERSIONS, patience=1.0)
    with pytest.raises(ClusterError, match="does not answer"):
        ClusterWorkers(build, "", address="nonsense://", versions=VERSIONS, patience=1.0)
