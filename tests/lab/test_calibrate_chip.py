"""A made chip against its prediction, through the commands: export's test plan, sealed backs.

Source of the measurements: tests/reference/generate_chip.py (exact plate, time integration, volume
sources, ISO 9613-1; scipy only), an array of one cell: how cells of an array differ and hear each
other is tests/physics'. The chip is 1 % thicker than drawn and couples 4 % less, inside
what chips as made scatter by (M11.1).
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from arrayopt.base.errors import ArrayoptError
from arrayopt.base.glossary import heading, shown_number
from arrayopt.lab.against import compare_chip, read_limits
from arrayopt.lab.read.files import read_measured
from arrayopt.runs.kept.store import open_results, write_results
from arrayopt.study.read import read_study
from tests.support.paths import REFERENCE, STUDIES
from tests.support.tiny_study import command

TUTORIAL = STUDIES / "calibration-tutorial"
CHIP = REFERENCE / "chip"
DESIGN = 'format = 1\n[classes]\nradius = "470 um"\n[channels]\namplitude = "6 V"\n'
SEALED = ('back = "vented"', 'back = "sealed"\ncavity_depth = "400 um"')


def place(folder: Path, back: str) -> Path:
    """The tutorial's study with one cell and one kind of back, and the design that was made."""
    folder.mkdir(parents=True, exist_ok=True)
    text = (TUTORIAL / "study.toml").read_text(encoding="utf-8")
    assert SEALED[0] in text
    text = text.replace("rows = 4", "rows = 1").replace("columns = 4", "columns = 1")
    (folder / "study.toml").write_text(
        text.replace(*SEALED) if back == "sealed" else text, encoding="utf-8"
    )
    (folder / "design.toml").write_text(DESIGN, encoding="utf-8")
    return folder


@pytest.fixture(scope="module", params=["vented", "sealed"])
def planned(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study, its prediction, and the test plan that the export command writes."""
    folder = place(tmp_path_factory.mktemp(str(request.param)) / str(request.param), request.param)
    design = folder / "design.toml"
    assert command("evaluate", folder, "--design", design, "--out", folder / "p.nc") == 0
    assert command("export", folder, design, "--to", folder / "tapeout") == 0
    return folder


def measured(folder: Path) -> list[Path]:
    return [CHIP / f"{folder.name}_cell.csv", CHIP / f"{folder.name}_array.csv"]


def test_a_good_chip_passes_its_test_plan(
    planned: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    limits = planned / "tapeout" / "limits.csv"
    arguments = (*measured(planned), "--against", planned / "p.nc", "--limits", limits)
    assert command("calibrate", planned, *arguments) == 0
    out = capsys.readouterr().out
    assert "PASS" in out
    assert "FAIL" not in out
    for quantity in ("cell_frequency", "cell_onset_voltage", "peak_pressure"):
        assert heading(quantity) in out
    # every limit used is the plan's own
    plan = read_limits(limits)
    for where, quantity in (("cells like 0", "cell_frequency"), ("array", "peak_pressure")):
        low, high = plan[where, quantity]
        assert f"({shown_number(quantity, low)} to {shown_number(quantity, high)})" in out


def test_a_chip_outside_its_limits_fails(
    planned: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same measurements where the plan allowed no deviation of f0: exit code 1."""
    lines = (planned / "tapeout" / "limits.csv").read_text(encoding="utf-8").splitlines()
    names = next(line for line in lines if line.startswith("where")).split(",")
    changed = []
    for line in lines:
        cells = line.split(",")
        if cells[1:2] == ["cell_frequency"]:
            for end in ("pass_from", "pass_to"):
                cells[names.index(end)] = cells[names.index("nominal")]
        changed.append(",".join(cells))
    limits = tmp_path / "limits.csv"
    limits.write_text("\n".join(changed) + "\n", encoding="utf-8")
    arguments = (*measured(planned), "--against", planned / "p.nc", "--limits", limits)
    assert command("calibrate", planned, *arguments) == 1
    out = capsys.readouterr().out
    assert out.count("FAIL (") == 1
    assert "FAIL: 1 of" in out


def test_measured_values_are_the_generators(planned: Path) -> None:
    """generate_chip.py prints f0, Q and the largest pressure of the cells it integrates."""
    f0, quality, pressure = {
        "vented": (94872.50, 37.770, 0.134715),
        "sealed": (97568.14, 51.850, 0.191162),
    }[planned.name]
    study = read_study(planned)
    traces, _ = read_measured(measured(planned))
    prediction = open_results(planned / "p.nc")
    verdict = compare_chip(study, traces, next(iter(prediction.children.values())).to_dataset())
    rows = {row.quantity: row for row in verdict.rows}
    # drift between sweeps is allowed for, 2e-4
    assert rows["cell_frequency"].measured == pytest.approx(f0, rel=3e-4)
    assert rows["cell_quality_factor"].measured == pytest.approx(quality, rel=0.02)
    # 0.4 % noise of the largest of 81 points; the file states dB to 0.001
    assert rows["peak_pressure"].measured == pytest.approx(pressure, rel=2e-4)
    # with the chip's own corrections the model predicts its pressure: jump between two points
    assert rows["peak_pressure"].predicted == pytest.approx(pressure, rel=0.12)


def test_array_sweeps_are_compared_like_with_like(planned: Path, tmp_path: Path) -> None:
    """Up, down and small-signal sweeps have their own predictions; another drive is not judged."""
    study = read_study(planned)
    prediction = next(iter(open_results(planned / "p.nc").children.values())).to_dataset()
    text = (CHIP / f"{planned.name}_array.csv").read_text(encoding="utf-8")

    def judged(old: str, new: str) -> tuple[dict[str, float], tuple[str, ...]]:
        assert old in text
        changed = tmp_path / "array.csv"
        head, _, rows = text.replace(old, new).rpartition("re 20 uPa]\n")
        if new == "# sweep = down":
            rows = "".join(f"{row}\n" for row in reversed(rows.splitlines()))
        changed.write_text(f"{head}re 20 uPa]\n{rows}", encoding="utf-8")
        traces, _ = read_measured([changed])
        verdict = compare_chip(study, traces, prediction)
        return {
            row.where: row.predicted for row in verdict.rows if row.quantity == "peak_pressure"
        }, verdict.left

    up, _ = judged("# sweep = up", "# sweep = up")
    down, _ = judged("# sweep = up", "# sweep = down")
    small, _ = judged("drive_amplitude = 6.0 V", "drive_amplitude = 0.3 V")
    assert list(up) == ["array"]
    assert list(down) == ["array down"]
    assert list(small) == ["array small"]
    assert down["array down"] < 0.9 * up["array"]  # a hardening cell above onset
    weak = prediction["small_signal_pressure"]
    assert small["array small"] == pytest.approx(0.05 * float(weak.max()), rel=1e-12)
    with pytest.raises(ArrayoptError, match="not compared"):
        judged("drive_amplitude = 6.0 V", "drive_amplitude = 4 V")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copy(TUTORIAL / "lab" / "cell_a.csv", tmp_path / "a.csv")
    (tmp_path / "binary.csv").write_bytes(bytes(range(256)) * 8)
    (tmp_path / "not.nc").write_bytes(b"no results")
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "sub").mkdir()
    (tmp_path / "side.csv").write_text("frequency [kHz],magnitude [nm]\n99,1\n")
    (tmp_path / "side.toml").write_bytes(b"\xff\xfe = [")
    return tmp_path


