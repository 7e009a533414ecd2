"""Finite chirps of whole arrays (M8 on M9): pressure against the instantaneous frequency."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.models.bands.read import ripples
from arrayopt.models.one_mode.band import Band
from arrayopt.models.one_mode.burst import (
    largest_in_time,
    loaded,
    pressure_per_acceleration,
    receive_factor,
)
from arrayopt.models.one_mode.grid import BandStatus
from arrayopt.models.pulses.burst_band import driven_groups
from arrayopt.models.pulses.figures import (
    EXTENSIONS,
    PULSE_DROP,
    QUIET,
    RUNGS,
    PulseFigures,
    PulseFigureStatus,
    by_rung,
    rungs,
)
from arrayopt.physics.transient.one_mode import BurstResponse, burst_envelope
from arrayopt.physics.transient.pulse import (
    contiguous_band,
    dead_zone,
    pulse_spectrum,
    ring_down_time,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from arrayopt.models.cells import Cells
    from arrayopt.models.one_mode.response import Packed
    from arrayopt.study.model import Chirp

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

TOLERANCE = 2e-4
"""Error of an envelope over its peak."""
CHUNK = 2**21
"""Oscillators times drive cycles computed at once."""
OVERSAMPLING = 4.0
"""Samples of a trace over the chirp's highest frequency."""


@dataclass(frozen=True)
class ChirpRows:
    """Pressure envelopes of designs under one chirp; see `burst.BurstRows`."""

    time: Floats
    """(time,): window centres from the start of the drive, s."""
    frequency: Floats
    """(time,): of the drive there, the last one after it, Hz."""
    pressure: NDArray[np.complex128]
    """(design, time): p = Re(P e^{j phi}) with the phase phi of the drive, Pa."""
    burst_end: int
    load_frequency: Floats
    """(design, group): where the group's radiation is taken, Hz."""
    deflection: Floats
    """(design, group), m."""
    power: Floats
    """(design,), W."""
    status: Ints
    """(design,): 0, or union of `TransientStatus` over the driven groups."""

    @property
    def driven(self) -> slice:
        """Windows that lie inside the drive."""
        return slice(int(np.argmax(self.time > 0.0)), self.burst_end + 1)


def chirp_rows(
    cells: Cells, packed: Packed, *, design: Ints, chirp: Chirp, ring_cycles: int = 0
) -> ChirpRows:
    """Envelopes of the pressure at the target under a chirp from rest (M8.1 to M8.4).

    Parameters
    ----------
    cells, packed : of one batch, (design, group)
    design : array (entry,)
        Rows of the batch.
    chirp : Chirp
    ring_cycles : int
        Cycles of the last frequency followed after the drive.

    Returns
    -------
    ChirpRows
        Each group's radiation is taken where its amplitude is largest, found with the radiation
        at its resonance; directions, absorption and the w in accelerations at the instantaneous
        frequency. After the drive, cells far from the last frequency are damped by M8.3's window.
    """
    good = np.isfinite(cells.natural_frequency[design])
    w0 = 2.0 * np.pi * np.where(good, cells.natural_frequency[design], chirp.start)
    found = _envelopes(cells, packed, design, chirp, w0, 0)
    share = np.clip(found.time / chirp.duration, 0.0, 1.0)
    frequency = chirp.start + (chirp.end - chirp.start) * share
    size = np.abs(found.envelope) / frequency**2
    loudest = frequency[size.argmax(axis=-1)]
    found = _envelopes(cells, packed, design, chirp, 2.0 * np.pi * loudest, ring_cycles)
    share = np.clip(found.time / chirp.duration, 0.0, 1.0)
    frequency = chirp.start + (chirp.end - chirp.start) * share
    w = 2.0 * np.pi * frequency
    volume = pressure_per_acceleration(
        cells, packed, np.repeat(design, w.size), np.tile(w, design.size)
    ).reshape(design.size, w.size, -1)
    driven = cells.drive_amplitude[design] > 0.0
    envelope = np.where(driven[..., None], found.envelope, 0.0)
    volume = np.where(driven[:, None, :], volume, 0.0)
    force = cells.count * cells.force_per_volt[design] * cells.drive_amplitude[design]
    push = np.where(driven, force * np.exp(-1j * cells.drive_phase[design]), 0.0)
    rate = np.einsum("egt,eg->et", envelope, push)[:, : found.burst_end + 1]
    power = 0.5 * rate.imag / w[: found.burst_end + 1]
    return ChirpRows(
        time=found.time,
        frequency=frequency,
        pressure=np.einsum("egt,etg->et", envelope, volume),
        burst_end=found.burst_end,
        load_frequency=loudest,
        deflection=(np.abs(envelope) / w**2).max(axis=-1, initial=0.0),
        power=power.max(axis=-1, initial=0.0),
        status=np.bitwise_or.reduce(np.where(driven, found.status, 0), axis=1),
    )


