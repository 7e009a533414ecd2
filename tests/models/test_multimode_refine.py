"""Bands of several modes do not depend on the sweep's grid (M7.20, M7.21)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.models.array import DOWN, UP
from arrayopt.models.cells import build_cells
from arrayopt.models.several_modes.sweep import (
    SweepSettings,
    radiation_matrices,
    several_modes_band,
    swept,
)
from arrayopt.physics.steady.harmonic import harmonic_sweep
from arrayopt.physics.steady.harmonic_between import FOLD, FOUND, PAST, TURN, Tasks, solve_tasks
from arrayopt.physics.steady.harmonic_kernel import Rows
from arrayopt.search.seeds import seed_vectors
from tests.oracles.folds import jump_frequencies
from tests.support.chain import duct, random_designs, uniform_design

SIX_DB = 10.0 ** (-6.0 / 20.0)
FINER = SweepSettings(points=4001)


def staggered(count: int) -> Designs:
    """What a search starts from."""
    study = duct()
    strategy = study.strategies[0]
    return DesignSpace(study, strategy).decode(seed_vectors(study, strategy, count + 1)[1:])


CASES = {
    "staggered": lambda: staggered(8),
    "random": lambda: random_designs(duct(), "combined", 8, seed=5),
    "uniform": lambda: uniform_design(duct(), radius=480e-6, drive=np.linspace(2.0, 20.0, 8)),
}


@pytest.mark.parametrize("sweep", [UP, DOWN])
@pytest.mark.parametrize("case", CASES)
def test_ten_times_as_many_points_change_nothing(case: str, sweep: int) -> None:
    """Bandwidth, peak, excursion and power to 1e-6; most jump inside the band."""
    designs = CASES[case]()
    usual, finer = (
        several_modes_band(designs, duct(), sweep=sweep, level=SIX_DB, settings=settings)
        for settings in (SweepSettings(), FINER)
    )
    assert not usual.status.any()
    assert not finer.status.any()
    assert_allclose(usual.fractional_width, finer.fractional_width, rtol=1e-6)
    for name in ("peak_pressure", "deflection", "power"):
        assert_allclose(getattr(usual, name), getattr(finer, name), rtol=1e-6)
    # against the finer grid's own samples, which know nothing of the refinement
    samples = swept(designs, duct(), sweep, FINER)
    size = np.abs(samples.group_pressure.sum(axis=1))
    assert np.all(size.max(axis=1) < usual.peak_pressure * (1.0 + 2e-4))
    for d in range(len(designs.radius)):
        limit = SIX_DB * usual.peak_pressure[d]
        f = samples.frequency[d]
        for edge, inwards in ((usual.lower_edge[d], 1), (usual.upper_edge[d], -1)):
            at = int(np.searchsorted(f, edge))
            beyond, inside = (at - 2, at + 1) if inwards > 0 else (at + 1, at - 2)
            assert size[d, beyond] < limit < size[d, inside]


def ask(
    rows: Rows, kind: int, row: int, w: float, places: list[np.ndarray], states: list[np.ndarray]
) -> tuple[int, float, np.ndarray]:
    """Answer to one task."""
    flags = np.zeros(1, dtype=bool)
    tasks = Tasks(np.array([kind]), np.array([row]), np.array([w]), *places, *states, flags, flags)
    code, at, state = np.zeros(1, dtype=np.int64), np.zeros(1), np.zeros_like(states[0])
    solve_tasks(0, 1, rows, tasks, code, at, state)
    return int(code[0]), float(at[0]), state[0]


@pytest.mark.parametrize("up", [True, False])
def test_folds_are_those_of_the_closed_form(up: bool) -> None:
    """One mode, one harmonic, a cubic: M7.6 to 1e-9, and the state after is on the other branch."""
    force = np.array([5e-3, 8e-3, 2e-2])
    coarse = np.linspace(0.95, 1.6, 131)
    sweep = harmonic_sweep(
        coarse,
        mass=[1.0],
        stiffness=[1.0],
        damping=[0.02],
        quadratic_tensor=np.zeros((1, 1, 1)),
        cubic_tensor=np.ones((1, 1, 1, 1)),
        force=force[:, None],
        harmonics=1,
        sweep_up=up,
    )
    rise, fall, status = jump_frequencies(1.0, c=0.02, k1=1.0, g=1.0, F=force)
    expected = fall if up else rise
    assert not status.any()
    for row in range(3):
        jump = int(np.searchsorted(coarse, expected[row]))
        order = [jump - 2, jump - 1, jump] if up else [jump + 1, jump, jump - 1]
        states = [sweep.states[row, i][None] for i in order]
        places = [coarse[i : i + 1] for i in order]

        code, fold, before = ask(sweep.rows, TURN, row, expected[row], places, states)
        assert code == FOLD
        assert fold == pytest.approx(expected[row], rel=1e-9)
        code, past, after = ask(sweep.rows, PAST, row, fold, places, states)
        assert code == FOUND
        assert (past > fold) == up
        ratio = np.linalg.norm(after) / np.linalg.norm(before)
        assert ratio < 0.9 if up else ratio > 1.1


def test_radiation_between_its_nodes() -> None:
    """51 nodes against 401 frequencies: 1e-7 of the response up to the second harmonic's ka 4."""
    study = duct()
    designs = random_designs(study, "combined", 2, seed=5)
    cells = build_cells(designs, study, n_modes=2)
    w = 2.0 * np.pi * np.linspace(85e3, 145e3, 401)
    nodes = w[::8]
    given = {}
    for name, at in (("all", w), ("nodes", nodes)):
        R, X = radiation_matrices(designs, study, cells, np.tile(at, (2, 1)), 2)
        modes = cells.modes
        given[name] = harmonic_sweep(
            w,
            mass=modes.mass,
            stiffness=modes.stiffness,
            damping=np.sqrt(modes.stiffness * modes.mass) / study.cell.quality_factor,
            quadratic_tensor=0.0 * modes.quadratic_tensor,
            cubic_tensor=0.0 * modes.cubic_tensor,
            force=modes.force_per_volt,
            radiation_resistance=R,
            radiation_reactance=X,
            radiation_frequency=at,
            harmonics=2,
            length=study.thickness,
            interpolation=0.0,
            tolerance=1e-10,
        ).amplitude
    gap = np.abs(given["nodes"] - given["all"]).max(axis=(-1, -2))
    assert np.all(gap < 1e-7 * np.abs(given["all"]).max(axis=(-1, -2)))
