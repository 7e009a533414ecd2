"""What other chips, with three modes, say of designs beside what was promised."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from arrayopt.base.glossary import attrs
from arrayopt.base.status import VerifyStatus
from arrayopt.design.designs import Designs
from arrayopt.merits.chips import merits_of_chips
from arrayopt.models.cells import build_cells
from arrayopt.study.model import Limit, Strategy, Study
from arrayopt.verify.designs import Verification, verification_dataset, verify_designs
from tests.support.chain import four_cells, uniform_design

CHIPS = 4


@cache
def asked() -> tuple[Study, Strategy, Designs]:
    """Cells alike at half and 1.5 of the lone cell's onset, and undriven; any frequency will do."""
    study = four_cells()
    study = replace(study, target=replace(study.target, centre_frequency=(9e4, 1.3e5)))
    onset = build_cells(uniform_design(study), study).onset[0, 0]
    return study, study.strategies[0], uniform_design(study, drive=onset * np.array([0.5, 1.5, 0]))


def verified(*limits: Limit, times: float = 1.0) -> Verification:
    """With these limits; objectives were promised ``times`` what is found."""
    study, strategy, designs = asked()
    values = {o.name: times * found().table.values[o.name] for o in study.objectives}
    return verify_designs(designs, study, replace(strategy, limits=limits), values, chips=CHIPS)


@cache
def found() -> Verification:
    study, strategy, designs = asked()
    nothing = {o.name: np.full(3, np.inf) for o in study.objectives}
    return verify_designs(designs, study, replace(strategy, limits=()), nothing, chips=CHIPS)


def test_other_chips_with_three_modes_do_nearly_the_same_far_below_onset() -> None:
    study, strategy, designs = asked()
    search = merits_of_chips(designs, study, strategy, chips=CHIPS)
    table = found().table
    for name in ("peak_pressure", "fractional_bandwidth", "centre_frequency"):
        ours, theirs = table.values[name][0], search.values[name][0]
        assert ours == pytest.approx(theirs, rel=0.1), name  # chips differ by some per cent
        assert not np.isclose(table.chips[name][0], search.chips[name][0], rtol=1e-9).any(), name


def test_onset_is_the_same_whatever_the_drive() -> None:
    onset = found().table.values["onset_voltage"]
    assert onset[1] == pytest.approx(onset[0], rel=1e-3)
    assert np.isnan(onset[2])


def test_what_holds_and_what_does_not_is_flagged() -> None:
    held = verified()
    assert held.status[:2].tolist() == [0, 0]
    assert held.status[2] & VerifyStatus.FEW_VALUES
    short = verified(Limit("drive_to_onset", 1.0, None), times=1.5)
    # an objective to be kept small was promised larger than it is: only the others fall short
    assert (short.status[:2] & VerifyStatus.LOST).all()
    assert (short.status[:2] & VerifyStatus.LIMIT).tolist() == [VerifyStatus.LIMIT, 0]
    words = " ".join(VerifyStatus.sentences(int(short.status[0])))
    assert "a limit is kept by fewer chips" in words
    assert "falls short of what the search promised" in words


def test_everything_is_stored_with_its_meaning() -> None:
    table = found().table
    stored = verification_dataset(verified(Limit("ripple", None, 1.0)))
    assert (stored["verify_chips"] == CHIPS).all()
    lowest, middle, highest = (
        stored[f"verified_peak_pressure_{end}"].values for end in ("lowest", "median", "highest")
    )
    assert (np.diff([lowest[:2], middle[:2], highest[:2]], axis=0) > 0.0).all()
    each = table.chips["peak_pressure"]
    assert_allclose(lowest[:2], each[:2].min(axis=1))
    # 90 % of four chips: all of them
    assert_allclose(stored["verified_peak_pressure"].values[:2], lowest[:2])
    kept = stored["verified_kept_ripple"].values
    assert_allclose(kept, (table.chips["ripple"] <= 1.0).mean(axis=1))
    for name, variable in stored.data_vars.items():
        assert variable.attrs == attrs(str(name)) != {}, name
