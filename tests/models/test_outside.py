"""Chips against what did not come from this project: arrays, beams, bands, swept plates.

Source of the ``arr.*`` and ``bw.*`` rows: tests/reference/reference_values.csv.
"""

from __future__ import annotations

import csv
from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from arrayopt.models.array import DOWN, SMALL, UP
from arrayopt.models.bands import read_bands
from arrayopt.models.beam import beam_patterns, beam_width, pattern, side_lobe_level
from arrayopt.models.chips import Chips
from arrayopt.physics.intime.slow_flow import chip_arrays, chip_sweep
from arrayopt.physics.sound.air import absorption
from tests.support.chain import as_drawn, at_target, duct, one_cell, random_designs, uniform_design
from tests.support.paths import REFERENCE

SWEEPS = REFERENCE / "modal_sweeps.csv"


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


@pytest.mark.parametrize("n", [8, 32])
def test_side_lobes_are_interpolated(n: int) -> None:
    """The closed form sin(n x)/(n sin x) on a fine grid: -13.233 dB for 32 elements."""
    x = np.linspace(1.01 * np.pi / n, 2.0 * np.pi / n, 200001)
    exact = 20.0 * np.log10(np.abs(np.sin(n * x) / (n * np.sin(x))).max())
    assert side_lobe_level(line_pattern(n))[0] == pytest.approx(exact, abs=5e-4)  # dB


# --- sum over a sampled surface (M9.1) --------------------------------------------------------


def surface_sum(
    chips: Chips, moved: NDArray[np.complex128], frequency: float, *, distance: float, polar: float
) -> complex:
    """Rayleigh's integral over every diaphragm of the first chip by point sources in real space.

    p = j w rho / (2 pi) sum v_i e^{-jkR_i}/R_i dS_i with the true distances R_i; Gauss points along
    the radius, equal steps in angle. ``moved`` (cell,): centre displacements.
    """
    air, designs, azimuth = chips.study.air_state, chips.designs, chips.study.target.azimuth
    k = 2.0 * np.pi * frequency / air.sound_speed
    node, weight = np.polynomial.legendre.leggauss(12)
    rho, weight = 0.5 * (node + 1.0), 0.5 * weight
    angle = 2.0 * np.pi * np.arange(24) / 24
    along = np.array([np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth)])
    observer = distance * np.array([*along, np.cos(polar)])
    total = 0.0j
    for n, (centre, group) in enumerate(
        zip(designs.positions()[0], designs.layout.group_of_cell, strict=True)
    ):
        a = chips.made.arrays.radius[0, 0, n]
        x = centre[0] + a * rho[:, None] * np.cos(angle)
        y = centre[1] + a * rho[:, None] * np.sin(angle)
        profile = (1.0 - rho**2) ** 2 * np.polynomial.polynomial.polyval(
            rho**2, chips.made.nominal.shape[0, group]
        )
        area = a**2 * (weight * rho)[:, None] * (2.0 * np.pi / 24)
        R = np.sqrt((observer[0] - x) ** 2 + (observer[1] - y) ** 2 + observer[2] ** 2)
        velocity = 2j * np.pi * frequency * moved[n] * profile[:, None]
        total += np.sum(velocity * area * np.exp(-1j * k * R) / R)
    return complex(1j * 2.0 * np.pi * frequency * air.density / (2.0 * np.pi) * total)


@pytest.mark.parametrize(("polar", "azimuth"), [(0.0, 0.0), (0.15, 0.4), (0.5, 2.0), (1.2, -1.0)])
def test_array_sum_is_the_surface_integral(polar: float, azimuth: float) -> None:
    """Eight radii with their own drives and phases, as drawn: the far pressure."""
    far = 300.0  # m: the far field to L^2/(8 d wavelength) = 1e-5 of a turn
    study = at_target(duct(), distance=far, polar=polar, azimuth=azimuth, steered=False)
    chips = as_drawn(random_designs(study, "combined", 1, seed=5), study)
    f = chips.made.nominal.natural_frequency.mean(axis=1)
    moved = chips.motion(f, SMALL)[0, 0]
    gain = np.exp(-far * float(absorption(study.air_state, f[0])))
    found = chips.response(f[:, None], SMALL)[0, 0, 0] / gain
    expected = abs(surface_sum(chips, moved, f[0], distance=far, polar=polar))
    # where the beam is weak errors are relative to what all give in step; two sweeps' lag
    in_step = abs(surface_sum(chips, np.abs(moved) + 0j, f[0], distance=far, polar=0.0))
    assert abs(found - expected) < 0.01 * in_step


