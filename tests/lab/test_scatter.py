"""Scatter of making: the estimator against published examples, invented chips, studies using it.

Sources: random effects of 13 trials (W. Viechtbauer, Stat. Med. 26, 37, 2007, and the manual of
metafor; from memory), yields of six batches of dyestuff (O. L. Davies & P. L. Goldsmith,
Statistical Methods in Research and Production, 1972; from memory). Invented chips are exact plates
of studies/calibration-tutorial/generate_lab.py (Bessel functions, scipy).
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import astuple, replace
from pathlib import Path

import numpy as np
import pytest

from arrayopt.base.errors import StudyError
from arrayopt.lab.calibrate import calibrate
from arrayopt.lab.file import calibration_text, scatter_lines, summary
from arrayopt.lab.fit.modal import ModalFit
from arrayopt.lab.fit.physical import Condition, Surface, fit_physical, one_cell_designs
from arrayopt.lab.fit.scatter import (
    MOVED,
    Making,
    departures,
    scatter_of_making,
    sensitivities,
    spread,
)
from arrayopt.lab.read.files import read_measured
from arrayopt.models.cells import build_cells
from arrayopt.study.calibration import with_correction
from arrayopt.study.model import Correction, Fabrication, Study
from arrayopt.study.read import read_study, read_study_text
from tests.reference.generate_labs import tutorial
from tests.support.paths import STUDIES
from tests.support.tiny_study import command

TUTORIAL = STUDIES / "calibration-tutorial"
CHIPS, CELLS = 6, 4
RADIUS = 470e-6
NOISE = 0.002
"""Of each reading, as a share of the peak."""
TRUTH = {  # standard deviations of the invented chips; thickness and tension as studies have them
    "cell_radius": 0.003,
    "cell_thickness": 0.002,
    "cell_coupling": 0.02,
    "cell_tension": 0.5,
    "cell_quality": 0.05,
    "chip_thickness": 0.03,
    "chip_coupling": 0.05,
    "chip_tension": 5.0,
    "chip_quality": 0.10,
}


def test_the_estimator_against_a_meta_analysis() -> None:
    """Unequal known variances: log risk ratios of 13 trials of BCG vaccine; tau^2 0.3181 by Paule
    & Mandel, 95 % interval 0.1197 to 1.1115."""
    y = [-0.8893, -1.5854, -1.3481, -1.4416, -0.2175, -0.7861, -1.6209, 0.0120, -0.4694, -1.3713]
    y += [-0.3394, 0.4459, -0.0173]
    v = [0.3256, 0.1946, 0.4154, 0.0200, 0.0512, 0.0069, 0.2230, 0.0040, 0.0564, 0.0730]
    v += [0.0124, 0.5325, 0.0714]
    found = spread(np.array(y), np.ones(13), np.ones((13, 1)), np.array(v))
    assert found is not None
    assert found.freedom == 12
    # the published figures have four digits, the data four decimals
    assert found.value**2 == pytest.approx(0.3181, abs=2e-4)
    assert found.lower**2 == pytest.approx(0.1197, abs=2e-4)
    assert found.upper**2 == pytest.approx(1.1115, abs=1e-3)


def test_the_estimator_against_one_way_analysis_of_variance() -> None:
    """Means of five yields [g] in six batches: between batches 1764.05 g^2, within 2451.25 g^2."""
    means = np.array([1505.0, 1528.0, 1564.0, 1498.0, 1600.0, 1470.0]) / 1500.0
    within = np.full(6, 2451.25 / 5.0 / 1500.0**2)
    found = spread(means, np.ones(6), np.ones((6, 1)), within)
    assert found is not None
    assert (1500.0 * found.value) ** 2 == pytest.approx(1764.05, rel=1e-4)


def test_intervals_hold_at_their_nominal_rate() -> None:
    """400 sets of 8 cells of two radii, errors of the scatter's size, two parameters fitted."""
    rng = np.random.default_rng(3)
    h = np.where(np.arange(8) < 4, -2.0, -1.6)
    fixed = 0.02 * np.stack([np.ones(8), np.linspace(0.0, 1.0, 8)], axis=1)
    sigma = rng.uniform(0.002, 0.008, 8)
    inside, values = [], []
    for _ in range(400):
        y = fixed @ rng.normal(0.0, 3.0, 2) + h * 0.003 * rng.standard_normal(8)
        found = spread(y + sigma * rng.standard_normal(8), h, fixed, sigma**2)
        assert found is not None
        assert found.freedom == 6
        inside.append(found.lower <= 0.003 <= found.upper)
        values.append(found.value)
    # three standard errors of a binomial share of 0.95 in 400 are 0.033
    assert abs(np.mean(inside) - 0.95) < 0.033
    assert np.median(values) == pytest.approx(0.003, rel=0.15)


