"""Merits, margins and statuses of designs (M10)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from arrayopt.base.glossary import BURST_MERITS, MERITS, PULSE_MERITS
from arrayopt.base.status import Status
from arrayopt.merits.evaluate import MODEL_LIMITS, evaluate, limits_in_force
from arrayopt.merits.figures import QUICK, compute_merits
from arrayopt.models.cells import build_cells
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.search.seeds import seed_vectors
from arrayopt.study.model import BurstLength
from tests.support.chain import at_target, duct, random_designs, uniform_design


def test_every_merit_of_the_glossary_is_computed() -> None:
    study = at_target(duct(), burst_length=BurstLength(0.3e-3))
    table = compute_merits(random_designs(study, "combined", 5), study)
    assert set(table.values) == set(MERITS)
    plain = compute_merits(random_designs(study, "combined", 1), duct())
    assert set(plain.values) == set(MERITS) - BURST_MERITS - PULSE_MERITS
    assert set(MERITS) >= QUICK
    good = table.status == 0
    assert good.any()
    for name, value in table.values.items():
        assert np.all(np.isfinite(value[good])), name


def test_wanted_merits_only_add() -> None:
    study = duct()
    designs = random_designs(study, "overlapping-radii", 6)
    quick = compute_merits(designs, study, wanted=frozenset())
    whole = compute_merits(designs, study)
    assert set(quick.values) == QUICK
    for name, value in quick.values.items():
        assert np.array_equal(value, whole.values[name], equal_nan=True), name


def test_onset_is_where_the_sweeps_part() -> None:
    """Just below the onset the sweeps agree, just above they do not (M7.4)."""
    study = duct()
    onset = compute_merits(uniform_design(study), study).values["onset_voltage"][0]
    f = np.linspace(105e3, 125e3, 40001)[None, :]
    from arrayopt.models.array import DOWN, UP
    from arrayopt.models.one_mode.response import array_pressure

    gaps = []
    for drive in (0.996 * onset, 1.004 * onset):
        designs = uniform_design(study, drive=drive)
        cells = build_cells(designs, study)
        up, down = (
            array_pressure(cells, designs, study, frequency=f, sweep=s).pressure for s in (UP, DOWN)
        )
        gaps.append(float(np.max(np.abs(np.abs(up) / np.abs(down) - 1.0))))
    # 0.4 %: the closed form takes the radiation resistance at one frequency, not along the sweep
    assert gaps[0] < 1e-9 < 1e-3 < gaps[1]


def test_onset_merits_of_unequal_drives() -> None:
    study = duct()
    designs = random_designs(study, "combined", 4)
    amplitude = designs.drive_amplitude.copy()
    amplitude[:, 0] = 0.0
    designs = replace(designs, drive_amplitude=amplitude)
    cells, table = build_cells(designs, study), compute_merits(designs, study)
    np.testing.assert_allclose(table.values["onset_voltage"], cells.onset[:, 1:].max(axis=1))
    np.testing.assert_allclose(table.values["first_onset_voltage"], cells.onset[:, 1:].min(axis=1))
    ratio = (amplitude / cells.onset).max(axis=1)
    np.testing.assert_allclose(table.values["drive_to_onset"], ratio)


def test_levels_follow_distance() -> None:
    """Twice the distance: 6.02 dB less, and the absorption of the added path."""
    study = duct()
    designs = uniform_design(study, drive=2.0)
    near, far = (
        compute_merits(designs, s, wanted=frozenset()).values
        for s in (study, at_target(study, distance=0.6))
    )
    from arrayopt.physics.sound.air import absorption

    added = 20 * np.log10(2.0) + 8.685889638 * 0.3 * absorption(
        study.air_state, near["centre_frequency"]
    )
    # the peak lies 2 % above the centre of the band
    np.testing.assert_allclose(near["peak_level"] - far["peak_level"], added, rtol=2e-3)


def test_beam_of_a_steered_array_points_at_the_target() -> None:
    study = duct()
    designs = uniform_design(study, drive=2.0)
    wide = compute_merits(designs, study).values["beam_width"][0]
    # half-power width of a uniform 8-cell row with this pitch, 0.886 lambda / (N d) (any textbook)
    wavelength = (
        study.air_state.sound_speed / compute_merits(designs, study).values["centre_frequency"]
    )
    np.testing.assert_allclose(
        wide, np.degrees(0.886 * wavelength[0] / (8 * 1.1e-3)), rtol=0.03
    )  # element directivity narrows it by under 3 %


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"drive_amplitude": 0.0}, Status.NOT_DRIVEN),
        ({"electrode_coverage": 0.001}, Status.OUT_OF_RANGE),
        ({"radius": 5e-3}, 0),
    ],
)
def test_statuses(change: dict[str, float], reason: Status) -> None:
    study = duct()
    designs = uniform_design(study)
    designs = replace(
        designs, **{name: np.full_like(getattr(designs, name), v) for name, v in change.items()}
    )
    table = compute_merits(designs, study)
    if reason:
        assert table.status[0] & int(reason)
        assert all(np.isnan(value[0]) for value in table.values.values())
    assert np.isfinite(table.clearance_margin[0])


def test_buckled_film_is_never_a_good_design() -> None:
    """With electrode moments the plate bows instead of losing stability: then limits refuse it."""
    study = duct()
    stack = tuple(
        replace(layer, residual_stress=-1500e6) if layer.active else layer for layer in study.stack
    )
    table = compute_merits(uniform_design(study), replace(study, stack=stack))
    refused = {limit.name: limit.maximum for limit in MODEL_LIMITS}
    assert table.status[0] or any(table.values[n][0] > m for n, m in refused.items() if m)


def test_evaluation_for_the_search() -> None:
    study = duct()
    for strategy in study.strategies:
        evaluator = StudyEvaluator(study, strategy)
        X = seed_vectors(study, strategy, 20)
        assert 0 < len(X) <= 20
        assert np.all((X >= 0) & (X <= 1))
        result = evaluator.evaluate(X)
        assert np.all(np.isfinite(result.F[result.status == 0]))
        feasible = (result.G <= 0).all(axis=1) & (result.status == 0)
        assert feasible.any(), f"no closed-form seed of {strategy.name} is feasible"
        parts = [evaluator.evaluate(x[None, :]) for x in X]
        assert np.array_equal(result.F, np.concatenate([p.F for p in parts]), equal_nan=True)
        assert np.array_equal(result.G, np.concatenate([p.G for p in parts]), equal_nan=True)


def test_margins_are_distances_from_limits() -> None:
    study = duct()
    strategy = study.strategy("overlapping-radii")
    dataset = evaluate(random_designs(study, strategy.name, 4), study, strategy)
    names = {limit.name for limit in limits_in_force(study, strategy)}
    assert {"centre_frequency", "deflection_ratio", "model_range", "drive_to_onset"} <= names
    low, high = study.target.centre_frequency
    centre = dataset["centre_frequency"]
    expected = np.minimum(centre - low, high - centre)
    np.testing.assert_allclose(dataset["margin_centre_frequency"], expected)
    np.testing.assert_allclose(dataset["margin_drive_to_onset"], 1.0 - dataset["drive_to_onset"])


def test_described_designs_are_labelled() -> None:
    study = duct()
    strategy = study.strategy("combined")
    dataset = evaluate(random_designs(study, "combined", 3), study, strategy)
    sizes = {"design": 3, "cell": 64, "frequency": 401}
    assert sizes.items() <= dict(dataset.sizes).items()
    assert dataset["group_pressure_real"].shape == (3, 8, 401)
    for name, variable in dataset.variables.items():
        assert variable.attrs.get("units"), name
        assert variable.attrs.get("long_name"), name
    total = (dataset["group_pressure_real"] + 1j * dataset["group_pressure_imag"]).sum("group")
    pressure = dataset["pressure_real"] + 1j * dataset["pressure_imag"]
    np.testing.assert_allclose(total.values, pressure.values, rtol=1e-12)
    f = dataset["frequency"]
    inside = (f > dataset["band_lower"] * (1 + 1e-7)) & (f < dataset["band_upper"] * (1 - 1e-7))
    lowest = np.abs(pressure).where(inside).min("frequency")
    good = dataset["status"] == 0
    limit = 0.501187 * dataset["peak_pressure"]
    assert bool((lowest >= limit * (1 - 1e-9)).where(good, True).all())
