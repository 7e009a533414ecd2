"""What a burst is good for (M8.7 to M8.12): bands, ring-down, pulse spectrum, range figures.

Pure functions of envelopes or traces, of one cell or summed over an array alike. Time and frequency
are the last axis; leading axes are free.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Floats, Ints

LEAST_LOBE = -120.0
"""Side lobes below are not told apart, dB."""


class PulseStatus(IntFlag):
    """Why a figure is not a number; 0 is good."""

    OK = 0
    #: The response is still above the level at an end of the frequency grid: widen the grid.
    OFF_GRID = 1
    #: Nothing sounds, or a value is not finite.
    SILENT = 2
    #: The envelope is still above the level at its last sample: follow the ring-down for longer.
    STILL_RINGING = 4


@dataclass(frozen=True)
class PulseBand:
    """Contiguous band around the largest response; NaN edges where ``status`` is not OK."""

    lower: Floats
    upper: Floats
    peak: Floats
    peak_frequency: Floats
    status: Ints

    @property
    def width(self) -> Floats:
        """Upper minus lower edge [Hz]."""
        return self.upper - self.lower

    @property
    def fractional_bandwidth(self) -> Floats:
        """Width over the middle of the band."""
        return 2.0 * (self.upper - self.lower) / (self.upper + self.lower)


def contiguous_band(frequency: ArrayLike, amplitude: ArrayLike, *, drop: float) -> PulseBand:
    """Return the band around the peak in which the amplitude stays within ``drop`` dB of it (M8.7).

    Parameters
    ----------
    frequency : (..., frequency), rising [Hz]; broadcasts with
    amplitude : (..., frequency), complex or magnitude.
    drop : level below the peak, > 0 [dB].

    Returns
    -------
    PulseBand. The peak is the largest grid value; both edges are interpolated linearly in
    amplitude, so the grid should resolve the flanks. Where the band runs off it, OFF_GRID and NaN.

    Errors
    ------
    ValueError for a level not above 0 dB or fewer than three frequencies.
    """
    f, a = np.broadcast_arrays(np.asarray(frequency, dtype=float), np.abs(np.asarray(amplitude)))
    if not drop > 0.0 or f.shape[-1] < 3:
        raise ValueError(f"drop is {drop} dB on {f.shape[-1]} frequencies; > 0 and >= 3 are needed")
    silent = ~(np.isfinite(a).all(axis=-1) & (a.max(axis=-1) > 0.0))
    a = np.where(silent[..., None], 1.0, a)
    top = a.argmax(axis=-1)[..., None]
    peak = np.take_along_axis(a, top, -1)
    floor = peak * 10.0 ** (-drop / 20.0)
    n = f.shape[-1]
    i = np.arange(n)
    below = a < floor
    right = np.where(below & (i > top), i, n).min(axis=-1)[..., None]
    left = np.where(below & (i < top), i, -1).max(axis=-1)[..., None]
    off = (right == n) | (left == -1)

    def crossing(outside: Ints, inside: Ints) -> Floats:
        outside, inside = np.clip(outside, 0, n - 1), np.clip(inside, 0, n - 1)
        a0, a1 = np.take_along_axis(a, outside, -1), np.take_along_axis(a, inside, -1)
        f0, f1 = np.take_along_axis(f, outside, -1), np.take_along_axis(f, inside, -1)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray((f0 + (f1 - f0) * (floor - a0) / (a1 - a0))[..., 0])

    off = off[..., 0] & ~silent
    bad = off | silent
    status = np.where(silent, int(PulseStatus.SILENT), np.where(off, int(PulseStatus.OFF_GRID), 0))
    return PulseBand(
        lower=np.where(bad, np.nan, crossing(left, left + 1)),
        upper=np.where(bad, np.nan, crossing(right, right - 1)),
        peak=np.where(silent, np.nan, peak[..., 0]),
        peak_frequency=np.where(silent, np.nan, np.take_along_axis(f, top, -1)[..., 0]),
        status=status.astype(np.int64),
    )


def ring_down_time(
    time: ArrayLike, envelope: ArrayLike, *, duration: ArrayLike, drop: float
) -> tuple[Floats, Ints]:
    """Return how long after the drive the envelope last falls below its peak by ``drop`` dB (M8.9).

    Parameters
    ----------
    time, envelope : (..., time), window centres [s] and complex amplitudes, ring-down included.
    duration : (...), end of the drive [s].
    drop : level below the peak of the whole envelope, > 0 [dB].

    Returns
    -------
    (time [s], status). Interpolated linearly in level, which is exact for an exponential decay; 0
    where the envelope is below the level before the drive ends. NaN with STILL_RINGING or SILENT.
    """
    t, a = np.broadcast_arrays(np.asarray(time, dtype=float), np.abs(np.asarray(envelope)))
    if not drop > 0.0:
        raise ValueError(f"drop is {drop} dB; a level below the peak, > 0, is needed")
    n = t.shape[-1]
    silent = ~(np.isfinite(a).all(axis=-1) & (a.max(axis=-1) > 0.0))
    a = np.where(silent[..., None], 1.0, a)
    floor = a.max(axis=-1, keepdims=True) * 10.0 ** (-drop / 20.0)
    above = np.where(a >= floor, np.arange(n), -1).max(axis=-1)[..., None]
    ringing = (above[..., 0] == n - 1) & ~silent
    after = np.minimum(above + 1, n - 1)
    tiny = np.finfo(float).tiny
    l0, l1 = (np.log(np.maximum(np.take_along_axis(a, k, -1), tiny)) for k in (above, after))
    t0, t1 = np.take_along_axis(t, above, -1), np.take_along_axis(t, after, -1)
    with np.errstate(invalid="ignore", divide="ignore"):
        crossing = (t0 + (t1 - t0) * (l0 - np.log(floor)) / (l0 - l1))[..., 0]
    late = np.maximum(crossing - np.asarray(duration, dtype=float), 0.0)
    status = np.where(silent, int(PulseStatus.SILENT), 0)
    status = np.where(ringing, int(PulseStatus.STILL_RINGING), status)
    return np.where(status != 0, np.nan, late), status.astype(np.int64)


def pulse_spectrum(
    trace: ArrayLike, *, time_step: float, points: int | None = None
) -> tuple[Floats, Floats]:
    """Return frequencies and one-sided energy spectral density of a real pulse (M8.10).

    ``trace`` (..., time) sampled every ``time_step`` s and complete (zero outside); ``points`` >=
    its length zero-pads for a finer grid. The density [unit^2 s/Hz] integrates over frequency to
    the energy, int p^2 dt. ``contiguous_band(f, sqrt(E), drop=6.02).width`` is its -6 dB width.
    """
    p = np.asarray(trace, dtype=float)
    n = p.shape[-1] if points is None else points
    if n < p.shape[-1] or not time_step > 0.0:
        raise ValueError(f"{n} points for {p.shape[-1]} samples every {time_step} s")
    density = 2.0 * np.abs(np.fft.rfft(p, n) * time_step) ** 2
    density[..., 0] *= 0.5
    if n % 2 == 0:
        density[..., -1] *= 0.5
    return np.asarray(np.fft.rfftfreq(n, time_step), dtype=np.float64), density


def dead_zone(duration: ArrayLike, *, ring_down: ArrayLike, sound_speed: float) -> Floats:
    """Return c/2 (T + t) [m]: no echo from nearer arrives after the transmitter is quiet (M8.12).

    ``duration`` T of the drive and ``ring_down`` t to the level that counts as quiet (-40 dB) [s].
    """
    return np.asarray(
        0.5 * sound_speed * (np.asarray(duration, dtype=float) + np.asarray(ring_down, dtype=float))
    )


def span_above(envelope: ArrayLike, *, step: ArrayLike, drop: float) -> tuple[Floats, Floats]:
    """Return when a pulse first and last passes a level ``drop`` dB below its peak (M13.5).

    Parameters
    ----------
    envelope : (..., sample), complex or magnitude, the first sample at time 0.
    step : (...), between samples [s]. drop : > 0 [dB].

    Returns
    -------
    (first, last), each (...) [s], linear in level between samples; an end of the envelope where it
    is above the level there. NaN where nothing sounds.
    """
    a = np.abs(np.asarray(envelope))
    if not drop > 0.0:
        raise ValueError(f"drop is {drop} dB; a level below the peak, > 0, is needed")
    n, top = a.shape[-1], a.max(axis=-1, keepdims=True)
    known = np.isfinite(top) & (top > 0.0)
    level = np.log(np.maximum(np.where(known, a, 1.0), np.finfo(float).tiny))
    floor = np.log(np.where(known, top, 1.0)) - drop * np.log(10.0) / 20.0
    above = level >= floor
    first = above.argmax(axis=-1)[..., None]
    last = n - 1 - above[..., ::-1].argmax(axis=-1)[..., None]

    def crossing(inside: Ints, outside: Ints) -> Floats:
        other = np.clip(outside, 0, n - 1)
        l0, l1 = (np.take_along_axis(level, k, -1) for k in (inside, other))
        share = np.where(other == inside, 0.0, (l0 - floor) / np.where(l0 == l1, 1.0, l0 - l1))
        return np.asarray((inside + share * (other - inside))[..., 0])

    ends = crossing(first, first - 1), crossing(last, last + 1)
    first_time, last_time = (
        np.where(known[..., 0], end * np.asarray(step, dtype=float), np.nan) for end in ends
    )
    return first_time, last_time


def compressed(trace: ArrayLike, replica: ArrayLike) -> NDArray[np.complex128]:
    """Return pulses after a filter matched to a replica, (..., 2 sample - 1) (M13.7).

    ``trace`` (..., sample) and ``replica`` (..., sample), analytic, broadcast; the middle sample is
    that of no delay. y(t) = int p(t + u) r*(u) du, but for its scale.
    """
    p, r = np.broadcast_arrays(np.asarray(trace), np.asarray(replica))
    n = p.shape[-1]
    room = 2 * n - 1
    found = np.fft.ifft(np.fft.fft(p, room) * np.conj(np.fft.fft(r, room)))
    return np.asarray(np.fft.fftshift(found, axes=-1))


def compressed_figures(response: ArrayLike, *, step: ArrayLike) -> tuple[Floats, Floats]:
    """Return width and highest side lobe of compressed pulses (M13.8).

    Parameters
    ----------
    response : (..., sample), from `compressed`. step : (...), between samples [s].

    Returns
    -------
    (width [s], side lobe [dB]): the full width at half of the largest amplitude (-6 dB), linear
    between samples; the highest amplitude beyond the first minima that follow outside that width.
    NaN where nothing sounds; `LEAST_LOBE` where there is less.
    """
    a = np.abs(np.asarray(response))
    n, steps = a.shape[-1], np.broadcast_to(np.asarray(step, dtype=float), a.shape[:-1])
    flat, out = a.reshape(-1, n), np.full((2, a[..., 0].size), np.nan)
    for k, size in enumerate(flat):
        top = int(size.argmax())
        if not (np.isfinite(size).all() and size[top] > 0.0):
            continue
        limit, ends, lobes = 0.5 * size[top], [], [0.0]
        for side in (size[top:], size[top::-1]):
            below = np.flatnonzero(side < limit)
            if not below.size:
                ends.append(side.size - 1.0)
                continue
            out_at = int(below[0])
            before, after = side[out_at - 1], side[out_at]
            ends.append(out_at - 1 + (before - limit) / (before - after))
            rising = np.flatnonzero(np.diff(side[out_at:]) > 0.0)
            if rising.size:
                lobes.append(float(side[out_at + rising[0] :].max()))
        ratio = max(max(lobes) / size[top], 10.0 ** (LEAST_LOBE / 20.0))
        out[:, k] = sum(ends) * steps.flat[k], 20.0 * np.log10(ratio)
    return out[0].reshape(a.shape[:-1]), out[1].reshape(a.shape[:-1])


def energy_density(
    trace: ArrayLike, *, step: ArrayLike, density: float, sound_speed: float
) -> Floats:
    """Return the sound energy of pulses per area [J/m2], int p^2 dt/(rho c) (M13.6).

    ``trace`` (..., sample), analytic [Pa]: half its square's integral is that of its real part.
    """
    square = 0.5 * (np.abs(np.asarray(trace)) ** 2).sum(axis=-1)
    return np.asarray(square * np.asarray(step, dtype=float) / (density * sound_speed))