def test_no_scatter_gives_an_upper_bound_only() -> None:
    y = 1e-3 * np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0])
    found = spread(y, np.full(6, -2.0), np.ones((6, 1)), np.full(6, 4e-6))
    assert found is not None
    assert (found.value, found.lower) == (0.0, 0.0)
    assert 0.0 < found.upper < 2e-3
    # errors overstated by far: bounded as if there were none
    wide = spread(y, np.full(6, -2.0), np.ones((6, 1)), np.full(6, 1e-2))
    assert wide is not None
    assert 0.0 < wide.upper < 2e-3
    making = Making({"cell_radius": found}, 6, 1, (), {})
    assert "none seen; 95 % at most" in "\n".join(scatter_lines(making))


def test_too_few_degrees_of_freedom() -> None:
    assert spread(np.arange(3.0), np.ones(3), np.ones((3, 1)), np.ones(3)) is None
    assert spread(np.arange(4.0), np.ones(4), np.ones((4, 1)), np.ones(4)) is not None


def invented(path: Path) -> None:
    """Gentle sweeps of every cell of the chips, in one file: exact plates and noise."""
    lab = tutorial()
    rng = np.random.default_rng(12)
    lines = ["# quantity = displacement", "# drive_amplitude = 0.1 V", "# frequency_drift = 2e-5"]
    lines.append("chip,cell,radius [um],frequency [Hz],magnitude [nm]")
    for chip in range(CHIPS):
        common = {name: rng.standard_normal() for name in TRUTH}
        for cell in range(CELLS):
            step = {
                name: sd * (common[name] if name.startswith("chip") else rng.standard_normal())
                for name, sd in TRUTH.items()
            }
            made = dict(lab.TRUTH)
            made["thickness_scale"] *= 1.0 + step["cell_thickness"] + step["chip_thickness"]
            made["coupling_scale"] *= 1.0 + step["cell_coupling"] + step["chip_coupling"]
            made["quality_factor"] *= 1.0 + step["cell_quality"] + step["chip_quality"]
            made["film_tension"] += step["cell_tension"] + step["chip_tension"]
            plate = lab.Cell(RADIUS * (1.0 + step["cell_radius"]), 0.0, made)
            resistance, mass = plate.air(plate.w0)
            f0 = plate.w0 / (2.0 * math.pi)
            hertz = f0 * (1.0 + np.linspace(-2.0, 2.0, 41) / plate.quality)
            w = 2.0 * math.pi * hertz
            # a small source: resistance as frequency squared; the air's mass hardly moves
            loss = plate.loss + resistance * (w / plate.w0) ** 2
            size = abs(plate.force) / np.abs(plate.k1 - w**2 * (plate.mass + mass) + 1j * w * loss)
            size = size * lab.TRUTH["gain"] + NOISE * size.max() * rng.standard_normal(41)
            lines += [
                f"{chip},{cell},{RADIUS * 1e6},{x:.2f},{1e8 * y:.6g}"
                for x, y in zip(hertz, size, strict=True)
            ]
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module")
def nominal() -> Study:
    return read_study(TUTORIAL, calibrated=False)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study with the calibration that the command made of the invented chips."""
    folder = tmp_path_factory.mktemp("made")
    text = (TUTORIAL / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    invented(folder / "chips.csv")
    out = folder / "calibration.toml"
    assert command("calibrate", folder, folder / "chips.csv", "--out", out) == 0
    text += '\n[calibration]\nfile = "calibration.toml"\n'
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return folder


def rows(folder: Path) -> dict[str, dict[str, float]]:
    return dict(tomllib.loads((folder / "calibration.toml").read_text(encoding="utf-8"))["scatter"])


def test_invented_chips_give_back_their_scatter(folder: Path) -> None:
    found = rows(folder)
    assert set(found) == {f"cell_{n}" for n in ("radius", "quality", "coupling")} | {
        f"chip_{n}" for n in ("thickness", "quality", "coupling")
    }
    for name, row in found.items():
        assert row["lower"] <= TRUTH[name] <= row["upper"], (name, row)
        assert (row["cells"], row["chips"]) == (CHIPS * CELLS, CHIPS)
    for name in ("cell_radius", "cell_quality", "cell_coupling"):
        # 18 degrees of freedom: a ratio of three says something
        assert 0.0 < found[name]["upper"] < 3.0 * max(found[name]["lower"], 0.3 * TRUTH[name]), name


def test_a_study_takes_what_it_does_not_set(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study, found = read_study(folder), rows(folder)
    for name, row in found.items():
        assert getattr(study.fabrication, name) == row["value"], name
    assert study.fabrication.cell_thickness == Fabrication().cell_thickness
    assert read_study_text(study.text).fabrication == study.fabrication
    assert command("check", folder) == 0
    lines = capsys.readouterr().out.splitlines()
    assert any(line.startswith("cell radius") and "the calibration" in line for line in lines)
    assert not any(line.startswith("cell tension") and "calibration" in line for line in lines)
    file = folder / "study.toml"
    text = file.read_text(encoding="utf-8")
    try:
        file.write_text(text + '\n[fabrication]\ncell_radius = "0.4 %"\n', encoding="utf-8")
        own = read_study(folder)
    finally:
        file.write_text(text, encoding="utf-8")
    assert own.fabrication == replace(study.fabrication, cell_radius=0.004)
    assert own.calibration is not None
    assert "cell_radius" not in own.calibration.scatter
    assert own.digest != study.digest


def changed(folder: Path, old: str, new: str) -> Study:
    file = folder / "calibration.toml"
    text = file.read_text(encoding="utf-8")
    assert old in text
    try:
        file.write_text(text.replace(old, new, 1), encoding="utf-8")
        return read_study(folder)
    finally:
        file.write_text(text, encoding="utf-8")


def test_the_digest_follows_what_is_taken(folder: Path) -> None:
    study, row = read_study(folder), rows(folder)["cell_quality"]
    value, upper = f"value = {row['value']!r}", f"upper = {row['upper']!r}"
    assert changed(folder, value, f"value = {row['value'] * 1.001!r}").digest != study.digest
    assert changed(folder, upper, f"upper = {row['upper'] * 1.001!r}").digest == study.digest


@pytest.mark.parametrize(("upper", "taken"), [(0.001, 0.001), (0.02, Fabrication().cell_radius)])
def test_of_a_bound_the_usual_value_is_kept_below_it(
    folder: Path, upper: float, taken: float
) -> None:
    row = rows(folder)["cell_radius"]
    old = "\n".join(f"{name} = {row[name]!r}" for name in ("value", "lower", "upper"))
    new = f"value = 0.0\nlower = 0.0\nupper = {upper}"
    assert changed(folder, old, new).fabrication.cell_radius == taken


@pytest.mark.parametrize(
    ("old", "new", "need"),
    [
        ("[scatter.cell_radius]", "[scatter.cell_radiuss]", "scatter.cell_radius"),
        ("[scatter.cell_radius]\n", "[scatter.cell_radius]\nvalue = 0.2\n#", "0.05"),
        ("[scatter.cell_radius]\n", "[scatter.cell_radius]\nvalue = 0.0\n#", "lower <= value"),
    ],
)
def test_bad_tables_are_refused(folder: Path, old: str, new: str, need: str) -> None:
    with pytest.raises(StudyError, match=need):
        changed(folder, old, new)


def test_three_cells_are_too_few(folder: Path, nominal: Study) -> None:
    traces, _ = read_measured([folder / "chips.csv"])
    assert {trace.chip for trace in traces} == {str(k) for k in range(CHIPS)}
    outcome = calibrate(nominal, traces[:3])
    assert not outcome.making.spreads
    need = "fewer than 4 cells: scatter not estimated"
    assert need in summary(outcome)
    text = calibration_text(outcome, nominal)
    assert need in text
    assert "[scatter" not in text


def made_cells(
    nominal: Study, count: int, departure: np.ndarray, **given: object
) -> tuple[Study, list[Condition], list[ModalFit]]:
    """Fits of cells whose f0, Q and response depart from the model's by ``departure`` (cell, 3)."""
    correction = Correction(70.0, 60.0, 1.03, 0.85)
    study = with_correction(nominal, correction)
    conditions = [Condition(str(k), RADIUS, 0.67, False, 0.0, 0.03) for k in range(count)]
    conditions = [replace(c, **given) for c in conditions]  # type: ignore[arg-type]
    cells = build_cells(one_cell_designs(conditions), study)
    response = np.abs(cells.force_per_volt) / cells.stiffness
    model = np.concatenate([cells.natural_frequency, cells.quality_factor, response], axis=1)
    sigma = np.array([1e-4, 1e-3, 1e-3, 1.0])
    fits = [
        ModalFit(*row, 0.0, sigma, (), np.zeros(0), 1.0, True, np.zeros(0))
        for row in model * np.exp(departure)
    ]
    return study, conditions, fits


