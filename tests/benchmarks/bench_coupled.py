"""Cost of mutual radiation in the loop, and what it does to the demo study's designs.

Run: python tests/benchmarks/bench_coupled.py [designs]. Processor time of one thread, so divide by
the number of processors; designs are seeds of each strategy of studies/duct-flow-meter, driven at
the stated multiple of the cells' own onset.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace
from pathlib import Path

os.environ["NUMBA_NUM_THREADS"] = "1"

import numpy as np

from arrayopt.band import Band, find_band
from arrayopt.cells import build_cells
from arrayopt.coupled_response import find_coupled_band, pack_coupled
from arrayopt.design import Designs, DesignSpace
from arrayopt.physics.coupled import coupled_sweep
from arrayopt.response import SMALL, UP
from arrayopt.study import read_study
from arrayopt.study_model import Study

STUDY = Path(__file__).parent.parent.parent / "studies" / "duct-flow-meter" / "study.toml"
LEVEL = 10.0 ** (-6.0 / 20.0)
DRIVES = (0.5, 0.9, 1.5, 3.0)
SCALES = np.linspace(0.5, 1.3, 17)


def width(band: Band) -> np.ndarray:
    return 200.0 * (band.upper_edge - band.lower_edge) / (band.upper_edge + band.lower_edge)


def example(space: DesignSpace, count: int) -> Designs:
    """Radii spread evenly over 14 % (one class: all in the middle), the rest in mid-range."""
    X = np.full((count, space.n_variables), 0.5)
    classes = [k for k, name in enumerate(space.names) if name.startswith("radius")]
    middle = np.linspace(0.45, 0.55, count)
    for place, k in enumerate(classes):
        share = place / max(len(classes) - 1, 1) - 0.5
        X[:, k] = middle + (0.5 * share if len(classes) > 1 else 0.0)
    return space.decode(X)


def first_jump(designs: Designs, study: Study, drive: np.ndarray) -> float:
    """Smallest multiple of the cells' first onset at which an up-sweep of the array jumps."""
    for scale in SCALES:
        driven = replace(designs, drive_amplitude=scale * drive)
        cells = build_cells(driven, study)
        packed = pack_coupled(cells, driven, study)
        f = cells.natural_frequency
        frequency = np.linspace(0.85 * f.min(), 1.2 * f.max(), 900)
        if coupled_sweep(packed.arrays, frequency=frequency).jumps.any():
            return float(scale)
    return float("nan")


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    study = read_study(STUDY)
    print("| strategy | drive/onset | bandwidth alone | coupled | peak ratio | CPU ms | status |")
    print("|---|---|---|---|---|---|---|")
    for strategy in study.strategies[:2]:
        designs = example(DesignSpace(study, strategy), count)
        onset = build_cells(designs, study).onset.min(axis=1, keepdims=True)
        onset = np.broadcast_to(onset, designs.drive_amplitude.shape)
        for drive in (0.0, *DRIVES):
            driven = replace(designs, drive_amplitude=max(drive, 0.5) * onset)
            sweep = UP if drive else SMALL
            cells = build_cells(driven, study)
            packed = pack_coupled(cells, driven, study)
            alone = find_band(packed.base, level=LEVEL, sweep=sweep)
            find_coupled_band(packed, level=LEVEL, sweep=sweep)
            start = time.process_time()
            band = find_coupled_band(packed, level=LEVEL, sweep=sweep)
            spent = 1e3 * (time.process_time() - start) / count
            print(
                f"| {strategy.name} | {drive or 'small signal'} | {width(alone)[0]:.2f} % "
                f"| {width(band)[0]:.2f} % | {band.peak_pressure[0] / alone.peak_pressure[0]:.3f} "
                f"| {spent:.1f} | {band.status.tolist()} |"
            )
        one = designs.take([0])
        print(f"\nfirst jump, {strategy.name}: drive / onset alone =", end=" ")
        print(f"{first_jump(one, study, onset[:1]):.2f}\n")


if __name__ == "__main__":
    main()
