"""Captured waveforms: read, refused with a reason, fitted, and judged as pulses (C.6, C.7)."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from scipy.interpolate import CubicSpline
from scipy.signal import chirp, lsim

from arrayopt.base.errors import ArrayoptError
from arrayopt.lab.against import compare_chip, verdict_table
from arrayopt.lab.calibrate import fit_cell, sweeps_by_cell
from arrayopt.lab.load import measured_cells
from arrayopt.lab.read.files import MeasuredError, Trace, read_measured
from arrayopt.merits.evaluate import evaluate
from arrayopt.models.chips import Chips
from arrayopt.physics.intime.waveform import Drive
from arrayopt.physics.sound.air import absorption
from arrayopt.study.model import Study
from arrayopt.study.read import read_study
from tests.support.chain import as_drawn, random_designs, sending
from tests.support.paths import STUDIES

F0, Q, STATIC = 96.3e3, 41.0, 3e-9
"""Resonance [Hz], quality factor and static displacement per volt [m/V] of an invented cell."""
HEAD = """\
# invented
# kind = waveform
# cell = A
# radius = 450 um
# drive_amplitude = 2 V
# quantity = {quantity}
{drive}
"""
BURST = "# carrier = 95 kHz\n# burst_cycles = 6"
CHIRP = "# chirp_start = 80 kHz\n# chirp_end = 115 kHz\n# chirp_duration = 0.5 ms"
STEP = 0.4e-6


@cache
def tutorial() -> Study:
    return read_study(STUDIES / "calibration-tutorial")


def driven(kind: str, time: np.ndarray) -> np.ndarray:
    """The voltage, scipy's chirp for the chirp."""
    if kind == BURST:
        return 2.0 * np.cos(2.0 * np.pi * 95e3 * time) * (time < 6.0 / 95e3)
    return 2.0 * chirp(time, 80e3, 0.5e-3, 115e3) * (time < 0.5e-3)


def moved(kind: str, quantity: str, time: np.ndarray) -> np.ndarray:
    """A linear resonator under it, integrated by scipy at steps 8 times finer."""
    fine = np.linspace(0.0, time[-1], 8 * (time.size - 1) + 1)
    w0 = 2.0 * np.pi * F0
    over = ([STATIC * w0**2], [1.0, w0 / Q, w0**2])
    if quantity == "velocity":
        over = ([STATIC * w0**2, 0.0], over[1])
    return np.asarray(lsim(over, driven(kind, fine), fine)[1][::8])


def write(folder: Path, kind: str, quantity: str, unit: str, values: np.ndarray) -> Path:
    path = folder / "w.csv"
    rows = "".join(f"{1e6 * (k * STEP - 3e-6):.3f},{value:.6e}\n" for k, value in enumerate(values))
    head = HEAD.format(quantity=quantity, drive=kind)
    path.write_text(f"{head}time [us],value [{unit}]\n{rows}", encoding="utf-8")
    return path


def one(folder: Path, kind: str = BURST, quantity: str = "velocity", length: float = 2e-3) -> Trace:
    """The trace of an invented record with noise; times begin 3 us before the drive."""
    t = STEP * np.arange(int(length / STEP))
    value = moved(kind, quantity, t)
    value += np.random.default_rng(2).normal(0.0, 2e-3 * np.abs(value).max(), value.size)
    unit, scale = {"velocity": ("mm/s", 1e3), "displacement": ("nm", 1e9)}[quantity]
    (trace,), readings = read_measured([write(folder, kind, quantity, unit, scale * value)])
    assert "as of a linear cell" in str(readings[-1])
    return trace


