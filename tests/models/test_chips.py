"""Chips as made along slow sweeps: closed forms, dense solves, and what must change nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from arrayopt.base.status import Status
from arrayopt.models.array import DOWN, SMALL, TWO_WAY, UP
from arrayopt.models.cells import build_cells
from arrayopt.models.chips import Chips
from arrayopt.models.rows import FINE
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.steady.steady import steady_amplitude
from arrayopt.study.model import Study
from tests.oracles.sound import mutual_matrix, self_impedance
from tests.support.chain import duct, four_cells, lone, uniform_design

HALF = 10.0 ** (-6.0 / 20.0)
NECKED = {"cavity_depth": 150e-6, "neck_radius": 60e-6, "neck_length": 50e-6, "neck_count": 2}
BACKS = [
    {"back": "vented"},
    {"back": "sealed", "cavity_depth": 150e-6},
    {"back": "necked", **NECKED},
]


def operator(chips: Chips, frequency: float) -> NDArray[np.complex128]:
    """What displacements of the first chip's vented cells are multiplied with, from M5 alone."""
    a, designs, air = chips.made.arrays, chips.designs, chips.study.air_state
    w, group = 2.0 * np.pi * frequency, designs.layout.group_of_cell
    shape = chips.made.nominal.shape[0, group]
    medium = {"density": air.density, "sound_speed": air.sound_speed}
    r, x = self_impedance(shape, radius=a.radius[0, 0], wavenumber=w / air.sound_speed, **medium)
    z = mutual_matrix(
        designs.positions()[0], shape, radius=a.nominal[0], frequency=frequency, **medium
    )
    own = a.stiffness[0, 0] - w**2 * (a.mass[0, 0] + 2.0 * x / w)
    own = own + 1j * w * (a.damping[0, 0] + 2.0 * r)
    s = a.strength[0, 0]
    return np.diag(own) + 2j * w * s[:, None] * z * s


@pytest.mark.parametrize("over", [0.9, 2.0])
def test_a_lone_cell_follows_the_closed_form(over: float) -> None:
    """M7.1 with the radiation of M5 at every frequency, both ways; jumps come late (M12.4)."""
    study = duct()
    designs = lone(uniform_design(study))
    designs = replace(designs, drive_amplitude=over * build_cells(designs, study).onset)
    chips = Chips(designs, study, 1, use="nominal", pace=FINE._replace(slowness=300.0))
    a, air = chips.made.arrays, study.air_state
    f = np.linspace(0.9, 1.15, 60001) * chips.made.nominal.natural_frequency[0, 0]
    w = 2.0 * np.pi * f
    r, x = self_impedance(
        chips.made.nominal.shape[0, 0],
        radius=designs.radius[0, 0],
        wavenumber=w / air.sound_speed,
        density=air.density,
        sound_speed=air.sound_speed,
    )
    widths = []
    for sweep in (UP, DOWN):
        exact = steady_amplitude(
            w,
            mass=a.mass[0, 0, 0] + 2.0 * x / w,
            damping=a.damping[0, 0, 0] + 2.0 * r,
            stiffness=a.stiffness[0, 0, 0],
            cubic=a.cubic[0, 0, 0],
            force=abs(a.force_re[0, 0, 0]),
            sweep_up=sweep == UP,
        ).amplitude
        size = np.abs(exact) * w**2
        inside = f[size > HALF * size.max()]
        found = chips.band(sweep, HALF)
        assert not found.status.any()
        widths.append(float(found.width[0, 0]))
        assert widths[-1] == pytest.approx(np.ptp(inside), rel=0.03)
        swung = found.deflection[0, 0, 0] / np.abs(exact).max()
        # a jump up swings past the state that it ends in
        assert 0.99 < swung < (1.1 if sweep == DOWN and over > 1.0 else 1.02)
        distance = study.target.distance
        gain = np.exp(-distance * float(absorption(air, found.peak_frequency[0, 0])))
        level = air.density * a.volume[0, 0, 0] * size.max() / (2.0 * np.pi * distance)
        assert found.peak_pressure[0, 0] == pytest.approx(gain * level, rel=0.01)
    assert (widths[0] > 1.05 * widths[1]) == (over > 1.0)