def _envelopes(
    cells: Cells, packed: Packed, design: Ints, chirp: Chirp, w: Floats, ring_cycles: int
) -> BurstResponse:
    """Accelerations with the radiation at w (entry, group)."""
    mass, damping = loaded(packed, design, w)
    return burst_envelope(
        chirp.start,
        end_frequency=chirp.end,
        duration=chirp.duration,
        drive_amplitude=cells.drive_amplitude[design],
        drive_phase=cells.drive_phase[design],
        mass=mass,
        damping=damping,
        stiffness=cells.stiffness[design],
        quadratic=cells.quadratic[design],
        cubic=cells.cubic[design],
        force_per_volt=cells.force_per_volt[design],
        ring_down=max(ring_cycles - 0.5, 0.0) / chirp.end,
        quantity="acceleration",
        tolerance=TOLERANCE,
        parallel=True,
    )


def find_chirp_band(
    cells: Cells, packed: Packed, *, chirp: Chirp, level: float, two_way: bool = False
) -> Band:
    """Contiguous band of the pressure against the chirp's instantaneous frequency (M8.7).

    Parameters
    ----------
    cells, packed : of one batch, (design, group)
    chirp : Chirp
    level : float
        Band limit below the peak as a pressure ratio.
    two_way : bool
        Times the array's own small-signal receiving response (M8.11).

    Returns
    -------
    Band
        Sampled once a drive cycle, edges linear between samples. Where the pressure is still
        above the limit when the chirp ends, the band ends there too, since nothing is emitted
        beyond. NaN where ``status`` is not 0.
    """
    designs, groups = cells.mass.shape
    out = np.full((6, designs), np.nan)
    deflection = np.full((designs, groups), np.nan)
    status = np.where(driven_groups(cells).any(axis=1), 0, int(BandStatus.NOT_DRIVEN)).astype(
        np.int64
    )
    for rows in _chunks(np.flatnonzero(status == 0), groups, chirp):
        found = chirp_rows(cells, packed, design=rows, chirp=chirp)
        amplitude = np.abs(found.pressure[:, found.driven])
        frequency = found.frequency[found.driven]
        if two_way:
            w = np.tile(2.0 * np.pi * frequency, rows.size)
            factor = receive_factor(packed, np.repeat(rows, frequency.size), w)
            amplitude = amplitude * factor.reshape(amplitude.shape)
        escaped = found.status != 0
        status[rows[escaped]] |= int(BandStatus.RUNAWAY)
        amplitude[escaped] = 1.0
        out[:5, rows] = _band_in_time(amplitude, frequency, chirp, level)
        out[5, rows] = found.power
        deflection[rows] = found.deflection
    out[:, status != 0] = np.nan
    deflection[status != 0] = np.nan
    peak, where, lower, upper, ripple, power = out
    return Band(peak, where, lower, upper, ripple, power, deflection, status)


def _band_in_time(amplitude: Floats, frequency: Floats, chirp: Chirp, level: float) -> Floats:
    """Peak, its frequency, lower and upper edge, ripple; each (design,)."""
    peak = largest_in_time(amplitude)
    limit = (level * peak)[:, None]
    top = amplitude.argmax(axis=1)[:, None]
    n = frequency.size
    index = np.arange(n)
    below = amplitude < limit
    first = np.where(below & (index < top), index, -1).max(axis=1)
    last = np.where(below & (index > top), index, n).min(axis=1)

    def crossing(outside: Ints, inside: Ints, beyond: float) -> Floats:
        rows, off = np.arange(first.size), (outside < 0) | (outside >= n)
        outside = np.clip(outside, 0, n - 1)
        a0, a1 = amplitude[rows, outside], amplitude[rows, inside]
        share = (limit[:, 0] - a0) / np.where(off, 1.0, a1 - a0)
        edge = frequency[outside] + (frequency[inside] - frequency[outside]) * share
        return np.where(off, beyond, edge)

    begin = crossing(first, first + 1, chirp.start)
    end = crossing(last, last - 1, chirp.end)
    ripple = ripples(amplitude, first + 1, last - 1)
    edges = np.minimum(begin, end), np.maximum(begin, end)
    return np.stack([peak, frequency[top[:, 0]], *edges, ripple])


