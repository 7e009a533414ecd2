"""1000 cells with 1000 distinct radii: export and check, in seconds; with the machine's load.

Of a study without mutual radiation: with it, the predicted curves of 1000 cells that all differ
take minutes, and not the files.
"""

from __future__ import annotations

import os
import tempfile
import time
from pathlib import Path

import numpy as np

from arrayopt.design import DesignSpace
from arrayopt.export import export_design
from arrayopt.export_check import check_export
from arrayopt.identify import FoundDesign
from arrayopt.study import read_study_text

STUDY = Path(__file__).parents[2] / "studies" / "duct-flow-meter" / "study.toml"


def thousand_cells(channels: str = "one") -> FoundDesign:
    """25 rows of 40 cells, every radius another."""
    text = STUDY.read_text(encoding="utf-8")
    for old, new in (
        ("rows = 8", "rows = 25"),
        ("columns = 8", "columns = 40"),
        ('die = ["10 mm", "10 mm"]', 'die = ["46 mm", "30 mm"]'),
        ('scheme = "interleaved", count = 8', 'scheme = "each"'),
        ('mutual_radiation = "group"', 'mutual_radiation = "none"'),
        ('channels = { scheme = "one" }', f'channels = {{ scheme = "{channels}" }}'),
    ):
        assert old in text
        text = text.replace(old, new)
    study = read_study_text(text)
    strategy = study.strategy("overlapping-radii")
    vector = np.full((1, DesignSpace(study, strategy).n_variables), 0.3)
    vector[0, :1000] = np.random.default_rng(1).permutation(np.linspace(0.2, 0.9, 1000))
    designs = DesignSpace(study, strategy).decode(vector)
    assert len(np.unique(designs.radius)) == 1000
    return FoundDesign("bench/1000", study, strategy, designs)


def main() -> None:
    """Print two rows: first export in a process, and a second with kernels loaded."""
    found = thousand_cells()
    print(f"load average {os.getloadavg()[0]:.1f} on {len(os.sched_getaffinity(0))} processors")
    for run in ("first", "second"):
        with tempfile.TemporaryDirectory() as folder:
            target = Path(folder) / "out"
            start, busy = time.perf_counter(), time.process_time()
            export_design(found, target)
            middle, middle_busy = time.perf_counter(), time.process_time()
            check_export(target)
            stop, stop_busy = time.perf_counter(), time.process_time()
            print(
                f"{run}: export {middle - start:.2f} s (processor {middle_busy - busy:.2f} s), "
                f"check {stop - middle:.2f} s (processor {stop_busy - middle_busy:.2f} s)"
            )


if __name__ == "__main__":
    main()
