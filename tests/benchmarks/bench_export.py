"""144 cells with as many distinct radii: export and check, in seconds; with the machine's load.

First as a user meets it: two fresh processes of the command, start of Python and imports included,
with kernels and modules compiled before. Then the same work inside one process. Most of the
time goes into curves of 32 chips, every cell apart.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from arrayopt.chip.export.check import check_export
from arrayopt.chip.export.pipeline import export_design
from arrayopt.design.designs import DesignSpace
from arrayopt.design.file import design_text
from arrayopt.design.stored import FoundDesign
from arrayopt.study.read import read_study_text
from tests.support.paths import STUDIES

STUDY = STUDIES / "duct-flow-meter" / "study.toml"


def distinct_cells(channels: str = "one") -> FoundDesign:
    """12 rows of 12 cells, every radius another."""
    text = STUDY.read_text(encoding="utf-8")
    for old, new in (
        ("rows = 8", "rows = 12"),
        ("columns = 8", "columns = 12"),
        ('die = ["10 mm", "10 mm"]', 'die = ["15 mm", "15 mm"]'),
        ('scheme = "interleaved", count = 8', 'scheme = "each"'),
        ('channels = { scheme = "one" }', f'channels = {{ scheme = "{channels}" }}'),
    ):
        assert old in text
        text = text.replace(old, new)
    study = read_study_text(text)
    strategy = study.strategy("overlapping-radii")
    vector = np.full((1, DesignSpace(study, strategy).n_variables), 0.3)
    vector[0, :144] = np.random.default_rng(1).permutation(np.linspace(0.2, 0.9, 144))
    designs = DesignSpace(study, strategy).decode(vector)
    assert len(np.unique(designs.radius)) == 144
    return FoundDesign("bench/144", study, strategy, designs)


def fresh_process(*arguments: str | Path) -> tuple[float, float]:
    """Wall and processor seconds of one ``arrayopt`` command, its own processes included."""
    command = [str(Path(sys.executable).with_name("arrayopt")), *map(str, arguments)]
    # as installed: modules are compiled once and kept
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(command, check=True, env=environment, stdout=subprocess.DEVNULL)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def two_processes(found: FoundDesign, rounds: int = 3) -> None:
    """Print what export and check take as two commands; a first round compiles and is not told."""
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        (here / "study.toml").write_text(found.study.text, encoding="utf-8")
        text = design_text(found.designs, strategy=found.strategy)
        (here / "design.toml").write_text(text, encoding="utf-8")
        for number in range(rounds + 1):
            out = here / f"out{number}"
            wall, busy = fresh_process("export", here, here / "design.toml", "--to", out)
            check, check_busy = fresh_process("export", "--check", out)
            if number:
                print(
                    f"two fresh processes, round {number}: {wall + check:.2f} s in total; "
                    f"export {wall:.2f} s (processor {busy:.2f} s), "
                    f"check {check:.2f} s (processor {check_busy:.2f} s)"
                )


def main() -> None:
    """Print rows of fresh processes, then the first and a second export inside one process."""
    found = distinct_cells()
    print(f"load average {os.getloadavg()[0]:.1f} on {len(os.sched_getaffinity(0))} processors")
    two_processes(found)
    for run in ("first", "second"):
        with tempfile.TemporaryDirectory() as folder:
            target = Path(folder) / "out"
            start, busy = time.perf_counter(), _busy()
            export_design(found, target)
            middle, middle_busy = time.perf_counter(), _busy()
            check_export(target)
            stop, stop_busy = time.perf_counter(), _busy()
            print(
                f"one process, {run} run: export {middle - start:.2f} s "
                f"(processor {middle_busy - busy:.2f} s), "
                f"check {stop - middle:.2f} s (processor {stop_busy - middle_busy:.2f} s)"
            )


def _busy() -> float:
    """Processor seconds of this process and of those it waited for."""
    spent = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in spent)


if __name__ == "__main__":
    main()
