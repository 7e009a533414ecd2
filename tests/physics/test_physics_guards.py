"""Bounds between a number and a status, and corner cases: what a mutation run found unwatched."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from arrayopt.physics.back.cavity import CavityStatus, cavity_status
from arrayopt.physics.coupled.arrays import (
    CoupledStatus,
    coupled_arrays,
    coupled_sweep,
    site_table,
)
from arrayopt.physics.coupled.newton import CoupledArrays
from arrayopt.physics.numerics.threads import each, spread, thread_count
from arrayopt.physics.plate.diaphragm import film_stress
from arrayopt.physics.plate.laminate import Layer, sections
from arrayopt.physics.plate.table import plate_table
from arrayopt.physics.sound.air import air_state
from arrayopt.physics.sound.radiation import impedance_series
from arrayopt.physics.steady.steady_kernel import state_count
from arrayopt.physics.transient.grid import sample_grid
from arrayopt.physics.transient.one_mode import burst_envelope
from tests.oracles.linear import linear_part

AIR = air_state(293.15, relative_humidity=0.5)


@pytest.mark.parametrize("frequency", [2e3, 60e3])
def test_a_cavity_is_isothermal_from_a_tenth_of_its_size(frequency: float) -> None:
    """Thermal layer sqrt(2 mu/(rho w Pr)), Pr = 0.71 (air, any heat-transfer table)."""
    layer = np.sqrt(2.0 * AIR.viscosity / (AIR.density * 2.0 * np.pi * frequency * 0.71))
    for share, expected in ((0.0995, 0), (0.1005, int(CavityStatus.ISOTHERMAL))):
        status = cavity_status(AIR, cavity_volume=(layer / share) ** 3, frequency=frequency)
        assert int(status) & int(CavityStatus.ISOTHERMAL) == expected


@pytest.mark.parametrize("size", [0.4975, 0.5025])
def test_a_cavity_is_compact_up_to_half_a_radian(size: float) -> None:
    volume = (size * AIR.sound_speed / (2.0 * np.pi * 5e3)) ** 3
    status = int(cavity_status(AIR, cavity_volume=volume, frequency=5e3))
    assert bool(status & int(CavityStatus.NOT_COMPACT)) == (size > 0.5)


def test_a_ring_over_the_whole_radius_is_a_disc_over_the_whole_radius() -> None:
    """At the centre too, where the film stress of a ring is otherwise that of the bare stack."""
    layers = [
        Layer("plate", 5e-6, youngs_modulus=160e9, poisson_ratio=0.22, density=2330.0),
        Layer(
            "film",
            1e-6,
            youngs_modulus=283e9,
            poisson_ratio=0.287,
            density=3260.0,
            patterned=False,
            active=True,
            e31f=-1.02,
            relative_permittivity=10.0,
        ),
        Layer("top", 2e-7, youngs_modulus=329e9, poisson_ratio=0.31, density=1e4, patterned=True),
    ]
    covered, bare = sections(layers)
    disc, ring = (plate_table(covered, bare, ring=kind) for kind in (False, True))
    shape = np.array([1e-6, 0.0, 0.0, 0.0, 0.0])
    both = [
        film_stress(disc, ring, radius=300e-6, coverage=1.0, ring=kind, voltage=7.0, shape=shape)
        for kind in (False, True)
    ]
    assert_allclose(both[1].centre, both[0].centre, rtol=1e-9)
    assert_allclose(both[1].edge, both[0].edge, rtol=1e-9)
    # the film's own stress of 7 V is in both: e31f V / t = -7.1 MPa
    quiet = film_stress(disc, ring, radius=300e-6, coverage=1.0, ring=True, shape=shape)
    field = both[1].centre[..., 1] - quiet.centre[..., 1]
    assert field < 0.0


@pytest.mark.parametrize("threads", ["1", "2", "3"])
@pytest.mark.parametrize("count", [0, 1, 2, 5, 7, 100])
def test_threads_share_out_every_row_once(
    threads: str, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_NUM_THREADS", threads)
    blocks: list[tuple[int, int]] = []

    def kernel(start: int, stop: int, rows: np.ndarray) -> None:
        blocks.append((start, stop))
        rows[start:stop] += 1.0

    rows = np.zeros(count)
    spread(kernel, count, rows)
    assert_allclose(rows, 1.0, rtol=0.0)
    # four blocks a thread, none of them empty, and one call where one thread is enough
    used = min(int(threads), count)
    assert len(blocks) == (1 if used <= 1 else min(count, 4 * used))
    assert all(stop > start for start, stop in blocks) or count == 0


def test_threads_inside_threads_do_the_work_themselves(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")

    def rows(length: int) -> int:
        seen: list[int] = []
        spread(lambda start, stop: seen.extend(range(start, stop)), length)
        return sum(seen)

    assert each(rows, [3, 5, 7, 9]) == [3, 10, 21, 36]  # a wait for its own threads would hang


def test_threads_are_counted_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(6)))
    for wanted, found in (("1", 1), ("3", 3), ("0", 6), ("", 6), ("all", 6)):
        monkeypatch.setenv("NUMBA_NUM_THREADS", wanted)
        assert thread_count() == found


@pytest.mark.parametrize("g", [0.5, -0.5, 2.0, -2.0])
def test_states_are_counted_whatever_the_unit_of_force(g: float) -> None:
    """Against the real roots of M7.1's cubic by numpy: hardening below 1 is hardening, too."""
    seen = set()
    for d in np.linspace(-6.0, 6.0, 13):
        for F in (0.5, 1.5, 3.0, 4.5):
            a = 0.75 * g
            roots = np.roots([a * a, 2.0 * a * d, d * d + 1.0, -F * F])
            real = int(np.sum((np.abs(roots.imag) < 1e-7 * np.abs(roots)) & (roots.real > 0.0)))
            assert state_count(d, 1.0, g, F) == real
            seen.add(real)
    assert seen == {1, 3}


