"""Pictures: what is drawn is what is stored, with units, to scale, and readable in grey."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest
import xarray as xr
from matplotlib.collections import EllipseCollection

from arrayopt.results.plots.pictures import (
    plot_array,
    plot_beam,
    plot_burst,
    plot_convergence,
    plot_front,
    plot_response,
)
from arrayopt.results.plots.style import INK, MARKS, SOFT, figure_svg
from arrayopt.results.read import Reading, convergence, read_run
from arrayopt.results.report.designs import Chosen, beam_of
from tests.support.small_runs import runs


@pytest.fixture(scope="module")
def reading() -> Reading:
    return read_run(runs()[2])


@pytest.fixture(scope="module")
def design(reading: Reading) -> xr.Dataset:
    return reading.fronts["combined"].isel(design=0)


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.1, definition)."""
    parts = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(
    ("colours", "least"), [([m.colour for m in MARKS], 3.0), ([INK, SOFT], 4.5)]
)
def test_contrast_on_white_meets_wcag(colours: list[str], least: float) -> None:
    # WCAG 2.1, 1.4.11 (graphics, 3:1) and 1.4.3 (text, 4.5:1).
    for colour in colours:
        assert 1.05 / (luminance(colour) + 0.05) >= least, colour


def test_strategies_differ_without_colour() -> None:
    assert len({(m.marker, m.filled) for m in MARKS}) == len(MARKS)
    assert len({str(m.line) for m in MARKS}) == len(MARKS)


def test_front_shows_every_member_with_units(reading: Reading) -> None:
    ax = plot_front(reading.fronts, x="onset_voltage", y="fractional_bandwidth")
    assert ax.get_xlabel() == "onset voltage (V)"
    assert ax.get_ylabel() == "fractional bandwidth (%)"
    for line, (name, front) in zip(ax.get_lines(), reading.fronts.items(), strict=False):
        assert str(line.get_label()).startswith(name)
        np.testing.assert_array_equal(line.get_xdata(), front["onset_voltage"])
        np.testing.assert_allclose(
            line.get_ydata(), 100 * front["fractional_bandwidth"], rtol=1e-12
        )


def test_response_draws_levels_of_rms_pressure(design: xr.Dataset) -> None:
    ax = plot_response(design)
    lines = {line.get_label(): line.get_ydata() for line in ax.get_lines()}
    (between,) = (c for c in ax.collections if c.get_label() == "lowest to highest chip")
    low, high = (between.get_paths()[0].get_extents().get_points()[k, 1] for k in (0, 1))
    for label, name in (
        ("up-sweep, median chip", "pressure"),
        ("down-sweep", "opposite_pressure"),
        ("small signal", "small_signal_pressure"),
    ):
        # ISO 1683: 20 uPa; the level is of the rms value.
        expected = 10.0 * np.log10((design[name] ** 2 / 2.0) / (20e-6) ** 2)
        np.testing.assert_allclose(lines[label], expected, rtol=1e-12)
    for end, name, of in (
        (low, "pressure_lowest", np.nanmin),
        (high, "pressure_highest", np.nanmax),
    ):
        assert end == pytest.approx(20.0 * np.log10(of(design[name]) / np.sqrt(2.0) / 20e-6))
    assert ax.get_xlabel() == "frequency (kHz)"


def test_array_is_to_scale(reading: Reading, design: xr.Dataset) -> None:
    assert reading.study is not None
    ax = plot_array(design, die=reading.study.chip.die)
    assert ax.get_aspect() == 1.0
    discs = [c for c in ax.collections if isinstance(c, EllipseCollection)]
    drawn = {}
    for collection in discs:
        for x, y in collection.get_offsets():
            drawn.setdefault((round(float(x), 9), round(float(y), 9)), []).append(
                float(collection.get_widths()[0])
            )
    for place, radius, cover in zip(
        1e3 * design["position"].values,
        design["radius"].values,
        design["electrode_coverage"].values,
        strict=True,
    ):
        widths = drawn[(round(float(place[0]), 9), round(float(place[1]), 9))]
        np.testing.assert_allclose(widths, [2e3 * radius, 2e3 * cover * radius], rtol=1e-6)


