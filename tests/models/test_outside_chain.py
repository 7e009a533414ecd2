"""The chain against what did not come from this project: arrays, beams, bands, swept plates.

Source of the ``arr.*`` and ``bw.*`` rows: tests/reference/reference_values.csv.
"""

from __future__ import annotations

import csv
from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from arrayopt.design.designs import Designs
from arrayopt.models.array import DOWN, SMALL, TWO_WAY, UP
from arrayopt.models.beam import beam_patterns, beam_width, pattern, side_lobe_level
from arrayopt.models.cells import Cells, build_cells
from arrayopt.models.one_mode.band import find_band
from arrayopt.models.one_mode.model import OneMode
from arrayopt.models.one_mode.response import Packed, array_pressure, pack
from arrayopt.physics.sound.air import absorption
from arrayopt.study.model import Study
from tests.support.chain import at_target, duct, packed, random_designs, uniform_design
from tests.support.paths import REFERENCE

SWEEPS = REFERENCE / "modal_sweeps.csv"


def lone_resonator(q: float) -> Packed:
    """One cell without air: w0 = 1 rad/s, unit mass and stiffness."""
    one = np.ones((1, 1))
    template = packed(duct(), uniform_design(duct()))
    return template._replace(
        mass=one,
        damping=one / q,
        stiffness=one,
        cubic=0.0 * one,
        force=one,
        drive_re=one,
        drive_im=0.0 * one,
        receive=one,
        resistance=np.zeros_like(template.resistance),
        reactance=np.zeros_like(template.reactance),
        directivity=np.eye(1, template.directivity.shape[-1])[None],
        cell_count=np.ones(1),
        natural=one,
        linewidth=one / q,
        absorption=np.array([0.0, 0.0, 0.0, 1.0, 1.0]),
    )


# --- beams (M9.7) ----------------------------------------------------------------------------


def line_pattern(n: int) -> NDArray[np.float64]:
    """Pattern of a uniform line, half a wavelength apart, of cells without directivity."""
    x = np.arange(n) - 0.5 * (n - 1)
    return pattern(
        np.ones((1, n), dtype=complex),
        delay=x[None],  # positions in units of half a wavelength
        w=np.array([np.pi]),
        ka_per_w=np.zeros((1, n)),
        directivity=np.ones((1, n, 1)),
    )


@pytest.mark.parametrize("n", [4, 8, 32])
def test_half_power_width_of_a_line(check_outside: Callable[..., None], n: int) -> None:
    width = np.degrees(beam_width(line_pattern(n)))[0]
    check_outside(f"arr.hpbw.N{n}", width, "M9.7")


@pytest.mark.parametrize("n", [4, 8, 16])
def test_first_side_lobe_of_a_line(check_outside: Callable[..., None], n: int) -> None:
    check_outside(f"arr.sll.N{n}", side_lobe_level(line_pattern(n))[0], "M9.7")


# --- sum over a sampled surface (M9.1) --------------------------------------------------------


def surface_sum(
    cells: Cells,
    designs: Designs,
    study: Study,
    amplitude: NDArray[np.complex128],
    frequency: float,
    *,
    distance: float,
    polar: float,
    azimuth: float,
) -> complex:
    """Rayleigh's integral over every diaphragm of design 0 by point sources in real space.

    p = j w rho / (2 pi) sum v_i e^{-jkR_i}/R_i dS_i with the true distances R_i; Gauss points along
    the radius, equal steps in angle. ``amplitude`` (group,): centre displacements.
    """
    air = study.air_state
    k = 2.0 * np.pi * frequency / air.sound_speed
    node, weight = np.polynomial.legendre.leggauss(12)
    rho, weight = 0.5 * (node + 1.0), 0.5 * weight
    angle = 2.0 * np.pi * np.arange(24) / 24
    observer = distance * np.array(
        [
            np.sin(polar) * np.cos(azimuth),
            np.sin(polar) * np.sin(azimuth),
            np.cos(polar),
        ]
    )
    total = 0.0j
    for centre, group in zip(designs.positions()[0], designs.layout.group_of_cell, strict=True):
        a = designs.radius[0, group]
        x = centre[0] + a * rho[:, None] * np.cos(angle)
        y = centre[1] + a * rho[:, None] * np.sin(angle)
        profile = (1.0 - rho**2) ** 2 * np.polynomial.polynomial.polyval(
            rho**2, cells.shape[0, group]
        )
        area = a**2 * (weight * rho)[:, None] * (2.0 * np.pi / 24)
        R = np.sqrt((observer[0] - x) ** 2 + (observer[1] - y) ** 2 + observer[2] ** 2)
        velocity = 2j * np.pi * frequency * amplitude[group] * profile[:, None]
        total += np.sum(velocity * area * np.exp(-1j * k * R) / R)
    return complex(1j * 2.0 * np.pi * frequency * air.density / (2.0 * np.pi) * total)


