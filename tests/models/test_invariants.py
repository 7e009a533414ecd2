"""Limits and symmetries of the whole chain over random designs of the duct study (M1 to M10)."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from arrayopt.design.designs import GROUP_ARRAYS, Designs
from arrayopt.merits.figures import compute_merits
from arrayopt.models.array import DOWN, SMALL, UP, Band
from arrayopt.models.cells import Cells, build_cells
from arrayopt.models.coupled.response import pack_coupled
from arrayopt.models.one_mode.band import find_band
from arrayopt.models.one_mode.response import Packed, array_pressure, pack
from arrayopt.physics.sound.radiation import directivity
from arrayopt.study.lattice import array_layout
from arrayopt.study.model import Study
from tests.oracles.linear import linear_part
from tests.support.chain import at_target, duct, packed, random_designs, uniform_design

SEEDS = st.integers(0, 2**31)
NO_ABSORPTION = np.array([0.0, 0.0, 0.0, 1.0, 1.0])


@lru_cache(maxsize=1)
def study() -> Study:
    return duct()


def width(band: Band) -> NDArray[np.float64]:
    return 2.0 * (band.upper_edge - band.lower_edge) / (band.upper_edge + band.lower_edge)


# --- limits of the drive ----------------------------------------------------------------------


@settings(max_examples=15, deadline=None, derandomize=True)
@given(SEEDS)
def test_small_drive_has_the_band_of_the_quality_factor(seed: int) -> None:
    """-3 dB width of 1/Q (any resonator text); Q is the cells' own, with radiation."""
    designs = random_designs(study(), "uniform-nonlinear", 4, seed)
    weak = replace(designs, drive_amplitude=np.full(designs.radius.shape, 1e-5))
    cells = build_cells(weak, study())
    band = find_band(pack(cells, weak, study()), level=0.5**0.5, sweep=UP)
    good = band.status == 0
    assert good.any()
    # Acceleration instead of velocity is of order 1/Q^2. The radiation mass falls with frequency,
    # which the width sees and w m/c at the resonance does not: less than 2 % at the radii allowed.
    assert_allclose((width(band) * cells.quality_factor[:, 0])[good], 1.0, rtol=2e-2)


@pytest.mark.parametrize("level", [10.0 ** (-3 / 20), 10.0 ** (-6 / 20)])
@settings(max_examples=8, deadline=None, derandomize=True)
@given(seed=SEEDS)
def test_strong_drive_reaches_the_ceiling_and_never_passes_it(level: float, seed: int) -> None:
    """Pressure goes with w^3 on the upper branch: 11.5 % at -3 dB, 23.1 % at -6 dB (M7)."""
    ceiling = 2.0 * (1.0 - level ** (1 / 3)) / (1.0 + level ** (1 / 3))
    designs = random_designs(study(), "uniform-nonlinear", 4, seed)
    cells = packed(study(), designs)
    # Linear damping and a constant mass, as the statement has it; no air on the way.
    bare = cells._replace(
        resistance=np.zeros_like(cells.resistance),
        reactance=np.zeros_like(cells.reactance),
        absorption=NO_ABSORPTION,
        natural=np.sqrt(cells.stiffness / cells.mass),
        linewidth=cells.damping / cells.mass,
    )
    hardening = (cells.cubic[:, 0] > 0.0) & np.isfinite(cells.stiffness[:, 0])
    assert hardening.any()
    last = np.zeros(len(designs))
    for reach in (1.2, 2.0, 4.0):
        # drive that puts the end of the backbone at reach x w0: k1 (reach^2 - 1) = 3/4 g A^2
        amplitude = np.sqrt(bare.stiffness * (reach**2 - 1.0) / (0.75 * np.abs(bare.cubic)))
        force = amplitude * reach * bare.natural * bare.damping
        band = find_band(bare._replace(force=force), level=level, sweep=UP)
        assert (band.status[hardening] == 0).all()
        found = width(band)[hardening]
        assert (found < ceiling).all()
        assert (found > last[hardening]).all()
        last[hardening] = found
    # Next term on the backbone: A^2 ~ w^2 - w0^2 takes 1/(2 reach^2) from the slope's w^3.
    assert_allclose(last[hardening], ceiling, rtol=4e-2)