def test_beam_picture_has_the_stored_width(reading: Reading) -> None:
    pattern = beam_of(reading, Chosen("uniform-nonlinear", 0, ""))
    assert pattern is not None
    ax = plot_beam(pattern)
    widths = []
    for name in np.asarray(pattern["plane"]):
        line = next(x for x in ax.get_lines() if x.get_label() == name)
        angle, level = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
        top = int(np.argmax(level))
        left = np.flatnonzero(level[:top] < -3.0103)[-1]
        right = top + np.flatnonzero(level[top:] < -3.0103)[0]
        widths.append(angle[right] - angle[left])
    stored = float(reading.fronts["uniform-nonlinear"]["beam_width"][0])
    # stored: the median of chips; drawn: as designed, in steps of a quarter of a degree
    assert stored == pytest.approx(max(widths), rel=0.01)


def test_convergence_ends_at_the_stored_hypervolume(reading: Reading) -> None:
    curves = convergence(reading)
    ax = plot_convergence(curves)
    for line, name in zip(ax.get_lines(), np.asarray(curves["strategy"]), strict=True):
        values = np.asarray(line.get_ydata())
        assert (np.diff(values) >= 0.0).all()
        np.testing.assert_allclose(
            values[-1], reading.fronts[str(name)].attrs["hypervolume"], rtol=1e-12
        )


def test_bursts_are_drawn_against_their_carrier(design: xr.Dataset) -> None:
    amplitude = np.linspace(0.5, 1.0, design.sizes["frequency"])
    amplitude[3] = np.nan  # a softening cell escaped
    both = {"burst_pressure": amplitude, "burst_end_pressure": 0.5 * amplitude}
    bursts = design.assign({name: ("frequency", values) for name, values in both.items()})
    ax = plot_burst(bursts.assign_attrs(excitation="burst"))
    lines = {line.get_label(): line for line in ax.get_lines()}
    kilohertz, level = lines["largest in burst"].get_data()
    np.testing.assert_allclose(kilohertz, design["frequency"] / 1e3, rtol=1e-12)
    # 20 uPa is the reference pressure of levels in air, of the rms value (ISO 1683)
    expected = 20.0 * np.log10(amplitude / np.sqrt(2.0) / 20e-6)
    np.testing.assert_allclose(level, expected, rtol=1e-12)
    gap = np.asarray(level) - np.asarray(lines["end of burst"].get_ydata())
    np.testing.assert_allclose(gap[np.isfinite(gap)], 20.0 * np.log10(2.0), rtol=1e-9)
    assert ax.get_xlabel() == "carrier (kHz)"
    labels = ax.get_legend_handles_labels()[1]
    assert any(label.startswith("band of bursts") for label in labels)
    labels = plot_burst(bursts.assign_attrs(excitation="up-sweep")).get_legend_handles_labels()[1]
    assert not any(label.startswith("band") for label in labels)


def test_pictures_are_repeatable_and_well_formed(design: xr.Dataset) -> None:
    first, second = (figure_svg(plot_response(design).figure.figure, "p") for _ in range(2))
    assert first == second
    root = ElementTree.fromstring(first)
    ids = [e.get("id") for e in root.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    assert all(str(i).startswith("p-") for i in ids)
    wanted = set(re.findall(r'(?:href="#|url\(#)([^")]+)', first))
    assert wanted <= set(ids)


def test_tick_labels_keep_their_digits(reading: Reading) -> None:
    ax = plot_front(reading.fronts, x="onset_voltage", y="fractional_bandwidth")
    ax.set_xlim(2.0, 2.5)
    ax.set_xticks([2.125, 2.375])
    svg = figure_svg(ax.figure.figure, "t")
    assert ">2.125<" in svg
    assert ">2.375<" in svg
