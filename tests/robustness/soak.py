"""Kill a real run every so often, resume it each time, and compare it with an undisturbed one.

Run as ``python -m tests.robustness.soak MINUTES [SECONDS_BETWEEN_KILLS]``: the shipped duct
study is searched for so many minutes; then both runs are brought to the same number of evaluations.
Prints what happened; exits with 1 if the runs differ or a kill lost more than the generation under
way.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from arrayopt.base.errors import ResultsError
from arrayopt.runs.kept.store import open_results
from arrayopt.runs.status import read_status
from tests.support.tiny_study import STUDY

COMMAND = [sys.executable, "-c", "from arrayopt.cli.main import main; main()"]


def start(study: Path, out: Path, evaluations: int, *options: str) -> subprocess.Popen[bytes]:
    with (out.parent / f"{out.name}.log").open("ab") as log:
        return subprocess.Popen(
            [*COMMAND, "run", str(study), "--out", str(out), "--evaluations", str(evaluations),
             "--workers", "2", "--no-verify", *options],
            stdout=log, stderr=log, start_new_session=True,
        )  # fmt: skip


def generations(out: Path) -> dict[str, int]:
    try:
        return {s.name: s.generation for s in read_status(out).strategies}
    except ResultsError:
        return {}


def soak(base: Path, minutes: float, between: float) -> str:
    study = base / "study.toml"
    study.write_text(
        STUDY.read_text(encoding="utf-8")
        .replace("population = 50", "population = 40")
        .replace("front_size = 40", "front_size = 10"),
        encoding="utf-8",
    )
    out, pick = base / "killed", random.Random(1)
    end = time.monotonic() + 60.0 * minutes
    kills, groups = 0, 0
    before: dict[str, int] = {}
    while time.monotonic() < end:
        process = start(study, out, 10**7, "--resume")
        time.sleep(pick.uniform(0.75, 1.25) * between)
        if process.poll() is not None:
            sys.exit(f"the run ended by itself: {(base / 'killed.log').read_text()[-2000:]}")
        if pick.random() < 0.5:  # the whole group, workers too, or the driver alone
            os.killpg(process.pid, signal.SIGKILL)
            groups += 1
        else:
            process.kill()
        process.wait()
        kills += 1
        after = generations(out)
        for name, number in before.items():
            if after[name] < number:
                sys.exit(f"{name} fell from generation {number} to {after[name]}")
        before = after
    reached = max(s.evaluations for s in read_status(out).strategies) + 40
    for directory in (out, base / "undisturbed"):
        if start(study, directory, reached, "--resume").wait() != 0:
            sys.exit(f"{directory.name} failed: see {directory}.log")
    for name in ("fronts.nc", "history.nc"):
        if not open_results(out / name).identical(open_results(base / "undisturbed" / name)):
            sys.exit(f"{name} differs after {kills} kills")
    text = (base / "killed.log").read_text()
    if "Traceback" in text:
        sys.exit(text)
    return (
        f"{kills} kills in {minutes:g} minutes ({groups} of driver and workers, the others of the "
        f"driver alone), {max(before.values(), default=0)} generations by then, {reached} "
        "evaluations of each of three strategies in the end: fronts and history are equal to "
        "those of the undisturbed run"
    )


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(prefix="arrayopt-soak-") as folder:
        print(
            soak(
                Path(folder),
                float(sys.argv[1]) if len(sys.argv) > 1 else 2.0,
                float(sys.argv[2]) if len(sys.argv) > 2 else 20.0,
            )
        )
