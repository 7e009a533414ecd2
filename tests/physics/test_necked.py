"""Back cavities with necks in the chain (M5.13 to M5.16, M7.18): against scipy and textbooks."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, optimize

from arrayopt.base.errors import StudyError
from arrayopt.base.status import Status
from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.models.array import DOWN, SMALL, TWO_WAY, UP
from arrayopt.models.cells import Cells, build_cells
from arrayopt.models.chips import Chips
from arrayopt.models.rows import FINE
from arrayopt.physics.back.backs import back_of
from arrayopt.physics.back.neck_kernel import neck_coefficients
from arrayopt.physics.back.necked import necked_figures
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.sound.radiation import impedance_from_series
from arrayopt.study.model import Study
from arrayopt.study.read import read_study, read_study_text
from tests.support.chain import as_drawn, one_cell

HALF = 10.0**-0.3
SLOW = FINE._replace(slowness=200.0)
"""Sweeps lag by 2/(pi slowness) linewidths (M12.4)."""

STUDY = """\
format = 1
[[stack]]
material = "Si"
thickness = "4 um"
[[stack]]
material = "ScAlN-20"
thickness = "1 um"
active = true
[[stack]]
material = "Mo"
thickness = "0.1 um"
patterned = true
[cell]
quality_factor = 90
back = "necked"
cavity_depth = "150 um"
neck_radius = "60 um"
neck_length = "40 um"
neck_count = 4
[array]
lattice = "square"
rows = 3
columns = 3
pitch = "1.1 mm"
die = ["8 mm", "8 mm"]
[drive]
amplitude_limit = "40 V"
[fixed]
radius = "450 um"
[vary]
amplitude = ["0.05 V", "40 V"]
[target]
centre_frequency = ["80 kHz", "120 kHz"]
"""


@pytest.fixture(scope="module")
def study() -> Study:
    return read_study_text(STUDY)


def with_cell(study: Study, **changes: object) -> Study:
    return replace(study, cell=replace(study.cell, **changes))  # type: ignore[arg-type]


def driven(study: Study, *volts: float) -> Designs:
    space = DesignSpace(study, study.strategies[0])
    designs = space.decode(np.zeros((len(volts), space.n_variables)))
    return replace(designs, drive_amplitude=np.array(volts)[:, None])


def lone(study: Study, *volts: float) -> Chips:
    """One cell as drawn."""
    return as_drawn(one_cell(driven(study, *volts)), study, pace=SLOW)


def alone(study: Study, volts: float, frequency: np.ndarray, sweep: int) -> np.ndarray:
    """Size of the displacement of one cell along a sweep."""
    chips, air, way = lone(study, volts), study.air_state, study.target.distance
    loss = np.exp(-way * absorption(air, frequency))
    per = air.density * (2.0 * np.pi * frequency) ** 2 / (2.0 * np.pi * way) * loss
    moved = chips.response(frequency[None], sweep)[0, 0] / per / chips.made.arrays.volume[0, 0, 0]
    assert np.isfinite(moved).any()
    return np.asarray(moved)  # NaN where it has not been


def test_two_necks_are_one_of_twice_the_area_and_mass(study: Study) -> None:
    """Necks in parallel: twice the flow at one pressure."""
    air = study.air_state
    one, two = (
        neck_coefficients(3e5, np.array([n, 30e-6, 1e-4, air.viscosity]), air.density, 343.0)
        for n in (1.0, 2.0)
    )
    np.testing.assert_allclose(two, 2.0 * np.array(one), rtol=1e-14)


def two_degrees(study: Study, cells: Cells, f: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mass, damping and stiffness matrices of diaphragm and neck at f, air included (M5.15)."""
    air, w = study.air_state, 2.0 * math.pi * f
    a = float(cells.radius[0, 0])
    R, X, _ = impedance_from_series(
        np.array(w * a / air.sound_speed),
        cells.resistance_series[0, 0],
        cells.reactance_series[0, 0],
    )
    load = air.density * air.sound_speed * math.pi * a**2
    closed = air.heat_capacity_ratio * air.pressure / (math.pi * a**2 * study.cell.cavity_depth)
    neck = back_of(study.cell).neck(air)
    area, mass, resistance = neck_coefficients(w, neck, air.density, air.sound_speed)
    M = np.diag([float(cells.mass[0, 0] + load * X / w), mass])
    C = np.diag([float(cells.damping[0, 0] + load * R), resistance])
    swept = np.array([float(cells.volume[0, 0]), -area])
    K = np.diag([float(cells.stiffness[0, 0]), 0.0]) + closed * np.outer(swept, swept)
    return M, C, K