def test_what_the_study_explains_is_taken_off(nominal: Study) -> None:
    """Frequencies that scatter as cell_thickness and cell_tension say leave the radius nothing."""
    rng = np.random.default_rng(4)
    step = rng.standard_normal(12)
    step *= 1.0 / step.std(ddof=1)
    departure = np.zeros((12, 3))
    departure[:, 0] = 0.006 * step
    study, conditions, fits = made_cells(nominal, 12, departure)
    slope = sensitivities(study, conditions, 100.0)[0, 0]
    # a stiff plate's frequency falls as a^-2; tension makes that less
    assert -2.0 < slope[0] < -1.5
    bare = replace(study, fabrication=Fabrication(cell_thickness=0.0, cell_tension=0.0))
    found = scatter_of_making(bare, conditions, fits, unit=100.0).spreads["cell_radius"]
    assert found.value == pytest.approx(0.006 / abs(slope[0]), rel=1e-3)
    most = replace(study, fabrication=Fabrication(cell_thickness=0.02))
    none = scatter_of_making(most, conditions, fits, unit=100.0).spreads["cell_radius"]
    assert none.value == 0.0
    part = replace(study, fabrication=Fabrication(cell_thickness=0.003, cell_tension=0.0))
    less = scatter_of_making(part, conditions, fits, unit=100.0).spreads["cell_radius"]
    left = 0.006**2 - (0.003 * slope[1]) ** 2
    assert less.value == pytest.approx(math.sqrt(left) / abs(slope[0]), rel=1e-3)


