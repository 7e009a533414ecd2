"""Several modes in the chain: they agree with one mode at small drive and part from it at large."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from arrayopt.design.designs import Designs
from arrayopt.merits.figures import compute_merits
from arrayopt.models.array import UP
from arrayopt.models.cells import build_cells
from arrayopt.models.one_mode.band import find_band
from arrayopt.models.one_mode.response import array_pressure
from arrayopt.models.several_modes.model import SeveralModes
from arrayopt.models.several_modes.sweep import SweepSettings
from arrayopt.study.model import Study
from tests.support.chain import at_target, duct, packed, random_designs, uniform_design

SIX_DB = 10.0 ** (-6.0 / 20.0)


def model(designs: Designs, study: Study, **settings: int | bool) -> SeveralModes:
    how = SweepSettings(**settings)  # type: ignore[arg-type]
    return SeveralModes(designs, study, build_cells(designs, study, n_modes=how.modes), how)


def test_small_drive_is_the_one_mode_response() -> None:
    """Only the static tail of mode (0,2) is added: under 1 % of the pressure near resonance."""
    study = duct()
    designs = uniform_design(study, radius=480e-6, drive=0.05)
    f = np.linspace(85e3, 115e3, 201)[None]
    several = model(designs, study).response(f, UP)
    one = array_pressure(build_cells(designs, study), designs, study, frequency=f, sweep=UP)
    near = np.abs(one.pressure[0]) > 0.3 * np.abs(one.pressure[0]).max()
    ratio = several.pressure[0][near] / one.pressure[0][near]
    assert np.abs(ratio - 1.0).max() < 0.02
    # the power is the mechanical work of the drive, in both models
    band = find_band(packed(study, designs), level=SIX_DB, sweep=UP)
    np.testing.assert_allclose(model(designs, study).band(UP, SIX_DB).power, band.power, rtol=2e-3)


def test_one_mode_promises_too_much_when_driven_hard() -> None:
    """M7's figures for a uniform disc: the band of one mode is wider, more so at harder drive."""
    study = duct()
    excess = []
    for drive in (6.0, 12.0, 16.0):
        designs = uniform_design(study, radius=480e-6, drive=drive)
        several = model(designs, study).band(UP, SIX_DB)
        one = find_band(packed(study, designs), level=SIX_DB, sweep=UP)
        assert several.status[0] == 0
        excess.append(one.fractional_width[0] / several.fractional_width[0])
    assert 1.0 < excess[0] < excess[1] < excess[2] < 1.3


def test_more_harmonics_and_modes_change_little() -> None:
    """At w/h near 1: three harmonics against five, three modes against four."""
    study = duct()
    designs = uniform_design(study, radius=480e-6, drive=10.0)
    usual = model(designs, study).band(UP, SIX_DB)
    for settings in ({"harmonics": 5, "checked": True}, {"modes": 4}):
        finer = model(designs, study, **settings).band(UP, SIX_DB)
        np.testing.assert_allclose(usual.fractional_width, finer.fractional_width, rtol=0.01)
        np.testing.assert_allclose(usual.peak_pressure, finer.peak_pressure, rtol=0.01)


def test_directions_and_phases_follow_the_array() -> None:
    """At small drive the groups' phases and the direction enter as in the one-mode response."""
    study = at_target(duct(), polar=0.3, azimuth=0.4)
    designs = random_designs(study, "combined", 2)
    designs = replace(designs, drive_amplitude=0.01 * designs.drive_amplitude)
    f = np.tile(np.linspace(80e3, 130e3, 201), (2, 1))
    several = model(designs, study).response(f, UP)
    one = array_pressure(build_cells(designs, study), designs, study, frequency=f, sweep=UP)
    for d in range(2):
        near = np.abs(one.pressure[d]) > 0.5 * np.abs(one.pressure[d]).max()
        ratio = several.pressure[d][near] / one.pressure[d][near]
        assert np.abs(ratio - 1.0).max() < 0.03


def test_escalation_replaces_only_what_it_must() -> None:
    study = duct()
    drives = np.array([3.0, 9.0, 20.0])
    designs = uniform_design(study, radius=480e-6, drive=drives)
    free = compute_merits(designs, study, wanted=frozenset())
    assert list(free.several_modes) == [False, False, True]
    bound = compute_merits(designs, study, wanted=frozenset(), deflection_limit=1.2)
    assert not bound.several_modes.any()
    assert bound.values["model_range"][2] > 1.0 > free.values["model_range"][2]
    plain = compute_merits(
        designs, replace(study, model=replace(study.model, escalate=False)), wanted=frozenset()
    )
    for name, value in free.values.items():
        assert np.array_equal(value[:2], plain.values[name][:2]), name
    every = compute_merits(
        designs, replace(study, model=replace(study.model, kind="multi-mode")), wanted=frozenset()
    )
    assert every.several_modes.all()
    one = compute_merits(designs.take(2), study, wanted=frozenset())
    for name, value in one.values.items():
        assert value[0] == free.values[name][2], f"{name} depends on the batch"
