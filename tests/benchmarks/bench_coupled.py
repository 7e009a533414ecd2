"""Cost of mutual radiation in the loop, and what it does to designs of a shipped study.

Run: python -m tests.benchmarks.bench_coupled [STUDY] [DESIGNS]. STUDY is a folder of studies/, by
default duct-flow-meter. Processor time of one thread, so divide by the number of processors;
designs of the first two strategies, radii in the middle of their range, driven at the stated
multiple of the cells' own first onset.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace

from tests.support.paths import STUDIES

os.environ["NUMBA_NUM_THREADS"] = "1"

import numpy as np

from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.models.array import SMALL, UP, Band
from arrayopt.models.cells import build_cells
from arrayopt.models.coupled.onset import array_onset
from arrayopt.models.coupled.response import find_coupled_band, pack_coupled
from arrayopt.models.one_mode.band import find_band
from arrayopt.study.read import read_study

LEVEL = 10.0 ** (-6.0 / 20.0)
DRIVES = (0.5, 0.9, 1.5, 3.0)


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


def main() -> None:
    name = sys.argv[1] if len(sys.argv) > 1 else "duct-flow-meter"
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 4
    study = read_study(STUDIES / name)
    print("| strategy | drive/onset | bandwidth alone | coupled | peak ratio | CPU ms | status |")
    print("|---|---|---|---|---|---|---|")
    onsets = []
    for strategy in study.strategies[:2]:
        designs = example(DesignSpace(study, strategy), count)
        first = build_cells(designs, study).onset.min(axis=1, keepdims=True)
        onset = np.broadcast_to(first, designs.drive_amplitude.shape)
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
        unit = replace(designs, drive_amplitude=np.array(onset))
        packed = pack_coupled(build_cells(unit, study), unit, study)
        array_onset(packed, np.ones(count))
        start = time.process_time()
        factor = array_onset(packed, np.ones(count))
        spent = 1e3 * (time.process_time() - start) / count
        onsets.append(
            f"| {strategy.name} | {first[0, 0]:.3g} V | {factor[0] * first[0, 0]:.3g} V "
            f"| {factor[0]:.3f} ({factor.min():.3f} to {factor.max():.3f}) | {spent:.0f} |"
        )
    print("\n| strategy | first onset alone | of the array | ratio (all designs) | CPU ms |")
    print("|---|---|---|---|---|")
    print("\n".join(onsets))


if __name__ == "__main__":
    main()
