"""Merits of designs from those of their chips: by hand-made numbers, and of real ones (M10)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from arrayopt.base.glossary import (
    BURST_MERITS,
    ECHO_MERITS,
    MERITS,
    PULSE_MERITS,
    TAIL_MERITS,
    WAVEFORM_MERITS,
)
from arrayopt.base.status import Status
from arrayopt.merits import chips as merits
from arrayopt.merits.chips import (
    MODEL_LIMITS,
    MeritTable,
    compute_merits,
    limits_in_force,
    margins,
    merits_of_chips,
)
from arrayopt.merits.evaluate import evaluate
from arrayopt.merits.figures import QUICK
from arrayopt.models.cells import build_cells
from arrayopt.models.chips import Chips
from arrayopt.physics.sound.air import absorption
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.search.seeds import seed_vectors
from arrayopt.study.model import BurstLength, Limit, Objective, Study
from arrayopt.study.read import read_study_text
from tests.support.chain import as_drawn, at_target, duct, random_designs, uniform_design
from tests.support.tiny_study import tiny_text

BEATS, RUNAWAY = int(Status.CHIP_BEATS), int(Status.RUNAWAY)


def four_cells(**fabrication: object) -> Study:
    study = read_study_text(tiny_text())
    return replace(study, fabrication=replace(study.fabrication, **fabrication))  # type: ignore[arg-type]


def objective(name: str, sense: str) -> Objective:
    return Objective(name, sense, reference=0.0, scale=1.0)


# --- hand-made numbers -----------------------------------------------------------------------


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> Callable[..., MeritTable]:
    """`compute_merits` of two designs of four chips whose merits are given."""

    def table(
        values: dict[str, list[list[float]]],
        *limits: Limit,
        status: list[list[int]] | None = None,
        objectives: tuple[Objective, ...] = (),
        **fabrication: float,
    ) -> MeritTable:
        found = {name: np.array(rows, dtype=float) for name, rows in values.items()}
        why = np.zeros((2, 4), dtype=np.int64) if status is None else np.array(status)
        edges = np.array([[[1.0, 2.0, 3.0, 4.0]] * 2, [[5.0, 6.0, 7.0, 8.0]] * 2])
        monkeypatch.setattr(merits, "_asked", lambda model, names: (found, why, edges, []))
        study = replace(four_cells(**fabrication), objectives=objectives)
        designs = uniform_design(study, drive=np.array([1.0, 2.0]))
        return compute_merits(Chips(designs, study, 4), limits=limits)

    return table


ROWS = [[0.1, 0.4, 0.3, 0.2], [0.5, 0.6, 0.7, 0.8]]


def test_a_share_of_chips_has_the_better_side(made: Callable[..., MeritTable]) -> None:
    """The fraction at least, the voltage at most; the centre frequency is the median."""
    table = made(
        {"fractional_bandwidth": ROWS, "onset_voltage": ROWS, "centre_frequency": ROWS}, share=0.75
    )
    assert np.array_equal(table.values["fractional_bandwidth"], [0.2, 0.6])
    assert np.array_equal(table.values["onset_voltage"], [0.3, 0.7])
    assert_allclose(table.values["centre_frequency"], [0.25, 0.65], rtol=1e-12)
    assert np.array_equal(table.band_lower, [2.5, 2.5])
    assert np.array_equal(table.band_upper, [6.5, 6.5])
    lowest, median, highest = table.spread("onset_voltage")
    assert_allclose([lowest[0], median[0], highest[0]], [0.1, 0.25, 0.4], rtol=1e-12)
    turned = made(
        {"onset_voltage": ROWS}, share=0.75, objectives=(objective("onset_voltage", "max"),)
    )
    assert np.array_equal(turned.values["onset_voltage"], [0.2, 0.6])


def test_lost_chips_reach_nothing_and_beating_ones_do(made: Callable[..., MeritTable]) -> None:
    status = [[0, BEATS, RUNAWAY, 0], [RUNAWAY, BEATS | RUNAWAY, 0, 0]]
    table = made({"fractional_bandwidth": ROWS}, status=status, share=0.75)
    assert table.lost.tolist() == [1, 2]
    assert table.beating.tolist() == [1, 1]
    assert np.isnan(table.chips["fractional_bandwidth"]).tolist() == [
        [False, False, True, False],
        [True, True, False, False],
    ]
    # three of four are needed: the second design has two
    assert np.array_equal(table.values["fractional_bandwidth"], [0.1, np.nan], equal_nan=True)
    assert table.status.tolist() == [0, RUNAWAY]
    assert np.isnan(table.band_lower).tolist() == [False, True]
    assert table.values["yield"][0] == 0.75
    assert np.isfinite(table.clearance_margin).all()


def test_an_array_without_onset_is_told(made: Callable[..., MeritTable]) -> None:
    table = made({"onset_voltage": [[1.0, 2.0, np.inf, 3.0], [1.0, 2.0, 3.0, 4.0]]}, share=1.0)
    assert table.status.tolist() == [int(Status.NO_ONSET), 0]
    assert np.array_equal(table.values["onset_voltage"], [np.nan, 4.0], equal_nan=True)


def test_limits_are_kept_by_a_share(made: Callable[..., MeritTable]) -> None:
    limits = Limit("ripple", 0.2, 0.65), Limit("ripple", None, 0.75), Limit("yield", 0.6, None)
    table = made({"ripple": ROWS}, *limits, share=0.75)
    assert table.kept[0].tolist() == [[False, True, True, True], [True, True, False, False]]
    assert table.kept[1].tolist() == [[True] * 4, [True, True, True, False]]
    # of the second design three of four break the first limit by at most 0.05
    assert_allclose(table.broken[:2], [[0.0, 0.05], [-0.45, -0.05]], atol=1e-12)
    assert table.values["yield"].tolist() == [0.75, 0.5]
    assert_allclose(table.broken[2], [-0.15, 0.1], rtol=1e-12)
    assert table.kept[2].tolist() == [[True] * 4, [False] * 4]
    told = margins(table)
    assert_allclose(told["margin_ripple"], [0.0, -0.05], atol=1e-12)
    assert_allclose(told["kept_ripple"], [0.75, 0.5], rtol=1e-12)


def test_the_yield_counts_chips_near_what_is_promised(made: Callable[..., MeritTable]) -> None:
    """A part of it, or as much beyond; of levels as many decibels (M11.8)."""
    good = made(
        {"fractional_bandwidth": [[1.0, 0.91, 0.89, 2.0], [1.0] * 4]},
        objectives=(objective("fractional_bandwidth", "max"),),
        share=0.5,
        part=0.9,
    )
    assert good.values["fractional_bandwidth"].tolist() == [1.0, 1.0]
    assert good.values["yield"].tolist() == [0.75, 1.0]
    step = -20.0 * np.log10(0.9)
    level = made(
        {"peak_level": [[100.0, 100.0 - 0.99 * step, 100.0 - 1.01 * step, 101.0], [90.0] * 4]},
        objectives=(objective("peak_level", "max"),),
        share=0.5,
        part=0.9,
    )
    assert level.values["yield"].tolist() == [0.75, 1.0]
    less = made(
        {"onset_voltage": [[9.0, 9.9, 11.0, 12.0], [10.0] * 4]},
        objectives=(objective("onset_voltage", "min"),),
        share=0.5,
        part=0.9,
    )
    assert less.values["onset_voltage"].tolist() == [9.9, 10.0]
    assert less.values["yield"].tolist() == [0.5 + 0.25, 1.0]  # 11.0 is within 9.9 / 0.9


# --- of chips --------------------------------------------------------------------------------


def test_every_merit_of_the_glossary_is_computed() -> None:
    study = at_target(four_cells(), burst_length=BurstLength(0.2e-3))
    designs = uniform_design(study, drive=4.0)
    table = compute_merits(Chips(designs, study, 2))
    assert set(table.values) == set(MERITS) - WAVEFORM_MERITS - TAIL_MERITS - ECHO_MERITS
    plain = compute_merits(Chips(designs, four_cells(), 1))
    assert set(plain.values) == set(table.values) - BURST_MERITS - PULSE_MERITS
    assert set(MERITS) >= QUICK
    assert table.status[0] == 0
    for name, value in table.values.items():
        # two by two cells have no other lobe
        assert np.isfinite(value).all() or name == "side_lobe_level", name


def test_wanted_merits_only_add_and_designs_stand_alone() -> None:
    study = four_cells()
    designs = random_designs(study, "combined", 3)
    quick = compute_merits(Chips(designs, study, 2), wanted=frozenset())
    whole = compute_merits(Chips(designs, study, 2), wanted=frozenset({"two_way_bandwidth"}))
    assert set(quick.values) == QUICK | {"yield"}
    assert set(whole.values) == QUICK | {"yield", "two_way_bandwidth"}
    one = compute_merits(Chips(designs.take([2]), study, 2), wanted=frozenset())
    for name, value in quick.values.items():
        assert np.array_equal(value, whole.values[name], equal_nan=True), name
        assert np.array_equal(value[2:], one.values[name], equal_nan=True), name


def test_levels_follow_distance() -> None:
    """Twice the distance: 6.02 dB less, and the absorption of the added path."""
    study = four_cells()
    designs = uniform_design(study, drive=2.0)
    near, far = (
        compute_merits(as_drawn(designs, s), wanted=frozenset()).values
        for s in (study, at_target(study, distance=0.6))
    )
    added = 20 * np.log10(2.0) + 8.685889638 * 0.3 * absorption(
        study.air_state, near["centre_frequency"]
    )
    # the peak lies 2 % above the centre of the band
    assert_allclose(near["peak_level"] - far["peak_level"], added, rtol=2e-3)


def test_beam_of_an_array_of_eight() -> None:
    """Half-power width of a uniform row, 0.886 lambda / (N d) (any textbook)."""
    study = duct()
    model = as_drawn(uniform_design(study, drive=0.5), study)
    found = compute_merits(model, wanted=frozenset({"beam_width"})).values
    length = study.air_state.sound_speed / found["centre_frequency"][0]
    # elements' directivity narrows it by under 3 %; coupling drives the rim a little harder or less
    assert_allclose(found["beam_width"], np.degrees(0.886 * length / (8 * 1.1e-3)), rtol=0.06)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"drive_amplitude": 0.0}, Status.NOT_DRIVEN),
        ({"electrode_coverage": 0.001}, Status.OUT_OF_RANGE),
        ({"radius": 800e-6}, Status.CELLS_OVERLAP),
    ],
)
def test_statuses(change: dict[str, float], reason: Status) -> None:
    study = four_cells()
    designs = uniform_design(study)
    changed = {name: np.full_like(getattr(designs, name), v) for name, v in change.items()}
    table = compute_merits(Chips(replace(designs, **changed), study, 2), wanted=frozenset())
    assert table.status[0] & int(reason)
    assert (table.chip_status & int(reason)).all()
    assert table.lost.tolist() == [2]
    assert all(np.isnan(v[0]) for v in table.values.values())
    assert np.isfinite(table.clearance_margin[0])


def test_buckled_film_is_never_a_good_design() -> None:
    """With electrode moments the plate bows instead of losing stability: then limits refuse it."""
    study = four_cells()
    stack = tuple(
        replace(layer, residual_stress=-1500e6) if layer.active else layer for layer in study.stack
    )
    table = compute_merits(
        Chips(uniform_design(study), replace(study, stack=stack), 2), limits=MODEL_LIMITS
    )
    assert table.status[0] or (table.broken > 0.0).any()


def test_evaluation_for_the_search() -> None:
    study = four_cells(chips=4)
    for strategy in study.strategies:
        evaluator = StudyEvaluator(study, strategy)
        X = seed_vectors(study, strategy, 6)
        assert 0 < len(X) <= 6
        assert np.all((X >= 0) & (X <= 1))
        result = evaluator.evaluate(X)
        assert np.all(np.isfinite(result.F[result.status == 0]))
        feasible = (result.G <= 0).all(axis=1) & (result.status == 0)
        assert feasible.any(), f"no closed-form seed of {strategy.name} is feasible"
        parts = [evaluator.evaluate(x[None, :]) for x in X[:3]]
        assert np.array_equal(result.F[:3], np.concatenate([p.F for p in parts]), equal_nan=True)
        assert np.array_equal(result.G[:3], np.concatenate([p.G for p in parts]), equal_nan=True)


def test_described_designs_are_labelled_and_agree_with_their_merits() -> None:
    study = four_cells(chips=4)
    strategy = study.strategies[0]
    designs = uniform_design(study, drive=np.array([1.0, 3.0]), name=strategy.name)
    dataset = evaluate(designs, study, strategy)
    sizes = {"design": 2, "chip": 4, "cell": 4, "frequency": 401}
    assert sizes.items() <= dict(dataset.sizes).items()
    for name, variable in dataset.variables.items():
        assert variable.attrs.get("units"), name
        assert variable.attrs.get("long_name"), name
    names = {limit.name for limit in limits_in_force(study, strategy)}
    assert {"centre_frequency", "deflection_ratio", "model_range", "drive_to_onset"} <= names
    assert {f"margin_{name}" for name in names} <= set(dataset.variables)
    table = merits_of_chips(designs, study, strategy)
    assert (dataset["status"] == 0).all()
    for name, value in table.values.items():
        assert np.array_equal(dataset[name], value, equal_nan=True), name
    top = np.median(table.chips["peak_pressure"], axis=1)
    # chips peak at different frequencies: the curve of medians lies below their median
    assert (dataset["pressure"].max("frequency") < 1.001 * top).all()
    assert (dataset["pressure_highest"].max("frequency") > 0.98 * top).all()
    assert (dataset["pressure_lowest"] <= dataset["pressure"]).all()
    group = build_cells(designs, study).onset[:, designs.layout.group_of_cell]
    assert np.array_equal(dataset["cell_onset_voltage"], group)
