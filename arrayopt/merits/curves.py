"""Curves of the pulse that people are shown: drive, envelope, spectrum, compressed pulse (M13)."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Complex, Floats
from arrayopt.base.shares import spread
from arrayopt.models.chips import Chips
from arrayopt.models.excitations.waveform import spectrum
from arrayopt.models.rows import QUIET
from arrayopt.models.traces import Traces
from arrayopt.models.waves import driven
from arrayopt.physics.intime.pulse import compressed, compressed_figures

TIMES = 801
"""Points of a pulse in time."""
TONES = 241
"""Points of its spectrum, from half to one and a half times the carrier."""
OFFSETS = 401
"""Points of the compressed pulse."""
WIDTHS = 6.0
"""Widths of the compressed pulse that are shown on either side."""
AXES = ("pulse_time", "pulse_frequency", "compressed_time")
"""What curves are drawn against."""
FLOOR = -120.0
"""Lowest level of a curve, dB."""


def pulse_curves(model: Chips) -> dict[str, NDArray[Any]]:
    """Curves of the pulse by glossary name, (design, point) each; of studies with a waveform.

    Median chip, and the lowest and the highest at every point; the pressure is that of the chip as
    drawn, the drive that of the channel driven most.
    """
    found, drawn = model.sent, model.drawn.sent
    mine = driven(model.designs, model.study)
    rows = [_of_design(model, found, drawn, d) for d in range(len(model.designs))]
    out = {name: np.stack([row[name] for row in rows]) for name in rows[0]}
    out["pulse_drive"] = np.stack(
        [_drive(model, mine.waves[d], mine.group, d, t) for d, t in enumerate(out["pulse_time"])]
    )
    if mine.braked:
        bare = model.unbraked
        out["pulse_envelope_unbraked"] = np.stack(
            [
                spread(_at(np.abs(bare.of(d)), bare.time(d), t).T)[1]
                for d, t in enumerate(out["pulse_time"])
            ]
        )
    return out


def _of_design(model: Chips, found: Traces, drawn: Traces, d: int) -> dict[str, Floats]:
    trace, t = found.of(d), found.time(d)
    size = np.abs(trace)
    with np.errstate(invalid="ignore"):
        loud = (size > 10.0 ** (-QUIET / 20.0) * size.max(axis=1)[:, None]).any(axis=0)
    last = t[np.flatnonzero(loud)[-1]] if loud.any() else t[-1]
    time = np.linspace(0.0, 1.05 * max(last, found.drive_end[d]), TIMES)
    low, middle, high = spread(_at(size, t, time).T)
    turn = 2j * np.pi * found.carrier[d]
    base = drawn.of(d)[0] * np.exp(-turn * drawn.time(d))
    pressure = (_at(base[None], drawn.time(d), time)[0] * np.exp(turn * time)).real
    frequency, density = spectrum(found, d)
    tone = np.linspace(0.5, 1.5, TONES) * found.carrier[d]
    part = np.stack([np.interp(tone, frequency, one) for one in density])
    level = _level(part, spread(part.T)[1].max())
    offset, matched = _compressed(found, drawn, d)
    parts = {
        "pulse_spectrum": spread(level.T),
        "compressed_pulse": spread(matched.T),
    }
    out = {"pulse_time": time, "pulse_pressure": pressure}
    out |= {
        "pulse_envelope_lowest": low,
        "pulse_envelope": middle,
        "pulse_envelope_highest": high,
        "pulse_frequency": tone,
        "compressed_time": offset,
    }
    for name, (least, half, most) in parts.items():
        out |= {f"{name}_lowest": least, name: half, f"{name}_highest": most}
    return out


def _compressed(found: Traces, drawn: Traces, d: int) -> tuple[Floats, Floats]:
    """Times about the peak of each chip's own and levels re it, (offset,) and (chip, offset)."""
    trace, other = found.of(d), drawn.of(d)
    n = max(trace.shape[1], other.shape[1])
    both = [np.pad(x, ((0, 0), (0, n - x.shape[1]))) for x in (trace, other)]
    size = np.abs(compressed(*both))
    width = compressed_figures(size, step=found.step[d])[0]
    shown = WIDTHS * float(np.nanmedian(width)) if np.isfinite(width).any() else n * found.step[d]
    offset = np.linspace(-shown, shown, OFFSETS)
    out = np.full((len(size), OFFSETS), np.nan)
    for k in np.flatnonzero(np.isfinite(width)):
        top = int(size[k].argmax())
        at = (np.arange(size.shape[1]) - top) * found.step[d]
        out[k] = _level(np.interp(offset, at, size[k], left=0.0, right=0.0), size[k, top])
    return offset, out


def _at(values: Floats | Complex, time: Floats, wanted: Floats) -> NDArray[Any]:
    """Curves (chip, sample) at other times, 0 beyond their end."""
    return np.stack([np.interp(wanted, time, one, right=0.0) for one in values])


def _level(size: Floats, reference: Any) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.maximum(20.0 * np.log10(size / reference), FLOOR))


def _drive(model: Chips, waves: Any, group: NDArray[Any], d: int, time: Floats) -> Floats:
    volts, phase = model.designs.drive_amplitude[d], model.designs.drive_phase[d]
    most = int(volts.argmax())
    wave = waves[group[most]].at(time)
    return np.asarray(volts[most] * (wave * np.exp(1j * phase[most])).real)