def test_instruments_of_their_own_tell_no_coupling(nominal: Study) -> None:
    rng = np.random.default_rng(5)
    departure = 0.01 * rng.standard_normal((8, 3))
    study, conditions, fits = made_cells(nominal, 8, departure)
    conditions[0] = replace(conditions[0], gain_uncertainty=0.05)
    making = scatter_of_making(study, conditions, fits, unit=100.0)
    assert set(making.spreads) == {"cell_radius", "cell_quality"}
    assert any("their gains may differ" in text for text in making.cannot_tell)


def test_scatter_beyond_what_a_study_takes_is_said(nominal: Study) -> None:
    departure = np.zeros((6, 3))
    departure[0, 0] = 0.5
    making = scatter_of_making(*made_cells(nominal, 6, departure), unit=100.0)
    assert "cell_radius" not in making.spreads
    assert any("outlier" in text for text in making.cannot_tell)


def test_biased_fits_of_a_cell_count_once(nominal: Study) -> None:
    study, conditions, fits = made_cells(nominal, 4, np.zeros((4, 3)))
    biased = [replace(c, bias=20.0) for c in conditions]
    far = [replace(fit, frequency=1.3 * fit.frequency) for fit in fits]
    making = scatter_of_making(study, biased + conditions, far + fits, unit=100.0)
    assert making.cells == 4
    assert making.spreads["cell_radius"].value == 0.0