def test_small_signal_is_the_complex_two_by_two(study: Study) -> None:
    """Linear response against a direct solve of M5.15 at every frequency; both resonances."""
    designs = driven(study, 1.0)
    cells = build_cells(designs, study)
    frequency = np.linspace(80e3, 130e3, 101)
    found = alone(study, 1.0, frequency, SMALL)
    direct = np.empty(frequency.size, dtype=complex)
    for k, f in enumerate(frequency):
        w = 2.0 * math.pi * f
        M, C, K = two_degrees(study, cells, f)
        force = [float(cells.force_per_volt[0, 0]), 0.0]
        direct[k] = np.linalg.solve(K - w**2 * M + 1j * w * C, force)[0]
    # the sweep's pace is that of the diaphragm, not of the neck's narrower resonance
    assert np.abs(found - np.abs(direct)).max() < 0.04 * np.abs(direct).max()
    size = np.abs(direct)
    peaks = (size[1:-1] > size[:-2]) & (size[1:-1] > size[2:])
    assert peaks.sum() == 2


def test_long_narrow_necks_seal_and_a_huge_one_vents(study: Study) -> None:
    """No flow: the sealed back. A wide orifice: no stiffness, and its radiation resistance.

    That is rho c k^2 S^2 / (2 pi) for the volume velocity of the diaphragm (Kinsler et al.).
    """
    frequency = np.linspace(85e3, 115e3, 61)
    shut = with_cell(study, neck_radius=1e-6, neck_length=2e-4, neck_count=1)
    sealed = with_cell(study, back="sealed", neck_radius=None, neck_length=None, neck_count=1)
    one, other = (alone(kind, 1.0, frequency, SMALL) for kind in (shut, sealed))
    both = np.isfinite(one) & np.isfinite(other)
    assert both.sum() > 20
    np.testing.assert_allclose(one[both], other[both], rtol=0.02)
    wide = with_cell(study, neck_radius=0.03, neck_length=0.0, neck_count=1)
    air, w = study.air_state, 2.0 * np.pi * frequency
    cells = build_cells(driven(wide, 1.0), wide)
    a, S = float(cells.radius[0, 0]), float(cells.volume[0, 0])
    R, X, _ = impedance_from_series(
        w * a / air.sound_speed, cells.resistance_series[0, 0], cells.reactance_series[0, 0]
    )
    load = air.density * air.sound_speed * math.pi * a**2
    back = air.density * air.sound_speed * (w / air.sound_speed) ** 2 * S**2 / (2.0 * math.pi)
    stiff = cells.stiffness[0, 0] - w**2 * cells.mass[0, 0] - w * load * X
    open_ = cells.force_per_volt[0, 0] / (stiff + 1j * w * (cells.damping[0, 0] + load * R + back))
    # its mass, of 8/(3 pi) radii at both ends, is still 1 % of the radiation mass
    moved = alone(wide, 1.0, frequency, SMALL)
    there = np.isfinite(moved)
    assert there.sum() > 20
    np.testing.assert_allclose(moved[there], np.abs(open_)[there], rtol=0.03)


