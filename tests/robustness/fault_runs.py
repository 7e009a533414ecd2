"""Faults done to the real command on a tiny study; each run resumed must equal the undisturbed one.

Run as ``python -m tests.robustness.fault_runs DIRECTORY``: a process of its own, because
it forks. Prints one line of JSON for each fault: name, "ok", "skipped: why" or what was wrong.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numba
import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.runs.kept.store import open_results
from arrayopt.runs.power.workers import Workers
from arrayopt.runs.predict import predict
from arrayopt.runs.status import read_status
from arrayopt.search.problem import Evaluation
from arrayopt.study.read import read_study
from tests.support.tiny_study import command, forked, humble_command, tiny_text
from tests.support.toy_problem import Toy

PATIENCE = 120.0  # seconds for one run on a busy machine; an idle one needs two


class SkippedError(Exception):
    """The machine does not allow this fault."""


@dataclass(frozen=True)
class Ended:
    """How a run ended: exit code (negative: signal) and everything it printed."""

    code: int
    text: str


class Run:
    """One run of the command in a fork."""

    def __init__(self, out: Path, *options: object, humble: bool = False) -> None:
        self.out = out
        self.log = BASE / f"log-{time.monotonic_ns()}"
        study = BASE / "tiny.toml"
        options = options or ("--workers", 1)
        call = humble_command if humble else command
        self.pid = forked(self.log, "run", study, "--out", out, "--no-verify", *options, call=call)

    def after(self, generation: int, strategy: str = "combined") -> Run:
        """Wait until a generation is saved."""
        end = time.monotonic() + PATIENCE
        file = self.out / strategy / f"generation-{generation:06d}.nc"
        while not file.exists():
            assert time.monotonic() < end, "no progress"
            assert not self._over(), f"ended early: {self.log.read_text()}"
            time.sleep(0.002)
        return self

    def _over(self) -> bool:
        return os.waitid(os.P_PID, self.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None

    def send(self, number: int) -> Run:
        os.kill(self.pid, number)
        return self

    def ended(self) -> Ended:
        end = time.monotonic() + PATIENCE
        while not self._over():
            if time.monotonic() > end:
                os.kill(self.pid, signal.SIGKILL)
            time.sleep(0.005)
        code = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        text = self.log.read_text(errors="replace")
        assert "Traceback" not in text, text
        return Ended(code, text)


def same(out: Path) -> None:
    for name in ("fronts.nc", "history.nc"):
        mine, reference = open_results(out / name), open_results(BASE / "reference" / name)
        assert mine.identical(reference), f"{name} differs from the undisturbed run"
    assert not list(out.rglob(".*.part")), "parts were left"


def resumed(out: Path, *, humble: bool = False) -> None:
    end = Run(out, "--workers", 1, "--resume", humble=humble).ended()
    assert end.code == 0, end.text
    same(out)


def stopping(out: Path, number: int) -> None:
    end = Run(out).after(2).send(number).ended()
    assert end.code == 0, end
    assert "--resume" in end.text, end.text
    assert read_status(out).phase == "stopped"
    resumed(out)


def sigterm(out: Path) -> None:
    stopping(out, signal.SIGTERM)


def sigint(out: Path) -> None:
    stopping(out, signal.SIGINT)


def sighup(out: Path) -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    try:
        stopping(out, signal.SIGHUP)
    finally:
        signal.signal(signal.SIGHUP, before)


def second_sigint(out: Path) -> None:
    run = Run(out).after(2).send(signal.SIGINT)
    time.sleep(0.005)
    end = run.send(signal.SIGINT).ended()
    # 0 if the generation ended between the two signals
    assert end.code in (130, 0), end
    if end.code == 130:
        assert "the last saved generation stands" in end.text
    resumed(out)


def sigkill(out: Path) -> None:
    for generation in (1, 3):
        options = () if generation == 1 else ("--workers", 1, "--resume")
        end = Run(out, *options).after(generation).send(signal.SIGKILL).ended()
        assert end.code == -signal.SIGKILL, end
        assert read_status(out).phase == "dead"
    resumed(out)


def worker_killed(out: Path) -> None:
    run = Run(out, "--workers", 2).after(1)
    children = Path(f"/proc/{run.pid}/task/{run.pid}/children").read_text().split()
    workers = [p for p in children if b"spawn_main" in Path(f"/proc/{p}/cmdline").read_bytes()]
    assert len(workers) == 2, children
    os.kill(int(workers[0]), signal.SIGKILL)
    end = run.ended()
    assert end.code == 0, end.text
    same(out)
    assert read_status(out).health["worker pools restarted"] >= 1


def two_runs(out: Path) -> None:
    first = Run(out).after(1)
    first.send(signal.SIGSTOP)
    second = Run(out, "--workers", 1, "--resume").ended()
    third = Run(out, "--workers", 1, "--fresh").ended()
    status = read_status(out)
    first.send(signal.SIGCONT)
    for refused in (second, third):
        assert refused.code == 2, refused
        assert f"in use by another run (process {first.pid} on" in refused.text
    assert status.phase == "running"
    end = first.ended()
    assert end.code == 0, end
    same(out)


def generation_removed(out: Path) -> None:
    run = Run(out).after(2)
    lost = out / "combined" / "generation-000001.nc"
    content = lost.read_bytes()
    lost.unlink()
    end = run.ended()
    assert end.code == 2, end
    assert "lacks generation 1 of" in end.text
    again = Run(out, "--workers", 1, "--resume").ended()
    assert again.code == 2, again
    lost.write_bytes(content)
    resumed(out)


def directory_removed(out: Path) -> None:
    run = Run(out).after(2)
    run.send(signal.SIGSTOP)
    shutil.rmtree(out)
    end = run.send(signal.SIGCONT).ended()
    assert end.code == 2, end
    # noticed before a write, or by the write that was under way
    words = ("removed or replaced during the run", "could not be written: its folder is gone")
    assert any(w in end.text for w in words), end.text
    assert not out.exists()


def read_only(out: Path) -> None:
    run = Run(out, humble=True).after(2)
    os.chmod(out / "combined", 0o555)
    end = run.ended()
    assert end.code == 2, end
    assert "could not be written: Permission denied" in end.text, end.text
    again = Run(out, "--workers", 1, "--resume", humble=True).ended()
    assert again.code == 2, again
    os.chmod(out / "combined", 0o755)
    resumed(out, humble=True)


def full_disk(out: Path) -> None:
    out.mkdir()
    try:
        mount("-t", "tmpfs", "-o", "size=160k", "tmpfs", str(out))
    except (OSError, subprocess.CalledProcessError) as error:
        raise SkippedError(f"a small disk cannot be mounted here ({error})") from None
    try:
        end = Run(out).ended()
        assert end.code == 2, end
        assert "No space left on device" in end.text, end.text
        status = read_status(out)
        assert any(s.generation > 0 for s in status.strategies), "filled before it began"
        again = Run(out, "--workers", 1, "--resume").ended()
        assert again.code == 2, again
        mount("-o", "remount,size=50m", str(out))
        resumed(out)
    finally:
        subprocess.run(["umount", str(out)], check=False, capture_output=True)


def mount(*arguments: str) -> None:
    subprocess.run(["mount", *arguments], check=True, capture_output=True)


class Greedy:
    """A toy that takes 40 MiB for each design of a batch."""

    def __call__(self, strategy: str, X: Floats, front: Floats | None = None) -> Evaluation:
        room = [np.ones(40 << 17) for _ in X]
        return Toy().evaluate(X + 0.0 * room[0][0])


def memory_limit(out: Path) -> None:
    pid = os.fork()
    if pid == 0:
        try:
            X = np.random.default_rng(1).random((16, 5))
            used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
            limit = used + (200 << 20)
            resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
            with Workers(lambda text: Greedy(), "", workers=1) as workers:
                found = workers.evaluate("a", X, n_objectives=2)
            good = np.array_equal(found.F, Toy().evaluate(X).F, equal_nan=True)
            os._exit(0 if good and workers.halved >= 2 and workers.lost == 0 else 3)
        except BaseException:
            traceback.print_exc()
            os._exit(4)
    code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    assert code == 0, f"a chunk beyond the memory limit was not split ({code})"


def start_from(out: Path) -> None:
    """A changed study is refused with the way forward, which works and is itself resumable."""
    shutil.copytree(BASE / "reference", out)
    changed = BASE / "changed.toml"
    changed.write_text(tiny_text().replace('"520 um"]', '"515 um"]'), encoding="utf-8")
    log, new = BASE / "log-start", BASE / "started"

    def run(*arguments: object) -> Ended:
        pid = forked(log, "run", changed, "--no-verify", "--workers", 1, *arguments)
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        assert "Traceback" not in log.read_text(), log.read_text()
        return Ended(code, log.read_text())

    refused = run("--out", out, "--resume")
    assert refused.code == 2, refused
    assert 'now: radius = ["400 um", "515 um"]' in refused.text, refused.text
    assert f"--start-from {out}" in refused.text
    assert run("--out", out, "--start-from", out).code == 2
    assert run("--out", new, "--start-from", BASE / "nowhere").code == 2
    assert not new.exists(), "nothing is written"
    done = run("--out", new, "--start-from", out)
    assert done.code == 0, done
    old, begun = open_results(out / "history.nc"), open_results(new / "history.nc")
    known = old["combined"]["fractional_bandwidth"].values
    first = begun["combined"]["fractional_bandwidth"].values[:8]
    # what lies in the new bounds has not changed: most of the old population is there again
    again = np.isclose(first[:, None], known, rtol=1e-9).any(axis=1)
    assert again.sum() >= 4, (first, known)
    assert run("--out", new, "--resume", "--start-from", out).code == 2
    longer = run("--out", new, "--resume", "--evaluations", 40)
    assert longer.code == 0, longer
    at_once = BASE / "at-once"
    assert run("--out", at_once, "--start-from", out, "--evaluations", 40).code == 0
    assert open_results(new / "history.nc").identical(open_results(at_once / "history.nc"))


def disk_told(out: Path) -> None:
    """What `check` says about disk, against what the undisturbed run took."""
    study = read_study(BASE / "tiny.toml")
    told = predict(study, evaluations=study.search.evaluations, workers=1).disk
    taken = sum(p.stat().st_size for p in (BASE / "reference").rglob("*") if p.is_file())
    assert 0.75 < told / taken < 1.25, (told, taken)


FAULTS: dict[str, Callable[[Path], None]] = {
    f.__name__: f
    for f in (
        sigterm, sigint, sighup, second_sigint, sigkill, worker_killed, two_runs,
        generation_removed, directory_removed, read_only, full_disk, memory_limit, start_from,
        disk_told,
    )
}  # fmt: skip


if __name__ == "__main__":
    BASE, wanted = Path(sys.argv[1]).resolve(), sys.argv[2:] or list(FAULTS)
    BASE.mkdir(parents=True, exist_ok=True)
    (BASE / "tiny.toml").write_text(tiny_text(), encoding="utf-8")
    numba.config.THREADING_LAYER = "workqueue"  # the others do not stand a fork
    os.environ["NUMBA_NUM_THREADS"] = "1"  # no threads in a process that forks
    with (BASE / "reference-log").open("w") as quiet:
        out, err = sys.stdout, sys.stderr
        sys.stdout = sys.stderr = quiet
        code = command(
            "run", BASE / "tiny.toml", "--out", BASE / "reference", "--no-verify", "--workers", 1
        )
        sys.stdout, sys.stderr = out, err
    assert code == 0, (BASE / "reference-log").read_text()
    for name in wanted:
        begin = time.monotonic()
        try:
            FAULTS[name](BASE / name)
            told = "ok"
        except SkippedError as reason:
            told = f"skipped: {reason}"
        except Exception as error:
            told = f"{type(error).__name__}: {error}\n{traceback.format_exc()}"
        with suppress(ChildProcessError):
            while os.waitpid(-1, os.WNOHANG)[0]:
                pass
        seconds = time.monotonic() - begin
        print(json.dumps({"fault": name, "told": told, "seconds": round(seconds, 1)}), flush=True)
