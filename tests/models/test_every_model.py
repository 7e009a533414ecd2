"""What every model of an array must answer alike: bands, curves, received sound and envelopes."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from arrayopt.merits.figures import Asked
from arrayopt.models.array import DOWN, SMALL, TWO_WAY, UP, ArrayModel, bursts
from arrayopt.models.choose import Fidelity, excitation_of, model_of
from arrayopt.models.coupled.model import Coupled
from arrayopt.models.excitations.burst import Burst
from arrayopt.models.one_mode.model import OneMode
from arrayopt.study.model import BurstLength, Study
from arrayopt.study.supported import BACK_KEYS, SUPPORTED
from tests.support.chain import at_target, duct, random_designs

SIX_DB = 10.0 ** (-6.0 / 20.0)
MODELS = sorted({name for name, _ in SUPPORTED})
LENGTH = BurstLength(0.25e-3)


def study_of(back: str = "vented") -> Study:
    study = at_target(duct(), burst_length=LENGTH)
    values = {"cavity_depth": 200e-6, "neck_radius": 25e-6, "neck_length": 30e-6, "neck_count": 20}
    keys = {key: values[key] for key in BACK_KEYS[back]}
    return replace(study, cell=replace(study.cell, back=back, **keys))


@cache
def model(name: str, back: str = "vented", drive: float = 1.0) -> ArrayModel:
    study = study_of(back)
    designs = random_designs(study, "combined", 2, seed=3)
    radius = np.tile(np.linspace(455e-6, 490e-6, 8), (2, 1))  # in the lumped range of every back
    drives = drive * designs.drive_amplitude
    designs = replace(designs, radius=radius, drive_amplitude=drives)
    return model_of(designs, study, fidelity=Fidelity(name, "group"))


@pytest.mark.parametrize("name", [name for name in MODELS if name != "both"])
@pytest.mark.parametrize("sweep", [UP, DOWN, SMALL, UP | TWO_WAY])
def test_edges_lie_around_the_peak_of_the_curve(name: str, sweep: int) -> None:
    """Edges are where the model's own curve, times what it receives, passes the level (or jumps).

    Not where bands of both effects are multiplied, which is no curve's.
    """
    one = model(name)
    band = one.band(sweep, SIX_DB)
    assert not band.status.any()
    edges = np.stack([band.lower_edge, band.upper_edge], axis=1)
    near = edges[..., None] * (1.0 + 3e-4 * np.array([[-1.0, 1.0], [-1.0, 1.0]]))
    across = np.linspace(band.lower_edge, band.upper_edge, 203, axis=1)[:, 2:-2]
    f = np.concatenate([near[:, 0], across, near[:, 1]], axis=1)
    size = np.abs(one.response(f, sweep & 3).pressure)
    if sweep & TWO_WAY:
        size *= one.receive(np.repeat([0, 1], f.shape[1]), f.ravel()).reshape(size.shape)
    limit = SIX_DB * band.peak_pressure[:, None]
    assert np.all(size[:, [0, -1]] < limit)
    assert np.all(size[:, 1:-1] > limit)
    # curves of several modes are interpolated between solved points, to 1e-4
    assert np.all(size.max(axis=1) < (1.0 + 1e-4) * band.peak_pressure)
    assert np.all(size.max(axis=1) > 0.9 * band.peak_pressure)


@pytest.mark.parametrize("name", MODELS)
def test_far_below_onset_the_sweep_is_the_small_signal(name: str) -> None:
    weak = model(name, drive=1e-3)
    up, small = weak.band(UP, SIX_DB), weak.band(SMALL, SIX_DB)
    np.testing.assert_allclose(up.lower_edge, small.lower_edge, rtol=1e-5)
    np.testing.assert_allclose(up.upper_edge, small.upper_edge, rtol=1e-5)
    np.testing.assert_allclose(up.peak_pressure, small.peak_pressure, rtol=1e-3)


@pytest.mark.parametrize("name", MODELS)
def test_groups_add_up_and_designs_do_not_depend_on_their_company(name: str) -> None:
    one = model(name)
    f = np.tile(np.linspace(90e3, 125e3, 31), (2, 1))
    whole = one.response(f, UP)
    np.testing.assert_allclose(whole.group_pressure.sum(axis=1), whole.pressure, rtol=1e-12)
    last = model_of(one.designs.take(1), one.study, fidelity=Fidelity(name, "group"))
    np.testing.assert_array_equal(last.response(f[1:], UP).pressure[0], whole.pressure[1])
    for kind in (UP, UP | TWO_WAY):
        every, own = one.band(kind, SIX_DB), last.band(kind, SIX_DB)
        assert own.lower_edge[0] == every.lower_edge[1]
        assert own.peak_pressure[0] == every.peak_pressure[1]


@pytest.mark.parametrize("back", BACK_KEYS)
@pytest.mark.parametrize("name", MODELS)
def test_what_is_received_is_what_weak_drive_sends(name: str, back: str) -> None:
    """Reciprocity (M8.11): one volt on every channel, target on the axis, moves what is charged."""
    one = model(name, back)
    designs = replace(
        one.designs,
        drive_amplitude=np.ones_like(one.designs.drive_amplitude),
        drive_phase=np.zeros_like(one.designs.drive_phase),
    )
    f = np.tile(np.linspace(95e3, 120e3, 9), (2, 1))
    sending = model_of(designs, one.study, fidelity=Fidelity(name, "group"))
    sent = np.abs(sending.response(f, SMALL).pressure)
    heard = one.receive(np.repeat([0, 1], 9), f.ravel()).reshape(2, 9)
    air, way = one.study.air_state, one.study.target.distance
    sent *= 2.0 * np.pi * way / (air.density * (2.0 * np.pi * f) ** 2)
    # sweeps are solved to 1e-6 of the force; several modes are interpolated between points to 1e-4
    np.testing.assert_allclose(heard, sent, rtol=1e-3 if name == "several-modes" else 1e-5)


def test_without_coupling_the_received_band_is_the_closed_form() -> None:
    """Two-way bands of cells followed state by state, against M10.5 of cells on their own."""
    alone = model("one-mode")
    followed = Coupled(alone.designs, alone.study, alone.cells, "group", mutual=False)
    for sweep in (UP, DOWN, SMALL):
        one, other = (m.band(sweep | TWO_WAY, SIX_DB) for m in (alone, followed))
        for field in ("peak_pressure", "lower_edge", "upper_edge"):
            np.testing.assert_allclose(getattr(other, field), getattr(one, field), rtol=1e-5)


WITH_BURSTS = sorted(
    n for (n, back), known in SUPPORTED.items() if "burst" in known and back == "vented"
)


@pytest.mark.parametrize("name", WITH_BURSTS)
def test_envelopes_are_of_their_own_entry(name: str) -> None:
    """Whatever else is in the call; from rest, quiet again, and never above what groups can add."""
    one = model(name)
    design, carrier = np.array([0, 1, 1]), np.array([1.0e5, 1.04e5, 1.1e5])
    whole = one.envelopes(design, bursts(carrier, LENGTH), ring_cycles=40)
    own = one.envelopes(design[1:2], bursts(carrier[1:2], LENGTH), ring_cycles=40)
    count = own.pressure.shape[1]
    np.testing.assert_array_equal(own.pressure[0], whole.pressure[1, -count:])
    assert not whole.status.any()
    assert np.all(np.abs(whole.pressure[:, -1]) < 0.5 * whole.peak)
    assert np.all(whole.peak <= whole.alone.sum(axis=1) * (1.0 + 1e-3))
    assert np.all(whole.power > 0.0)


@pytest.mark.parametrize("name", WITH_BURSTS)
def test_bands_of_bursts_lie_on_their_level(name: str) -> None:
    one, burst = model(name), Burst(LENGTH)
    band = burst.band(one, SIX_DB)
    assert not band.status.any()
    edges = np.stack([band.lower_edge, band.upper_edge], axis=1)
    for share, sign in ((2e-4, 1.0), (-2e-4, -1.0)):
        peak, _ = burst.peaks(one, edges * (1.0 + share * np.array([1.0, -1.0])))
        assert np.all(sign * (peak / (SIX_DB * band.peak_pressure[:, None]) - 1.0) > 0.0)


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("back", BACK_KEYS)
def test_every_merit_has_an_answer(name: str, back: str) -> None:
    """In every pairing that is not refused; and all of them from one model."""
    weak = model(name, back, 0.02)
    if "burst" not in SUPPORTED[name, back]:
        study = at_target(weak.study, burst_length=None)
        weak = model_of(weak.designs, study, fidelity=Fidelity(name, "group"))
    asked = Asked(weak)
    names = frozenset({"small_signal_bandwidth", "two_way_bandwidth", "beam_width"})
    for merit, value in asked.values(names | {"fractional_bandwidth"}).items():
        assert np.isfinite(value).all(), merit
    assert excitation_of(weak.study) is not None


def test_the_table_of_models_is_whole() -> None:
    assert {back for _, back in SUPPORTED} == set(BACK_KEYS)
    assert len(SUPPORTED) == len(MODELS) * len(BACK_KEYS)
    assert isinstance(model("one-mode"), OneMode)
    assert isinstance(model("one-mode", "necked"), Coupled)
