"""Mutual radiation in the chain: the study's choice reaches merits and responses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from arrayopt.cli.verify import verification_text
from arrayopt.design.designs import DesignSpace
from arrayopt.merits.evaluate import evaluate
from arrayopt.merits.figures import compute_merits
from arrayopt.models.array import SMALL, UP
from arrayopt.models.cells import build_cells
from arrayopt.models.coupled.model import Coupled
from arrayopt.models.coupled.onset import ACCURACY, array_onset
from arrayopt.models.coupled.response import find_coupled_band, pack_coupled
from arrayopt.models.one_mode.band import find_band
from arrayopt.models.one_mode.response import array_pressure
from arrayopt.physics.coupled.arrays import coupled_sweep
from arrayopt.physics.sound.path import path_factors
from arrayopt.verify.designs import verification_dataset, verify_designs
from arrayopt.verify.run import VerifiedDesign
from tests.support.chain import duct, packed, random_designs, uniform_design, with_mutual

SIX_DB = 10.0 ** (-6.0 / 20.0)


def test_dense_array_in_phase_is_damped_by_its_neighbours() -> None:
    """All cells alike and in phase: more radiation damping, a lower peak, a wider band (M9.3)."""
    study = with_mutual(duct(), "none")
    designs = uniform_design(study, radius=480e-6, drive=1.0)
    alone = find_band(packed(study, designs), level=SIX_DB, sweep=SMALL)
    cells = build_cells(designs, study)
    for alike in ("group", "symmetry"):
        coupled = find_coupled_band(
            pack_coupled(cells, designs, study, alike=alike), level=SIX_DB, sweep=SMALL
        )
        assert coupled.status[0] == 0
        assert coupled.peak_pressure[0] < 0.85 * alone.peak_pressure[0]
        assert (coupled.upper_edge - coupled.lower_edge)[0] > 1.2 * (
            alone.upper_edge - alone.lower_edge
        )[0]


def test_one_cell_to_a_group_is_the_full_model() -> None:
    """Where every cell is a group of its own, the mean over a group leaves nothing out."""
    study = duct()
    strategy = study.strategy("combined")
    layout = strategy.layout
    from arrayopt.study.lattice import array_layout

    few = array_layout(
        layout.unit_position[:6],
        class_of_cell=np.arange(6),
        channel_of_cell=np.arange(6),
        explicit=False,
    )
    designs = random_designs(study, "combined", 2)
    designs = replace(
        designs,
        layout=few,
        **{
            name: getattr(designs, name)[:, :6].copy()
            for name in (
                "radius", "electrode_coverage", "ring", "drive_amplitude", "drive_phase", "bias",
            )
        },
    )  # fmt: skip
    cells = build_cells(designs, study)
    group, full = (
        find_coupled_band(pack_coupled(cells, designs, study, alike=a), level=SIX_DB, sweep=UP)
        for a in ("group", "each")
    )
    np.testing.assert_allclose(group.peak_pressure, full.peak_pressure, rtol=1e-6)
    np.testing.assert_allclose(group.upper_edge, full.upper_edge, rtol=1e-5)


def test_without_coupling_the_responses_agree() -> None:
    """Cells 1000 times farther apart feel nothing of one another: M9.1 is left."""
    study = duct()
    designs = uniform_design(study, radius=480e-6, drive=1.0)
    far = replace(designs, pitch=np.array([1.1]))
    cells = build_cells(designs, study)
    f = np.linspace(90e3, 115e3, 201)[None, :]
    alone = array_pressure(cells, designs, study, frequency=f, sweep=UP)
    coupled = Coupled(far, study, cells).response(f, UP)
    # 63 neighbours at a metre and more still add a few parts in ten thousand
    np.testing.assert_allclose(coupled.pressure, alone.pressure, rtol=3e-3)
    np.testing.assert_allclose(coupled.deflection, alone.deflection, rtol=3e-3)


def test_onset_of_cells_on_their_own_is_the_closed_form() -> None:
    """Without coupling the smallest onset of the cells, M7.4, is found to the stated 1 %."""
    study = duct()
    designs = random_designs(study, "combined", 2)
    cells = build_cells(designs, study)
    closed = (cells.onset / designs.drive_amplitude).min(axis=1)
    packed_alone = pack_coupled(cells, designs, study, alike="group", mutual=False)
    # the closed form holds the radiation load at the onset's own frequency
    np.testing.assert_allclose(array_onset(packed_alone, closed), closed, rtol=ACCURACY)
    idle = np.full(2, np.inf)
    assert np.all(np.isinf(array_onset(packed_alone, idle)))


def test_onset_of_the_array_is_where_its_sweeps_part() -> None:
    """Up- and down-sweep in 6000 steps agree 2 % below it, and differ 2 % above it."""
    study = duct()
    designs = uniform_design(study, radius=480e-6, drive=1.0)
    cells = build_cells(designs, study)
    coupled = pack_coupled(cells, designs, study)
    onset = array_onset(coupled, cells.onset[:, 0])
    assert 0.4 * cells.onset[0, 0] < onset[0] < 0.8 * cells.onset[0, 0]
    f0, width = (
        cells.natural_frequency[0, 0],
        (cells.natural_frequency / cells.quality_factor)[0, 0],
    )
    frequency = np.linspace(f0 - 5.0 * width, f0 + 5.0 * width, 6001)
    for factor, parts in ((0.98, False), (1.02, True)):
        up, down = (
            coupled_sweep(
                coupled.arrays, frequency=frequency, down=back, drive_scale=factor * onset
            ).amplitude[0]
            for back in (False, True)
        )
        gap = np.abs(up - down).max() / np.abs(up).max()
        assert gap > 1e-2 if parts else gap < 1e-5


def test_the_study_chooses() -> None:
    base = duct()
    designs = random_designs(base, "overlapping-radii", 3)
    peaks = {}
    for treatment in ("none", "group", "full"):
        study = with_mutual(base, treatment)
        study = replace(study, model=replace(study.model, escalate=False))
        table = compute_merits(designs, study, wanted=frozenset())
        peaks[treatment] = table.values["peak_pressure"]
        dataset = evaluate(designs, study, study.strategy("overlapping-radii"))
        amplitude = np.hypot(dataset["pressure_real"], dataset["pressure_imag"]).max("frequency")
        good = (table.status == 0) & ~table.several_modes
        assert good.any()
        # the stored response has 401 points of its own
        np.testing.assert_allclose(amplitude.values[good], peaks[treatment][good], rtol=0.08)
    assert np.all(np.abs(peaks["group"] / peaks["none"] - 1.0) > 0.01)
    gap = np.abs(peaks["group"] / peaks["full"] - 1.0)
    assert np.nanmax(gap) < np.nanmax(np.abs(peaks["none"] / peaks["full"] - 1.0))


def test_verify_tells_the_onset_of_the_array() -> None:
    """Stored and printed in volts of the channel driven most; NaN where nothing is driven."""
    study = duct()
    designs = uniform_design(study, radius=480e-6, drive=np.array([1.0, 0.0]))
    found = verify_designs(designs, study)
    cells = build_cells(designs, study)
    assert found.onset_alone[0] == cells.onset[0, 0]
    assert 0.4 < found.onset[0] / found.onset_alone[0] < 0.8
    assert np.isnan(found.onset[1])
    stored = verification_dataset(found)["verified_onset_voltage"]
    assert stored.attrs["units"] == "V"
    assert stored.values[0] == found.onset[0]
    one = verify_designs(designs.take(np.array([0])), study)
    assert one.onset[0] == found.onset[0]
    text = verification_text([VerifiedDesign("uniform-nonlinear/0", one, False)])
    assert f"{found.onset[0]:.4g}" in text.split("onset of the array")[1]


def test_undriven_groups_in_strongly_driven_arrays() -> None:
    """Several modes and coupling together, one group at rest: no 0 / 0, and it hardly moves."""
    study = with_mutual(duct(), "group")
    designs = random_designs(study, "combined", 4)
    amplitude = designs.drive_amplitude.copy()
    amplitude[:, 0] = 0.0
    table = compute_merits(replace(designs, drive_amplitude=amplitude), study)
    good = table.status == 0
    assert (table.several_modes & good).any()
    assert np.isfinite(table.values["deflection_ratio"][good]).all()


def test_no_pressure_that_the_deflections_cannot_radiate() -> None:
    """Hard-driven arrays of one radius, whose states between two points may not settle."""
    study = duct()
    space = DesignSpace(study, study.strategy("uniform-nonlinear"))
    near = np.array([0.9422, 0.5585, 0.3213, 1.0]) + np.random.default_rng(5).normal(
        0.0, 1e-3, (20, 4)
    )
    designs = space.decode(np.clip(near, 0.0, 1.0))
    coupled = pack_coupled(build_cells(designs, study), designs, study, alike="few")
    band = find_coupled_band(coupled, level=SIX_DB, sweep=UP)
    good = band.status == 0
    assert good.sum() > 12
    w = 2.0 * np.pi * band.peak_frequency[good]
    moved = np.abs(coupled.volume[good, 0]) * band.deflection[good, 0]
    base = coupled.base
    path = path_factors(base.density, base.distance, base.absorption, w)
    most = path * coupled.arrays.site_count.sum() * moved
    # deflections are the largest over the sweep, which are known as well as the peak
    assert np.all(band.peak_pressure[good] < (1.0 + 1e-6) * most)


def test_few_sites_are_kept_apart() -> None:
    """One radius on a square: ten sites, exact; eight interleaved radii: one site a group."""
    study = duct()
    for name, sites in (("uniform-nonlinear", 10), ("combined", 8)):
        designs = random_designs(study, name, 1)
        coupled = pack_coupled(build_cells(designs, study), designs, study, alike="few")
        assert coupled.arrays.site_count.size == sites
        assert coupled.arrays.site_count.sum() == 64
