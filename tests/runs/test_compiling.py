"""Compiled code: kept somewhere wherever that is possible, and its making leaves nothing behind."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import arrayopt

PACKAGE = Path(arrayopt.__file__).parent
STUDY = PACKAGE.parent / "studies" / "duct-flow-meter" / "study.toml"
KERNEL = "from arrayopt.physics.sound.path import path_factor as k"


def unwritable(folder: Path) -> dict[str, str]:
    """Environment with a copy of the package, and a home, in which no cache can be made.

    Files stand in the place of the folders, which even the superuser cannot write into.
    """
    copy = folder / "lib" / "arrayopt"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    for place in [copy, *(p for p in copy.rglob("*") if p.is_dir())]:
        (place / "__pycache__").write_text("")
    temporary = folder / "tmp"
    temporary.mkdir()
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("XDG_", "NUMBA_"))}
    return {
        **kept, "HOME": "/dev/null", "PYTHONPATH": str(copy.parent), "TMPDIR": str(temporary),
        "PYTHONDONTWRITEBYTECODE": "1",
    }  # fmt: skip


def told(code: str, environment: dict[str, str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=300,
        cwd=environment["TMPDIR"],
        check=False,
    )  # fmt: skip


def test_without_package_and_home_compiled_code_is_kept_privately(tmp_path: Path) -> None:
    environment = unwritable(tmp_path)
    code = f"import arrayopt.runs.power.warm\n{KERNEL}\nprint(k.stats.cache_path)"
    done = told(code, environment)
    assert done.returncode == 0, done.stderr
    place = tmp_path / "tmp" / f"arrayopt-compiled-{os.geteuid()}"
    assert Path(done.stdout.strip()).parent == place
    assert place.stat().st_mode & 0o777 == 0o700
    assert done.stderr.count("compiling is repeated when that is gone") == 1
    place.chmod(0o755)  # somebody else may have put code there
    done = told(code, environment)
    assert done.returncode == 0, done.stderr
    assert Path(done.stdout.strip()).parent not in (place, place.parent)
    done = told(
        "import tempfile; tempfile.tempdir = '/dev/null'\n"
        "import sys; sys.argv = ['arrayopt', 'check', 'nothing.toml']\n"
        "from arrayopt.cli.main import main; main()",
        environment,
    )
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert "NUMBA_CACHE_DIR or TMPDIR" in done.stderr


def children(process: int) -> list[int]:
    found = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    return [int(p) for p in found if b"spawn_main" in Path(f"/proc/{p}/cmdline").read_bytes()]


def seconds_used(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_compiling_ends_with_its_parent(tmp_path: Path, number: int) -> None:
    code = (
        "from arrayopt.runs.power.warm import compile_kernels\n"
        "from arrayopt.study.read import read_study\n"
        "if __name__ == '__main__':\n"
        f"    compile_kernels(read_study({str(STUDY)!r}), print)\n"
    )
    script = tmp_path / "compile.py"
    script.write_text(code)
    parent = subprocess.Popen(
        [sys.executable, str(script)],
        env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "cache"),
             "PYTHONPATH": str(PACKAGE.parent)},
    )  # fmt: skip
    try:
        end = time.monotonic() + 900.0  # on a busy machine
        compiling: list[int] = []
        while not compiling or min(map(seconds_used, compiling)) < 6.0:  # loading takes two
            assert parent.poll() is None
            assert time.monotonic() < end
            time.sleep(0.1)
            compiling = children(parent.pid)
        parent.send_signal(number)
        parent.wait()
        end = time.monotonic() + 30.0  # compiling takes longer
        while left := [p for p in compiling if Path(f"/proc/{p}").exists()]:
            assert time.monotonic() < end, left
            time.sleep(0.1)
    finally:
        parent.kill()
        parent.wait()
