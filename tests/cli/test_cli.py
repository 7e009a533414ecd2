"""The command as a person meets it: help, ten broken studies, a small study end to end."""

from __future__ import annotations

import contextlib
import io
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from arrayopt.base.files import OutputError
from arrayopt.base.output import Output
from arrayopt.cli.evaluate import EVALUATED
from arrayopt.cli.main import main
from tests.support.paths import STUDIES
from tests.support.tiny_study import tiny_text

DUCT = STUDIES / "duct-flow-meter"


@dataclass(frozen=True)
class Result:
    """Exit code and what was printed."""

    returncode: int
    stdout: str
    stderr: str


def arrayopt(*arguments: object) -> Result:
    """Call the command's entry point here: a process of its own would load everything anew."""
    out, err = io.StringIO(), io.StringIO()
    before = sys.argv
    sys.argv = ["arrayopt", *map(str, arguments)]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
        code = 0
    except SystemExit as end:
        code = int(end.code or 0)
    finally:
        sys.argv = before
    return Result(code, out.getvalue(), err.getvalue())


@pytest.mark.parametrize("command", ["check", "run", "show", "evaluate", "environment"])
def test_help_ends_with_an_example_that_names_the_command(command: str) -> None:
    result = arrayopt(command, "--help")
    assert result.returncode == 0
    assert f"arrayopt {command}" in result.stdout.split("Example")[1]


def test_overview_and_version() -> None:
    overview = arrayopt("--help")
    assert overview.returncode == 0
    assert all(name in overview.stdout for name in ("check", "run", "show", "evaluate"))
    assert arrayopt("--version").stdout.startswith("arrayopt ")


def test_unknown_command_names_the_nearest() -> None:
    result = arrayopt("chek", "x")
    assert result.returncode == 2
    assert "did you mean check" in result.stderr


