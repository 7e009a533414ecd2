"""The array model, chips as made in time: what it answers, beside dense solves (M9, M11, M12)."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from arrayopt.base.status import Status
from arrayopt.design.designs import GROUP_ARRAYS, Designs
from arrayopt.models.array import DOWN, SMALL, TWO_WAY, UP
from arrayopt.models.beam import beam_patterns, beam_width
from arrayopt.models.cells import build_cells
from arrayopt.models.chips import Chips
from arrayopt.models.rows import FINE
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.steady.steady import steady_amplitude
from arrayopt.study.lattice import array_layout
from arrayopt.study.model import Study
from tests.oracles.coupled import DenseArray
from tests.oracles.sound import self_impedance
from tests.support.chain import (
    as_drawn,
    at_target,
    duct,
    four_cells,
    one_cell,
    random_designs,
    uniform_design,
)

SLOW = FINE._replace(slowness=200.0, step=0.1)
"""For what is compared with steady states: a sweep lags by 2/(pi slowness) linewidths (M12.4)."""
SIX_DB = 10.0 ** (-6.0 / 20.0)
BACKS = {
    "vented": {},
    "sealed": {"cavity_depth": 200e-6},
    "necked": {
        "cavity_depth": 150e-6,
        "neck_radius": 60e-6,
        "neck_length": 50e-6,
        "neck_count": 2,
    },
}


@cache
def backed(back: str = "vented") -> Study:
    return four_cells(back=back, **BACKS[back])


def at_onsets(study: Study, *ratios: float, radius: float = 450e-6) -> Designs:
    """Four cells alike, driven at multiples of the lone cell's onset."""
    onset = build_cells(uniform_design(study, radius=radius), study).onset[0, 0]
    return uniform_design(study, radius=radius, drive=onset * np.array(ratios))


def unlike(study: Study, count: int, seed: int = 3, weak: float = 1.0) -> Designs:
    """Designs of two classes, each with its own drive and phase."""
    designs = random_designs(study, "combined", count, seed)
    return replace(designs, drive_amplitude=weak * designs.drive_amplitude)


# --- which chips -----------------------------------------------------------------------------


def test_a_chip_is_the_same_whatever_its_company() -> None:
    """However many chips and designs there are, and from whichever number they are drawn on."""
    study, done = four_cells(), []
    designs = at_onsets(study, 0.5, 1.5)
    few = Chips(designs, study, 3, told=done.append)
    band = few.band(UP, SIX_DB)
    few.band(UP, 0.5**0.5)
    few.response(np.full((2, 1), 1.1e5), UP)
    assert sum(done) == 2 * LANES  # swept once
    assert np.array_equal(few.made.arrays.radius[0], few.made.arrays.radius[1])
    alone = designs.take([1])
    many = Chips(alone, study, LANES + 3)
    for name in ("peak_pressure", "lower_edge", "upper_edge", "power", "deflection", "ripple"):
        found = getattr(many.band(UP, SIX_DB), name)
        assert np.array_equal(found[0, :3], getattr(band, name)[1]), name
        later = getattr(Chips(alone, study, 3, first=LANES).band(UP, SIX_DB), name)
        assert np.array_equal(found[0, LANES:], later[0]), name
    other = Chips(alone, study, 3, "verify").band(UP, SIX_DB)
    assert not np.isclose(other.peak_pressure[0], band.peak_pressure[1], rtol=1e-6).any()


def test_without_scatter_all_chips_are_as_drawn() -> None:
    study = four_cells()
    still = dict.fromkeys(set(study.fabrication.__dataclass_fields__) - {"chips", "share", "part"})
    exact = replace(study.fabrication, **dict.fromkeys(still, 0.0))
    designs = unlike(study, 1)
    every = Chips(designs, replace(study, fabrication=exact), 3).band(UP, SIX_DB)
    drawn = Chips(designs, study, 1, use="nominal").band(UP, SIX_DB)
    assert np.array_equal(every.peak_pressure, np.repeat(drawn.peak_pressure, 3, axis=1))
    assert np.array_equal(every.upper_edge, np.repeat(drawn.upper_edge, 3, axis=1))