@settings(max_examples=10, deadline=None, derandomize=True)
@given(SEEDS, st.floats(0.05, 0.95))
def test_sweeps_coincide_below_onset(seed: int, share: float) -> None:
    designs = random_designs(study(), "combined", 4, seed)
    onset = build_cells(designs, study()).onset
    volts = share * np.where(np.isfinite(onset), onset, 1.0)
    designs = replace(designs, drive_amplitude=volts)
    up = compute_merits(designs, study())
    down = compute_merits(designs, at_target(study(), excitation="down-sweep"))
    assert np.array_equal(up.status, down.status)
    for name in ("fractional_bandwidth", "peak_pressure", "centre_frequency", "drive_power"):
        assert_allclose(up.values[name], down.values[name], rtol=1e-9, err_msg=name)


# --- arrays -----------------------------------------------------------------------------------


@settings(max_examples=8, deadline=None, derandomize=True)
@given(SEEDS)
def test_order_of_cells_changes_nothing(seed: int) -> None:
    """Cells renumbered with all that belongs to them: every merit, off the axis too."""
    tilted = at_target(study(), polar=0.3, azimuth=0.8)
    designs = random_designs(study(), "combined", 3, seed)
    old = designs.layout
    order = np.random.default_rng(seed).permutation(old.n_cells)
    renamed = np.random.default_rng(seed + 1).permutation(old.n_classes)
    layout = array_layout(
        old.unit_position[order],
        class_of_cell=renamed[old.class_of_cell[order]],
        channel_of_cell=renamed[old.channel_of_cell[order]],
        explicit=old.explicit,
    )
    came_from = np.empty(old.n_groups, dtype=int)
    came_from[layout.group_of_cell] = old.group_of_cell[order]
    values = {name: getattr(designs, name)[:, came_from] for name in GROUP_ARRAYS}
    moved = replace(designs, layout=layout, **values)
    before, after = compute_merits(designs, tilted), compute_merits(moved, tilted)
    assert np.array_equal(before.status, after.status)
    for name, value in before.values.items():
        # Sums over cells in another order: rounding, and edges are found to 1e-9; beam lobes have
        # a null next to them where rounding may decide which direction counts.
        assert_allclose(after.values[name], value, rtol=1e-7, err_msg=name)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(SEEDS, st.sampled_from(["uniform-nonlinear", "overlapping-radii", "combined"]))
def test_a_batch_is_its_designs_one_by_one(seed: int, strategy: str) -> None:
    designs = random_designs(study(), strategy, 6, seed)
    whole = compute_merits(designs, study())
    for k in range(len(designs)):
        one = compute_merits(designs.take(k), study())
        assert one.status[0] == whole.status[k]
        for name, value in whole.values.items():
            assert np.array_equal(one.values[name], value[k : k + 1], equal_nan=True), name


@settings(max_examples=10, deadline=None, derandomize=True)
@given(SEEDS, st.sampled_from([UP, DOWN, SMALL]))
def test_identical_cells_add_coherently_on_the_axis(seed: int, sweep: int) -> None:
    designs = random_designs(study(), "uniform-nonlinear", 3, seed)
    single = array_layout(
        np.zeros((1, 2)),
        class_of_cell=np.zeros(1, dtype=int),
        channel_of_cell=np.zeros(1, dtype=int),
        explicit=True,
    )
    alone = replace(designs, layout=single)
    frequency = np.linspace(80e3, 130e3, 37)[None].repeat(3, axis=0)
    many, one = (
        array_pressure(build_cells(d, study()), d, study(), frequency=frequency, sweep=sweep)
        for d in (designs, alone)
    )
    n = designs.layout.n_cells
    assert n == 64
    # Phase over 0.3 m is 500 rad: its rounding is 1e-13.
    assert_allclose(many.pressure, n * one.pressure, rtol=1e-12)


# --- scaling ----------------------------------------------------------------------------------