@pytest.mark.parametrize("kind", [BURST, CHIRP])
@pytest.mark.parametrize("quantity", ["velocity", "displacement"])
def test_a_record_gives_resonance_loss_and_response(
    tmp_path: Path, kind: str, quantity: str
) -> None:
    """Steady response from a transient (C.6), then the fit that sweeps have (C.1)."""
    trace = one(tmp_path, kind, quantity)
    w = trace.frequency / F0
    steady = 2.0 * STATIC / np.hypot(1.0 - w**2, w / Q)
    off = np.abs(trace.displacement() / steady - 1.0)
    assert off.max() < 0.1  # the noise where the drive is weakest
    assert np.median(off) < 0.02
    study = tutorial()
    (group,) = sweeps_by_cell(measured_cells(study, [trace]))
    modal = fit_cell(study, group).modal
    assert modal.frequency == pytest.approx(F0, rel=1e-3)
    assert modal.quality_factor == pytest.approx(Q, rel=0.03)
    assert modal.response == pytest.approx(STATIC, rel=0.03)
    # nothing is learnt of bending: the interval is the prior's
    assert modal.intervals[3].lower < 0.0 < modal.intervals[3].upper


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("# carrier = 95 kHz\n", ""), "carrier and burst_cycles are needed, or chirp_start"),
        (("# burst_cycles = 6", "# burst_cycles = 600"), "is shorter than the drive"),
        (("time [us]", "frequency [kHz]"), "of a waveform are time and value"),
        (("# kind = waveform\n", ""), 'time and value go with "# kind = waveform"'),
        (("\n3.000,", "\n3.700,"), "must rise in even steps"),
        (("[mm/s]", "[m/s]"), "check the unit of its column"),
        (("\n3.000,", "\n3.000,nan\n3.000,"), "must be complete"),
    ],
)
def test_what_is_no_record_is_refused(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    t = STEP * np.arange(2500)
    path = write(tmp_path, BURST, "velocity", "mm/s", 1e6 * moved(BURST, "velocity", t))
    text = path.read_text(encoding="utf-8")
    assert change[0] in text
    path.write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(MeasuredError) as caught:
        read_measured([path])
    assert said in str(caught.value), str(caught.value)


def test_a_record_that_still_rings_is_refused(tmp_path: Path) -> None:
    t = STEP * np.arange(400)
    path = write(tmp_path, BURST, "velocity", "mm/s", 1e3 * moved(BURST, "velocity", t))
    with pytest.raises(MeasuredError, match="not quiet at its end"):
        read_measured([path])


@cache
def sent() -> tuple[Study, xr.Dataset, Chips]:
    """A study with a waveform, a design's prediction, and that design's chip as drawn."""
    study = sending(
        'kind = "burst"\ncarrier = "118 kHz"\ncycles = 5\ntaper = 0.5\n', excitation="up-sweep"
    )
    strategy = study.strategy("combined")
    designs = random_designs(study, "combined", 1, 3)
    one = evaluate(designs, study, strategy, chips=4)
    # this design's band is of no account here
    return study, one.assign(status=0 * one["status"]), as_drawn(designs, study)


def heard(
    folder: Path, distance: float, pressure: np.ndarray, step: float, drive: str = ""
) -> Path:
    """A microphone's record: late by 40 us, with noise at -40 dB, in a converter's steps."""
    at = 0.31e-6 * np.arange(int(1.2 * pressure.size * step / 0.31e-6))
    curve = CubicSpline(step * np.arange(pressure.size), pressure)
    late = at - 40e-6
    inside = (late >= 0.0) & (late <= step * (pressure.size - 1))
    value = np.where(inside, curve(np.where(inside, late, 0.0)), 0.0)
    value += np.random.default_rng(3).normal(0.0, 0.003 * np.abs(value).max(), value.size)
    one = sent()[1]
    rows = "".join(f"{1e6 * t:.4f},{1e3 * p:.5g}\n" for t, p in zip(at, value, strict=True))
    path = folder / f"at_{distance:g}.csv"
    path.write_text(
        f"# kind = waveform\n# cell = array\n# quantity = pressure\n# distance = {distance} m\n"
        f"# drive_amplitude = {float(one['drive_amplitude'].max())} V\n{drive}"
        f"time [us],value [mPa]\n{rows}",
        encoding="utf-8",
    )
    return path


def test_a_pulse_is_judged_against_its_prediction(tmp_path: Path) -> None:
    """At the target and at half its distance, where air and spreading took less."""
    study, one, drawn = sent()
    trace = drawn.sent
    pressure, step = trace.of(0)[0].real, float(trace.step[0])
    there = study.target.distance
    tone = np.fft.rfftfreq(2 * pressure.size, step)
    nearer = np.fft.rfft(pressure, 2 * pressure.size)
    nearer = 2.0 * np.fft.irfft(nearer * np.exp(absorption(study.air_state, tone) * there / 2.0))
    for distance, value in ((there, pressure), (0.5 * there, nearer[: pressure.size])):
        traces, _ = read_measured([heard(tmp_path, distance, value, step)])
        verdict = compare_chip(study, traces, one)
        rows = {row.quantity: row for row in verdict.rows}
        level, length = rows["pulse_level"], rows["pulse_length"]
        assert level.measured == pytest.approx(level.predicted, abs=0.15)
        assert length.measured == pytest.approx(length.predicted, rel=0.03)
        assert rows["pulse_likeness"].measured > 0.99
        assert verdict.passed
        assert " dB " in verdict_table(verdict)
    loudest = float(np.abs(trace.of(0)[0]).max())
    assert level.predicted == pytest.approx(20.0 * np.log10(loudest / 2**0.5 / 20e-6), abs=0.05)


def test_another_pulse_fails_and_another_drive_is_not_judged(tmp_path: Path) -> None:
    study, one, drawn = sent()
    other = drawn.pulse(Drive(100e3, 12.0 / 100e3))
    pressure, step = other.of(0)[0].real, float(other.step[0])
    there = study.target.distance
    traces, _ = read_measured([heard(tmp_path, there, pressure, step)])
    verdict = compare_chip(study, traces, one)
    rows = {row.quantity: row for row in verdict.rows}
    assert not rows["pulse_likeness"].passed
    assert not verdict.passed
    stated = "# carrier = 100 kHz\n# burst_cycles = 12\n"
    traces, _ = read_measured([heard(tmp_path, there, pressure, step, stated)])
    with pytest.raises(ArrayoptError, match="states a drive"):
        compare_chip(study, traces, one)
    with pytest.raises(ArrayoptError, match="holds no pulse"):
        compare_chip(study, traces, one.drop_vars("pulse_pressure"))


def test_a_sweep_made_as_a_chirp_is_fitted_as_made(tmp_path: Path) -> None:
    """Amplitude of a linear cell while a chirp of 5 ms passes downwards, by scipy (C.8): taken for
    a slow sweep, the cell would bend."""
    start, end, lasts = 115e3, 80e3, 5e-3
    t = np.linspace(0.0, lasts, 60001)
    w0 = 2.0 * np.pi * F0
    over = ([STATIC * w0**2], [1.0, w0 / Q, w0**2])
    both = [lsim(over, 2.0 * chirp(t, start, lasts, end, phi=p), t)[1] for p in (0.0, -90.0)]
    f = np.linspace(start, end, 141)
    size = np.interp((f - start) / (end - start) * lasts, t, np.hypot(*both))
    size *= 1.0 + np.random.default_rng(4).normal(0.0, 2e-3, size.size)
    told = "# sweep = down\n# chirp_start = 115 kHz\n# chirp_end = 80 kHz\n# chirp_duration = 5 ms"
    text = HEAD.format(quantity="displacement", drive=told).replace("# kind = waveform\n", "")
    text += "frequency [Hz],magnitude [nm]\n"
    text += "".join(f"{x:.3f},{1e9 * y:.6g}\n" for x, y in zip(f[3:-3], size[3:-3], strict=True))
    study, path, found = tutorial(), tmp_path / "sweep.csv", {}
    for name in ("chirp", "slow"):
        lines = text.splitlines(keepends=True)
        kept = [line for line in lines if name == "chirp" or "# chirp" not in line]
        path.write_text("".join(kept), encoding="utf-8")
        (group,) = sweeps_by_cell(measured_cells(study, read_measured([path])[0]))
        found[name] = fit_cell(study, group).modal
    assert found["chirp"].frequency == pytest.approx(F0, rel=1e-3)
    assert found["chirp"].quality_factor == pytest.approx(Q, rel=0.03)
    assert found["chirp"].response == pytest.approx(STATIC, rel=0.03)
    bends = {name: modal.intervals[3] for name, modal in found.items()}
    assert bends["chirp"].lower < 0.0 < bends["chirp"].upper
    assert not bends["slow"].lower < 0.0 < bends["slow"].upper
    assert found["slow"].dispersion > 10.0 * found["chirp"].dispersion


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("# chirp_duration = 2 ms\n", ""), "a chirp has a duration"),
        (("chirp_end = 110 kHz", "chirp_end = 70 kHz"), "ends elsewhere"),
        (("chirp_end = 110 kHz", "chirp_end = 100 kHz"), "outside the chirp"),
        (("# sweep = up\n", "# sweep = up\n# carrier = 90 kHz\n"), "does not go with this kind"),
    ],
)
def test_what_is_no_chirp_is_refused(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    told = "# sweep = up\n# chirp_start = 85 kHz\n# chirp_end = 110 kHz\n# chirp_duration = 2 ms\n"
    text = HEAD.format(quantity="displacement", drive=told).replace("# kind = waveform\n", "")
    text += "frequency [kHz],magnitude [nm]\n86,1\n95,3\n105,1\n"
    assert change[0] in text
    path = tmp_path / "sweep.csv"
    path.write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(MeasuredError) as caught:
        read_measured([path])
    assert said in str(caught.value), str(caught.value)


@pytest.mark.parametrize("share", [1.0, 0.4])
def test_an_array_swept_by_a_chirp_is_predicted_as_made(tmp_path: Path, share: float) -> None:
    """The amplitude of a trace in time at each frequency's own time, far from a slow sweep's."""
    study, one, drawn = sent()
    designs = replace(drawn.designs, drive_amplitude=share * drawn.designs.drive_amplitude)
    chirped = Drive(117.5e3, 0.6e-3, end=140e3)
    trace = as_drawn(designs, study).pulse(chirped)
    step, spectrum = float(trace.step[0]), np.fft.fft(trace.of(0)[0])
    spectrum[np.abs(np.fft.fftfreq(spectrum.size, step)) > 190e3] = 0.0  # an analyser's filter
    size = np.abs(np.fft.ifft(spectrum))
    tones = np.linspace(97e3, 138e3, 301)
    at = (tones - 95e3) / 45e3 * 0.6e-3
    amplitude = np.interp(at, step * np.arange(size.size), size)
    told = (
        "# cell = array\n# quantity = pressure\n# amplitude = peak\n# sweep = up\n"
        f"# distance = {study.target.distance} m\n# chirp_duration = 0.6 ms\n"
        "# chirp_start = 95 kHz\n# chirp_end = 140 kHz\n"
        f"# drive_amplitude = {share * float(one['drive_amplitude'].max())} V\n"
    )
    rows = "".join(f"{x:.2f},{1e3 * p:.6g}\n" for x, p in zip(tones, amplitude, strict=True))
    path = tmp_path / "chirp.csv"
    path.write_text(f"{told}frequency [Hz],magnitude [mPa]\n{rows}", encoding="utf-8")
    verdict = compare_chip(study, read_measured([path])[0], one)
    (peak, *_) = verdict.rows
    assert (peak.where, peak.quantity) == ("array chirp", "peak_pressure")
    # envelopes are means over a cycle (M8.3)
    assert peak.measured == pytest.approx(peak.predicted, rel=0.015)
    slow = float(one["pressure"].max())
    assert abs(peak.predicted / (share * slow) - 1.0) > 0.1
