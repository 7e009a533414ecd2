"""Calibration: intervals judged on integrated sweeps, an invented lab, and studies that use it.

Sources: tests/reference/generate_sweeps.py (modal equation integrated with scipy, laboratory errors
added), studies/calibration-tutorial/generate_lab.py (exact plate of Bessel functions, scipy) and
tests/reference/generate_labs.py (200 laboratories with chips of their own, made by the latter).
Neither uses the package.
"""

from __future__ import annotations

import csv
import math
import shutil
from copy import copy
from dataclasses import astuple, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from arrayopt.base.errors import ArrayoptError, StudyError
from arrayopt.design.file import read_design
from arrayopt.lab.against import Row, compare_chip, likely_causes, measured_onset, read_limits
from arrayopt.lab.calibrate import Outcome, calibrate, fit_cell, sweeps_by_cell
from arrayopt.lab.file import calibration_text, findings
from arrayopt.lab.fit.modal import Load, ModalFit, fit_modal, gather
from arrayopt.lab.fit.physical import (
    NAMES,
    Condition,
    PhysicalFit,
    Surface,
    fit_physical,
    one_cell_designs,
)
from arrayopt.lab.read.files import Trace, read_measured
from arrayopt.merits.evaluate import evaluate
from arrayopt.models.cells import build_cells
from arrayopt.physics.steady.steady import onset_force
from arrayopt.search.evaluator import build_evaluator
from arrayopt.study.calibration import corrected_stack, with_correction
from arrayopt.study.model import Correction, Scatter, Study
from arrayopt.study.read import read_study, read_study_text
from tests.support.paths import REFERENCE, STUDIES

TUTORIAL = STUDIES / "calibration-tutorial"
# generate_lab.py, TRUTH
TRUTH = Correction(70.0, 60.0, 1.03, 0.85, 1.0)
TRUE_GAIN = 1.02
WAYS = ("up", "up", "up", "down", "up")
# generate_lab.py, PLAN: cell, radius, bias, direction
LAB_PLAN = (
    ("A", 430e-6, 0.0, "up"), ("B", 470e-6, 0.0, "up"), ("C", 510e-6, 0.0, "up"),
    ("B", 470e-6, 30.0, "up"), ("B", 470e-6, -30.0, "up"), ("B", 470e-6, 0.0, "up"),
    ("B", 470e-6, 0.0, "down"), ("B", 470e-6, 0.0, "up"), ("C", 510e-6, 0.0, "up"),
)  # fmt: skip


def sweep(frequency: Any, reading: Any, voltage: float, way: str = "up", **other: Any) -> Trace:
    f = np.asarray(frequency, dtype=float)
    given = dict(
        file="x.csv", line=1, kind="sweep", quantity="displacement", cell="A", chip="",
        radius=450e-6, electrode_coverage=0.67, ring=False, drive_amplitude=voltage,
        bias=0.0, sweep=way, distance=None, cell_count=1, burst_cycles=None, gain_uncertainty=0.03,
        frequency_drift=2e-4, frequency=f, magnitude=np.asarray(reading, dtype=float), phase=None,
        use=np.ones(f.size, dtype=bool),
    )  # fmt: skip
    return Trace(**(given | other))


def fit_set(data: Any, index: int) -> ModalFit:
    traces = [
        sweep(data["frequency"][index, k], data["reading"][index, k], data["force"][index, k], way)
        for k, way in enumerate(WAYS)
    ]
    points = gather(traces, [trace.displacement() for trace in traces])
    flat = np.ones(points.frequency.size)
    return fit_modal(points, Load(flat, flat, 0.0, 0.0))


def test_modal_intervals_hold_at_their_nominal_rate() -> None:
    """95 % intervals on 200 integrated data sets: noise, converter steps, drift, gain error."""
    with np.load(REFERENCE / "lab_sweeps.npz") as stored:
        data = dict(stored)
    count = len(data["gain"])
    assert count >= 200
    inside = np.zeros((count, 4), dtype=bool)
    for k in range(count):
        fit = fit_set(data, k)
        gain = data["gain"][k]
        # y = gain q: response scales with the gain, the cubic term with its inverse square
        truth = (1.0, data["quality_factor"][k], gain, 0.75 * data["effective_cubic"][k] / gain**2)
        inside[k] = [i.lower <= t <= i.upper for i, t in zip(fit.intervals, truth, strict=True)]
    rate = inside.mean(axis=0)
    # three standard errors of a binomial share of 0.95 in 200 are 0.046
    assert (rate > 0.95 - 0.046).all(), rate
    softening = data["effective_cubic"] < 0.0
    assert 0.85 < inside[softening].mean() < 1.0
    assert inside.mean() < 0.995, "intervals so wide that they say nothing"