@pytest.mark.parametrize(("first", "last"), [(80e3, 120e3), (110e3, 90e3), (1.3, 1.3)])
def test_windows_of_a_chirp_end_after_whole_cycles(first: float, last: float) -> None:
    """phi(t) = f0 t + (f1 - f0) t^2 / 2T counts cycles; windows are counted from the end (M8.2)."""
    duration = 50.0 / (first + last)
    grid = sample_grid(np.array([first]), np.array([last]), np.array([duration]), 0.0, 1)
    time = grid.time(first, last, duration)
    cycles = first * time + 0.5 * (last - first) * time**2 / duration
    total = 0.5 * (first + last) * duration
    assert_allclose(cycles, total - 0.5 - np.arange(25)[::-1], rtol=1e-12)


def coupled(position: np.ndarray, force: complex = 1e-6) -> CoupledArrays:
    """Piston cells of 0.5 mm, one group; positions in radii."""
    mass, w, one = 2.2e-9, 2.0 * np.pi * 1e5, np.ones((1, 1))
    resistance, reactance = impedance_series(np.array([1.0]), 16)
    return coupled_arrays(
        site_table(position, [0] * len(position), alike="symmetry"),
        mass=mass * one,
        damping=mass * w / 90.0 * one,
        stiffness=mass * w**2 * one,
        cubic=0.0 * one,
        force=force * one.astype(complex),
        radius=5e-4 * one,
        shape=np.ones((1, 1, 1)),
        resistance=np.broadcast_to(resistance, (1, 1, 16)),
        reactance=np.broadcast_to(reactance, (1, 1, 16)),
        highest_frequency=1.2e5,
        scale=5e-4,
        sides=1,
        density=1.2,
        sound_speed=343.0,
    )


@pytest.mark.parametrize(("gap", "overlaps"), [(0.0, False), (-1e-6, True), (1e-6, False)])
def test_cells_that_touch_do_not_overlap(gap: float, overlaps: bool) -> None:
    arrays = coupled(np.array([[0.0, 0.0], [2.0 * (1.0 + gap), 0.0]]))
    status = int(coupled_sweep(arrays, frequency=np.array([9e4, 9.1e4])).status[0])
    assert bool(status & int(CoupledStatus.OVERLAP)) == overlaps


@pytest.mark.parametrize(("moved", "sites"), [(0.0, 1), (0.01, 4)])
def test_a_square_that_is_none_has_no_symmetry(moved: float, sites: int) -> None:
    """Turned by 90 degrees, each corner still lands nearest to another one."""
    square = np.array([[0.0, 0.0], [2.2, 0.0], [0.0, 2.2], [2.2 + moved, 2.2]])
    assert len(np.unique(coupled(square).cell_site)) == sites


def test_the_drive_keeps_the_sign_of_its_phase() -> None:
    force = 2e-6 * np.exp(0.7j)
    part = linear_part(coupled(np.array([[0.0, 0.0], [2.2, 0.0]]), force), design=0, frequency=1e5)
    assert_allclose(part.force, force, rtol=1e-12)


def test_the_reported_error_is_that_of_the_finer_of_two_runs() -> None:
    """Order 4, so halving the step leaves 1/15 of what changed (Richardson; Hairer, II.4)."""
    mass, f0 = 1e-10, 1e5
    stiffness = mass * (2.0 * np.pi * f0) ** 2
    cell: dict[str, Any] = {
        "frequency": 1.02 * f0,
        "duration": 12.5 / f0,
        "drive_amplitude": 3.0,
        "mass": mass,
        "damping": mass * 2.0 * np.pi * f0 / 40.0,
        "stiffness": stiffness,
        "cubic": 0.5 * stiffness / (2e-6) ** 2,
        "force_per_volt": 1e-6,
    }
    coarse, fine = (burst_envelope(**cell, steps_per_cycle=n).envelope for n in (16, 32))
    found = burst_envelope(**cell, steps_per_cycle=16, verify=True, tolerance=1e-2)
    assert_allclose(found.envelope, fine, rtol=1e-12)
    expected = np.abs(fine - coarse).max() / np.abs(fine).max() / 15.0
    assert_allclose(found.error, expected, rtol=1e-9)
