"""Chips as made along slow sweeps: bands of each, beside the coupled continuation (M11, M12)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from arrayopt.base.errors import ArrayoptError
from arrayopt.base.status import Status
from arrayopt.merits.chips import ChipMerits, merits_of_chips
from arrayopt.models.array import DOWN, TWO_WAY, UP
from arrayopt.models.cells import build_cells
from arrayopt.models.chips import Chips
from arrayopt.models.coupled.model import Coupled
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.study.model import BurstLength, Fabrication, Limit, Study
from arrayopt.study.read import read_study_text
from tests.support.chain import at_target, uniform_design
from tests.support.tiny_study import tiny_text

HALF = 10.0 ** (-6.0 / 20.0)
USUAL = Fabrication()
EXACT = Fabrication(**dict.fromkeys(list(Fabrication.__dataclass_fields__)[:-2], 0.0))


def four_cells(fabrication: Fabrication = USUAL) -> Study:
    return replace(read_study_text(tiny_text()), fabrication=fabrication)


NECKED = {"cavity_depth": 150e-6, "neck_radius": 60e-6, "neck_length": 50e-6, "neck_count": 2}


@pytest.mark.parametrize("back", [{"back": "vented"}, {"back": "necked", **NECKED}])
def test_equal_cells_without_scatter_are_the_coupled_array(back: dict[str, object]) -> None:
    study = four_cells(EXACT)
    study = replace(study, cell=replace(study.cell, **back))  # type: ignore[arg-type]
    designs = uniform_design(study, drive=1.0)
    half = 0.5 * build_cells(designs, study).onset
    designs = replace(designs, drive_amplitude=half)
    chips = Chips(designs, study, 2)
    for sweep in (UP, DOWN):
        coupled = Coupled(designs, study, build_cells(designs, study)).band(sweep, HALF)
        found = chips.band(sweep, HALF)
        assert not found.status.any()
        assert found.peak_pressure.shape == (1, 2)
        # the slow sweep's own lag, K = 20 (M12.4)
        for name in ("fractional_width", "peak_pressure", "centre", "power"):
            wanted = getattr(coupled, name)[:, None]
            assert getattr(found, name) == pytest.approx(np.repeat(wanted, 2, 1), rel=0.02), name
        deflection = np.broadcast_to(coupled.deflection[:, None], found.deflection.shape)
        assert found.deflection == pytest.approx(deflection, rel=0.02)
        assert found.ripple == pytest.approx(coupled.ripple[0], abs=0.1)


def test_chips_are_common_and_do_not_depend_on_their_number() -> None:
    study = four_cells()
    designs = uniform_design(study, drive=np.array([0.5, 1.0]))
    done: list[int] = []
    few = Chips(designs, study, 3, told=done.append)
    band = few.band(UP, HALF)
    assert sum(done) == 2 * LANES
    assert np.array_equal(few.made.arrays.radius[0], few.made.arrays.radius[1])
    more = Chips(designs.take([1]), study, LANES + 3).band(UP, HALF)
    assert np.array_equal(more.peak_pressure[0, :3], band.peak_pressure[1])
    assert np.array_equal(more.lower_edge[0, :3], band.lower_edge[1])
    other = Chips(designs.take([1]), study, 3, "verify").band(UP, HALF)
    assert not np.isclose(other.peak_pressure[0], band.peak_pressure[1], rtol=1e-6).any()
    with pytest.raises(ValueError, match="one way"):
        few.band(UP | TWO_WAY, HALF)


def test_what_cannot_be_made_has_a_status() -> None:
    study = four_cells()
    designs = uniform_design(study, drive=np.array([0.0, 1.0]))
    still = replace(designs, radius=designs.radius * np.array([[1.0], [1.6]]))
    made = merits_of_chips(still, study, study.strategies[0], chips=2)
    assert (made.status[0] & Status.NOT_DRIVEN).all()
    assert (made.status[1] & Status.CELLS_OVERLAP).all()
    assert np.array_equal(made.lost, [2, 2])
    assert all(np.isnan(value).all() for value in made.values.values())
    assert np.isnan(made.spread("ripple")).all()
    burst = at_target(study, excitation="burst", burst_length=BurstLength(20.0, True))
    with pytest.raises(ArrayoptError, match='excitation is "burst"; chips'):
        merits_of_chips(designs, burst, study.strategies[0])


def test_share_and_limits() -> None:
    value = np.array([[1.0, 5.0, 3.0, np.nan], [np.nan] * 4])
    made = ChipMerits({"ripple": value}, np.zeros((2, 4), dtype=np.int64))
    assert np.array_equal(made.spread("ripple"), [[1, np.nan], [3, np.nan], [5, np.nan]], True)
    # a chip without a value reaches nothing
    assert np.array_equal(made.reached("ripple", "max", 0.75), [1.0, np.nan], True)
    assert np.array_equal(made.reached("ripple", "min", 0.5), [3.0, np.nan], True)
    assert np.isnan(made.reached("ripple", "min", 0.9)).all()
    kept = made.keeps(Limit("ripple", 2.0, 5.0))
    assert np.array_equal(kept, [[False, True, True, False], [False] * 4])