def scaled(designs: Designs, s: float) -> tuple[Study, Designs]:
    """All lengths times s: layers, radii, pitch, distance; voltages times s keep the field."""
    base = study()
    stack = tuple(replace(layer, thickness=s * layer.thickness) for layer in base.stack)
    larger = replace(base, stack=stack, target=replace(base.target, distance=s * 0.3))
    return larger, replace(
        designs,
        radius=s * designs.radius,
        pitch=s * designs.pitch,
        drive_amplitude=s * designs.drive_amplitude,
        bias=s * designs.bias,
    )


@settings(max_examples=8, deadline=None, derandomize=True)
@given(SEEDS, st.floats(0.4, 2.5))
def test_scaling_all_lengths(seed: int, s: float) -> None:
    """Lengths and volts x s in lossless air: pressure and band stay, frequency / s, power x s^2.

    Stress, field and Mach number stay, ka stays; only absorption over the path knows a length.
    """
    designs = random_designs(study(), "combined", 4, seed)
    larger, big = scaled(designs, s)
    level = 10.0 ** (-6 / 20)
    cells, big_cells = build_cells(designs, study()), build_cells(big, larger)
    quiet: list[Packed] = [
        pack(c, d, x)._replace(absorption=NO_ABSORPTION)
        for c, d, x in ((cells, designs, study()), (big_cells, big, larger))
    ]
    a, b = (find_band(p, level=level, sweep=UP) for p in quiet)
    assert_allclose(big_cells.natural_frequency * s, cells.natural_frequency, rtol=1e-9)
    assert_allclose(big_cells.quality_factor, cells.quality_factor, rtol=1e-9)
    assert_allclose(big_cells.onset, s * cells.onset, rtol=1e-8)
    good = (a.status == 0) & (b.status == 0)
    assert np.array_equal(a.status == 0, b.status == 0)
    assert_allclose(b.peak_pressure[good], a.peak_pressure[good], rtol=1e-6)
    assert_allclose(s * b.lower_edge[good], a.lower_edge[good], rtol=1e-6)
    assert_allclose(s * b.upper_edge[good], a.upper_edge[good], rtol=1e-6)
    assert_allclose(b.power[good], s**2 * a.power[good], rtol=1e-6)


# --- energy -----------------------------------------------------------------------------------


def far_field_power(
    cells: Cells, designs: Designs, frequency: float, amplitude: NDArray[np.complex128]
) -> float:
    """Power of design 0 through both half spaces: |p|^2/(2 rho c) over all directions, W.

    ``amplitude`` (cell,): centre displacements.
    """
    air = study().air_state
    w = 2.0 * np.pi * frequency
    k = w / air.sound_speed
    group = designs.layout.group_of_cell
    flow = 1j * w * cells.volume[0, group] * amplitude
    node, weight = np.polynomial.legendre.leggauss(48)
    cosine, weight = 0.5 * (node + 1.0), 0.5 * weight
    sine = np.sqrt(1.0 - cosine**2)
    azimuth = 2.0 * np.pi * np.arange(96) / 96
    x, y = designs.positions()[0].T
    element = np.stack(
        [
            directivity(shape, k * a * sine)
            for shape, a in zip(cells.shape[0], cells.radius[0], strict=True)
        ]
    )[group]
    along = x[:, None] * np.cos(azimuth) + y[:, None] * np.sin(azimuth)  # (cell, azimuth)
    total = np.einsum(
        "n,nt,nta->ta",
        flow,
        element,
        np.exp(1j * k * sine[None, :, None] * along[:, None, :]),
    )
    at_1m = w * air.density / (2.0 * np.pi) * np.abs(total)
    intensity = at_1m**2 / (2.0 * air.density * air.sound_speed)
    return 2.0 * float(np.sum(weight[:, None] * intensity) * 2.0 * np.pi / 96)


def balance(
    cells: Cells, designs: Designs, frequency: float, amplitude: NDArray[np.complex128]
) -> tuple[float, float, float]:
    """(radiated, lost inside the cells, put in by the drive) of design 0 in W."""
    w = 2.0 * np.pi * frequency
    group = designs.layout.group_of_cell
    drive = designs.drive_amplitude[0] * np.exp(1j * designs.drive_phase[0])
    force = (cells.force_per_volt[0] * drive)[group]
    put_in = 0.5 * float(np.sum(np.real(np.conj(force) * 1j * w * amplitude)))
    lost = 0.5 * w**2 * float(np.sum(cells.damping[0, group] * np.abs(amplitude) ** 2))
    return far_field_power(cells, designs, frequency, amplitude), lost, put_in


