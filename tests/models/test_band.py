"""Bandwidths and edges: the single resonator's closed forms, and the grid's independence (M10)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import brentq

from arrayopt.base.status import Status
from arrayopt.models.array import DOWN, SMALL, UP
from arrayopt.models.bands.read import ripples
from arrayopt.models.cells import build_cells
from arrayopt.models.one_mode.band import find_band
from arrayopt.models.one_mode.response import Packed
from arrayopt.physics.steady.steady_kernel import amplitude_squared
from tests.support.chain import duct, packed, random_designs, uniform_design

SIX_DB = 10.0 ** (-6.0 / 20.0)


def resonator(*, q: float, cubic: float = 0.0, force: float = 1.0, mass: float = 1.0) -> Packed:
    """One cell without radiation: unit stiffness and mass, so w0 = 1 rad/s."""
    one = np.ones((1, 1))
    template = packed(duct(), uniform_design(duct()))
    return template._replace(
        mass=one * mass,
        damping=one / q,
        stiffness=one,
        cubic=one * cubic,
        force=one * force,
        drive_re=one,
        drive_im=0.0 * one,
        resistance=np.zeros_like(template.resistance),
        reactance=np.zeros_like(template.reactance),
        cell_count=np.ones(1),
        natural=one,
        linewidth=one / q,
        absorption=np.array([0.0, 0.0, 0.0, 1.0, 1.0]),
    )


def acceleration_width(q: float, level: float) -> float:
    """Width over arithmetic centre of w^2 / |1 - w^2 + j w / Q|, by root finding."""

    def gain(w: float) -> float:
        return w**2 / abs(1.0 - w**2 + 1j * w / q)

    peak_w = 1.0 / np.sqrt(1.0 - 1.0 / (2.0 * q**2))
    limit = level * gain(peak_w)
    low = brentq(lambda w: gain(w) - limit, 0.2, peak_w, xtol=1e-15)
    high = brentq(lambda w: gain(w) - limit, peak_w, 40.0, xtol=1e-15)
    return 2.0 * (high - low) / (high + low)


@pytest.mark.parametrize("q", [10.0, 20.0, 50.0, 200.0])
@pytest.mark.parametrize("level", [10 ** (-3 / 20), SIX_DB])
def test_linear_resonator(q: float, level: float) -> None:
    band = find_band(resonator(q=q), level=level, sweep=UP)
    width = 2.0 * (band.upper_edge - band.lower_edge) / (band.upper_edge + band.lower_edge)
    assert band.status[0] == 0
    # the level is taken from a peak found to 1e-7 of the frequency
    np.testing.assert_allclose(width[0], acceleration_width(q, level), rtol=1e-8)


@pytest.mark.parametrize(
    ("q", "three_db", "six_db"),
    [(10, 0.10063, 0.17519), (20, 0.05008, 0.08685), (50, 0.02001, 0.03466)],
)
def test_published_widths_of_a_resonator(q: float, three_db: float, six_db: float) -> None:
    """Displacement and acceleration widths over centre, computed outside."""
    for level, expected in ((10 ** (-3.01 / 20), three_db), (10 ** (-6.02 / 20), six_db)):
        band = find_band(resonator(q=float(q)), level=level, sweep=SMALL)
        width = 2.0 * (band.upper_edge - band.lower_edge) / (band.upper_edge + band.lower_edge)
        # The values are given to 4 or 5 digits and -3.01 dB stands for 1/sqrt(2).
        np.testing.assert_allclose(width[0], expected, rtol=4e-4)


def test_small_drive_gives_one_over_q(check_outside: Callable[..., None]) -> None:
    """In velocity (M6.3); the far pressure is an acceleration, 1 % wider at Q = 10."""
    for id_, level in (("bw.3.01dB", 0.5**0.5), ("bw.6.02dB", 0.5)):
        q = 2000.0
        band = find_band(resonator(q=q), level=level, sweep=UP)
        width = 2.0 * (band.upper_edge - band.lower_edge) / (band.upper_edge + band.lower_edge)
        # Acceleration instead of velocity: of relative order 1/Q^2.
        check_outside(id_, q * width[0], "M10.1", rel_tol=1e-6)


@pytest.mark.parametrize(("level", "ceiling"), [(0.5**0.5, 0.1154), (0.5, 0.2300)])
def test_hard_drive_reaches_the_ceiling(level: float, ceiling: float) -> None:
    """On the backbone p ~ w^3, so the band ends at level^(1/3) below the jump."""
    exact = 2.0 * (1.0 - level ** (1 / 3)) / (1.0 + level ** (1 / 3))
    np.testing.assert_allclose(exact, ceiling, rtol=5e-4)  # four digits, by hand
    last = 0.0
    for force in (0.3, 3.0, 10.0):
        band = find_band(resonator(q=50.0, cubic=1.0, force=force), level=level, sweep=UP)
        width = 2.0 * (band.upper_edge - band.lower_edge) / (band.upper_edge + band.lower_edge)
        # the fold lies a little past the backbone's end, where the ceiling is derived
        assert last < width[0] < exact * (1.0 + 5e-4)
        last = width[0]
    np.testing.assert_allclose(last, exact, rtol=1e-3)  # approached like the amplitude^-2


def test_jump_is_found_where_the_branch_folds() -> None:
    """The upper edge of a hardened band is the fold of the upper branch (M7.6), by root finding."""
    cell = resonator(q=60.0, cubic=0.4, force=0.08)
    band = find_band(cell, level=SIX_DB, sweep=UP)
    turn = 2.0 * np.pi

    def states(w: float) -> int:
        roots = np.roots(
            [0.5625 * 0.16, 1.5 * 0.4 * (1 - w**2), (1 - w**2) ** 2 + (w / 60) ** 2, -(0.08**2)]
        )
        return int(np.sum(np.abs(roots.imag) < 1e-7 * np.abs(roots)))

    low, high = 1.0, 3.0
    grid = np.linspace(low, high, 4001)
    last = max(w for w in grid if states(w) == 3)
    for _ in range(40):
        middle = 0.5 * (last + high if high - last < 1e-3 else 2 * last + 1e-3)
        if states(middle) == 3:
            last = middle
        else:
            high = middle
    np.testing.assert_allclose(band.upper_edge[0] * turn, last, rtol=1e-6)
    w = last * (1.0 - 1e-9)
    x = amplitude_squared(1 - w**2, w / 60, 0.4, 0.08, True)
    np.testing.assert_allclose(band.deflection[0, 0] ** 2, x, rtol=1e-3)  # the fold is steep


def test_sweeps_coincide_below_onset() -> None:
    study = duct()
    onset = build_cells(uniform_design(study), study).onset[0, 0]
    cells = packed(study, uniform_design(study, drive=0.9 * onset))
    up, down = (find_band(cells, level=SIX_DB, sweep=s) for s in (UP, DOWN))
    for name in ("peak_pressure", "lower_edge", "upper_edge", "power"):
        np.testing.assert_allclose(getattr(up, name), getattr(down, name), rtol=1e-12)
    hard = packed(study, uniform_design(study, drive=2.0 * onset))
    up, down = (find_band(hard, level=SIX_DB, sweep=s) for s in (UP, DOWN))
    assert up.peak_pressure[0] > 1.05 * down.peak_pressure[0]


@pytest.mark.parametrize("strategy", ["uniform-nonlinear", "overlapping-radii", "combined"])
def test_result_does_not_depend_on_the_grid(strategy: str) -> None:
    """Three times as many points, the same merits to 1e-6: nothing hides between points."""
    study = duct()
    cells = packed(study, random_designs(study, strategy, 40))
    coarse = find_band(cells, level=SIX_DB, sweep=UP)
    fine_linewidth = cells._replace(linewidth=cells.linewidth / 3.0)
    fine = find_band(fine_linewidth, level=SIX_DB, sweep=UP)
    good = (coarse.status == 0) & (fine.status == 0)
    assert good.sum() > 30
    for name in ("peak_pressure", "lower_edge", "upper_edge", "deflection"):
        np.testing.assert_allclose(
            getattr(coarse, name)[good], getattr(fine, name)[good], rtol=1e-6
        )
    # of several maxima of the power, or valleys, a grid may take one that is not quite the largest
    power = np.abs(coarse.power / fine.power - 1.0)[good]
    ripple = np.abs(coarse.ripple - fine.ripple)[good]
    assert np.mean(power < 1e-6) >= 0.95
    assert np.mean(ripple < 1e-5) >= 0.95
    assert power.max() < 2e-3
    assert ripple.max() < 0.1


def test_ripple_is_the_deepest_valley() -> None:
    """Below the lower of its sides, wherever the largest value lies; a flank has none."""
    values = np.array(
        [
            [0.5, 0.8, 0.6, 1.0, 0.7, 0.9, 0.5],
            [0.5, 0.6, 0.8, 1.0, 0.9, 0.7, 0.5],
            [0.5, 1.0, 0.5, 0.55, 0.52, 0.6, 0.5],
        ]
    )
    found = ripples(values, np.zeros(3, dtype=np.int64), np.full(3, 6))
    expected = 20.0 * np.log10([0.8 / 0.6, 1.0, 0.6 / 0.5])
    np.testing.assert_allclose(found, expected, rtol=1e-12)
    assert np.isnan(ripples(values, np.full(3, 4), np.full(3, 2))).all()


def test_statuses() -> None:
    study = duct()
    silent = find_band(packed(study, uniform_design(study, drive=0.0)), level=SIX_DB, sweep=UP)
    assert silent.status[0] == Status.NOT_DRIVEN
    assert np.isnan(silent.peak_pressure[0])
    softening = resonator(q=50.0, cubic=-1.0, force=1.0)
    assert find_band(softening, level=SIX_DB, sweep=DOWN).status[0] & Status.RUNAWAY
    wide = find_band(resonator(q=50.0), level=1e-9, sweep=UP)
    assert wide.status[0] == Status.OFF_GRID
    far = resonator(q=1e6)
    two = Packed(*(np.repeat(a, 2, axis=1) if np.ndim(a) >= 2 else a for a in far))
    two = two._replace(
        natural=np.array([[1.0, 2.0]]),
        stiffness=np.array([[1.0, 4.0]]),
        cell_count=np.ones(2),
    )
    assert find_band(two, level=SIX_DB, sweep=UP).status[0] == Status.GRID_LIMIT


def test_softening_is_the_mirror_of_hardening() -> None:
    """A softening cell's band lies below its resonance, and its ride is on the way down."""
    cell = resonator(q=50.0, cubic=-0.02, force=0.05)
    down = find_band(cell, level=SIX_DB, sweep=DOWN)
    up = find_band(cell, level=SIX_DB, sweep=UP)
    assert down.status[0] == 0
    assert down.peak_frequency[0] * 2 * np.pi < 0.99
    assert down.peak_pressure[0] > up.peak_pressure[0]


def test_replacing_mass_units_changes_nothing() -> None:
    """All of m, c, k, k3, F times s: the same motion (M6.1 is homogeneous)."""
    cell = resonator(q=60.0, cubic=0.4, force=0.08)
    scaled = cell._replace(
        mass=cell.mass * 1e-9,
        damping=cell.damping * 1e-9,
        stiffness=cell.stiffness * 1e-9,
        cubic=cell.cubic * 1e-9,
        force=cell.force * 1e-9,
    )
    a, b = (find_band(c, level=SIX_DB, sweep=UP) for c in (cell, scaled))
    np.testing.assert_allclose(a.upper_edge, b.upper_edge, rtol=1e-9)
    np.testing.assert_allclose(a.peak_pressure, b.peak_pressure, rtol=1e-9)