def in_time(
    study: Study, volts: float, f: float, start: complex, periods: int = 160
) -> tuple[complex, complex]:
    """Fundamental of the diaphragm after ``periods`` of the full equations, and one before."""
    cells = build_cells(driven(study, volts), study)
    M, C, K = two_degrees(study, cells, f)
    m, c, w = np.diag(M), np.diag(C), 2.0 * math.pi * f
    force = float(cells.force_per_volt[0, 0]) * volts
    cubic = float(cells.effective_cubic[0, 0])
    neck = -K[1, 0] * start / (K[1, 1] - w**2 * m[1] + 1j * w * c[1])
    scale = abs(start)

    def slope(t: float, y: np.ndarray) -> np.ndarray:
        q, v = y[:2] * scale, y[2:] * scale
        pull = K @ q + c * w * v
        pull[0] += cubic * q[0] ** 3 - force * math.cos(t)
        return np.concatenate([y[2:], -pull / (m * w**2) / scale])

    state = np.array([start, neck])
    first = np.concatenate([state.real, -state.imag]) / scale
    turn = 2.0 * math.pi
    samples = turn * (periods + np.arange(-64, 64) / 64.0)
    run = integrate.solve_ivp(
        slope, (0.0, samples[-1]), first, method="DOP853", t_eval=samples, rtol=1e-8, atol=1e-10
    )
    wave = run.y[0] * scale * np.exp(-1j * samples) * 2.0 / 64.0
    return complex(wave[:64].sum()), complex(wave[64:].sum())


def load_of(study: Study, cells: Cells, f: float) -> complex:
    """d + j l of M7.18 at rest, the neck eliminated from the matrices of M5.15."""
    w = 2.0 * math.pi * f
    M, C, K = two_degrees(study, cells, f)
    own, neck = (K[n, n] - w**2 * M[n, n] + 1j * w * C[n, n] for n in (0, 1))
    return complex(own - K[0, 1] ** 2 / neck)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("neck_radius", "drive"), [(60e-6, 0.5), (25e-6, 1.5)])
def test_onset_and_ranges_of_hardening_and_softening_cells(
    study: Study, neck_radius: float, drive: float, sign: float
) -> None:
    """M7.18 on the matrices of M5.15: thresholds from roots of the cubic in |A|^2 (numpy.roots).

    A cell's figures are read off a scan in steps of 0.15 %; what depends on it is held to two.
    """
    study = with_cell(study, neck_radius=neck_radius)
    cells = build_cells(driven(study, 1.0), study)
    bend = 0.75 * sign * float(cells.effective_cubic[0, 0])
    force = drive * float(cells.necked.onset_force[0, 0])
    two_steps = 3e-3
    known = {
        "damping": cells.damping[0, 0],
        "stiffness": cells.stiffness[0, 0],
        "cubic": bend / 0.75,
        "radius": float(cells.radius[0, 0]),
        "volume": cells.volume[0, 0],
        "cavity": cells.cavity[0, 0],
        "resistance": cells.resistance_series[0, 0],
        "reactance": cells.reactance_series[0, 0],
        "neck": back_of(study.cell).neck(study.air_state),
        "density": study.air_state.density,
        "sound_speed": study.air_state.sound_speed,
    }
    found = necked_figures(cells.mass[0, 0], force=force, **known)
    endless = necked_figures(cells.mass[0, 0], force=1e3 * force, **known)
    assert np.isnan([endless.driven_low, endless.driven_high]).all()

    def threshold(f: float) -> float:
        """Least |F|^2 with three states: the far turning point of |F|^2 over |A|^2."""
        load = load_of(study, cells, f)
        turns = np.roots([3.0 * bend**2, 4.0 * bend * load.real, abs(load) ** 2])
        if abs(turns[0].imag) > 0.0 or turns.max() <= 0.0:
            return math.inf
        x = float(turns.max())
        return float(x * abs(load + bend * x) ** 2)

    # least of the minima inside: far below resonance a soft spring gives way to any slow force
    grid = np.geomspace(40e3, 250e3, 600)
    for _ in range(7):
        least = np.array([threshold(f) for f in grid])
        inside = least[1:-1]
        minima = (inside <= least[:-2]) & (inside <= least[2:]) & (inside < math.inf)
        at = 1 + int(np.argmin(np.where(minima, inside, math.inf)))
        onset, place = math.sqrt(least[at]), 2.0 * math.pi * grid[at]
        grid = np.linspace(grid[at - 1], grid[at + 1], 13)
    assert float(found.onset_force) == pytest.approx(onset, rel=1e-6)
    assert float(found.onset_frequency) == pytest.approx(place, rel=1e-6)

    w = 2.0 * math.pi * np.geomspace(40e3, 400e3, 2000)
    load = np.array([load_of(study, cells, x / (2.0 * math.pi)) for x in w])
    crossed = np.flatnonzero((load[:-1].real > 0.0) & (load[1:].real <= 0.0))
    below, above = load[crossed], load[crossed + 1]
    slope = (below - above).real / (w[crossed + 1] - w[crossed])
    peaks, width = w[crossed] + below.real / slope, 2.0 * below.imag / slope
    first, last = peaks[0], peaks[-1]

    def ranges(first: float, last: float) -> list[float]:
        """12 linewidths on each side, down to 0.3 and up to 2.5 times the resonance."""
        return [
            max(first - 12.0 * width[0], 0.3 * first),
            min(last + 12.0 * width[-1], 2.5 * last),
        ]

    np.testing.assert_allclose([found.low, found.high], ranges(first, last), rtol=two_steps)
    bent = load.real + bend * (force / load.imag) ** 2
    if sign > 0.0:  # resonance can be bent up to where d = -3/4 g (F/l)^2 for the last time
        end = w[np.flatnonzero(bent > 0.0)[-1]]
        expected = ranges(first, end)
    else:  # and down to where it does so first, seen from above
        end = w[np.flatnonzero((bent > 0.0) & (w < first))[-1]]
        expected = ranges(end, last)
    np.testing.assert_allclose([found.driven_low, found.driven_high], expected, rtol=two_steps)

    def apart(f: float) -> float:
        M, _, K = two_degrees(study, cells, f)
        return float(K[1, 1] - (2.0 * math.pi * f) ** 2 * M[1, 1])

    M, C, _ = two_degrees(study, cells, optimize.brentq(apart, 20e3, 400e3))
    assert float(found.width) == pytest.approx(min(*width, C[1, 1] / M[1, 1]), rel=two_steps)