def test_clipped_peaks_and_outliers_move_nothing_far() -> None:
    with np.load(REFERENCE / "lab_sweeps.npz") as stored:
        data = {key: stored[key].copy() for key in stored.files}
    clean = fit_set(data, 1)
    reading = data["reading"][1]
    reading[0, 5] *= 3.0  # a spike
    reading[1, 10] *= 0.2
    spoilt = fit_set(data, 1)
    for before, after in ((clean.frequency, spoilt.frequency),):
        assert after == pytest.approx(before, rel=3e-4)
    assert spoilt.quality_factor == pytest.approx(clean.quality_factor, rel=0.02)
    assert spoilt.bending == pytest.approx(clean.bending, rel=0.03)


def test_too_few_points_are_refused() -> None:
    trace = sweep([99e3, 100e3, 101e3], [1e-9, 2e-9, 1e-9], 1.0)
    points = gather([trace], [trace.displacement()])
    with pytest.raises(ValueError, match="at least 8"):
        fit_modal(points, Load(np.ones(3), np.ones(3), 0.0, 0.0))


@pytest.fixture(scope="module")
def nominal() -> Study:
    return read_study(TUTORIAL, calibrated=False)


@pytest.fixture(scope="module")
def outcome(nominal: Study) -> Outcome:
    traces, readings = read_measured(sorted((TUTORIAL / "lab").glob("*.csv")))
    return calibrate(nominal, traces, readings=readings)


def test_the_invented_lab_gives_back_its_truth(outcome: Outcome, nominal: Study) -> None:
    physical = outcome.physical
    for name, span, truth in zip(NAMES, physical.intervals, astuple(TRUTH), strict=True):
        # 99.9 % of the intervals' distribution: one data set cannot test the rate
        middle, half = 0.5 * (span.lower + span.upper), 0.5 * (span.upper - span.lower)
        assert abs(truth - middle) < 1.7 * half, name
    assert physical.gain_interval.lower < TRUE_GAIN < physical.gain_interval.upper
    assert all(physical.identified)
    assert physical.cannot_tell == ()
    value, surface = physical.value, outcome.surface
    place = (value.thickness_scale, value.film_tension / surface.unit, value.coupling_scale)
    smooth = surface.nominal * np.sqrt(surface.at(*place)[:, 0])
    exact = build_cells(one_cell_designs(surface.conditions), with_correction(nominal, value))
    np.testing.assert_allclose(smooth, exact.natural_frequency[:, 0], rtol=1e-4)
    assert outcome.bursts[0].good


def test_the_true_cells_are_the_models(nominal: Study) -> None:
    """Exact clamped plate with tension (generate_lab.py) against the corrected plate model."""
    rows = _true_cells()
    conditions = [row[0] for row in rows]
    cells = build_cells(one_cell_designs(conditions), with_correction(nominal, TRUTH))
    for k, (condition, frequency, quality, response, cubic, _) in enumerate(rows):
        # under bias the generator's static bow is one mode, the model's is five
        flat = condition.bias == 0.0
        stiffness = cells.stiffness[k, 0]
        for computed, exact, bowed in (
            (cells.natural_frequency[k, 0], frequency, 3e-4),
            (cells.quality_factor[k, 0], quality, 4e-3),
            (cells.cubic[k, 0] / stiffness, cubic, 1e-2),
            (abs(cells.force_per_volt[k, 0]) / stiffness, response, 5e-3),
        ):
            # the generator's integrals are good to 1e-5
            assert computed == pytest.approx(exact, rel=2e-5 if flat else bowed)


def _true_cells() -> list[tuple[Condition, float, float, float, float, float]]:
    with (REFERENCE / "tutorial_cells.csv").open(encoding="utf-8") as stream:
        kept = [line for line in stream if not line.startswith("#")]
    return [
        (
            Condition(r["cell"], float(r["radius"]), 0.67, False, float(r["bias"]), 0.03),
            float(r["frequency"]),
            float(r["quality_factor"]),
            float(r["response"]),
            float(r["cubic_over_stiffness"]),
            float(r["quadratic_over_stiffness"]),
        )
        for r in csv.DictReader(kept)
    ]


