"""Verifying replaces the fronts that it read and no others."""

from __future__ import annotations

import fcntl
import shutil
from pathlib import Path

import numpy as np
import pytest

from arrayopt.base.errors import ResultsError
from arrayopt.runs.kept.store import open_results
from arrayopt.verify import run as verify
from tests.support.small_runs import runs


@pytest.fixture
def copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A run, in which everything verifies at once and is marked."""
    monkeypatch.setattr(verify, "verify_designs", lambda *_: None)
    monkeypatch.setattr(verify, "lost_too_much", lambda *_: np.array([False]))
    monkeypatch.setattr(verify, "_with_verification", lambda front, *_: front.assign(marked=1.0))
    return Path(shutil.copytree(runs()[0], tmp_path / "run"))


def test_fronts_are_replaced(copy: Path) -> None:
    verify.verify_run(copy)
    assert all("marked" in node for node in open_results(copy).children.values())


def test_fronts_of_a_run_that_went_on_meanwhile_stay(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = (runs()[2] / "fronts.nc").read_bytes()
    monkeypatch.setattr(
        verify, "verify_designs", lambda *_: (copy / "fronts.nc").write_bytes(other)
    )
    with pytest.raises(ResultsError, match=r"fronts\.nc was written anew .*: verify again"):
        verify.verify_run(copy)
    assert (copy / "fronts.nc").read_bytes() == other


def test_fronts_of_another_run_are_not_taken_over(copy: Path) -> None:
    other = (runs()[1] / "fronts.nc").read_bytes()
    (copy / "fronts.nc").write_bytes(other)
    with pytest.raises(ResultsError, match=r"fronts\.nc is of another run"):
        verify.verify_run(copy)
    assert (copy / "fronts.nc").read_bytes() == other


def test_a_link_is_not_replaced(copy: Path, tmp_path: Path) -> None:
    (copy / "fronts.nc").rename(tmp_path / "kept.nc")
    (copy / "fronts.nc").symlink_to(tmp_path / "kept.nc")
    with pytest.raises(ResultsError):
        verify.verify_run(copy)
    assert (copy / "fronts.nc").is_symlink()


def test_a_run_under_way_is_not_waited_for(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verify, "verify_designs", None)  # nothing is computed first
    with (copy / "lock").open("r+b") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        with pytest.raises(ResultsError, match="is in use by another run"):
            verify.verify_run(copy)
