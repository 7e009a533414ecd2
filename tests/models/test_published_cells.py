"""Published cells as plausibility, not validation: no row states radius and stack together.

tests/reference/published_cells.csv gives what abstracts say (status READ) or what was recalled
(MEMORY). Each test states what it assumes of the stack; limits are as wide as the assumption, so
that an error of a power of ten, of 2 pi or of rms against peak shows, and one of 10 % does not.
docs/calibration.md lists what cannot be checked at all. The two-size array (je2013) is in
test_two_size_array.py.
"""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from arrayopt.lab.fit.physical import Condition, one_cell_designs
from arrayopt.lab.load import displacements
from arrayopt.lab.read.files import read_measured
from arrayopt.models.cells import Cells, build_cells
from arrayopt.study.materials import MATERIALS
from arrayopt.study.model import StackLayer, Study
from arrayopt.study.read import read_study
from tests.support.paths import REFERENCE, STUDIES

STUDY = STUDIES / "calibration-tutorial"
LOSSLESS = 1e9
# lithium niobate, from memory: density 4640 kg/m3, modulus about 170 GPa; its coupling is not used
NIOBATE = replace(MATERIALS["AlN"], youngs_modulus=170e9, poisson_ratio=0.25, density=4640.0)


@pytest.fixture(scope="module")
def rows() -> dict[str, dict[str, str]]:
    path = REFERENCE / "published_cells.csv"
    with path.open(encoding="utf-8", newline="") as stream:
        return {row["id"]: row for row in csv.DictReader(stream)}


def layer(
    material: str, thickness: float, *, active: bool = False, stress: float = 0.0
) -> StackLayer:
    m = NIOBATE if material == "niobate" else MATERIALS[material]
    return StackLayer(
        material, thickness, m.youngs_modulus, m.poisson_ratio, m.density, stress, False, active,
        m.e31f if active else 0.0, m.relative_permittivity if active else 1.0, material,
        "film" if active else "structure", None, m.contains_lead,
    )  # fmt: skip


def study_of(*stack: StackLayer, quality: float = LOSSLESS) -> Study:
    study = read_study(STUDY, calibrated=False)
    return replace(study, stack=stack, cell=replace(study.cell, quality_factor=quality))


def cell_of(radius: float, *stack: StackLayer, quality: float = LOSSLESS) -> Cells:
    designs = one_cell_designs([Condition("x", radius, 0.67, False, 0.0, 0.0)])
    return build_cells(designs, study_of(*stack, quality=quality))


def implied_radius(frequency: float, *stack: StackLayer) -> float:
    def error(log_radius: float) -> float:
        found = float(cell_of(math.exp(log_radius), *stack).natural_frequency[0, 0])
        # ka out of range: far too small
        return math.log(found / frequency) if math.isfinite(found) else 1.0

    return math.exp(brentq(error, math.log(130e-6), math.log(600e-6), xtol=1e-6))


def kilohertz(row: dict[str, str]) -> float:
    return 1e3 * float(row["f0_kHz"].removeprefix("about "))


def test_aluminium_nitride_of_known_size(rows: dict[str, dict[str, str]]) -> None:
    """przybyla2015 (recalled): 450 um across, about 2.2 um thick, 217 kHz, Q about 18.

    Assumed: nitride throughout, flat, free of stress. "About 2.2 um" alone is 5 % of f0, metal and
    tension the rest of 20 %. Losses beside sound only lower Q, so the radiated limit bounds it.
    """
    row = rows["przybyla2015"]
    assert "450 um diameter about 2.2 um thick" in row["geometry"]
    assert "Q about 18" in row["Q_or_bw"]
    cell = cell_of(225e-6, layer("AlN", 1.1e-6), layer("AlN", 1.1e-6, active=True))
    assert float(cell.natural_frequency[0, 0]) == pytest.approx(kilohertz(row), rel=0.2)
    assert 18.0 < float(cell.quality_factor[0, 0]) < 10.0 * 18.0


def test_displacement_of_a_nitride_cell(rows: dict[str, dict[str, str]]) -> None:
    """shelton2009: 220 kHz, 210 nm at 1 Vpp at resonance, so 420 nm for a peak volt.

    Assumed: 1 um film on 1 um of nitride, electrode 67 % of the radius, Q anywhere from 16 (of a
    sister cell) to 47; whether 210 nm is peak or peak to peak is not said: a factor 2 either way.
    """
    row = rows["shelton2009"]
    assert row["displacement"].startswith("210 nm at 1 Vpp")
    stack = (layer("AlN", 1e-6), layer("AlN", 1e-6, active=True))
    radius = implied_radius(kilohertz(row), *stack)
    assert 120e-6 < radius < 300e-6  # the sister cell has 225 um
    low, high = (
        float(abs(c.force_per_volt / c.stiffness * c.quality_factor)[0, 0])
        for c in (cell_of(radius, *stack, quality=q) for q in (20.0, 145.0))
    )
    assert 0.5 * low < 420e-9 < 2.0 * high
    assert high < 1e-6  # so that the window is no more than a factor 13 wide