def test_an_unknown_device_is_refused_before_any_work(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ARRAYOPT_DEVICE", "tpu")
    result = arrayopt("check", DUCT)
    assert result.returncode == 2
    assert 'ARRAYOPT_DEVICE is "tpu"; choose one of cpu, gpu, gpu-single' in result.stderr


# (what is replaced, by what, words the message must hold)
BROKEN = {
    "unit": ('pitch = "1.1 mm"', 'pitch = "1.1 kHz"', ("array.pitch", "length", "1.1 kHz")),
    "misspelt": ("quality_factor = 90", "qualty_factor = 90", ("cell.quality_factor", "did you")),
    "number": ('clearance = "60 um"', "clearance = 60", ("array.clearance", "length")),
    "algorithm": ('"sms-emoa"', '"nsga4"', ("search.algorithm", "nsga2")),
    "syntax": ("[cell]", "[cell", ("TOML syntax", "]")),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_studies_give_one_clear_message(name: str, tmp_path: Path) -> None:
    old, new, words = BROKEN[name]
    text = (DUCT / "study.toml").read_text(encoding="utf-8")
    assert old in text
    file = tmp_path / "study.toml"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    result = arrayopt("check", file)
    assert result.returncode == 2, result.stdout
    assert "Traceback" not in result.stderr
    for word in words:
        assert word.lower() in result.stderr.lower(), result.stderr
    assert f"{file}:" in result.stderr, "the file and line are named"
    run = arrayopt("run", file, "--out", tmp_path / "out")
    assert run.returncode == 2
    assert not (tmp_path / "out").exists(), "nothing is written"


def test_all_problems_at_once(tmp_path: Path) -> None:
    text = (DUCT / "study.toml").read_text(encoding="utf-8")
    for key in ("unit", "misspelt", "algorithm", "number"):
        text = text.replace(BROKEN[key][0], BROKEN[key][1], 1)
    file = tmp_path / "study.toml"
    file.write_text(text, encoding="utf-8")
    lines = arrayopt("check", file).stderr.strip().splitlines()
    keys = ("array.pitch", "cell.qualty_factor", "cell.quality_factor", "search.algorithm")
    for key in (*keys, "array.clearance"):
        assert sum(key in line.split(" ")[1] for line in lines) == 1, (key, lines)
    assert len(lines) == 5


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The tiny study as a file."""
    file = tmp_path_factory.mktemp("study") / "study.toml"
    file.write_text(tiny_text(evaluations=48), encoding="utf-8")
    return file


def test_check_says_what_would_be_run(study: Path) -> None:
    result = arrayopt("check", study)
    assert result.returncode == 0, result.stderr
    for word in ("combined", "variables", "evaluations", "workers", "MiB of memory", "Predicted"):
        assert word in result.stdout


@pytest.fixture(scope="module")
def run(study: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small run of it, in a process of its own."""
    out = tmp_path_factory.mktemp("run") / "duct"
    command = [sys.executable, "-c", "from arrayopt.cli.main import main; main()"]
    result = subprocess.run(
        [*command, "run", str(study), "--out", str(out), "--workers", "2"],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert result.returncode == 0, result.stderr
    assert "generation" in result.stderr
    assert "hypervolume" in result.stdout
    return out


def test_same_seed_same_fronts_for_any_number_of_workers(
    run: Path, study: Path, tmp_path: Path
) -> None:
    again = arrayopt("run", study, "--out", tmp_path / "b", "--workers", 1)
    assert again.returncode == 0, again.stderr
    with (
        xr.open_datatree(run / "fronts.nc", engine="netcdf4") as a,
        xr.open_datatree(tmp_path / "b" / "fronts.nc", engine="netcdf4") as b,
    ):
        for name in a.children:
            assert a[name].to_dataset().identical(b[name].to_dataset()), name


def test_another_seed_another_front(run: Path, study: Path, tmp_path: Path) -> None:
    arrayopt("run", study, "--out", tmp_path / "c", "--seed", 5, "--no-verify")
    with (
        xr.open_datatree(run / "fronts.nc", engine="netcdf4") as a,
        xr.open_datatree(tmp_path / "c" / "fronts.nc", engine="netcdf4") as c,
    ):
        first, second = a["combined"]["vector"].values, c["combined"]["vector"].values
        assert first.shape != second.shape or not np.array_equal(first, second)


def test_stored_fronts_are_labelled(run: Path) -> None:
    with xr.open_datatree(run / "fronts.nc", engine="netcdf4") as tree:
        assert "format = 1" in tree.attrs["study"]
        for key in ("digest", "seed", "versions"):
            assert tree.attrs[key]
        for name in ("uniform-nonlinear", "combined"):
            front = tree[name].to_dataset()
            assert {"design", "chip", "cell", "frequency"} <= set(front.dims)
            for variable in ("radius", "drive_phase", "fractional_bandwidth", "pressure"):
                assert front[variable].attrs["units"]
                assert front[variable].attrs["long_name"]


def test_show_prints_fronts_and_one_design(run: Path) -> None:
    fronts = arrayopt("show", run)
    assert fronts.returncode == 0, fronts.stderr
    assert "combined: " in fronts.stdout
    row = next(x for x in fronts.stdout.splitlines() if x.startswith("combined/"))
    design = arrayopt("show", run, row.split()[0])
    assert design.returncode == 0, design.stderr
    assert "fractional bandwidth" in design.stdout
    unknown = arrayopt("show", run, "combined/999999")
    assert unknown.returncode == 2
    assert "Traceback" not in unknown.stderr


def test_an_existing_run_is_not_overwritten(run: Path, study: Path) -> None:
    before = (run / "fronts.nc").read_bytes()
    result = arrayopt("run", study, "--out", run)
    assert result.returncode == 2
    assert "--resume" in result.stderr
    assert (run / "fronts.nc").read_bytes() == before


def test_what_if(run: Path, tmp_path: Path) -> None:
    """The study of one column: reached, spread, as drawn, margin and share of chips."""
    study, design, out = (tmp_path / name for name in ("study.toml", "what-if.toml", "one.nc"))
    study.write_text(tiny_text() + "\n[fabrication]\nshare = 0.5\n", encoding="utf-8")
    design.write_text(
        'format = 1\nbias = "5 V"\n[channels]\namplitude = "1 V"\n'
        '[classes]\nradius = "450 um"\nelectrode_coverage = 0.67\n',
        "utf-8",
    )
    result = arrayopt("evaluate", study, "--design", design, "--chips", 4, "--out", out)
    assert result.returncode == 0, result.stderr
    head, _, *rows = result.stdout.splitlines()[2:]
    for column in ("reached", "lowest chip", "median", "highest", "as drawn", "chips that keep it"):
        assert column in head
    (row,) = (line for line in rows if line.startswith("fractional bandwidth"))
    reached, low, middle, high, drawn = map(float, row.split()[2:7])
    assert 0.0 < low <= middle <= high
    assert low <= reached <= high
    assert drawn > 0.0
    assert row.endswith("%")
    assert "4 chips made with the study's scatter" in result.stdout
    with xr.open_datatree(out, engine="netcdf4") as tree:
        (group,) = tree.children.values()
        dataset = group.to_dataset()
        assert dataset.sizes["chip"] == 4
        for name in ("pressure", "opposite_pressure", "small_signal_pressure"):
            assert np.all(np.isfinite(dataset[name]))
    assert Output(out, EVALUATED).check()  # and may be computed anew
    with pytest.raises(OutputError, match="not a result file made by this command"):
        Output(run / "fronts.nc", EVALUATED)
    assert arrayopt("evaluate", study, "--design", design, "--chips", 0).returncode == 2