def noisy_fits(rng: np.random.Generator, gain: float) -> list[ModalFit]:
    """Modal numbers of the true cells with errors and scatter as the fit assumes them."""
    out = []
    for _, frequency, quality, response, cubic, quadratic in _true_cells():
        bending = 0.75 * (cubic - 10.0 / 9.0 * quadratic**2) / gain**2
        sigma = np.array([1.5e-4, 4e-3, 3e-3, 0.01 * bending])
        # fit_physical.SCATTER
        error = np.hypot(sigma, [3e-4, 0.01, 0.005, 0.01 * bending]) * rng.standard_normal(4)
        out.append(
            ModalFit(
                frequency * math.exp(error[0]), quality * math.exp(error[1]),
                response * gain * math.exp(error[2]), bending + error[3], sigma, (), np.zeros(0),
                1.0, True, np.zeros(0),
            )
        )  # fmt: skip
    return out


@pytest.fixture(scope="module")
def surface(outcome: Outcome) -> Surface:
    """The lab's own, its conditions in the order of the true cells."""
    have = [(c.radius, c.bias) for c in outcome.surface.conditions]
    places = [have.index((row[0].radius, row[0].bias)) for row in _true_cells()]
    return part_of(outcome.surface, places)


def part_of(surface: Surface, places: list[int]) -> Surface:
    """The same for some of its conditions."""
    part = copy(surface)
    part.conditions = tuple(surface.conditions[k] for k in places)
    part.nominal, part.table = surface.nominal[places], surface.table[..., places, :]
    return part


def laboratory(data: Any, index: int) -> list[Trace]:
    """All sweeps of one stored laboratory (generate_labs.py), as its files would say them."""
    out = []
    for k, (cell, radius, bias, way) in enumerate(LAB_PLAN):
        first, last = data["ends"][index, k]
        reading = data["full"][index, k] * data["reading"][index, k].astype(float)
        frequency = np.linspace(first, last, reading.size)
        order = np.argsort(frequency)
        given = dict(cell=cell, radius=radius, bias=bias)
        out.append(sweep(frequency[order], reading[order], data["volts"][index, k], way, **given))
    return out


def physical_of(study: Study, traces: list[Trace], surface: Surface) -> PhysicalFit:
    """What `calibrate` finds, without making the plate's polynomials again."""
    cells = [fit_cell(study, group) for group in sweeps_by_cell(traces)]
    conditions = [cell.condition for cell in cells]
    have = [(c.radius, c.bias) for c in surface.conditions]
    part = part_of(surface, [have.index((c.radius, c.bias)) for c in conditions])
    fits = [cell.modal for cell in cells]
    return fit_physical(study, conditions, fits, surface=part, draws=0)


def holds(found: PhysicalFit, truth: Any) -> list[bool]:
    return [i.lower <= t <= i.upper for i, t in zip(found.intervals, truth, strict=True)]


@pytest.fixture(scope="module")
def labs() -> dict[str, Any]:
    with np.load(REFERENCE / "labs.npz") as stored:
        return dict(stored)


def test_some_laboratories_find_their_chips(
    nominal: Study, surface: Surface, labs: dict[str, Any]
) -> None:
    """Six of the 200: of 30 intervals at 95 %, fewer than 24 holding is a chance of 1 in 2000."""
    inside = [
        holds(physical_of(nominal, laboratory(labs, k), surface), labs["truth"][k])
        for k in range(6)
    ]
    assert np.sum(inside) >= 24, inside


@pytest.mark.slow
def test_physical_intervals_hold_at_their_nominal_rate(
    nominal: Study, surface: Surface, labs: dict[str, Any]
) -> None:
    """200 laboratories, each with its own chip: from integrated sweeps to five intervals."""
    count = len(labs["truth"])
    assert count >= 200
    inside = np.array(
        [
            holds(physical_of(nominal, laboratory(labs, k), surface), labs["truth"][k])
            for k in range(count)
        ]
    )
    rate = inside.mean(axis=0)
    print("\nshare of intervals that hold the truth:", dict(zip(NAMES, rate, strict=True)))
    # three standard errors of a binomial share of 0.95 in 200 are 0.046
    assert (rate > 0.95 - 0.046).all(), rate
    assert inside.mean() < 0.995, "intervals so wide that they say nothing"


def test_polarity_comes_from_the_bias_series(nominal: Study, surface: Surface) -> None:
    fits = noisy_fits(np.random.default_rng(0), 1.0)
    turned = [*fits[:3], fits[4], fits[3]]  # f0 rises where it fell
    found = fit_physical(nominal, surface.conditions, turned, surface=surface, draws=0)
    assert not any("sign of the coupling" in text for text in found.cannot_tell)
    assert found.value.coupling_scale == pytest.approx(-0.85, rel=0.05)