def test_order_of_cells_changes_nothing() -> None:
    """Cells renumbered with all that belongs to them, target off the axis."""
    study = at_target(four_cells(), polar=0.3, azimuth=0.8)
    designs = unlike(study, 2)
    old, order = designs.layout, np.array([2, 0, 3, 1])
    renamed = np.array([1, 0])
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
    before, after = (as_drawn(d, study).band(UP, SIX_DB) for d in (designs, moved))
    assert np.array_equal(before.status, after.status)
    for name in ("peak_pressure", "lower_edge", "upper_edge", "power"):
        # sums over cells in another order: rounding, in single precision
        assert_allclose(getattr(after, name), getattr(before, name), rtol=1e-5, err_msg=name)


# --- small signal, against dense solves ------------------------------------------------------


def at_the_target(chips: Chips, f: np.ndarray, volume: np.ndarray) -> np.ndarray:
    """Pressure amplitude of volume displacements at f (M9.1, M4.6)."""
    air, way = chips.study.air_state, chips.study.target.distance
    spread = air.density * (2.0 * np.pi * f) ** 2 / (2.0 * np.pi * way)
    return np.asarray(np.abs(volume) * spread * np.exp(-absorption(air, f) * way))


def dense_response(chips: Chips, f: np.ndarray) -> np.ndarray:
    """Pressure amplitude at the target of the first design, far below onset."""
    one = DenseArray.of_chips(chips)
    volume = np.array([one.heard(2.0 * np.pi * x, one.linear(x)) for x in f])
    return at_the_target(chips, f, volume)


@pytest.mark.parametrize("back", BACKS)
@pytest.mark.parametrize("steered", [False, True])
def test_small_drive_is_a_dense_solve(back: str, steered: bool) -> None:
    """Coupling, directions, delays, distance and absorption: the array's sum (M9), and its band."""
    study = at_target(backed(back), polar=0.4, azimuth=0.7, steered=steered)
    chips = as_drawn(unlike(study, 1, weak=1e-3), study, pace=SLOW)
    band = chips.band(UP, SIX_DB)
    assert not band.status.any()
    f = np.linspace(band.lower_edge[0, 0], band.upper_edge[0, 0], 41)
    exact = dense_response(chips, f)
    # lag of the sweep and windows, 60 a linewidth
    assert_allclose(chips.response(f[None], UP)[0, 0], exact, rtol=5e-3)
    assert_allclose(band.peak_pressure, exact.max(), rtol=5e-3)
    assert_allclose(exact[[0, -1]] / exact.max(), SIX_DB, rtol=0.01)
    moved = chips.motion(band.centre[:, 0], UP)[0, 0]
    middle = DenseArray.of_chips(chips)
    turn = np.exp(2j * np.pi * band.centre[0, 0] * middle.arrays.lead[0])
    assert_allclose(moved, middle.linear(band.centre[0, 0]) * turn, rtol=0.01)


@pytest.mark.parametrize("back", BACKS)
def test_what_is_received_is_what_weak_drive_sends(back: str) -> None:
    """Reciprocity (M8.11): charge per pressure is the volume that one volt everywhere moves."""
    study = backed(back)
    chips = as_drawn(unlike(study, 1, weak=1e-3), study, pace=SLOW)
    band = chips.band(SMALL | TWO_WAY, SIX_DB)
    assert not band.status.any()
    f = np.linspace(band.lower_edge[0, 0], band.upper_edge[0, 0], 31)
    one, heard = DenseArray.of_chips(chips), np.empty(f.size)
    push = chips.made.force_per_volt[0, 0]
    for k, w in enumerate(2.0 * np.pi * f):
        # a plane wave on the axis presses every cell with its volume; charge is force per volt
        moved = np.linalg.solve(one.operator(w)[0], one.of("volume"))
        heard[k] = abs(push @ moved)
    way_back = np.exp(-absorption(study.air_state, f) * study.target.distance)
    assert_allclose(chips.receive(np.zeros(f.size, int), f)[:, 0], heard * way_back, rtol=0.01)
    both = dense_response(chips, f) * heard * way_back
    assert_allclose(band.peak_pressure, both.max(), rtol=5e-3)
    assert_allclose(both[[0, -1]] / both.max(), SIX_DB, rtol=0.01)