@pytest.mark.parametrize(
    ("arguments", "need"),
    [
        ("nothing.csv --out c.toml", "nothing.csv"),
        ("sub --out c.toml", "it is a folder"),
        ("binary.csv --out c.toml", "binary.csv"),
        ("empty.csv --out c.toml", "holds no rows"),
        ("side.csv --out c.toml", "side.toml"),
        ("a.csv --out none/c.toml", "there is no folder"),
        ("a.csv --out sub", "is a folder"),
        ("a.csv --out c.toml --picture c.bmp", ".png or .svg or .pdf"),
        ("a.csv --out c.toml --picture none/c.png", "there is no folder"),
        ("a.csv", "--out FILE"),
        ("a.csv --out c.toml --against not.nc", "--out FILE"),
        ("a.csv --against not.nc", "not.nc"),
        ("a.csv --against missing.nc", "missing.nc"),
        ("a.csv --against foreign.nc", "holds no"),
        ("a.csv --against foreign.nc --strategy x", "x"),
        ("a.csv --against foreign.nc --design 9", "no design 9"),
        ("a.csv --against foreign.nc --limits binary.csv", "binary.csv"),
        ("a.csv --against foreign.nc --limits a.csv", "no list of limits"),
    ],
)
def test_refused_with_one_message(
    folder: Path, arguments: str, need: str, capsys: pytest.CaptureFixture[str]
) -> None:
    prediction = other_results()
    write_results(folder / "foreign.nc", {"combined": prediction}, {"study": "", "digest": ""})
    before = {path.name for path in folder.iterdir()}
    words = [
        word if word.startswith("--") or word in ("9", "x") else folder / word
        for word in arguments.split()
    ]
    assert command("calibrate", TUTORIAL, *words) == 2
    said = capsys.readouterr().err
    assert need in said
    assert "Traceback" not in said
    assert {path.name for path in folder.iterdir()} == before


def other_results() -> xr.Dataset:

    return xr.Dataset({"radius": (("design", "cell"), np.ones((1, 1)))})
