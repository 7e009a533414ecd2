"""What mutual radiation does to bursts of both demo studies' arrays, and what it costs.

Run: python -m tests.benchmarks.bench_coupled_burst [strategy ...]. Processor time of one thread a
design, band and pulse; arrays as in bench_coupled.py, bursts of 0.4 ms.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace

from tests.support.paths import STUDIES

os.environ["NUMBA_NUM_THREADS"] = "1"

import numpy as np
from bench_coupled import example

from arrayopt.design.designs import DesignSpace
from arrayopt.models.burst_merits import burst_merits
from arrayopt.models.cells import build_cells
from arrayopt.models.coupled.burst import CoupledRows
from arrayopt.models.coupled.response import pack_coupled
from arrayopt.models.one_mode.burst import burst_rows
from arrayopt.models.one_mode.response import pack
from arrayopt.models.several_modes.burst import ModesRows
from arrayopt.study.model import BurstLength
from arrayopt.study.read import read_study

LENGTH = BurstLength(0.4e-3)
DRIVES = (0.1, 1.0, 3.0)
MODELS = ("alone", "coupled", "three modes")


def table(folder: str, name: str) -> None:
    """One row a drive: each merit alone, coupled and with three modes."""
    study = read_study(STUDIES / folder)
    study = replace(study, target=replace(study.target, burst_length=LENGTH))
    designs = example(DesignSpace(study, study.strategy(name)), 1)
    onset = build_cells(designs, study).onset.min()
    for scale in DRIVES:
        driven = replace(designs, drive_amplitude=np.full_like(designs.radius, scale * onset))
        cells = build_cells(driven, study, n_modes=3)
        packed = pack(cells, driven, study)
        coupled = pack_coupled(cells, driven, study)
        rows = (burst_rows, CoupledRows(coupled, study.air_state), ModesRows(cells, study))
        width, peak, ring, cost = [], [], [], []
        for compute in rows:
            burst_merits(cells, packed, study, compute=compute)  # compiled and warm
            start = time.thread_time()
            band, values = burst_merits(cells, packed, study, compute=compute)
            cost.append(time.thread_time() - start)
            width.append(f"{100.0 * values['burst_bandwidth'][0]:.2f}")
            peak.append(band.peak_pressure[0])
            ring.append(f"{1e3 * values['ring_down_time'][0]:.3f}")
        ratios = [f"{p / peak[0]:.3f}" for p in peak[1:]]
        cells_ = (
            f"{driven.layout.n_cells} cells, {coupled.arrays.site_group.size} equations",
            f"{scale:g}",
            " / ".join(width),
            " / ".join(ratios),
            " / ".join(ring),
            " / ".join(f"{c:.2f}" for c in cost),
        )
        print(f"| {folder}, {name} | " + " | ".join(cells_) + " |", flush=True)


if __name__ == "__main__":
    wanted = sys.argv[1:] or ["uniform-nonlinear", "overlapping-radii"]
    print("each: " + " / ".join(MODELS))
    print("| array | size | drive/onset | bandwidth % | peak ratio | ring-down ms | CPU s |")
    print("|---|---|---|---|---|---|---|")
    for folder in ("duct-flow-meter", "dock-rangefinder"):
        for strategy in wanted:
            table(folder, strategy)
