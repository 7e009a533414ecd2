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

from arrayopt.design.designs import DesignSpace
from arrayopt.models.array import ArrayModel, Band
from arrayopt.models.cells import build_cells
from arrayopt.models.coupled.model import Coupled
from arrayopt.models.excitations.burst import Burst
from arrayopt.models.excitations.figures import PulseFigures
from arrayopt.models.one_mode.model import OneMode
from arrayopt.models.several_modes.model import SeveralModes
from arrayopt.models.several_modes.sweep import SweepSettings
from arrayopt.study.model import BurstLength
from arrayopt.study.read import read_study
from tests.benchmarks.bench_coupled import example

LENGTH = BurstLength(0.4e-3)
BURST = Burst(LENGTH)
DRIVES = (0.1, 1.0, 3.0)
MODELS = ("alone", "coupled", "three modes")


def merits(model: ArrayModel) -> tuple[Band, PulseFigures]:
    """The band of bursts, and the figures of one in its middle."""
    band = BURST.band(model, 10.0 ** (model.study.target.level / 20.0))
    return band, BURST.pulse(model, band)


def table(folder: str, name: str) -> None:
    """One row a drive: each merit alone, coupled and with three modes."""
    study = read_study(STUDIES / folder)
    study = replace(study, target=replace(study.target, burst_length=LENGTH))
    designs = example(DesignSpace(study, study.strategy(name)), 1)
    onset = build_cells(designs, study).onset.min()
    for scale in DRIVES:
        driven = replace(designs, drive_amplitude=np.full_like(designs.radius, scale * onset))
        cells = build_cells(driven, study, n_modes=3)
        coupled = Coupled(driven, study, cells)
        several = SeveralModes(driven, study, cells, SweepSettings())
        width, peak, ring, cost = [], [], [], []
        for model in (OneMode(driven, study, cells), coupled, several):
            merits(model)  # compiled and warm
            start = time.thread_time()
            band, figures = merits(model)
            cost.append(time.thread_time() - start)
            width.append(f"{100.0 * band.fractional_width[0]:.2f}")
            peak.append(band.peak_pressure[0])
            ring.append(f"{1e3 * figures.ring_down[0]:.3f}")
        ratios = [f"{p / peak[0]:.3f}" for p in peak[1:]]
        cells_ = (
            f"{driven.layout.n_cells} cells, {coupled.packed.arrays.site_group.size} equations",
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