def chirp_figures(
    cells: Cells, packed: Packed, *, chirp: Chirp, sound_speed: float
) -> PulseFigures:
    """Ring-down, dead zone and spectrum of the chirp; see `burst_figures.burst_figures`."""
    designs, groups = cells.mass.shape
    values = np.full((4, designs), np.nan)
    status = np.where(
        driven_groups(cells).any(axis=1), 0, int(PulseFigureStatus.NO_CARRIER)
    ).astype(np.int64)
    rung = rungs(cells, np.full(designs, chirp.end))
    pending = np.flatnonzero(status == 0)
    for _ in range(EXTENSIONS + 1):
        ringing = []
        for shared, cycles in by_rung(pending, rung):
            for rows in _chunks(shared, groups, chirp, cycles):
                found = chirp_rows(cells, packed, design=rows, chirp=chirp, ring_cycles=cycles)
                escaped = found.status != 0
                status[rows[escaped]] = int(PulseFigureStatus.RUNAWAY)
                envelope = np.where(escaped[:, None], 0.0, found.pressure)
                for row, drop in ((0, 20.0), (1, QUIET)):
                    values[row, rows], late = ring_down_time(
                        found.time, envelope, duration=chirp.duration, drop=drop
                    )
                values[3, rows] = _spectrum_width(found.time, envelope, chirp)
                ringing.append(rows[(late != 0) & ~escaped])
        pending = np.concatenate([*ringing, np.empty(0, dtype=np.int64)])
        rung[pending] = np.minimum(2 * rung[pending], RUNGS[-1])
        if pending.size == 0:
            break
    status[pending] = int(PulseFigureStatus.STILL_RINGING)
    status[(status == 0) & np.isnan(values[3])] = int(PulseFigureStatus.NO_SPECTRUM)
    values[2] = dead_zone(chirp.duration, ring_down=values[1], sound_speed=sound_speed)
    values[:, status != 0] = np.nan
    return PulseFigures(values[0], values[1], values[2], values[3], status)


def _spectrum_width(time: Floats, envelope: NDArray[np.complex128], chirp: Chirp) -> Floats:
    """Fractional -6 dB width of the spectrum of Re(P e^{j phi}), P linear between windows."""
    step = 1.0 / (OVERSAMPLING * max(chirp.start, chirp.end))
    t = np.arange(int(time[-1] / step)) * step
    inside = np.minimum(t, chirp.duration)
    rate = (chirp.end - chirp.start) / chirp.duration
    cycles = chirp.start * inside + 0.5 * rate * inside**2 + chirp.end * (t - inside)
    after = np.clip(np.searchsorted(time, t), 1, time.size - 1)
    share = np.clip((t - time[after - 1]) / (time[after] - time[after - 1]), 0.0, 1.0)
    at = envelope[:, after - 1] * (1.0 - share) + envelope[:, after] * share
    points = 2 ** int(np.ceil(np.log2(4 * t.size)))
    trace = (at * np.exp(2j * np.pi * cycles)).real
    frequency, density = pulse_spectrum(trace, time_step=step, points=points)
    return contiguous_band(frequency, np.sqrt(density), drop=PULSE_DROP).fractional_bandwidth


def _chunks(rows: Ints, groups: int, chirp: Chirp, ring_cycles: int = 0) -> list[Ints]:
    """Designs that are computed at once."""
    cycles = 0.5 * (chirp.start + chirp.end) * chirp.duration + ring_cycles
    size = max(int(CHUNK / (cycles * groups)), 1)
    return [rows[k : k + size] for k in range(0, rows.size, size)]
