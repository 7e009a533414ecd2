"""Mutual radiation in the steady states (M9): limits, balances, symmetry, and time integration."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from arrayopt.physics.coupled.arrays import (
    CoupledStatus,
    coupled_arrays,
    coupled_sweep,
    site_table,
)
from arrayopt.physics.coupled.newton import CoupledArrays
from arrayopt.physics.sound.radiation import impedance_series
from arrayopt.physics.steady.steady import amplitude_squared
from tests.oracles.linear import growth_rates, jacobian, linear_part
from tests.oracles.sound import mutual_matrix, self_impedance

# Invented diaphragms of about 100 kHz; the formulas under test hold for any numbers.
AIR = {"density": 1.2, "sound_speed": 343.0}
SHAPE = np.array([1.0, -0.3])
RADIUS, MASS = 5e-4, 2.2e-9
CENTRE = 2.0 * np.pi * 1e5
STIFFNESS = MASS * CENTRE**2
DAMPING = MASS * CENTRE / 90.0
CUBIC = STIFFNESS * 0.5 / (4e-6) ** 2
ONE_FORCE = 1.2e-4
SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
PITCH = 1.1e-3


def make(
    position: np.ndarray, group: Any, *, alike: Any = "symmetry", sides: int = 2, **change: Any
) -> CoupledArrays:
    table = site_table(position, group, alike=alike)
    groups = int(np.max(group)) + 1
    spread = 1.0 + 0.03 * np.arange(groups)
    resistance, reactance = (2.0 * s for s in impedance_series(SHAPE, 16))
    values: dict[str, Any] = {
        "mass": np.full((1, groups), MASS),
        "damping": np.full((1, groups), DAMPING),
        "stiffness": (STIFFNESS * spread)[None],
        "cubic": np.full((1, groups), CUBIC),
        "force": np.full((1, groups), ONE_FORCE, dtype=complex),
        "radius": np.full((1, groups), RADIUS),
        "shape": np.broadcast_to(SHAPE, (1, groups, 2)),
        "resistance": np.broadcast_to(resistance, (1, groups, 16)),
        "reactance": np.broadcast_to(reactance, (1, groups, 16)),
        "highest_frequency": 2e5,
        "scale": PITCH,
        "sides": sides,
        **AIR,
    }
    return coupled_arrays(table, **(values | change))


def impedance(position: np.ndarray, frequency: float) -> np.ndarray:
    """Full impedance matrix (cell, cell) of both sides, from the modules of M5."""
    Z = mutual_matrix(position * PITCH, SHAPE, radius=RADIUS, frequency=frequency, **AIR)
    k = 2.0 * np.pi * frequency / AIR["sound_speed"]
    R, X = self_impedance(SHAPE, radius=RADIUS, wavenumber=k, **AIR)
    return np.asarray(2.0 * (Z + (R + 1j * X) * np.eye(len(position))))


def test_small_signals_solve_the_linear_equations() -> None:
    group = [0, 1, 2, 0]
    arrays = make(SQUARE, group, cubic=np.zeros((1, 3)))
    frequency = np.linspace(9e4, 1.1e5, 60)
    swept = coupled_sweep(arrays, frequency=frequency)
    assert not swept.status.any()
    stiffness = STIFFNESS * (1.0 + 0.03 * np.array(group))
    for i in (0, 17, 33, 59):
        w = 2.0 * np.pi * frequency[i]
        operator = np.diag(stiffness - w**2 * MASS + 1j * w * DAMPING)
        operator = operator + 1j * w * impedance(SQUARE, frequency[i])
        expected = np.linalg.solve(operator, np.full(4, ONE_FORCE))
        # iterative tolerance 1e-7 of the force, times the condition of the operator (about 30)
        np.testing.assert_allclose(swept.amplitude[0, i], expected, rtol=3e-6)
        np.testing.assert_allclose(
            linear_part(arrays, design=0, frequency=frequency[i]).operator,
            make_reduced(operator, arrays),
            rtol=1e-9,  # the tables of M5.5 and M5.6 promise 1e-9
        )


def make_reduced(operator: np.ndarray, arrays: CoupledArrays) -> np.ndarray:
    """Rows of the first cell of each site, columns summed over the cells of each site."""
    site = arrays.cell_site
    member = site[:, None] == np.arange(site.max() + 1)[None, :]
    first = np.array([np.flatnonzero(site == s)[0] for s in range(site.max() + 1)])
    return np.asarray(operator[first] @ member)


@pytest.mark.parametrize("down", [False, True])
def test_without_coupling_it_is_the_closed_form(down: bool) -> None:
    arrays = make(SQUARE, [0, 1, 2, 0], sides=0)
    frequency = np.linspace(9e4, 1.35e5, 700)
    swept = coupled_sweep(arrays, frequency=frequency, down=down, tolerance=1e-10)
    for i, f in enumerate(frequency):
        if swept.jumps[0, i - 1 : i + 2].any():
            continue  # a grid point this close to the fold
        part = linear_part(arrays, design=0, frequency=f)
        for site in range(3):
            value = part.operator[site, site]
            X = amplitude_squared(value.real, value.imag, CUBIC, ONE_FORCE, not down)
            got = abs(swept.amplitude[0, i, site]) ** 2
            # 1e-10 in the force is up to 1e-8 in X where the slope is 50; the cube root adds 1e-8
            np.testing.assert_allclose(got, X, rtol=1e-6)


@lru_cache(maxsize=2)
def swept_square(reduce: bool) -> tuple[CoupledArrays, np.ndarray, Any]:
    arrays = make(SQUARE, [0, 1, 1, 0], alike="symmetry" if reduce else "each")
    frequency = np.linspace(9e4, 1.35e5, 800)
    return arrays, frequency, coupled_sweep(arrays, frequency=frequency)


def test_orbits_give_the_states_of_the_full_array() -> None:
    arrays, _, few = swept_square(True)
    _, _, all_cells = swept_square(False)
    assert arrays.site_group.size == 2
    assert not few.status.any()
    assert not all_cells.status.any()
    assert few.jumps.sum() >= 1
    quiet = ~(few.jumps[0] | all_cells.jumps[0]).astype(bool)
    np.testing.assert_allclose(few.amplitude[0, quiet], all_cells.amplitude[0, quiet], rtol=1e-4)


def test_uniform_square_has_ten_orbits() -> None:
    # D4 acting on an 8 x 8 lattice: the 4 x 4 quadrant folded along its diagonal, 10 cells
    x, y = np.meshgrid(np.arange(8.0), np.arange(8.0))
    table = site_table(np.stack([x.ravel(), y.ravel()], axis=1), np.zeros(64, dtype=int))
    assert sorted(table.count) == [4] * 4 + [8] * 6
    assert len(table.distance) == 33  # different values of i^2 + j^2, 0 <= i, j <= 7, less 0
    hexagon = np.array([[np.cos(a), np.sin(a)] for a in np.arange(6) * np.pi / 3] + [[0.0, 0.0]])
    assert sorted(site_table(hexagon, np.zeros(7, dtype=int)).count) == [1, 6]
    assert len(site_table(hexagon, np.arange(7)).count) == 7


def test_numbering_of_the_cells_does_not_matter() -> None:
    group = np.array([0, 1, 2, 1])
    order = np.array([2, 0, 3, 1])
    frequency = np.linspace(9e4, 1.1e5, 150)
    one = coupled_sweep(make(SQUARE, group, alike="each"), frequency=frequency)
    other = coupled_sweep(make(SQUARE[order], group[order], alike="each"), frequency=frequency)
    assert not one.status.any()
    np.testing.assert_allclose(one.amplitude[:, :, order], other.amplitude, rtol=1e-5)


def test_power_put_in_is_lost_or_radiated() -> None:
    arrays, frequency, swept = swept_square(True)
    for i in range(0, 800, 40):
        A, w = swept.amplitude[0, i], 2.0 * np.pi * frequency[i]
        radiated = 0.5 * w**2 * (A.conj() @ impedance(SQUARE, frequency[i]).real @ A).real
        lost = 0.5 * w**2 * DAMPING * np.sum(np.abs(A) ** 2)
        supplied = 0.5 * w * np.sum(ONE_FORCE * (1j * A)).real
        assert radiated > 0.0
        # 1e-7 of the force norm; the power factor here is at least 0.03
        np.testing.assert_allclose(radiated + lost, supplied, rtol=3e-5)
    small = linear_part(arrays._replace(coupling=np.array([2.0])), design=0, frequency=1e5)
    weights = arrays.site_count[:, None]
    np.testing.assert_allclose(weights * small.operator, (weights * small.operator).T, rtol=1e-12)


def test_two_cells_against_time_integration() -> None:
    """The physical equations in time, air as mass and damping of the drive frequency."""
    pair = np.array([[0.0, 0.0], [1.0, 0.0]])
    arrays = make(pair, [0, 1], force=np.array([[ONE_FORCE, ONE_FORCE * np.exp(1j)]]))
    frequency = np.linspace(9e4, 1.02e5, 120)
    swept = coupled_sweep(arrays, frequency=frequency)
    assert not swept.status.any()
    i = 119
    w = 2.0 * np.pi * frequency[i]
    Z = impedance(pair, frequency[i])
    M = np.linalg.inv(np.eye(2) * MASS + Z.imag / w)
    C, K = np.eye(2) * DAMPING + Z.real, STIFFNESS * np.array([1.0, 1.03])
    drive = np.array([ONE_FORCE, ONE_FORCE * np.exp(1j)])
    size = 1e-6

    def slope(time: float, y: np.ndarray) -> np.ndarray:
        x, v = y[:2] * size, y[2:] * size * w
        force = (drive * np.exp(1j * time)).real - C @ v - K * x - CUBIC * x**3
        return np.concatenate([y[2:], M @ force / (size * w * w)])

    # from the swept state, so that both are on the same branch; 60 periods forget the difference
    A = swept.amplitude[0, i] / size
    begin = np.concatenate([A.real, (1j * A).real])
    turn = 2.0 * np.pi
    times = np.linspace(60 * turn, 61 * turn, 65)[:-1]
    run = solve_ivp(slope, (0.0, times[-1]), begin, t_eval=times, method="DOP853", rtol=1e-8)
    found = 2.0 * np.mean(run.y[:2] * np.exp(-1j * times), axis=1)
    # what one harmonic leaves out is of order 3/4 g |A|^2 / (8 k1) = 1 % of |A|
    np.testing.assert_allclose(found, A, rtol=2e-2)


def test_stability_and_jacobian() -> None:
    arrays, frequency, swept = swept_square(False)
    for i in (50, 400, 790):
        state = swept.amplitude[0, i]
        part = linear_part(arrays, design=0, frequency=frequency[i])
        J = jacobian(part, state)
        rng = np.random.default_rng(i)
        v = (rng.normal(size=4) + 1j * rng.normal(size=4)) * 1e-9

        def left(A: np.ndarray, part: Any = part) -> np.ndarray:
            return np.asarray(part.operator @ A + 0.75 * part.cubic * np.abs(A) ** 2 * A)

        central = left(state + 0.5 * v) - left(state - 0.5 * v)
        change = J @ np.concatenate([v.real, v.imag])
        # rounding of the difference: 1e-16 * |state| / |v| = 1e-12; cubic remainder (v / state)^2
        np.testing.assert_allclose(change[:4] + 1j * change[4:], central, rtol=1e-5)
        rates = growth_rates(part, state)
        assert rates[0].real < 0.0
    part = linear_part(make(SQUARE[:1], [0]), design=0, frequency=1e5)
    rest = growth_rates(part, np.zeros(1, dtype=complex))
    half_width = np.tile(part.operator[0, 0].imag / part.inertia, 2)
    np.testing.assert_allclose(rest.real, -half_width, rtol=1e-10)


def test_jump_is_where_the_branch_folds() -> None:
    """A sixteenth of the step in the kernel against continuation with steps 40 times finer."""
    arrays = make(SQUARE, [0, 1, 1, 0])
    coarse = np.linspace(9e4, 1.35e5, 400)
    at = np.flatnonzero(coupled_sweep(arrays, frequency=coarse).jumps[0])
    fine = np.linspace(9e4, 1.35e5, 16000)
    dense = fine[np.flatnonzero(coupled_sweep(arrays, frequency=fine).jumps[0])]
    assert len(at) == len(dense) >= 1
    step = coarse[1] - coarse[0]
    for found, expected in zip(coarse[at], dense, strict=True):
        assert found - 1.2 * step <= expected <= found + 0.2 * step


def test_overlap_and_range_are_reported() -> None:
    close = coupled_sweep(make(SQUARE, [0] * 4, scale=0.9e-3), frequency=[9e4, 9.1e4])
    assert close.status[0] == CoupledStatus.OVERLAP
    assert np.isnan(close.amplitude).all()
    high = coupled_sweep(make(SQUARE, [0] * 4), frequency=[9e4, 9e5])
    assert high.status[0] & CoupledStatus.KA_RANGE
    with pytest.raises(ValueError, match="same position"):
        site_table(SQUARE[[0, 1, 1]], [0, 0, 0])