@settings(max_examples=6, deadline=None, derandomize=True)
@given(SEEDS, st.floats(0.9, 1.15))
def test_power_of_a_coupled_array_is_radiated_or_lost(seed: int, at: float) -> None:
    """With mutual radiation (M9.3), small signal: far field and intrinsic loss make up the input.

    The far field sums all 64 cells in all directions and knows nothing of impedances.
    """
    designs = random_designs(study(), "combined", 1, seed)
    cells = build_cells(designs, study())
    frequency = at * float(np.nanmean(cells.natural_frequency))
    arrays = pack_coupled(cells, designs, study(), alike="each").arrays
    part = linear_part(arrays, design=0, frequency=frequency)
    amplitude = np.linalg.solve(part.operator, part.force)[arrays.cell_site]
    radiated, lost, put_in = balance(cells, designs, frequency, amplitude)
    assert 0.0 < radiated < put_in
    # Mutual impedance of order 2 is within 0.2 % of the exact one (M5.10).
    assert_allclose(radiated + lost, put_in, rtol=5e-3)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(SEEDS, st.floats(0.9, 1.15), st.sampled_from([UP, DOWN]))
def test_uncoupled_cells_overdraw_by_a_known_amount(seed: int, at: float, sweep: int) -> None:
    """Without mutual radiation (M9.1) the balance is off by what neighbours radiate together.

    In step, 64 cells d apart radiate up to 2 pi/(k d)^2 = 1.6 times their own resistances' power
    here: the plane wave's rho c over a cell's share of the area against rho c k^2/(2 pi).
    """
    designs = random_designs(study(), "combined", 1, seed)
    cells = build_cells(designs, study())
    frequency = at * float(np.nanmean(cells.natural_frequency))
    found = array_pressure(cells, designs, study(), frequency=np.array([[frequency]]), sweep=sweep)
    amplitude = found.deflection[0, designs.layout.group_of_cell, 0]
    radiated, lost, put_in = balance(cells, designs, frequency, amplitude)
    own = put_in - lost
    assert 0.0 < radiated < 1.7 * own


def test_a_lone_cell_balances_its_power() -> None:
    """Put in = radiated on both sides + intrinsic loss, to the far-field quadrature's 1e-8."""
    single = array_layout(
        np.zeros((1, 2)),
        class_of_cell=np.zeros(1, dtype=int),
        channel_of_cell=np.zeros(1, dtype=int),
        explicit=True,
    )
    designs = replace(uniform_design(study(), drive=4.0), layout=single)
    cells = build_cells(designs, study())
    f = 1.03 * float(cells.natural_frequency[0, 0])
    found = array_pressure(cells, designs, study(), frequency=np.array([[f]]), sweep=UP)
    radiated, lost, put_in = balance(cells, designs, f, found.deflection[0, :, 0])
    assert_allclose(put_in, radiated + lost, rtol=1e-8)


# --- refinement -------------------------------------------------------------------------------


def test_more_plate_functions_converge() -> None:
    """5 functions (default) against 9: frequency 1e-4, force and cubic 1 % (docs/models/M2)."""
    designs = random_designs(study(), "overlapping-radii", 20, seed=3)

    def at(n: int) -> dict[str, NDArray[np.float64]]:
        cells = build_cells(designs, replace(study(), model=replace(study().model, n_transverse=n)))
        names = ("natural_frequency", "onset", "effective_cubic", "force_per_volt")
        return {name: getattr(cells, name) for name in names}

    best = at(9)
    last = dict.fromkeys(best, np.inf)
    for n in (3, 5, 7):
        error = {k: float(np.nanmax(np.abs(v / best[k] - 1.0))) for k, v in at(n).items()}
        assert all(error[k] < last[k] for k in error), (n, error, last)
        last = error
        if n == 5:
            assert error["natural_frequency"] < 1e-4, error
            assert max(error["onset"], error["effective_cubic"], error["force_per_volt"]) < 2e-2
