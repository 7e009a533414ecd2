"""The real command under faults: orderly endings, nothing lost, resumed equal to undisturbed."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from tests.support.paths import ROOT

FAULTS = (
    "sigterm", "sigint", "sighup", "second_sigint", "sigkill", "worker_killed", "two_runs",
    "generation_removed", "directory_removed", "read_only", "full_disk", "memory_limit",
    "start_from", "disk_told",
)  # fmt: skip


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What each fault led to; one process does them all, because loading takes the most time."""
    folder = str(tmp_path_factory.mktemp("faults"))
    done = subprocess.run(
        [sys.executable, "-m", "tests.robustness.fault_runs", folder],
        capture_output=True, text=True, timeout=600, check=False, cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    return {row["fault"]: row["told"] for row in rows}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_loses_nothing(told: dict[str, str], fault: str) -> None:
    if told[fault].startswith("skipped: "):
        pytest.skip(told[fault])
    assert told[fault] == "ok"


@pytest.mark.slow
def test_commands_killed_at_random_leave_nothing_and_change_nothing_foreign() -> None:
    cases = ("run --resume", "run --fresh", "report", "export into a run", "export --replace")
    done = subprocess.run(
        [sys.executable, "-m", "tests.robustness.kill_commands", "12", "3", *cases],
        capture_output=True, text=True, timeout=600, check=False, cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
