"""No command overwrites what it did not make, waits for a pipe, or leaves parts when ended."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from arrayopt.base.files import OutputError, is_temporary
from arrayopt.base.output import Output
from arrayopt.cli.calibrate import CALIBRATION, PICTURE
from arrayopt.lab.plot import draw_calibration
from arrayopt.lab.read.files import read_measured
from tests.support.layout_studies import make
from tests.support.paths import STUDIES
from tests.support.tiny_study import command

TUTORIAL = STUDIES / "calibration-tutorial"
OLD = 'format = 1\ntitle = "x"\nnominal_stack = "0123456789abcdef"\n'
"""The beginning of a calibration file."""


@pytest.fixture
def lab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The tutorial's study and measurements, as the current folder."""
    monkeypatch.chdir(tmp_path)
    shutil.copy(TUTORIAL / "study.toml", tmp_path)
    for file in sorted((TUTORIAL / "lab").iterdir()):
        shutil.copy(file, tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("arguments", "need"),
    [
        # what a shell makes of `calibrate . --out cell*.csv`
        ("calibrate . --out cell_a.csv cell_b.csv cell_c.csv", "cell_a.csv: the name of"),
        ("calibrate . cell_a.csv --out cell_a.csv", "ends in .toml; nothing was written"),
        ("calibrate . cell_a.csv --out cell_a.csv --overwrite", "ends in .toml"),
        ("calibrate . cell_a.csv --out cell_a.toml", "where the header of a measurement belongs"),
        ("calibrate . cell_b_bias.csv --out cell_b_bias.toml", "not a calibration file made by"),
        (
            "calibrate . cell_b_bias.csv --out cell_b_bias.toml --overwrite",
            "where the header of a measurement belongs",
        ),
        ("calibrate . cell_a.csv --out study.toml --overwrite", "is read by this command"),
        (
            "calibrate . cell_a.csv --out c.toml --picture study.toml",
            "ends in .png or .svg or .pdf",
        ),
        ("calibrate . cell_a.csv --out no/c.toml", "there is no folder no"),
        ("evaluate . --design cell_a.toml --out study.toml", "a result file ends in .nc"),
        ("evaluate . --design cell_a.toml --out cell_a.csv", "a result file ends in .nc"),
        ("evaluate . --design cell_a.toml --out thesis.nc", "not a result file made by"),
        ("evaluate . --design thesis.nc --out thesis.nc --overwrite", "is read by this command"),
        ("compare . --to study.toml", "is no folder"),
        ("compare . --to " + "n" * 300, "name too long"),
    ],
)
def test_nothing_is_overwritten(
    lab: Path, arguments: str, need: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (lab / "thesis.nc").write_text("mine")
    before = {path.name: path.read_bytes() for path in lab.iterdir()}
    assert command(*arguments.split()) == 2
    told = capsys.readouterr().err
    assert need in told
    assert told.count("\n") == 1
    assert {path.name: path.read_bytes() for path in lab.iterdir()} == before


def test_a_calibration_is_no_header(lab: Path) -> None:
    plain = read_measured([lab / "cell_a.csv"])[0]
    (lab / "cell_a.toml").write_text(OLD)
    traces, readings = read_measured([lab / "cell_a.csv"])
    assert [t.drive_amplitude for t in traces] == [t.drive_amplitude for t in plain]
    assert any("cell_a.toml is a calibration and not the header" in str(r) for r in readings)
    assert Output(lab / "cell_a.toml", CALIBRATION).check()  # and may be made anew
    with pytest.raises(OutputError, match="not a calibration file"):
        Output(lab / "cell_b_bias.toml", CALIBRATION)


@pytest.mark.parametrize("form", ["png", "svg", "pdf"])
def test_pictures_of_calibrations_are_known_again(tmp_path: Path, form: str) -> None:
    place = tmp_path / f"fits.{form}"
    place.write_bytes(b"a picture of mine")
    with pytest.raises(OutputError, match="not a picture made by this command"):
        Output(place, PICTURE)
    place.write_bytes(draw_calibration([], [burst()], form=form))
    assert Output(place, PICTURE).check()


def burst() -> object:
    import numpy as np

    from arrayopt.lab.plot import BurstPicture

    line = np.linspace(1.0, 2.0, 5)
    return BurstPicture("a burst", line, line, line)


@pytest.fixture
def alarm() -> Iterator[None]:
    """A command that waits for ever ends in an error."""
    before = signal.signal(signal.SIGALRM, lambda *_: pytest.fail("the command waited"))
    signal.alarm(60)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize(
    "arguments",
    [
        "check pipe", "run pipe --out new", "evaluate . --design pipe", "evaluate pipe --design x",
        "calibrate . pipe --out c.toml", "export . pipe.toml --to new",
        "export . x.toml --to new --process pipe", "show pipe", "report pipe", "compare pipe",
        "verify pipe", "export pipe combined/1 --to new", "export --check .",
    ],
)  # fmt: skip
def test_a_pipe_is_refused_at_once(
    lab: Path, alarm: None, arguments: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("pipe", "pipe.toml", "manifest.json"):
        os.mkfifo(lab / name)
    assert command(*arguments.split()) == 2
    told = capsys.readouterr().err
    assert "Traceback" not in told
    assert "pipe" in told or "manifest.json" in told
    assert not (lab / "new").exists()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGKILL])
def test_an_export_that_is_ended_leaves_nothing(tmp_path: Path, number: signal.Signals) -> None:
    study, _, _ = make(rows=2, columns=2)
    (tmp_path / "study.toml").write_text(study.text, encoding="utf-8")
    (tmp_path / "mine.toml").write_text('format = 1\n[classes]\nradius = "420 um"\n')
    before = {path.name for path in tmp_path.iterdir()}
    words = ["export", str(tmp_path), str(tmp_path / "mine.toml"), "--to", str(tmp_path / "out")]
    code = "from arrayopt.cli.main import main; main()"
    process = subprocess.Popen([sys.executable, "-c", code, *words], stderr=subprocess.PIPE)
    end = time.monotonic() + 120.0
    while not any(is_temporary(path.name) for path in tmp_path.iterdir()):
        assert time.monotonic() < end
        assert process.poll() is None
        time.sleep(0.005)
    process.send_signal(number)
    told = process.communicate(timeout=120)[1]
    assert b"Traceback" not in told
    if number == signal.SIGKILL:
        (left,) = {path.name for path in tmp_path.iterdir()} - before
        assert is_temporary(left)
    else:
        assert process.returncode == 128 + number
        assert {path.name for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_in_a_destructor_is_not_lost(number: signal.Signals) -> None:
    code = (
        "import os, time\n"
        "from arrayopt.cli import main as m\n"
        "class Dying:\n"
        f"    def __del__(self): os.kill(os.getpid(), {number.value})\n"
        "def group(**options):\n"
        "    Dying()\n"
        "    time.sleep(60)\n"
        "m.group = group\n"
        "m.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, timeout=50, check=False
    )
    assert done.returncode == 128 + number
    assert b"Traceback" not in done.stderr


def test_the_command_leaves_signals_as_they_were() -> None:
    before = signal.getsignal(signal.SIGTERM), sys.unraisablehook
    assert command("check", "nothing.toml") == 2
    assert (signal.getsignal(signal.SIGTERM), sys.unraisablehook) == before
