"""Merits of the pulse on chips (M13): closed forms, what hangs together, and what brakes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from arrayopt.base.glossary import ECHO_MERITS, MERITS, TAIL_MERITS, WAVEFORM_MERITS
from arrayopt.base.status import Status
from arrayopt.design.chips import NOMINAL
from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.merits.chips import compute_merits, limits_in_force, merits_of_chips
from arrayopt.models.chips import Chips
from arrayopt.physics.intime.slow_flow import linear_figures
from arrayopt.physics.sound.level import sound_pressure_level
from arrayopt.search.seeds import seed_vectors
from arrayopt.study.model import Echo, Study
from arrayopt.study.read import read_study
from tests.support.chain import one_cell, sending, uniform_design
from tests.support.paths import STUDIES


def some(study: Study, count: int = 2) -> Designs:
    space = DesignSpace(study, study.strategy("combined"))
    return space.decode(np.random.default_rng(8).random((count, space.n_variables)))


def with_numbers(designs: Designs, **numbers: float) -> Designs:
    shape = designs.radius.shape
    found = {name: np.full(shape, value) for name, value in numbers.items()}
    return replace(designs, waveform={**designs.waveform, **found})


def test_every_merit_of_the_pulse_and_what_hangs_together() -> None:
    study = sending()
    designs = some(study)
    table = compute_merits(Chips(designs, study, 3))
    assert set(table.chips) >= WAVEFORM_MERITS | TAIL_MERITS
    assert set(table.values) <= set(MERITS)
    assert not table.status.any()
    chips, speed = table.chips, study.air_state.sound_speed
    for name in sorted(WAVEFORM_MERITS | TAIL_MERITS):
        assert np.isfinite(chips[name]).all(), name
    width = chips["compressed_width"]
    np.testing.assert_allclose(chips["range_resolution"], 0.5 * speed * width, rtol=1e-12)
    np.testing.assert_allclose(
        chips["pulse_level"], sound_pressure_level(chips["peak_pressure"]), rtol=1e-12
    )
    np.testing.assert_allclose(
        chips["fractional_bandwidth"], chips["pulse_spectrum_bandwidth"], rtol=0.01
    )
    whole = Chips(designs, study, 3).sent.drive_end[:, None]
    zone = 0.5 * speed * (whole + chips["ring_down_time_40"])
    np.testing.assert_allclose(chips["dead_zone"], zone, rtol=1e-12)
    # a plane wave of the peak all along the pulse would carry more
    most = chips["peak_pressure"] ** 2 / (2.0 * study.air_state.density * speed)
    assert (chips["pulse_energy"] < most * (whole + chips["ring_down_time_40"])).all()
    one = compute_merits(Chips(designs.take([1]), study, 3))
    for name in WAVEFORM_MERITS | TAIL_MERITS:
        np.testing.assert_array_equal(one.chips[name][0], chips[name][1], err_msg=name)


def test_merits_of_the_echo() -> None:
    """Two arrays an image apart hear what one hears of a wall, but for the spreading (M14.8)."""
    study = replace(sending(), echo=Echo())
    designs = some(study)
    chips = compute_merits(Chips(designs, study, 3), wanted=ECHO_MERITS).chips
    facing = replace(study, echo=Echo(path="pitch-catch"))
    caught = compute_merits(Chips(designs, facing, 3), wanted=ECHO_MERITS).chips
    np.testing.assert_allclose(caught["maximum_range"], 2.0 * chips["maximum_range"], rtol=1e-9)
    assert (caught["signal_to_noise"] > chips["signal_to_noise"] + 20.0 * np.log10(2.0)).all()
    late = chips["time_of_flight_error"]
    assert ((late > 1e-12) & (late < chips["envelope_time_error"])).all()
    one = compute_merits(Chips(designs.take([1]), study, 2), wanted=ECHO_MERITS)
    for name in ECHO_MERITS:
        np.testing.assert_array_equal(one.chips[name][0], chips[name][1, :2], err_msg=name)
    # heard weakly: a hundredth of the drive, 40 dB less
    weak = replace(designs, drive_amplitude=1e-4 * designs.drive_amplitude)
    weaker = replace(designs, drive_amplitude=1e-6 * designs.drive_amplitude)
    names = frozenset({"signal_to_noise"})
    low, lower = (
        compute_merits(Chips(some, study, 2), wanted=names).chips["signal_to_noise"]
        for some in (weak, weaker)
    )
    np.testing.assert_allclose(low - lower, 40.0, atol=1e-3)


def test_the_chip_as_drawn_is_its_own_replica() -> None:
    study = sending()
    found = compute_merits(Chips(some(study), study, 1, use=NOMINAL))
    np.testing.assert_array_equal(
        found.chips["compressed_width"], found.chips["compressed_width_own"]
    )


def test_beside_a_sweep_the_pulse_is_the_same() -> None:
    """Bands are those of the excitation, figures of the pulse those of the waveform."""
    study, swept = sending(), sending(excitation="up-sweep")
    designs, names = some(study, 1), frozenset({"pulse_length", "compressed_width"})
    one = compute_merits(Chips(designs, study, 2), wanted=names)
    other = compute_merits(Chips(designs, swept, 2), wanted=names)
    for name in names:
        np.testing.assert_array_equal(one.chips[name], other.chips[name])
    assert not np.allclose(
        one.chips["fractional_bandwidth"], other.chips["fractional_bandwidth"], rtol=0.01
    )


def test_two_way_and_small_signal_bands_of_the_pulse() -> None:
    """Sent and received by one array: the spectrum times what it receives, so narrower."""
    study = sending()
    lone = one_cell(uniform_design(study, drive=0.01))
    figures = linear_figures(Chips(lone, study, 1, use=NOMINAL).made.arrays)
    f0 = figures.resonance[0, 0, 0] / (2.0 * np.pi)
    designs = with_numbers(lone, **numbers(study, f0))
    found = compute_merits(Chips(designs, study, 1, use=NOMINAL))
    # a weak drive is small signal already
    assert found.values["small_signal_bandwidth"] == pytest.approx(
        found.values["fractional_bandwidth"], rel=1e-3
    )
    assert 0.4 < found.values["two_way_bandwidth"] / found.values["fractional_bandwidth"] < 0.9


def numbers(study: Study, carrier: float, **more: float) -> dict[str, float]:
    strategy = study.strategy("uniform-nonlinear")
    fixed = {"pulse_taper": 0.0, "tail_phase": float(strategy.fixed["tail_phase"])}
    given = {"pulse_carrier": carrier, "pulse_cycles": 6.0, "tail_cycles": 0.0}
    return {**fixed, **given, "tail_amplitude": 0.0, **more}


def test_a_computed_tail_stops_a_linear_cell() -> None:
    """At resonance the motion after T is 1 - e^(-d T); a tail of the same force against it needs
    the share (1 - e^(-d T)) e^(-d T')/(1 - e^(-d T')) to stop it after T'."""
    study = sending()
    lone = one_cell(uniform_design(study, drive=1e-3, bias=0.0))
    figures = linear_figures(Chips(lone, study, 1, use=NOMINAL).made.arrays)
    f0, decay = figures.resonance[0, 0, 0] / (2.0 * np.pi), figures.decay[0, 0, 0]
    on, off = 6.0 / f0, 5.0 / f0
    share = -np.expm1(-decay * on) * np.exp(-decay * off) / -np.expm1(-decay * off)
    tail = {"tail_cycles": 5.0, "tail_amplitude": float(share)}
    designs = with_numbers(lone, **numbers(study, f0, **tail))
    found = compute_merits(Chips(designs, study, 1, use=NOMINAL)).chips
    speed, plain = study.air_state.sound_speed, np.log(100.0) / decay
    without = 0.5 * speed * (on + plain)
    np.testing.assert_allclose(found["dead_zone_unbraked"], without, rtol=0.03)
    assert found["dead_zone"][0, 0] < 0.5 * without