def test_scatter_of_cells_and_chips_holds_at_its_nominal_rate(
    nominal: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    """300 sets of six chips of four cells: every kind of scatter at once, and errors of fits."""
    rng = np.random.default_rng(8)
    n = CHIPS * CELLS
    study, conditions, _ = made_cells(nominal, n, np.zeros((n, 3)))
    chip = np.arange(n) // CELLS
    conditions = [replace(c, chip=str(k)) for c, k in zip(conditions, chip, strict=True)]
    slope = sensitivities(study, conditions, 100.0)
    monkeypatch.setattr("arrayopt.lab.fit.scatter.sensitivities", lambda *_: slope)
    inside: dict[str, list[bool]] = {}
    square: dict[str, list[float]] = {}
    for _ in range(300):
        departure = rng.standard_normal((n, 3)) * [1e-4, 1e-3, 1e-3]
        for k, name in enumerate(MOVED):
            step = TRUTH[f"cell_{name}"] * rng.standard_normal(n)
            step += TRUTH.get(f"chip_{name}", 0.0) * rng.standard_normal(CHIPS)[chip]
            departure += slope[..., k] * step[:, None]
        fits = made_cells(nominal, n, departure)[2]
        for name, found in scatter_of_making(study, conditions, fits, unit=100.0).spreads.items():
            inside.setdefault(name, []).append(found.lower <= TRUTH[name] <= found.upper)
            square.setdefault(name, []).append(found.value**2)
    assert len(inside) == 6
    for name, held in inside.items():
        # more than what studies take is left out, which is rare; three binomial standard errors
        assert len(held) > 285, name
        assert abs(np.mean(held) - 0.95) < 0.038, (name, np.mean(held))
        # variances are unbiased; of 300 sets their mean is known to 2 % (cells) and 5 % (chips)
        rel = 0.06 if name.startswith("cell") else 0.2
        assert np.mean(square[name]) == pytest.approx(TRUTH[name] ** 2, rel=rel), name


@pytest.mark.slow
def test_corrections_of_uneven_cells_hold_at_their_nominal_rate(nominal: Study) -> None:
    """50 chips of nine cells of three radii, one of them biased: the fit weighed by their scatter.

    With the scatter that is assumed of fewer cells, intervals of tension and thickness hold about
    three times in four.
    """
    rng = np.random.default_rng(1)
    cell = np.array([0, 1, 1, 1, *range(2, 9)])
    bias = np.array([0.0, 0.0, 30.0, -30.0, *[0.0] * 7])
    radius = np.array([430e-6, 470e-6, 510e-6])[cell % 3]
    conditions = [
        Condition(str(c), float(a), 0.67, False, float(b), 0.03)
        for c, a, b in zip(cell, radius, bias, strict=True)
    ]
    truth = Correction(70.0, 60.0, 1.03, 0.85, 1.0)
    study, surface = with_correction(nominal, truth), Surface(nominal, conditions)
    plates = build_cells(one_cell_designs(conditions), study)
    response = np.abs(plates.force_per_volt) / plates.stiffness
    model = np.concatenate([plates.natural_frequency, plates.quality_factor, response], axis=1)
    bow = plates.quadratic / plates.stiffness
    bending = 0.75 * (plates.cubic / plates.stiffness - 10.0 / 9.0 * bow**2)[:, 0]
    slope = sensitivities(study, conditions, surface.unit)
    inside = []
    for _ in range(50):
        departure = rng.standard_normal((cell.size, 3)) * [1e-4, 1e-3, 1e-3]
        for k, name in enumerate(MOVED):
            step = TRUTH[f"cell_{name}"] * rng.standard_normal(9)
            departure += slope[..., k] * step[cell][:, None]
        gain = math.exp(0.03 * rng.standard_normal())
        fits = []
        for row, bend in zip(model * np.exp(departure) * [1.0, 1.0, gain], bending, strict=True):
            read = bend / gain**2 * (1.0 + 0.02 * rng.standard_normal())
            sigma = np.array([1e-4, 1e-3, 1e-3, 0.02 * abs(bend)])
            none = np.zeros(0)
            fits.append(ModalFit(*row, read, sigma, (), none, 1.0, True, none))
        first = fit_physical(nominal, conditions, fits, surface=surface, draws=0)
        near = with_correction(nominal, first.value)
        making = scatter_of_making(near, conditions, fits, unit=surface.unit)
        apart = departures(near, conditions, fits, making, unit=surface.unit)
        found = fit_physical(nominal, conditions, fits, surface=surface, departures=apart, draws=0)
        ends = zip(found.intervals, astuple(truth), strict=True)
        inside.append([i.lower <= value <= i.upper for i, value in ends])
    # three standard errors of a binomial share of 0.95 in 50 are 0.092
    assert (np.mean(inside, axis=0) > 0.95 - 0.092).all(), np.mean(inside, axis=0)
