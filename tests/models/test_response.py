"""The array's sum: coherence, directions, sweeps, and what each cell contributes (M9)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from arrayopt.models.array import DOWN, SMALL, UP
from arrayopt.models.cells import build_cells
from arrayopt.models.one_mode.response import array_pressure
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.sound.radiation import directivity
from arrayopt.physics.steady.steady import steady_amplitude
from tests.oracles.sound import self_impedance
from tests.support.chain import at_target, duct, random_designs, uniform_design


def test_one_cell_is_a_volume_source() -> None:
    """p = j w rho U / (2 pi r) exp(-jkr - alpha r), U = j w S A, A from the steady state."""
    study = duct()
    designs = uniform_design(study, drive=2.0)
    cells = build_cells(designs, study)
    f = np.linspace(95e3, 115e3, 7)
    w = 2 * np.pi * f
    air = study.air_state
    R, X = self_impedance(
        cells.shape[0, 0],
        radius=450e-6,
        wavenumber=w / air.sound_speed,
        density=air.density,
        sound_speed=air.sound_speed,
    )
    steady = steady_amplitude(
        w,
        mass=cells.mass[0, 0] + 2 * X / w,
        damping=cells.damping[0, 0] + 2 * R,
        stiffness=cells.stiffness[0, 0],
        cubic=cells.effective_cubic[0, 0],
        force=cells.force_per_volt[0, 0] * 2.0,
    )
    r = study.target.distance
    U = 1j * w * 64 * cells.volume[0, 0] * steady.amplitude
    expected = 1j * w * air.density * U / (2 * np.pi * r)
    expected = expected * np.exp(-1j * w / air.sound_speed * r - absorption(air, f) * r)
    response = array_pressure(cells, designs, study, frequency=f[None, :], sweep=UP)
    np.testing.assert_allclose(response.pressure[0], expected, rtol=1e-8)
    np.testing.assert_allclose(response.deflection[0, 0], steady.amplitude, rtol=1e-8)


def test_direction_against_a_sum_over_cells() -> None:
    """Off the axis: every cell with its own travel and its own directivity, added one by one."""
    study = at_target(duct(), polar=0.4, azimuth=0.7)
    designs = random_designs(study, "combined", 3)
    cells = build_cells(designs, study)
    f = np.linspace(80e3, 130e3, 5)
    response = array_pressure(cells, designs, study, frequency=np.tile(f, (3, 1)), sweep=UP)
    axis = array_pressure(
        cells, designs, at_target(study, polar=0.0), frequency=np.tile(f, (3, 1)), sweep=UP
    )
    position, group = designs.positions(), designs.layout.group_of_cell
    for i, one in enumerate(f):
        k = 2 * np.pi * one / study.air_state.sound_speed
        sine = np.sin(0.4) * np.array([np.cos(0.7), np.sin(0.7)])
        total = np.zeros(3, dtype=complex)
        for n in range(64):
            g = group[n]
            share = axis.group_pressure[:, g, i] / cells.count[g]
            element = directivity(cells.shape[:, g], k * designs.radius[:, g] * np.sin(0.4))
            total += share * element * np.exp(1j * k * position[:, n] @ sine)
        np.testing.assert_allclose(response.pressure[:, i], total, rtol=1e-9)


def test_steering_makes_the_target_the_axis() -> None:
    """With delays towards the target only the element directivity is left."""
    study = at_target(duct(), polar=0.5, azimuth=0.0, steered=True)
    designs = uniform_design(study, drive=2.0)
    cells = build_cells(designs, study)
    f = np.array([[100e3]])
    steered = array_pressure(cells, designs, study, frequency=f, sweep=UP).pressure
    axis = array_pressure(
        cells, designs, at_target(study, polar=0.0), frequency=f, sweep=UP
    ).pressure
    k = 2 * np.pi * 100e3 / study.air_state.sound_speed
    element = directivity(cells.shape[0, 0], k * 450e-6 * np.sin(0.5))
    np.testing.assert_allclose(steered / axis, element, rtol=1e-12)


def test_drive_phase_and_polarity() -> None:
    study = duct()
    designs = uniform_design(study, drive=1.0)
    turned = replace(designs, drive_phase=designs.drive_phase + 0.8)
    f = np.array([[101e3]])
    first, second = (
        array_pressure(build_cells(d, study), d, study, frequency=f, sweep=SMALL).pressure
        for d in (designs, turned)
    )
    np.testing.assert_allclose(second / first, np.exp(0.8j), rtol=1e-12)


def test_sweeps_differ_only_between_the_jumps() -> None:
    study = duct()
    onset = build_cells(uniform_design(study), study).onset[0, 0]
    designs = uniform_design(study, drive=3.0 * onset)
    cells = build_cells(designs, study)
    f = np.linspace(90e3, 130e3, 2001)[None, :]
    up, down, small = (
        np.abs(array_pressure(cells, designs, study, frequency=f, sweep=s).pressure[0])
        for s in (UP, DOWN, SMALL)
    )
    differs = np.abs(up / down - 1.0) > 1e-9
    where = np.flatnonzero(differs)
    assert where.size > 20
    assert np.array_equal(where, np.arange(where[0], where[-1] + 1)), "one connected interval"
    assert np.all(up[differs] > down[differs])
    assert f[0, np.argmax(up)] > f[0, np.argmax(small)], "hardening bends upwards"


def test_undriven_groups_are_silent() -> None:
    study = duct()
    designs = random_designs(study, "combined", 2)
    amplitude = designs.drive_amplitude.copy()
    amplitude[:, 3] = 0.0
    designs = replace(designs, drive_amplitude=amplitude)
    response = array_pressure(
        build_cells(designs, study), designs, study, frequency=np.full((2, 1), 1e5), sweep=UP
    )
    assert np.all(response.group_pressure[:, 3] == 0.0)
    assert np.all(np.abs(response.group_pressure[:, 2]) > 0.0)