def test_far_below_onset_all_sweeps_are_one() -> None:
    study = four_cells()
    chips = as_drawn(unlike(study, 2, weak=1e-3), study, pace=SLOW)
    up, down, small = (chips.band(sweep, SIX_DB) for sweep in (UP, DOWN, SMALL))
    linear = chips.linear().band(UP, SIX_DB)
    for name in ("peak_pressure", "lower_edge", "upper_edge"):
        a, b, c, d = (getattr(x, name) for x in (up, down, small, linear))
        assert_allclose(a, c, rtol=1e-5)
        # each sweep lags its own way, and has its own windows
        assert_allclose(c, d, rtol=2e-3)
        assert_allclose(a, b, rtol=4e-3)


# --- driven hard -----------------------------------------------------------------------------


@pytest.mark.parametrize("over", [0.9, 2.0])
def test_a_lone_cell_follows_the_closed_form(over: float) -> None:
    """M7.1 with the radiation of M5 at every frequency, both ways; jumps come late (M12.4)."""
    study = duct()
    designs = one_cell(uniform_design(study))
    designs = replace(designs, drive_amplitude=over * build_cells(designs, study).onset)
    chips = as_drawn(designs, study, pace=SLOW)
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
        inside = f[size > SIX_DB * size.max()]
        found = chips.band(sweep, SIX_DB)
        assert not found.status.any()
        widths.append(float(found.width[0, 0]))
        assert widths[-1] == pytest.approx(np.ptp(inside), rel=0.03)
        swung = found.deflection[0, 0, 0] / np.abs(exact).max()
        # a jump up swings past the state that it ends in
        assert 0.99 < swung < (1.1 if sweep == DOWN and over > 1.0 else 1.02)
        distance = study.target.distance
        gain = np.exp(-distance * float(absorption(air, found.peak_frequency[0, 0])))
        level = air.density * a.volume[0, 0, 0] * size.max() / (2.0 * np.pi * distance)
        # the window in which the response jumps is a mean over both sides
        assert found.peak_pressure[0, 0] == pytest.approx(gain * level, rel=0.015)
    assert (widths[0] > 1.05 * widths[1]) == (over > 1.0)


@pytest.mark.parametrize("back", BACKS)
@pytest.mark.parametrize("sweep", [UP, DOWN])
def test_driven_past_onset_is_the_steady_state(back: str, sweep: int) -> None:
    study = backed(back)
    designs = unlike(study, 1)
    cells = build_cells(designs, study)
    chips = as_drawn(replace(designs, drive_amplitude=1.4 * cells.onset), study, pace=SLOW)
    band = chips.band(sweep, SIX_DB)
    assert not band.status.any()
    f = np.linspace(0.97 * band.lower_edge[0, 0], 1.05 * band.upper_edge[0, 0], 500)
    one = DenseArray.of_chips(chips)
    swept = one.swept(f[::-1])[::-1] if sweep == DOWN else one.swept(f)
    exact = at_the_target(chips, f, swept @ one.of("volume"))
    mine = chips.response(f[None], sweep)[0, 0]
    # jumps of a sweep come late: beside them the curves differ
    assert np.nanmedian(np.abs(mine / exact - 1.0)) < 0.01
    assert_allclose(band.peak_pressure[0, 0], np.nanmax(exact), rtol=0.02)


@pytest.mark.parametrize("sweep", [UP, DOWN, SMALL, UP | TWO_WAY])
def test_edges_lie_around_the_peak_of_the_curve(sweep: int) -> None:
    """Edges are where the curve, times what it receives, passes the level (or jumps)."""
    study = four_cells()
    chips = Chips(unlike(study, 2), study, 2)
    band = chips.band(sweep, SIX_DB)
    assert not band.status.any()
    for d in range(2):
        for c in range(2):
            low, high = band.lower_edge[d, c], band.upper_edge[d, c]
            width = high - low
            f = np.sort(np.append(np.linspace(low, high, 801)[1:-1], band.peak_frequency[d, c]))
            f = np.concatenate([[low - 2e-2 * width], f, [high + 2e-2 * width]])
            size = chips.response(np.tile(f, (2, 1)), sweep & ~TWO_WAY)[d, c]
            if sweep & TWO_WAY:
                size = size * chips.receive(np.full(f.size, d), f)[:, c]
            share = size / band.peak_pressure[d, c]
            assert (share[[0, -1]] < SIX_DB).all()
            assert (share[1:-1] > SIX_DB * (1.0 - 1e-3)).all()
            assert share.max() == pytest.approx(1.0, abs=1e-3)