@pytest.mark.parametrize(("polar", "azimuth"), [(0.0, 0.0), (0.15, 0.4), (0.5, 2.0), (1.2, -1.0)])
def test_array_sum_is_the_surface_integral(polar: float, azimuth: float) -> None:
    """Eight radii with their own drives and phases: amplitude and phase of the far pressure."""
    far = 300.0  # m: the far field to L^2/(8 d wavelength) = 1e-5 of a turn
    study = at_target(duct(), distance=far, polar=polar, azimuth=azimuth, steered=False)
    designs = random_designs(study, "combined", 1, seed=5)
    cells = build_cells(designs, study)
    frequency = np.linspace(0.8, 1.25, 4) * cells.natural_frequency.mean()
    found = array_pressure(cells, designs, study, frequency=frequency[None], sweep=SMALL)
    # The absorption over the path has its own tests (M4); it is taken out here.
    gain = np.exp(-absorption(study.air_state, frequency) * far)
    # What every cell would give in step: where the beam is weak, errors are relative to this.
    in_step = np.abs(found.group_pressure[0]).sum(axis=0) / gain
    for i, f in enumerate(frequency):
        expected = surface_sum(
            cells,
            designs,
            study,
            found.deflection[0, :, i],
            f,
            distance=far,
            polar=polar,
            azimuth=azimuth,
        )
        assert abs(found.pressure[0, i] / gain[i] - expected) <= 2e-4 * in_step[i]
        if polar == 0.0:
            assert_allclose(found.pressure[0, i] / gain[i], expected, rtol=2e-4)


def test_the_far_field_at_the_distance_of_the_study() -> None:
    """At 0.3 m the corner of this array is k r^2/2d = 0.1 rad late: 0.3 % of the pressure."""
    study = duct()
    designs = uniform_design(study)
    cells = build_cells(designs, study)
    f = float(cells.natural_frequency[0, 0])
    found = array_pressure(cells, designs, study, frequency=np.array([[f]]), sweep=SMALL)
    expected = surface_sum(
        cells, designs, study, found.deflection[0, :, 0], f, distance=0.3, polar=0.0, azimuth=0.0
    )
    gain = np.exp(-0.3 * float(absorption(study.air_state, f)))
    assert_allclose(abs(found.pressure[0, 0]) / gain, abs(expected), rtol=3e-3)
    assert abs(abs(found.pressure[0, 0]) / gain / abs(expected) - 1.0) > 1e-4  # it is not exact


def test_pattern_is_the_surface_integral() -> None:
    """The beam of the whole array, lobes and all, from sampled surfaces."""
    study = at_target(duct(), distance=300.0, azimuth=0.7)
    designs = random_designs(study, "combined", 1, seed=8)
    cells = build_cells(designs, study)
    f = float(cells.natural_frequency.mean())
    response = array_pressure(cells, designs, study, frequency=np.array([[f]]), sweep=UP)
    levels = beam_patterns(OneMode(designs, study, cells), np.array([f]), UP)[0, 0]
    picked = np.arange(0, 721, 24)
    angle = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 721)
    moved = response.deflection[0, :, 0]

    def level(polar: float) -> float:
        far = {"distance": 300.0, "polar": polar, "azimuth": 0.7}
        return abs(surface_sum(cells, designs, study, moved, f, **far))

    expected = np.array([level(polar) for polar in angle[picked]])
    peak = level(angle[int(np.argmax(levels))])
    assert np.max(np.abs(levels[picked] - expected / peak)) < 2e-4