def test_pattern_is_the_surface_integral() -> None:
    """The beam of a whole chip as made, lobes and all, from sampled surfaces."""
    study = at_target(duct(), distance=300.0, azimuth=0.7)
    chips = Chips(random_designs(study, "combined", 1, seed=8), study, 1)
    f = chips.made.nominal.natural_frequency.mean(axis=1)
    moved = chips.motion(f, UP)[0, 0]
    levels = beam_patterns(chips, f, UP)[0, 0, 0]
    picked = np.arange(0, 721, 24)
    angle = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 721)

    def level(polar: float) -> float:
        return abs(surface_sum(chips, moved, f[0], distance=300.0, polar=polar))

    expected = np.array([level(polar) for polar in angle[picked]])
    peak = level(angle[int(np.argmax(levels))])
    assert np.max(np.abs(levels[picked] - expected / peak)) < 1e-3


# --- bands (M10) ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "level", "power"),
    [
        ("bw.3.01dB", 0.5**0.5, 1),
        ("bw.6.02dB", 0.5, 1),
        ("bw.two-way_3.01dB", 0.5**0.5, 2),
        ("bw.two-way_6.02dB", 0.5, 2),
    ],
)
def test_bands_of_a_resonator(
    check_outside: Callable[..., None], key: str, level: float, power: int
) -> None:
    """One cell without air through the sweep and the reading of bands (M6.3, M10.1, M10.5)."""
    q, f0 = 2000.0, 1e5
    one = np.ones((1, 1, 1))
    m = 1e-9 * one
    arrays = chip_arrays(
        np.zeros((1, 2)),
        mass=m,
        damping=2.0 * np.pi * f0 / q * m,
        stiffness=(2.0 * np.pi * f0) ** 2 * m,
        cubic=0.0 * one,
        force=1e-6 * one + 0j,
        radius=4e-4 * one,
        volume=1e-7 * one,
        nominal=4e-4 * one[0],
        shape=one,
        resistance=0.0 * one,
        reactance=0.0 * one,
        density=1.2,
        sound_speed=343.0,
        scale=1.0,
        sides=0,
    )
    found = chip_sweep(arrays, start=0.99 * f0, stop=1.01 * f0, slowness=1000.0)
    size = (found.frequency[0] * np.abs(found.volume[0, 0])) ** power
    (_, _, lower, upper, _), off = read_bands(
        found.frequency[:1], size[None], np.array([size.size]), level
    )
    assert not off.any()
    equation = "M10.1" if power == 1 else "M10.5"
    # bands are read at 60 windows a linewidth, which a narrower band squared sees more of
    check_outside(key, q * (upper - lower)[0] / f0, equation, rel_tol=1e-3)


# --- sweeps of the full modal equation (M7) ---------------------------------------------------


MODAL = {(1, 0): 0.01, (1, 1): 0.02}
"""Modes and which of the drives: largest error."""


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


@pytest.mark.parametrize(("modes", "drive"), MODAL)
def test_sweeps_of_the_full_modal_equation(modes: int, drive: int) -> None:
    """One cell along slow sweeps against scipy sweeps of the plate's own modal equation.

    tests/reference/generate_modal_sweeps.py: one cell of the duct study at about 2 and 5 times its
    onset (w/h to 0.7 and 1.3), with one and with two modes. Up to the jump and beyond it; within
    two grid steps of a jump nothing is compared.
    """
    found = read_sweeps()
    volts = sorted({key[1] for key in found})
    study = duct()
    designs = one_cell(uniform_design(study, drive=volts[drive]))
    chips = as_drawn(designs, study, modes=modes)
    made, air, distance = chips.made.arrays, study.air_state, study.target.distance
    for way, up in ((UP, True), (DOWN, False)):
        rows = found[modes, volts[drive], up]
        frequency, reached = rows[np.argsort(rows[:, 0])].T
        loss = np.exp(-distance * absorption(air, frequency))
        per = air.density * (2.0 * np.pi * frequency) ** 2 / (2.0 * np.pi * distance) * loss
        moved = chips.response(frequency[None], way)[0, 0] / per / made.volume[0, 0, 0]
        steps = np.abs(np.diff(np.log(reached)))
        jump = int(np.argmax(steps)) if steps.max() > 0.15 else frequency.size
        away = np.isfinite(moved)
        away[max(jump - 1, 0) : jump + 3] = False
        assert away.sum() > 20
        assert_allclose(moved[away], reached[away], rtol=MODAL[modes, drive])