def test_small_signals_are_the_dense_solve_and_heard_as_sent() -> None:
    """Four unequal cells: pressure by solving M9.3's matrix; receiving by reciprocity (M8.11)."""
    study = four_cells()
    designs = uniform_design(study)
    chips = Chips(designs, study, 2, pace=FINE)
    a, made = chips.made.arrays, chips.made
    asked = np.linspace(0.95, 1.05, 7) * made.nominal.natural_frequency[0, 0]
    small = chips.response(asked[None], SMALL)[0, 0]
    heard = chips.receive(np.zeros(7, dtype=np.int64), asked)[:, 0]
    air, way = study.air_state, study.target.distance
    for k, f in enumerate(asked):
        w, inverse = 2.0 * np.pi * f, np.linalg.inv(operator(chips, f))
        sent = inverse @ (a.force_re[0, 0] + 1j * a.force_im[0, 0])
        volume = abs(a.volume[0, 0] @ sent)
        spread = air.density * w**2 / (2.0 * np.pi * way)
        gain = np.exp(-way * float(absorption(air, f)))
        assert small[k] == pytest.approx(gain * spread * volume, rel=0.01)
        # pressure p pushes a cell with p times its volume; charge is its force per volt times x
        charge = abs(made.force_per_volt[0, 0] @ inverse @ a.volume[0, 0])
        assert heard[k] == pytest.approx(gain * charge, rel=0.01)
    assert np.isnan(chips.response(np.array([[1e3]]), SMALL)).all()
    both = chips.band(SMALL | TWO_WAY, HALF)
    assert np.all(both.fractional_width < chips.band(SMALL, HALF).fractional_width)
    straight, small_band = chips.linear().band(UP, HALF), chips.band(SMALL, HALF)
    assert straight.width == pytest.approx(small_band.width, rel=1e-3)


def test_power_is_radiated_or_lost() -> None:
    """Small signal: what the drive puts in is lost in the cells or in the air's resistances."""
    study = four_cells()
    chips = Chips(uniform_design(study), study, 1, pace=FINE)
    a = chips.made.arrays
    band = chips.band(SMALL, HALF)
    f = np.linspace(float(band.lower_edge[0, 0]), float(band.upper_edge[0, 0]), 301)
    put = []
    for one in f:
        push = a.force_re[0, 0] + 1j * a.force_im[0, 0]
        moved = np.linalg.solve(operator(chips, one), push)
        put.append(-0.5 * 2.0 * np.pi * one * np.imag(np.conj(push) @ moved))
    assert band.power[0, 0] == pytest.approx(max(put), rel=0.01)


@pytest.mark.parametrize("back", BACKS, ids=[str(back["back"]) for back in BACKS])
def test_chips_are_common_and_depend_on_nothing_else(back: dict[str, object]) -> None:
    study = four_cells(**back)
    designs = uniform_design(study, drive=np.array([0.5, 1.0]))
    done: list[int] = []
    few = Chips(designs, study, 3, told=done.append)
    band = few.band(UP, HALF)
    assert not (band.status & ~int(Status.CHIP_BEATS)).any()
    assert sum(done) == 2 * LANES
    for level in (HALF, 0.5**0.5):
        few.band(UP, level)
    few.response(np.full((2, 1), 1.1e5), UP)
    assert sum(done) == 2 * LANES  # swept once
    assert np.array_equal(few.made.arrays.radius[0], few.made.arrays.radius[1])
    more = Chips(designs.take([1]), study, LANES + 3)
    for sweep in (UP, DOWN | TWO_WAY):
        one, other = more.band(sweep, HALF), few.band(sweep, HALF)
        for name in ("peak_pressure", "lower_edge", "upper_edge", "power", "deflection"):
            assert np.array_equal(getattr(one, name)[0, :3], getattr(other, name)[1]), name
    later = Chips(designs.take([1]), study, 3, first=LANES).band(UP, HALF)
    assert np.array_equal(later.lower_edge[0], more.band(UP, HALF).lower_edge[0, LANES:])
    verify = Chips(designs.take([1]), study, 3, "verify").band(UP, HALF)
    assert not np.isclose(verify.peak_pressure[0], band.peak_pressure[1], rtol=1e-6).any()


def test_what_cannot_be_made_has_a_status() -> None:
    study = four_cells()
    designs = uniform_design(study, drive=np.array([0.0, 1.0]))
    still = replace(designs, radius=designs.radius * np.array([[1.0], [1.6]]))
    band = Chips(still, study, 2).band(UP, HALF)
    assert (band.status[0] & Status.NOT_DRIVEN).all()
    assert (band.status[1] & Status.CELLS_OVERLAP).all()
    assert np.isnan(band.peak_pressure).all()
    assert np.isnan(band.deflection).all()
    with pytest.raises(ValueError, match="UP, DOWN or SMALL"):
        Chips(designs, study, 2).band(3, HALF)


def test_phases_and_steering_turn_what_moves() -> None:
    """A drive phase common to all cells turns every cell's motion by itself."""
    study: Study = four_cells()
    designs = uniform_design(study)
    turned = replace(designs, drive_phase=designs.drive_phase + 0.8)
    f = build_cells(designs, study).natural_frequency[:, 0]
    one, other = (Chips(d, study, 2, pace=FINE).motion(f, SMALL) for d in (designs, turned))
    assert other == pytest.approx(one * np.exp(0.8j), rel=1e-6)
