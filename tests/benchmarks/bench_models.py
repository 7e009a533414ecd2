"""Chips per second under every excitation, and how the time grows with cells and designs.

Run: python -m tests.benchmarks.bench_models. Random designs of the duct study's strategies, 16
chips each, at a search's pace; processor time of all threads of one process.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from arrayopt.design.designs import DesignSpace
from arrayopt.models.array import UP
from arrayopt.models.chips import Chips
from arrayopt.models.excitations.burst import Burst
from arrayopt.models.excitations.chirp import Chirped
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.study.model import BurstLength, Chirp
from arrayopt.study.read import read_study
from tests.benchmarks.timing import costs
from tests.support.paths import STUDIES

HALF = 10.0**-0.3
DESIGNS = 2


def main() -> None:
    study = read_study(STUDIES / "duct-flow-meter")
    burst, chirp = Burst(BurstLength(0.4e-3)), Chirped(Chirp(80e3, 130e3, 2e-3))
    print("| strategy | coefficients | up-sweep | onset | burst band | chirp |")
    print("|---|---|---|---|---|---|")
    for strategy in study.strategies:
        space = DesignSpace(study, strategy)
        X = np.random.default_rng(1).random((DESIGNS, space.n_variables))
        designs = space.decode(X)

        def chips(designs=designs) -> Chips:  # type: ignore[no-untyped-def]
            return Chips(replace(designs), study, LANES)

        made = chips()
        made.made  # noqa: B018
        calls: list[Callable[[], object]] = [
            lambda: chips().made,
            lambda made=made: replace_made(made).band(UP, HALF),
            made.onset,
            lambda made=made: burst.band(made, HALF),
            lambda made=made: chirp.band(made, HALF),
        ]
        rates = [DESIGNS * LANES / costs(call, 2)[1] for call in calls]
        print(f"| {strategy.name} | " + " | ".join(f"{rate:.0f}" for rate in rates) + " |")
    print("\nChips of 64 cells per second of a processor.")


def replace_made(model: Chips) -> Chips:
    """The same chips, not swept yet."""
    other = replace(model)
    vars(other)["made"] = model.made
    return other


if __name__ == "__main__":
    main()
