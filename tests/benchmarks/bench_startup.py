"""Seconds until each command answers, and what compiling costs the first time.

Run: python -m tests.benchmarks.bench_startup.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from arrayopt.cli.main import COMMANDS
from tests.support.paths import ROOT

MAIN = "from arrayopt.cli.main import main; main()"


def seconds(*arguments: str, repeats: int = 7, code: str = MAIN, **environment: str) -> float:
    """Least elapsed seconds of the command, or of other code."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        subprocess.run(
            [sys.executable, "-c", code, *arguments],
            check=True,
            capture_output=True,
            cwd=ROOT,
            env=os.environ | environment,
        )
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    print(f"Python alone: {seconds(code='pass'):.3f} s, with click: ", end="")
    print(f"{seconds(code='import click'):.3f} s")
    print(f"arrayopt --help: {seconds('--help'):.3f} s")
    for name in COMMANDS:
        print(f"arrayopt {name} --help: {seconds(name, '--help'):.3f} s")
    check = seconds("check", "studies/duct-flow-meter", repeats=2)
    print(f"arrayopt check studies/duct-flow-meter: {check:.2f} s")
    with tempfile.TemporaryDirectory() as folder:
        run = ("run", "studies/duct-flow-meter", "--evaluations", "100", "--fresh", "--no-verify")
        out = ("--out", str(Path(folder) / "run"))
        cold = seconds(*run, *out, repeats=1, NUMBA_CACHE_DIR=folder)
        warm = seconds(*run, *out, repeats=1, NUMBA_CACHE_DIR=folder)
    print(
        f"300 evaluations, nothing compiled yet: {cold:.1f} s; again in a new process: "
        f"{warm:.1f} s; compiling once costs {cold - warm:.0f} s"
    )


if __name__ == "__main__":
    main()
