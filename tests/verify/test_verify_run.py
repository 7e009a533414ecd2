"""Verifying replaces the fronts that it read and no others."""

from __future__ import annotations

import fcntl
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from arrayopt.base.errors import ResultsError
from arrayopt.base.status import VerifyStatus
from arrayopt.design.designs import Designs
from arrayopt.merits.chips import merits_of_chips
from arrayopt.runs.kept.store import open_results
from arrayopt.runs.status import read_status
from arrayopt.search.front import nondominated
from arrayopt.search.problem import minimised
from arrayopt.study.model import Strategy, Study
from arrayopt.study.read import read_study_text
from arrayopt.verify import run as verify
from arrayopt.verify.designs import Verification
from tests.support.small_runs import runs


@pytest.fixture
def copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A run, in which everything verifies at once and is marked."""
    monkeypatch.setattr(verify, "verify_designs", lambda *_, **__: None)
    monkeypatch.setattr(verify, "_with_verification", lambda front, *_: front.assign(marked=1.0))
    return Path(shutil.copytree(runs()[0], tmp_path / "run"))


def verify_one(run: Path) -> None:
    """Verify the first design of the first front."""
    name, node = next(iter(open_results(run).children.items()))
    verify.verify_run(run, [f"{name}/{int(node['evaluation'].values[0])}"])


def test_the_front_of_a_verified_design_is_replaced(copy: Path) -> None:
    verify_one(copy)
    marked = ["marked" in node for node in open_results(copy).children.values()]
    assert marked == [True, *[False] * (len(marked) - 1)]


def test_members_that_fall_are_replaced_and_fronts_are_of_verified_values(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first design that is asked falls; the others do what two chips do in a search."""
    fell: list[bool] = []

    def quick(designs: Designs, study: Study, strategy: Strategy, _: object, *, chips: int) -> Any:
        table = merits_of_chips(designs, study, strategy, chips=chips)
        status = np.zeros(len(designs), dtype=np.int64)
        if not fell:
            fell.append(True)
            status[0] = VerifyStatus.LIMIT
        return Verification(table, status)

    monkeypatch.setattr(verify, "verify_designs", quick)
    before = open_results(copy)
    told: dict[str, int] = {}
    assert read_status(copy).phase == "searched"
    found = verify.verify_fronts(copy, chips=2, told=lambda name, n: told.update({name: n}))
    assert read_status(copy).phase == "complete"
    after = open_results(copy)
    assert [one.fallen for one in found] == [1] + [0] * (len(found) - 1)
    for one in found:
        front = after[one.strategy].to_dataset()
        objectives = read_study_text(str(after.attrs["study"])).objectives
        values = np.stack([front[f"verified_{o.name}"].values for o in objectives], axis=1)
        assert nondominated(minimised(values, objectives)).all()
        assert (front["verify_chips"] == 2).all()
        assert front.sizes["design"] == one.tried - one.fallen - one.dominated
        assert one.tried >= before[one.strategy].sizes["design"]
        assert told[one.strategy] <= one.tried
    numbers = [tree[found[0].strategy]["evaluation"].values for tree in (before, after)]
    assert numbers[0][0] not in numbers[1]  # the first that was asked


def test_fronts_of_a_run_that_went_on_meanwhile_stay(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = (runs()[2] / "fronts.nc").read_bytes()
    monkeypatch.setattr(
        verify, "verify_designs", lambda *_, **__: (copy / "fronts.nc").write_bytes(other)
    )
    with pytest.raises(ResultsError, match=r"fronts\.nc was written anew .*: verify again"):
        verify_one(copy)
    assert (copy / "fronts.nc").read_bytes() == other


def test_fronts_of_another_run_are_not_taken_over(copy: Path) -> None:
    other = (runs()[1] / "fronts.nc").read_bytes()
    (copy / "fronts.nc").write_bytes(other)
    with pytest.raises(ResultsError, match=r"fronts\.nc is of another run"):
        verify_one(copy)
    assert (copy / "fronts.nc").read_bytes() == other


def test_a_link_is_not_replaced(copy: Path, tmp_path: Path) -> None:
    (copy / "fronts.nc").rename(tmp_path / "kept.nc")
    (copy / "fronts.nc").symlink_to(tmp_path / "kept.nc")
    with pytest.raises(ResultsError):
        verify_one(copy)
    assert (copy / "fronts.nc").is_symlink()


def test_a_run_under_way_is_not_waited_for(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verify, "verify_designs", None)  # nothing is computed first
    with (copy / "lock").open("r+b") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        with pytest.raises(ResultsError, match="is in use by another run"):
            verify_one(copy)