@pytest.mark.parametrize(
    ("key", "quality", "material", "thickness"),
    [("belgacem", 145.0, "PZT", 4e-6), ("ln2025", 200.0, "niobate", 20e-6)],
)
def test_quality_factors_stay_below_the_radiated_limit(
    rows: dict[str, dict[str, str]], key: str, quality: float, material: str, thickness: float
) -> None:
    """Sound alone would give the Q of M5; the rest can only lower it, within a factor of 20.

    Assumed: the stated film alone makes up the plate, radius from the stated resonance.
    """
    row = rows[key]
    assert f"Q={quality:g}" in row["Q_or_bw"]
    stack = (layer(material, 0.5 * thickness), layer(material, 0.5 * thickness, active=True))
    radius = implied_radius(kilohertz(row), *stack)
    radiated = float(cell_of(radius, *stack).quality_factor[0, 0])
    assert quality < radiated < 20.0 * quality


def test_silicon_and_ceramic_of_known_size(rows: dict[str, dict[str, str]]) -> None:
    """massimino2018 (low-confidence recall): 880 um across, about 100 kHz, PZT on silicon.

    Assumed: 2 um of PZT. The silicon under it that gives 100 kHz is a usual device layer.
    """
    row = rows["massimino2018"]
    assert "880 um diameter" in row["geometry"]

    def error(silicon: float) -> float:
        stack = (layer("Si", silicon), layer("PZT", 2e-6, active=True))
        return float(cell_of(440e-6, *stack).natural_frequency[0, 0]) - kilohertz(row)

    assert 3e-6 < brentq(error, 1e-6, 20e-6, xtol=1e-9) < 12e-6


def test_a_published_level_implies_the_size_that_hand_evaluation_finds(
    rows: dict[str, dict[str, str]], tmp_path: Path
) -> None:
    """xia2024: 3.74 um/V and 105.5 dB/V at 0.10 m close only for a radius of 1.31 mm.

    The row is inconsistent unless the cell is that large; what is checked is that pressure read
    from a file becomes displacement as the volume-source formula has it (radius as the root, so
    5 % of radius is 10 % of pressure: the formula leaves absorption, 4 %, and the element's
    directivity out).
    """
    row = rows["xia2024"]
    assert row["displacement"] == "3.74 um/V"
    assert "implied radius 1.31 mm" in row["notes"]
    file = tmp_path / "x.csv"
    file.write_text(
        "# quantity = pressure\n# drive_amplitude = 1 V\n# distance = 0.10 m\n# radius = 1.31 mm\n"
        "# sweep = up\nfrequency [kHz],level [dB re 20 uPa]\n106.2,100\n106.3,105.5\n106.4,100\n"
    )
    (trace,), _ = read_measured([file])
    # one shape serves: the volume under it hardly depends on the stack
    study = study_of(layer("Si", 20e-6), layer("AlN", 1e-6, active=True))
    (moved,) = displacements(study, Condition("x", 1.31e-3, 0.67, False, 0.0, 0.0), [trace])
    # taken as the level and the peak displacement that one peak volt gives
    implied = 1.31e-3 * math.sqrt(float(moved[1]) / 3.74e-6)
    assert implied == pytest.approx(1.31e-3, rel=0.05)


def test_curvature_turns_hardening_into_softening(rows: dict[str, dict[str, str]]) -> None:
    """arora2024: near-flat cells harden, strongly curved ones soften, with a change in between.

    Assumed: compression of a disc of film bends the plate (a moment alike everywhere would not
    bend a clamped one); 0.5 um of nitride within 67 % of the radius on 3 um of silicon, 400 um.
    Near-flat is a tenth of the silicon's thickness, strongly curved more than all of it.
    """
    assert "near-flat: hardening; strongly curved: softening" in rows["arora2024"]["notes"]
    signs, bows = [], []
    for stress in (0.0, *np.geomspace(5e6, 400e6, 12)):
        film = replace(layer("AlN", 0.5e-6, active=True, stress=-float(stress)), patterned=True)
        cell = cell_of(400e-6, layer("Si", 3e-6), film)
        signs.append(float(np.sign(cell.effective_cubic[0, 0])))
        bows.append(abs(float(cell.static_deflection[0, 0])) / 3e-6)
    flat = [sign for sign, bow in zip(signs, bows, strict=True) if bow < 0.1]
    curved = [sign for sign, bow in zip(signs, bows, strict=True) if bow > 1.0]
    assert len(flat) > 1
    assert len(curved) > 1
    assert set(flat) == {1.0}
    assert set(curved) == {-1.0}
    assert np.count_nonzero(np.diff(signs)) == 1