def test_what_one_cell_cannot_tell_is_said(nominal: Study, surface: Surface) -> None:
    fits = noisy_fits(np.random.default_rng(0), 1.0)[:1]
    one = part_of(surface, [0])
    found = fit_physical(nominal, one.conditions, fits, surface=one, draws=0)
    text = " ".join(found.cannot_tell)
    assert "thickness_scale" in text
    assert "film_tension" in text
    assert "sign of the coupling" in text
    assert not found.identified[NAMES.index("thickness_scale")]


def test_default_corrections_change_no_bit(nominal: Study) -> None:
    neutral = Correction(nominal.cell.quality_factor)
    assert corrected_stack(nominal.stack, neutral) == nominal.stack
    designs = one_cell_designs([Condition("A", 450e-6, 0.67, False, 5.0, 0.0)])
    first, second = (
        build_cells(designs, nominal),
        build_cells(designs, with_correction(nominal, neutral)),
    )
    for name in ("natural_frequency", "quality_factor", "onset", "cubic", "force_per_volt"):
        assert np.array_equal(getattr(first, name), getattr(second, name)), name


@pytest.fixture
def calibrated(outcome: Outcome, nominal: Study, tmp_path: Path) -> Path:
    shutil.copy(TUTORIAL / "study.toml", tmp_path / "study.toml")
    with (tmp_path / "study.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[calibration]\nfile = "calibration.toml"\n')
    physical = replace(outcome.physical, draws=outcome.physical.draws[:6])
    brief = replace(outcome, physical=physical)
    text = calibration_text(brief, nominal, title='odd "title" \\ with \x7f')
    (tmp_path / "calibration.toml").write_text(text, encoding="utf-8")
    (tmp_path / "design.toml").write_text(
        'format = 1\n[classes]\nradius = "470 um"\n[channels]\namplitude = "6 V"\n'
    )
    return tmp_path


def test_a_study_includes_its_calibration(
    calibrated: Path, outcome: Outcome, nominal: Study
) -> None:
    study = read_study(calibrated)
    assert study.calibration is not None
    assert study.calibration.value == outcome.physical.value
    assert study.cell.quality_factor == outcome.physical.value.quality_factor
    assert study.film.e31f == nominal.film.e31f * outcome.physical.value.coupling_scale
    assert study.digest != read_study(calibrated, calibrated=False).digest
    again = read_study_text(study.text)  # as workers do, without the folder
    assert (again.digest, again.stack, again.cell) == (study.digest, study.stack, study.cell)
    vectors = np.full((1, 2), 0.5)
    worker = build_evaluator(study.text)(study.strategies[0].name, vectors, None)
    plain = build_evaluator(nominal.text)(nominal.strategies[0].name, vectors, None)
    assert not np.array_equal(worker.F, plain.F)


def test_the_digest_follows_numbers_and_not_words(calibrated: Path) -> None:
    file = calibrated / "calibration.toml"
    before, text = read_study(calibrated).digest, file.read_text(encoding="utf-8")
    file.write_text(text.replace("identified = true", "identified = false"), encoding="utf-8")
    assert read_study(calibrated).digest == before
    quality = read_study(calibrated).cell.quality_factor
    changed = text.replace(f"value = {quality!r}", f"value = {quality * 1.0001!r}", 1)
    file.write_text(changed, encoding="utf-8")
    assert read_study(calibrated).digest != before


@pytest.mark.parametrize(
    ("old", "new", "need"),
    [
        ("format = 1", "format = 2", "1 is needed"),
        ('units = "N/m"', 'units = "MPa"', '"N/m" is needed'),
        ('nominal_stack = "', 'nominal_stack = "0', "another layer stack"),
        ("[parameters.cubic_scale]", "[parameters.cubic]", "cubic_scale"),
    ],
)
def test_bad_calibrations_are_refused(calibrated: Path, old: str, new: str, need: str) -> None:
    file = calibrated / "calibration.toml"
    file.write_text(file.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(StudyError, match=need):
        read_study(calibrated)


def test_paths_stay_inside_the_studys_folder(calibrated: Path) -> None:
    study = calibrated / "study.toml"
    text = study.read_text(encoding="utf-8")
    study.write_text(text.replace("calibration.toml", "../calibration.toml"), encoding="utf-8")
    with pytest.raises(StudyError, match="in the study's folder"):
        read_study(calibrated)
    study.write_text(text.replace("calibration.toml", "none.toml"), encoding="utf-8")
    with pytest.raises(StudyError, match="cannot be read"):
        read_study(calibrated)


def test_chips_spread_by_what_a_calibration_leaves_open(calibrated: Path, nominal: Study) -> None:
    """Chips made without scatter differ by the parameter sets alone (M11.7), and hold the truth."""
    still = dict.fromkeys((f.name for f in fields(Scatter)), 0.0)
    study = read_study(calibrated)
    study = replace(study, fabrication=replace(study.fabrication, **still))
    _, designs = read_design(calibrated / "design.toml", study)
    true = with_correction(nominal, TRUTH)
    true = replace(true, fabrication=study.fabrication)
    truth = evaluate(designs, true, true.strategies[0], chips=1).isel(design=0)
    found = evaluate(designs, study, study.strategies[0], chips=6).isel(design=0)
    for name in ("centre_frequency", "onset_voltage", "peak_pressure", "fractional_bandwidth"):
        chips = found[f"{name}_chips"].values
        assert np.ptp(chips) > 0.0, name
        # six draws span about 1.3 standard deviations on either side
        middle, width = 0.5 * (chips.min() + chips.max()), np.ptp(chips)
        assert abs(float(truth[name]) - middle) < 2.0 * width + 1e-12, name


def test_a_chip_against_its_prediction(nominal: Study, calibrated: Path) -> None:
    _, designs = read_design(calibrated / "design.toml", nominal)
    predicted = evaluate(designs, nominal, nominal.strategies[0])
    traces, _ = read_measured([TUTORIAL / "lab" / "cell_b.csv"])
    verdict = compare_chip(nominal, traces, predicted)
    rows = {row.quantity: row for row in verdict.rows}
    frequency = rows["cell_frequency"]
    # generate_lab.py: the true cell B
    assert frequency.measured == pytest.approx(_true_cells()[1][1], rel=5e-4)
    assert frequency.shift > 0.05
    assert not verdict.passed
    assert any("thicker" in cause for cause in verdict.causes)
    study = read_study(calibrated)
    better = evaluate(designs, study, study.strategies[0])
    assert compare_chip(study, traces, better).rows[0].passed


def test_measured_onset_is_taken_at_the_onsets_own_frequency(
    nominal: Study, outcome: Outcome
) -> None:
    """The fitted numbers of cell B and the model of the true stack give one onset (M7.4).

    With the radiation load at resonance the first would be 4 % lower: resistance follows (ka)^2.
    """
    fit = next(c for c in outcome.cells if c.condition.cell == "B" and c.condition.bias == 0.0)
    true = with_correction(nominal, TRUTH)
    exact = float(build_cells(one_cell_designs([fit.condition]), true).onset[0, 0])
    # response is read with a gain of 1.02, and the cubic term with its inverse square, so that
    # gain leaves the onset alone; Q^-1.5 and the square root of bending are known to 1 %
    assert measured_onset(true, fit) == pytest.approx(exact, rel=0.015)
    modal = fit.modal
    at_resonance = float(
        onset_force(1.0, c=1.0 / modal.quality_factor, k1=1.0, g=4.0 / 3.0 * modal.bending)
    )
    assert at_resonance / modal.response < 0.97 * exact


def test_limits_of_a_test_plan(tmp_path: Path) -> None:
    plan = tmp_path / "limits.csv"
    plan.write_text("# stamp\nwhere,quantity,unit,pass_from,pass_to\narray,peak_pressure,Pa,1,2\n")
    assert read_limits(plan) == {("array", "peak_pressure"): (1.0, 2.0)}
    plan.write_text("where,quantity,unit,pass_from,pass_to\narray,peak_pressure,Pa,x,2\n")
    with pytest.raises(ArrayoptError, match=r"limits\.csv:2"):
        read_limits(plan)


def test_causes_follow_the_shifts() -> None:
    def row(quantity: str, shift: float) -> Row:
        return Row("cells like 0", quantity, 1.0, 1.0 + shift, 0.9, 1.1)

    assert "no shift" in likely_causes([row("cell_frequency", 0.001)])[0]
    # M7.4: onset goes with Q^-1.5, so this much is explained by Q alone
    explained = likely_causes(
        [row("cell_quality_factor", 0.2), row("cell_onset_voltage", 1.2**-1.5 - 1)]
    )
    assert not any("couples" in cause for cause in explained)
    assert any("couples less" in cause for cause in likely_causes([row("cell_onset_voltage", 0.4)]))
    assert not row("cell_frequency", math.nan).passed


def test_findings_name_a_contradicting_burst(outcome: Outcome) -> None:
    wrong = replace(outcome, bursts=(replace(outcome.bursts[0], offset=3.0, good=False),))
    assert any("contradicts" in text for text in findings(wrong))
