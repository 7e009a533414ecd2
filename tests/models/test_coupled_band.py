"""Bands of coupled arrays: the same from other grids, and the closed form where cells are alone."""

from __future__ import annotations

import numpy as np
import pytest

from arrayopt.models.array import DOWN, SMALL, UP, Band
from arrayopt.models.cells import build_cells
from arrayopt.models.coupled.band import grid_range
from arrayopt.models.coupled.response import find_coupled_band, pack_coupled
from arrayopt.models.coupled.states import CoupledPacked
from arrayopt.models.one_mode.band import find_band
from arrayopt.models.one_mode.grid import SECTIONS
from tests.support.chain import duct, packed, random_designs

LEVEL = 10.0 ** (-3.0 / 20.0)
EXACT = 1e-6
"""Relative: what the merits may differ by from those of denser grids."""


def denser(coupled: CoupledPacked, factor: float) -> CoupledPacked:
    """The same arrays, swept on first grids so many times as dense."""
    span = np.empty((len(coupled.span), 5))
    scratch = np.empty((5, SECTIONS))
    for d, row in enumerate(span):
        row[0], row[1], step, _ = grid_range(coupled, d, SMALL, scratch)
        row[2], row[3], step, _ = grid_range(coupled, d, UP, scratch)
        row[4] = step / factor
    return coupled._replace(span=span)


def different(one: Band, other: Band) -> np.ndarray:
    """Largest relative difference of each design's figures, edges over the band's width."""
    assert np.array_equal(one.status, other.status)
    good = one.status == 0
    width = other.upper_edge - other.lower_edge
    found = [
        np.abs(one.lower_edge - other.lower_edge) / width,
        np.abs(one.upper_edge - other.upper_edge) / width,
        np.abs(one.deflection / other.deflection - 1.0).max(axis=1),
    ]
    for name in ("peak_pressure", "power"):
        found.append(np.abs(getattr(one, name) / getattr(other, name) - 1.0))
    return np.max(found, axis=0)[good]


@pytest.mark.parametrize("name", ["uniform-nonlinear", "overlapping-radii", "combined"])
@pytest.mark.parametrize("sweep", [UP, DOWN])
def test_figures_are_those_of_denser_grids(name: str, sweep: int) -> None:
    """Edges, peak, power and deflections, also where cells jump one after another."""
    study = duct()
    designs = random_designs(study, name, 24)
    coupled = pack_coupled(build_cells(designs, study), designs, study, alike="few")
    one, dense = (
        find_coupled_band(arrays, level=LEVEL, sweep=sweep)
        for arrays in (coupled, denser(coupled, 3.7))
    )
    found = different(one, dense)
    assert found.size > 20
    assert np.all(found < EXACT)


@pytest.mark.parametrize("sweep", [SMALL, UP, DOWN])
def test_cells_alone_are_the_closed_form(sweep: int) -> None:
    """Without coupling: followed states and folds against the roots of the cubic (M7.1)."""
    study = duct()
    designs = random_designs(study, "combined", 24)
    cells = build_cells(designs, study)
    coupled = pack_coupled(cells, designs, study, alike="group", mutual=False)
    followed = find_coupled_band(coupled, level=LEVEL, sweep=sweep)
    closed = find_band(packed(study, designs), level=LEVEL, sweep=sweep)
    assert np.all(different(followed, closed) < EXACT)