def test_sweeps_part_above_the_onset() -> None:
    """Pressures of up- and down-sweep, by the slow sweep alone; below, they differ by their lag."""
    study = four_cells()
    onset = Chips(at_onsets(study, 1.0), study, 1).onset()[0, 0]
    f = np.linspace(1.1e5, 1.26e5, 4000)[None]
    gap = []
    for factor in (0.9, 1.1):
        chips = Chips(uniform_design(study, drive=factor * onset), study, 1, pace=SLOW)
        up, down = (chips.response(f, sweep)[0, 0] for sweep in (UP, DOWN))
        gap.append(np.nanmax(np.abs(up - down)) / np.nanmax(up))
    assert gap[0] < 0.025 < 0.05 < gap[1]


# --- beams and statuses ----------------------------------------------------------------------


def test_beam_of_equal_cells_is_the_array_factor() -> None:
    study = four_cells()
    chips = as_drawn(at_onsets(study, 0.3), study)
    band = chips.band(UP, SIX_DB)
    patterns = beam_patterns(chips, band.centre[:, 0], UP)
    assert patterns.shape[:3] == (2, 1, 1)
    assert_allclose(patterns[0], patterns[1], rtol=1e-6)  # a square array
    assert patterns.max() == 1.0
    k = 2.0 * np.pi * band.centre[0, 0] / study.air_state.sound_speed
    angle = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 721)
    factor = np.abs(np.cos(0.5 * k * 1.1e-3 * np.sin(angle)))  # two cells in a row
    element = patterns[0, 0, 0] / factor
    assert element[360] == pytest.approx(1.0)
    assert (np.diff(element[360:]) < 1e-9).all()  # directivity of a clamped disc, ka < 1.5
    assert beam_width(patterns[0, 0, 0]) < 2.0 * np.arcsin(0.25 * np.pi / (0.5 * k * 1.1e-3))


def test_nothing_driven_and_overlapping_cells_are_told() -> None:
    study = four_cells()
    designs = uniform_design(study, drive=np.array([0.0, 1.0, 1.0]))
    designs = replace(designs, radius=designs.radius * np.array([[1.0], [1.6], [1.0]]))
    band = Chips(designs, study, 2).band(UP, SIX_DB)
    assert (band.status[0] & Status.NOT_DRIVEN).all()
    assert (band.status[1] & Status.CELLS_OVERLAP).all()
    assert not band.status[2].any()
    for name in ("peak_pressure", "lower_edge", "deflection", "ripple", "power"):
        assert np.isnan(getattr(band, name)[:2]).all(), name
        assert np.isfinite(getattr(band, name)[2]).all(), name
    with pytest.raises(ValueError, match="UP, DOWN or SMALL"):
        Chips(designs, study, 2).band(7 & ~TWO_WAY, SIX_DB)


def test_a_level_too_deep_is_told() -> None:
    study = four_cells()
    band = Chips(at_onsets(study, 0.5), study, 1).band(UP, 1e-9)
    assert (band.status == Status.OFF_GRID).all()
    assert np.isnan(band.peak_pressure).all()


def test_beats_keep_their_values() -> None:
    """Whatever beats: a chip with that flag alone has values, one with another flag has none."""
    study = four_cells()
    chips = Chips(at_onsets(study, 0.5), study, 3)
    curves = chips._curves(UP)[0]
    curves.status[0, 0] |= int(Status.CHIP_BEATS)
    curves.status[0, 1] |= int(Status.CHIP_BEATS | Status.RUNAWAY)
    band = chips.band(UP, SIX_DB)
    assert band.status[0, 0] == Status.CHIP_BEATS
    assert np.isfinite(band.peak_pressure[0]).tolist() == [True, False, True]
    assert np.isfinite(band.deflection[0].sum(axis=1)).tolist() == [True, False, True]
