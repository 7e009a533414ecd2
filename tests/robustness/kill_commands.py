"""Commands killed at random: nothing foreign changes, nothing is left, and the next one succeeds.

Run as ``python -m tests.robustness.kill_commands COUNT SEED [CASE]... [--jobs N]``. Every kill
takes one of `CASES` in a folder with files of somebody else beside and between, sends SIGKILL or
SIGTERM to the command alone or to its whole group, at a random moment or at a random call that
changes the disk, and gives the next command. What comes out must equal, bit for bit, what an
undisturbed command gave.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

from arrayopt.base.files import is_temporary
from arrayopt.lab.calibrate import calibrate
from arrayopt.runs.kept.store import open_results
from tests.robustness.kill_run import kill_at
from tests.robustness.series import Tried, main
from tests.support.paths import STUDIES
from tests.support.tiny_study import command, forked, tiny_text

PATIENCE = 300.0  # seconds for one command on a busy machine; an idle one needs two
RUN = "run study.toml --out run --no-verify --workers 1"
EXPORT = "export study.toml design.toml --to"
LAB = "calibrate lab lab/cell_a.csv --out lab/calibration.toml --picture lab/fits.png"


@dataclass(frozen=True)
class Case:
    """A command to kill: what is there before, what may come next, and what must come out."""

    words: str
    then: tuple[str, ...]
    before: tuple[str, ...] = ()
    outputs: tuple[str, ...] = ("run/fronts.nc", "run/history.nc")
    share: int = 4


CASES = {
    "run": Case(RUN, (f"{RUN} --resume",), share=6),
    "run with two workers": Case(RUN[:-1] + "2", (f"{RUN} --resume",), share=1),
    "run --resume": Case(f"{RUN} --resume", (f"{RUN} --resume",), ("half/run",), share=6),
    "run --fresh": Case(f"{RUN} --fresh", (f"{RUN} --fresh",), ("other/run",), share=6),
    "verify": Case("verify run --chips 1", ("verify run --chips 1",), ("done/run",)),
    "report": Case("report run", ("report run",), ("done/run",), ("run/report.html",)),
    "export": Case(f"{EXPORT} new", (f"{EXPORT} new --replace",), (), ("new",)),
    "export into a run": Case(
        f"{EXPORT} run/new",
        (f"{RUN} --resume && {EXPORT} run/new --replace", f"{EXPORT} run/new --replace"),
        ("half/run",),
        ("run/new",),
    ),
    "export --replace": Case(
        f"{EXPORT} old --replace", (f"{EXPORT} old --replace",), ("other/old",), ("old",)
    ),
    "calibrate": Case(LAB, (LAB,), (), ("lab/calibration.toml", "lab/fits.png")),
}
FOREIGN = (
    "notes.txt", "run.json", "mine/victim", "mine/state", "lab/notes.txt", "run/notes.txt",
    "run/combined/notes.txt", "run/.arrayopt.part", "old/measured.csv", "old/photos/die.jpg",
)  # fmt: skip
LINKS = (".report.html.part", "run/.report.html.part")  # to mine/victim
INPUTS = ("study.toml", "design.toml", "lab/study.toml", "lab/cell_a.csv")


@dataclass
class Place:
    """The folder in which commands are killed, made anew each time."""

    base: Path
    usual: dict[str, float] = field(default_factory=dict)
    """Seconds that an undisturbed command took."""
    calls: dict[str, int] = field(default_factory=dict)
    """Calls of it that changed the disk."""

    def __post_init__(self) -> None:
        self.work, self.log = self.base / "work", self.base / "log"

    def begin(self, case: Case | None, *, foreign: bool) -> dict[str, bytes]:
        """What the case needs, and files of somebody else; content of all that may not change."""
        os.chdir(self.base)
        shutil.rmtree(self.work, ignore_errors=True)
        self.work.mkdir()
        os.chdir(self.work)
        for name, text in (("study.toml", TEXT), ("design.toml", DESIGN.format(420))):
            Path(name).write_text(text, encoding="utf-8")
        Path("lab").mkdir()
        shutil.copy(STUDIES / "calibration-tutorial" / "study.toml", "lab")
        shutil.copy(STUDIES / "calibration-tutorial" / "lab" / "cell_a.csv", "lab")
        for name in case.before if case else ():
            shutil.copytree(self.base / name, self.work / name.split("/")[1])
        if foreign:
            for name in (*FOREIGN, *LINKS):
                path, top = Path(name), name.split("/")[0]
                # a run begins in an empty folder, and `--fresh` refuses what it does not know
                if top in ("run", "old") and (not Path(top).is_dir() or "--fresh" in case.words):
                    continue
                path.parent.mkdir(exist_ok=True)
                if name in LINKS:
                    path.symlink_to(self.work / "mine" / "victim")
                else:
                    path.write_text(f"{name} is mine")
        return self.content()

    def content(self) -> dict[str, bytes]:
        """Files of somebody else."""
        names = [name for name in (*INPUTS, *FOREIGN, *LINKS) if os.path.lexists(name)]
        return {n: os.readlink(n).encode() if n in LINKS else Path(n).read_bytes() for n in names}

    def leftovers(self) -> list[str]:
        return [path.name for path in self.work.rglob(".*") if is_temporary(path.name)]

    def ended(self, pid: int) -> tuple[int, str]:
        """Exit code of a fork, negative for a signal, and what it said."""
        end = time.monotonic() + PATIENCE
        while os.waitid(os.P_PID, pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
            if time.monotonic() > end:
                os.kill(pid, signal.SIGKILL)
            time.sleep(0.002)
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        said = self.log.read_text(errors="replace")
        assert "Traceback" not in said, said
        return code, said

    def done(self, line: str, call: Callable[..., int] = command) -> str:
        """Give commands, which must succeed; what they said."""
        told = ""
        for words in line.split(" && "):
            code, said = self.ended(forked(self.log, *words.split(), call=call))
            assert code == 0, f"{words}: exit code {code}\n{said}"
            told += said
        return told

    def keep(self, name: str, *outputs: str) -> None:
        """Put files and folders aside."""
        for output in outputs:
            target = self.base / name / output
            target.parent.mkdir(parents=True, exist_ok=True)
            (shutil.copytree if Path(output).is_dir() else shutil.copy)(output, target)

    def learn(self, name: str) -> None:
        """Do a case undisturbed: its time, its calls, and what comes out."""
        case = CASES[name]
        self.begin(case, foreign=False)
        file = self.base / "calls"

        def counted(*words: str) -> int:
            calls = kill_at(0)
            code = command(*words)
            file.write_text(str(calls()))
            return code

        begin = time.monotonic()
        self.done(case.words, counted)
        self.usual[name] = time.monotonic() - begin
        self.calls[name] = int(file.read_text())
        self.keep(f"wanted {name}", *case.outputs)

    def same(self, name: str) -> None:
        """Outputs are those of the undisturbed command."""
        for output in CASES[name].outputs:
            mine, wanted = self.work / output, self.base / f"wanted {name}" / output
            if output.endswith(".nc"):
                assert open_results(mine).identical(open_results(wanted)), f"{output} differs"
                continue
            for path in wanted.rglob("*") if wanted.is_dir() else (wanted,):
                there = mine / path.relative_to(wanted)
                assert there.read_bytes() == path.read_bytes(), f"{there} differs"

    def kill(self, name: str, pick: random.Random) -> str:
        """Kill one command and give the next; what happened, in a few words."""
        case = CASES[name]
        before = self.begin(case, foreign=True)
        number = pick.choice((signal.SIGKILL, signal.SIGTERM))
        group, moment = pick.random() < 0.5, pick.random() < 0.5
        call, seconds = pick.randint(1, self.calls[name]), pick.uniform(0.0, 1.1 * self.usual[name])
        send = os.killpg if group else os.kill

        def doomed(*words: str) -> int:
            os.setsid()
            if not moment:
                kill_at(call, lambda: send(os.getpid(), number))
            return command(*words)

        pid = forked(self.log, *case.words.split(), call=doomed)
        if moment:
            time.sleep(seconds)
            while os.getpgid(pid) != pid:
                time.sleep(0.001)
            send(pid, number)
        code, said = self.ended(pid)
        how = f"{number.name}, {'group' if group else 'alone'}, " + (
            f"after {seconds:.3f} s" if moment else f"at call {call} of {self.calls[name]}"
        )
        try:
            assert code in (0, -number, 128 + number), f"exit code {code}\n{said}"
            assert self.content() == before, "files of somebody else changed"
            left = self.leftovers()
            assert number == signal.SIGKILL or not left, f"{left} left after SIGTERM"
            following = pick.choice(case.then)
            told = self.done(following)
            assert self.content() == before, f"files of somebody else changed by {following}"
            assert not self.leftovers(), f"{self.leftovers()} left by {following}"
            unnamed = [place for place in left if place not in told]
            assert not unnamed, f"{unnamed} removed by {following} without a word:\n{told}"
            self.same(name)
            self.alone(pid)
        except Exception as error:
            raise AssertionError(f"{case.words}: {how}: {error}") from error
        return "ended before" if code == 0 else f"{number.name}{' and left parts' * bool(left)}"

    def alone(self, session: int) -> None:
        """No process of the killed command goes on."""
        end = time.monotonic() + 30.0
        while rest := [p for p in Path("/proc").glob("[0-9]*") if _session(p) == session]:
            assert time.monotonic() < end, f"{rest} still run"
            time.sleep(0.05)


def _session(process: Path) -> int:
    try:
        state, _, _, session = (process / "stat").read_text().rpartition(")")[2].split()[:4]
    except OSError:
        return 0
    return 0 if state == "Z" else int(session)


TEXT = tiny_text(evaluations=16).replace("front_size = 6", "front_size = 2")
TEXT += "\n[fabrication]\nchips = 2\n"
DESIGN = """format = 1
bias = "5 V"
[classes]
radius = "{} um"
electrode_coverage = 0.6
[channels]
amplitude = "1 V"
"""


def fitted_once() -> None:
    """Make every later `calibrate` of this process and its forks write the fit of the first."""
    found: list[object] = []

    def once(*arguments: Any, **options: Any) -> object:
        if not found:
            found.append(calibrate(*arguments, **options))
        return found[0]

    patch("arrayopt.lab.calibrate.calibrate", once).start()


def prepare(base: Path, names: Sequence[str]) -> Place:
    """Folders to begin with, made in this process, so that its forks have everything loaded."""
    place = Place(base)
    place.begin(None, foreign=False)
    fitted_once()  # it takes most of a minute, writes nothing, and its end is what matters here
    quiet = os.open(place.log, os.O_WRONLY | os.O_CREAT)
    streams = [os.dup(1), os.dup(2)]
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    try:
        assert command(*f"{RUN} --evaluations 8".split()) == 0
        place.keep("half", "run")
        assert command(*f"{RUN} --resume".split()) == 0
        place.keep("done", "run")
        place.begin(None, foreign=False)
        Path("design.toml").write_text(DESIGN.format(410))
        assert command(*f"{RUN} --seed 5 --evaluations 8".split()) == 0
        assert command(*f"{EXPORT} old".split()) == 0
        place.keep("other", "run", "old")
        for name in names:
            place.begin(CASES[name], foreign=False)
            assert command(*CASES[name].words.split()) == 0, place.log.read_text()
    finally:
        sys.stdout.flush()
        os.dup2(streams[0], 1)
        os.dup2(streams[1], 2)
    for name in names:
        place.learn(name)
    return place


def kills(
    numbers: range, seed: str, kinds: Sequence[str], begin: Callable[[str], None]
) -> Iterator[Tried]:
    """Kill commands, as `series` asks for it."""
    names = kinds or list(CASES)
    with tempfile.TemporaryDirectory(prefix="arrayopt-kills-") as folder:
        place = prepare(Path(folder).resolve(), names)
        for number in numbers:
            pick = random.Random(f"{seed}/{number}")
            name = pick.choices(names, [CASES[name].share for name in names])[0]
            begin(name)
            try:
                yield Tried(name, place.kill(name, pick))
            except AssertionError as error:
                yield Tried(name, "wrong", f"{name} {seed}/{number}: {error}")
        os.chdir(folder)


if __name__ == "__main__":
    main("tests.robustness.kill_commands", kills)