def test_limits_of_the_driver_are_limits_of_designs() -> None:
    study = sending()
    limits = {x.name: x.maximum for x in limits_in_force(study, study.strategies[0])}
    assert (limits["drive_voltage"], limits["drive_slew"]) == (20.0, 1e7)
    designs = replace(some(study, 1), drive_amplitude=np.full((1, 2), 19.0))
    table = compute_merits(
        Chips(designs, study, 1), limits=limits_in_force(study, study.strategies[0])
    )
    at = [limit.name for limit in table.limits].index("drive_slew")
    assert table.broken[at, 0] == pytest.approx(table.values["drive_slew"][0] - 1e7)
    assert table.values["drive_slew"][0] > 1e7


def test_a_pulse_that_never_was_says_why() -> None:
    study = sending()
    designs = some(study, 1)
    still = replace(designs, drive_amplitude=0.0 * designs.drive_amplitude)
    found = compute_merits(Chips(still, study, 1))
    assert found.status[0] & Status.NOT_DRIVEN
    assert np.isnan(found.values["pulse_length"][0])


def test_the_shipped_study_starts_near_its_goal() -> None:
    """A closed-form seed of 16 radii: 30 us, -12 dB and 100 dB on 90 % of chips as made."""
    study = read_study(STUDIES / "shortest-pulse")
    strategy = study.strategy("overlapping-burst")
    vectors = seed_vectors(study, strategy, 1)
    designs = DesignSpace(study, strategy).decode(vectors)
    table = merits_of_chips(designs, study, strategy)
    found = table.values
    assert (table.broken <= 0.0).all()
    assert found["compressed_width"][0] < 30e-6
    assert found["pulse_level"][0] > 100.0
    names = [limit.name for limit in limits_in_force(study, strategy)]
    assert {"range_side_lobes", "drive_slew", "pulse_level"} <= set(names)