@pytest.mark.parametrize("sweep", [UP, DOWN])
def test_states_of_the_full_equations(study: Study, sweep: int) -> None:
    """Where two states exist the sweep's is the larger or the smaller root of M7.18, and stays in
    time: diaphragm with cubic and neck as an oscillator of its own, DOP853."""
    f, volts = 130e3, 20.0
    found = alone(study, volts, np.array([f]), sweep)[0]
    cells = build_cells(driven(study, volts), study)
    bend, own = 0.75 * float(cells.effective_cubic[0, 0]), load_of(study, cells, f)
    force = volts * float(cells.force_per_volt[0, 0])
    roots = np.roots([bend**2, 2.0 * bend * own.real, abs(own) ** 2, -(force**2)])
    sizes = np.sort(roots[np.abs(roots.imag) < 1e-9 * np.abs(roots)].real)
    assert sizes.size == 3
    x = sizes[2 if sweep == UP else 0]
    assert found == pytest.approx(np.sqrt(x), rel=0.01)
    for later in in_time(study, volts, f, force / (own + bend * x)):
        assert abs(later) == pytest.approx(np.sqrt(x), rel=0.01)


def test_tuned_lossy_necks_widen_the_linear_band(study: Study) -> None:
    """A neck as an absorber of large share: two damped resonances in place of one (M5.16)."""
    absorber = with_cell(
        study, cavity_depth=200e-6, neck_radius=25e-6, neck_length=30e-6, neck_count=20
    )
    plain = {"neck_radius": None, "neck_length": None, "neck_count": 1}
    sealed = with_cell(absorber, back="sealed", **plain)
    vented = with_cell(absorber, back="vented", cavity_depth=None, **plain)
    widths, peaks = [], []
    for kind in (absorber, sealed, vented):
        chips = lone(kind, 0.5)
        band = chips.band(UP, HALF)
        assert not band.status.any()
        widths.append(float(chips.band(SMALL, HALF).fractional_width[0, 0]))
        peaks.append(9.0 * float(band.peak_pressure[0, 0]))
        assert widths[-1] == pytest.approx(float(band.fractional_width[0, 0]), rel=0.02)
    # docs/models/M5-radiation.md quotes these
    np.testing.assert_allclose(widths, [0.468, 0.0326, 0.0457], rtol=0.01)
    np.testing.assert_allclose(peaks, [0.0253, 0.2584, 0.1817], rtol=0.01)


