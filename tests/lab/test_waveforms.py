"""Captured waveforms: read, refused with a reason, fitted; chirps as they were made (C.6, C.7)."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import chirp, lsim

from arrayopt.lab.calibrate import fit_cell, sweeps_by_cell
from arrayopt.lab.load import measured_cells
from arrayopt.lab.read.files import MeasuredError, Trace, read_measured
from arrayopt.study.model import Study
from arrayopt.study.read import read_study
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
