"""M12.15: the drive at which an array first folds, by closed form and by dense steady states."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from arrayopt.base.arrays import Floats, Ints
from arrayopt.models.chips import Chips
from arrayopt.models.onset import array_onsets
from arrayopt.physics.intime.flow_kernel import ChipArrays, coupling_matrix
from arrayopt.physics.intime.folds import fold_drives
from arrayopt.physics.intime.slow_flow import linear_figures
from arrayopt.physics.sound.radiation import impedance_from_series
from arrayopt.physics.steady.steady import onset_force, onset_frequency
from tests.oracles.coupled import DenseArray
from tests.support.chain import as_drawn, four_cells, one_cell, random_designs, uniform_design

NECKED = {"cavity_depth": 150e-6, "neck_radius": 60e-6, "neck_length": 50e-6, "neck_count": 2}
RANGE = (6e4, 2e5)
"""Resonances of these cells lie between [Hz]."""


def folds(arrays: ChipArrays, chips: Ints, design: int = 0) -> Floats:
    ends = (np.full(chips.size, end) for end in RANGE)
    return fold_drives(arrays, np.full(chips.size, design), chips, *ends)


def closed_form(arrays: ChipArrays, *, coupled: bool = False) -> Floats:
    """M7.4 of the first cell (N), with the air's load, and the others' sound, at the onset."""
    w = linear_figures(arrays).resonance[0, 0, 0]
    cell = {n: getattr(arrays, n)[0, 0, 0] for n in ("mass", "damping", "stiffness", "cubic")}
    loading = arrays.density * arrays.sound_speed * np.pi * arrays.radius[0, 0, 0] ** 2
    series = (arrays.resistance[0, 0], arrays.reactance[0, 0])
    for _ in range(20):
        ka = w / arrays.sound_speed * arrays.radius[0, 0, 0]
        r, x, _ = impedance_from_series(np.array(ka), *series)
        sound = coupling_matrix(arrays, 0, w)[0].sum() * arrays.strength[0, 0, 0] ** 2
        sound *= coupled
        terms = {
            "c": cell["damping"] + loading * float(r) + sound.imag / w,
            "k1": cell["stiffness"],
            "g": cell["cubic"],
        }
        mass = cell["mass"] + loading * float(x) / w - sound.real / w**2
        w = float(onset_frequency(mass, **terms))
    return onset_force(mass, **terms)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_one_cell_is_the_closed_form(sign: float) -> None:
    study = four_cells()
    arrays = as_drawn(one_cell(uniform_design(study)), study).made.arrays
    arrays = arrays._replace(cubic=sign * arrays.cubic)
    force = np.hypot(arrays.force_re, arrays.force_im)[0, 0, 0]
    # 1 % of the drive, and the air's slope about the onset's frequency
    assert folds(arrays, np.array([0]))[0] * force == pytest.approx(closed_form(arrays), rel=0.02)


def test_equal_cells_are_one_cell_with_the_sound_of_all() -> None:
    study = four_cells()
    arrays = as_drawn(uniform_design(study), study).made.arrays
    force = np.hypot(arrays.force_re, arrays.force_im)[0, 0, 0]
    wanted = closed_form(arrays, coupled=True)
    assert abs(wanted / closed_form(arrays) - 1.0) > 0.1
    # 3 %: the sound's slope, too
    assert folds(arrays, np.array([0]))[0] * force == pytest.approx(wanted, rel=0.03)


@pytest.mark.parametrize("back", [{}, {"back": "necked", **NECKED}])
@pytest.mark.parametrize("chip", [0, 1])
def test_sweeps_of_steady_states_part_there(chip: int, back: dict[str, object]) -> None:
    study = four_cells(**back)
    chips = Chips(random_designs(study, "combined", 1, seed=3), study, 2)
    arrays = chips.made.arrays
    found = folds(arrays, np.array([chip]))[0]
    assert np.isfinite(found)
    gap = []
    for factor in (0.95, 1.05):
        drive = factor * found
        driven = arrays._replace(force_re=drive * arrays.force_re, force_im=drive * arrays.force_im)
        vars(chips)["made"] = type(chips.made)(**{**vars(chips.made), "arrays": driven})
        dense = DenseArray.of_chips(chips, chip=chip)
        f = np.linspace(8e4, 1.5e5, 1500)
        up, down = dense.swept(f), dense.swept(f[::-1])[::-1]
        gap.append(np.nanmax(np.abs(up - down).max(axis=1)) / np.nanmax(np.abs(up)))
    assert gap[0] < 1e-4 < 0.03 < gap[1]


def test_a_drive_in_volts_whatever_the_design_is_driven_with() -> None:
    study = four_cells()
    designs = uniform_design(study, drive=np.array([0.3, 3.0, 0.0]))
    chips = Chips(designs, study, 3)
    onset = array_onsets(chips.made, designs.drive_amplitude, 3, 3)
    assert_allclose(onset[0], onset[1], rtol=1e-3)  # the accuracy of one trial's rounding
    assert np.ptp(onset[0]) > 0.01 * onset[0, 0]
    assert np.isinf(onset[2]).all()
    few = array_onsets(chips.made, designs.drive_amplitude, 3, 1)
    assert np.array_equal(few[:, 0], onset[:, 0])
    assert_allclose(few[0], onset[0], rtol=0.2)  # the others' by their cells: chips differ


def test_the_batch_changes_no_bit() -> None:
    study = four_cells()
    arrays = Chips(random_designs(study, "combined", 2, seed=5), study, 3).made.arrays
    every = folds(arrays, np.arange(3), design=1)
    for chip in range(3):
        assert folds(arrays, np.array([chip]), design=1)[0] == every[chip]
    linear = arrays._replace(cubic=0.0 * arrays.cubic)
    assert np.isinf(folds(linear, np.arange(3))).all()