def test_two_way_band_is_that_of_the_product(study: Study) -> None:
    """Weakly driven, one kind of cell: sent and heard alike, w^2 |A|^2 exp(-2 alpha r) (M10.5)."""
    designs = driven(study, 0.2)
    cells = build_cells(designs, study)
    frequency = np.linspace(60e3, 150e3, 3001)
    size = np.empty(frequency.size)
    for k, f in enumerate(frequency):
        w = 2.0 * math.pi * f
        M, C, K = two_degrees(study, cells, f)
        size[k] = np.abs(np.linalg.solve(K - w**2 * M + 1j * w * C, [1.0, 0.0])[0])
    alpha = absorption(study.air_state, frequency)
    both = frequency**2 * size**2 * np.exp(-2.0 * alpha * study.target.distance)
    top = int(np.argmax(both))
    low = frequency[:top][both[:top] < 10.0**-0.3 * both[top]][-1]
    high = frequency[top:][both[top:] < 10.0**-0.3 * both[top]][0]
    direct = 2.0 * (high - low) / (high + low)
    found = lone(study, 0.2).band(UP | TWO_WAY, HALF)
    # the direct edges are grid points, 30 Hz apart; the sweep's lag, as above
    assert found.fractional_width[0, 0] == pytest.approx(direct, rel=0.03)


def test_out_of_the_lumped_range_is_refused(study: Study) -> None:
    """A cavity deeper than 0.5 / k has standing waves: a status, no merits."""
    deep = build_cells(driven(study, 1.0), with_cell(study, cavity_depth=600e-6))
    assert deep.status[0, 0] == Status.CAVITY
    hot = build_cells(driven(study, 1.0), with_cell(study, cavity_depth=30e-6))
    assert hot.status[0, 0] == Status.CAVITY


STRATEGIES = (
    STUDY.replace('back = "necked"', 'back = "vented"')
    + """
[strategy.plain]
limits.drive_to_onset = { min = 1.0 }
[strategy.necked.cell]
back = "necked"
cavity_depth = "200 um"
neck_radius = "25 um"
neck_length = "30 um"
neck_count = 20
[strategy.sealed]
cell = { back = "sealed", cavity_depth = "200 um" }
"""
)
for KEY in ("cavity_depth", "neck_radius", "neck_length", "neck_count"):
    STRATEGIES = re.sub(f"(?m)^{KEY} = .*\n", "", STRATEGIES, count=1)


def test_strategies_of_one_study_differ_in_their_back() -> None:
    """All ways of widening in one study: chips are of the strategy's own cells."""
    study = read_study_text(STRATEGIES)
    assert [study.of(s).cell.back for s in study.strategies] == ["vented", "necked", "sealed"]
    assert study.cell.back == "vented"
    widths = [
        float(lone(study.of(s), 0.5).band(SMALL, HALF).fractional_width[0, 0])
        for s in study.strategies
    ]
    np.testing.assert_allclose(widths, [0.0457, 0.468, 0.0326], rtol=0.01)
    with pytest.raises(StudyError, match=r"strategy\.sealed\.cell\.cavity_depth is missing"):
        read_study_text(STRATEGIES.replace(', cavity_depth = "200 um"', ""))


PROBLEMS = [
    ('neck_radius = "60 um"\n', "", 'cell.neck_radius is missing; back = "necked" needs it'),
    ('"necked"', '"sealed"', '17: cell.neck_radius is "60 um"; does nothing with back = "sealed"'),
    ('"60 um"', '"300 um"', "the smallest diaphragm is 450 um in radius"),
    ("[target]", '[target]\nburst_length = "20 cycles"', 'a burst goes with back = "vented" or'),
    (
        "[target]",
        '[target]\nexcitation = "burst"\nburst_length = "20 cycles"',
        "are computed under down-sweep, up-sweep only",
    ),
]


@pytest.mark.parametrize(("old", "new", "message"), PROBLEMS)
def test_problems_of_the_study(tmp_path: Path, old: str, new: str, message: str) -> None:
    path = tmp_path / "study.toml"
    path.write_text(STUDY.replace(old, new), encoding="utf-8")
    with pytest.raises(StudyError, match=re.escape(message)):
        read_study(path)