# --- bands (M10) ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "level"), [("bw.two-way_3.01dB", 0.5**0.5), ("bw.two-way_6.02dB", 0.5)]
)
def test_two_way_band_of_a_resonator(
    check_outside: Callable[..., None], key: str, level: float
) -> None:
    """Acceleration out and charge back make the velocity response squared, exactly (M10.5)."""
    q = 500.0
    band = find_band(lone_resonator(q), level=level, sweep=SMALL | TWO_WAY)
    # In units of f0, as the table: edges are found to 1e-10 and the peak to 1e-7 of the frequency,
    # which a width of f0/500 sees 500 times larger.
    width = 2.0 * np.pi * (band.upper_edge - band.lower_edge)[0]
    check_outside(key, q * width, "M10.5", rel_tol=1e-6)


# --- sweeps of the full modal equation (M7) ---------------------------------------------------


def read_sweeps() -> dict[tuple[int, float, bool], NDArray[np.float64]]:
    """(modes, volt, sweep up) -> rows (frequency, centre amplitude)."""
    out: dict[tuple[int, float, bool], list[tuple[float, float]]] = {}
    with SWEEPS.open(newline="", encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            key = (int(row["modes"]), float(row["volt"]), row["sweep_up"] == "1")
            out.setdefault(key, []).append(
                (float(row["frequency"]), float(row["centre_amplitude"]))
            )
    return {key: np.array(rows) for key, rows in out.items()}


def jumps_between(amplitude: NDArray[np.float64]) -> int | None:
    """Grid step across which the amplitude jumps; None where it nowhere changes by 15 %."""
    steps = np.abs(np.diff(np.log(amplitude)))
    return int(np.argmax(steps)) if steps.max() > 0.15 else None


@pytest.mark.parametrize(
    ("modes", "drive", "amplitude_error"),
    [(1, 0, 0.003), (1, 1, 0.008), (2, 0, 0.02), (2, 1, 0.05)],
)
def test_sweeps_of_the_full_modal_equation(modes: int, drive: int, amplitude_error: float) -> None:
    """Closed form of one mode (M7.1) against scipy sweeps of the plate's own modal equation.

    tests/reference/generate_modal_sweeps.py: one cell of the duct study at about 2 and 5 times its
    onset (w/h to 0.7 and 1.3), with one mode (what one harmonic and the effective cubic leave out:
    0.2 and 0.7 % of the amplitude, no grid step of the jumps) and with two (what the second mode
    changes too: 1.6 and 4 % of the amplitude, and a jump down 0.7 % earlier at the harder drive).
    """
    found = read_sweeps()
    volts = sorted({key[1] for key in found})
    study = duct()
    designs = uniform_design(study, drive=volts[drive])
    cells = build_cells(designs, study)
    fold = find_band(pack(cells, designs, study), level=10.0 ** (-6 / 20), sweep=UP).upper_edge[0]
    at = {}
    for up in (True, False):
        rows = found[modes, volts[drive], up]
        frequency, reached = rows[np.argsort(rows[:, 0])].T
        response = array_pressure(
            cells, designs, study, frequency=frequency[None], sweep=UP if up else DOWN
        )
        model = np.abs(response.deflection[0, 0])
        at[up] = jumps_between(reached)
        past = frequency.size if at[up] is None else at[up]
        away = np.ones(frequency.size, dtype=bool)
        away[past : past + 2] = False
        if up and at[up] is not None and modes == 2 and drive == 1:
            away[past:] = False
            # One mode rides on for 0.7 % of the frequency (half a grid step of doubt).
            assert 1.003 < fold / frequency[past] < 1.012
        else:
            assert jumps_between(model) == at[up]
        assert_allclose(model[away], reached[away], rtol=amplitude_error)
    assert at[False] is not None
    # One mode's jump down at the harder drive lies past the end of the sweep, at 1.22 w0.
    assert (at[True] is None) == (modes == 1 and drive == 1)
    assert at[True] is None or at[True] > at[False]
