"""Tone bursts of whole arrays (M8 on M9): pressure envelopes against the carrier, and their band.

Every pair of design and carrier is one entry; each group of an entry is one oscillator of one
batch, whatever the design. The summed envelope takes drive phases as part of the motion, and
directions, steering and path at the carrier (narrow band).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from arrayopt.models.one_mode.response import Packed, group_direction, linear_row, receive_row
from arrayopt.physics.numerics.compiled import kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.path import path_absorption
from arrayopt.physics.transient.one_mode import burst_envelope

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from arrayopt.models.cells import Cells
    from arrayopt.study.model import BurstLength

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Complex = NDArray[np.complex128]

CHUNK = 2**21
"""Oscillators times drive cycles computed at once (32 MiB for each array of envelopes)."""
TOLERANCE = 2e-4
"""Error of an envelope over its peak; moves a band's edge by about a twentieth of that."""


@dataclass(frozen=True)
class BurstRows:
    """Pressure envelopes of entries (design and carrier)."""

    time: Floats
    """(entry, time): window centres from the start of the drive, s."""
    pressure: Complex
    """(entry, time): envelope at the target, Pa, travel time left out; p = Re(P e^{j w t})."""
    burst_end: int
    """Index of the last window inside the drive."""
    deflection: Floats
    """(entry, group): largest centre amplitude, m."""
    alone: Floats
    """(entry, group): largest pressure amplitude of each group by itself, Pa."""
    power: Floats
    """(entry,): largest mechanical power taken by all cells, averaged over a cycle, W."""
    status: Ints
    """(entry,): 0, or union of `TransientStatus` over the driven groups."""

    @property
    def peak(self) -> Floats:
        """Largest amplitude while the drive lasts, (entry,), Pa: between windows, too."""
        return largest_in_time(np.abs(self.pressure[:, : self.burst_end + 1]))

    @property
    def end(self) -> Floats:
        """Amplitude in the last cycle of the drive, (entry,), Pa."""
        return np.abs(self.pressure[:, self.burst_end])


class Rows(Protocol):
    """How envelopes are computed: `burst_rows`, or the same with mutual radiation."""

    def __call__(
        self,
        cells: Cells,
        packed: Packed,
        *,
        design: Ints,
        frequency: Floats,
        length: BurstLength,
        ring_cycles: int = 0,
    ) -> BurstRows:
        """See `burst_rows`."""
        ...


def largest_in_time(amplitude: Floats) -> Floats:
    """Largest of sampled amplitudes (entry, time): of the cubics through four samples each.

    The curve passes through every sample, so its largest value does not jump where another sample
    becomes the largest. With the largest sample alone, or one parabola around it, what a burst
    gives would depend on where its windows lie.
    """
    out = np.empty(amplitude.shape[0])
    spread(_largest, out.size, np.ascontiguousarray(amplitude), out)
    return out


@kernel
def _largest(
    start: int, stop: int, amplitude: NDArray[np.float64], out: NDArray[np.float64]
) -> None:
    points = amplitude.shape[1]
    for e in range(start, stop):
        a = amplitude[e]
        best = a.max()
        for i in range(points - 1 if points > 3 else 0):
            # p(t) through k..k+3 at t = 0, 1, 2, 3, of which the part from i to i + 1 is meant
            k = min(max(i - 1, 0), points - 4)
            one, two = a[k + 1] - a[k], 0.5 * (a[k + 2] - 2.0 * a[k + 1] + a[k])
            three = (a[k + 3] - 3.0 * a[k + 2] + 3.0 * a[k + 1] - a[k]) / 6.0
            # p = a + one t + two t (t - 1) + three t (t - 1) (t - 2)
            slope, bend = one - two + 2.0 * three, two - 3.0 * three
            room = bend * bend - 3.0 * slope * three
            if room <= 0.0:
                continue
            t = slope / (np.sqrt(room) - bend)
            if i - k < t < i - k + 1:
                best = max(best, a[k] + t * (slope + t * (bend + t * three)))
        out[e] = best


def durations(length: BurstLength, frequency: Floats) -> Floats:
    """Duration of bursts at each carrier [s]."""
    if length.in_cycles:
        return np.asarray(length.value / frequency)
    return np.full(np.shape(frequency), length.value)


def burst_rows(
    cells: Cells,
    packed: Packed,
    *,
    design: Ints,
    frequency: Floats,
    length: BurstLength,
    ring_cycles: int = 0,
) -> BurstRows:
    """Envelopes of the pressure at the target for bursts of given carriers (M8.1 to M8.4).

    Parameters
    ----------
    cells, packed : of one batch, (design, group)
    design : array (entry,)
        Row of the batch.
    frequency : array (entry,) [Hz]
    length : BurstLength
    ring_cycles : int
        Carrier cycles followed after the drive.

    Returns
    -------
    BurstRows
        Independent of what other entries are in the call. Radiation is taken at the carrier.
    """
    frequency = np.asarray(frequency, dtype=np.float64)
    w = 2.0 * np.pi * frequency
    at_carrier = np.broadcast_to(w[:, None], (w.size, packed.mass.shape[1]))
    mass, damping = loaded(packed, design, at_carrier)
    volume = pressure_per_acceleration(cells, packed, design, w)
    # ring_down becomes a whole number of cycles at the highest carrier; half a cycle less is safe.
    ring_down = max(ring_cycles - 0.5, 0.0) / frequency.max(initial=1.0)
    driven = cells.drive_amplitude[design] > 0.0
    force = cells.count * cells.force_per_volt[design] * cells.drive_amplitude[design]
    push = force * np.exp(-1j * cells.drive_phase[design])
    found = burst_envelope(
        frequency[:, None],
        duration=durations(length, frequency)[:, None],
        drive_amplitude=cells.drive_amplitude[design],
        drive_phase=cells.drive_phase[design],
        mass=mass,
        damping=damping,
        stiffness=cells.stiffness[design],
        quadratic=cells.quadratic[design],
        cubic=cells.cubic[design],
        force_per_volt=cells.force_per_volt[design],
        ring_down=ring_down,
        quantity="acceleration",
        tolerance=TOLERANCE,
        parallel=True,
        # undriven groups are silent, even those whose coefficients are not numbers
        weights=np.where(driven, np.stack([volume, push]), 0.0),
    )
    pressure, rate = found.envelope  # rate: conj(F) A_a
    rate = rate[:, : found.burst_end + 1]
    return BurstRows(
        time=np.broadcast_to(found.time.reshape(frequency.size, -1), pressure.shape),
        pressure=pressure,
        burst_end=found.burst_end,
        deflection=np.where(driven, found.peak, 0.0) / w[:, None] ** 2,
        alone=np.where(driven, found.peak, 0.0) * np.abs(volume),
        power=0.5 * (rate.imag / w[:, None]).max(axis=-1, initial=0.0),  # A_v = A_a / j w
        status=np.bitwise_or.reduce(np.where(driven, found.status, 0), axis=1),
    )


def chunks(length: BurstLength, frequency: Floats, groups: int) -> list[Ints]:
    """Entries divided into calls of bounded size."""
    windows = np.ceil(durations(length, frequency) * frequency) + 1.0
    cost = np.cumsum(windows * groups)
    return np.split(np.arange(frequency.size), np.flatnonzero(np.diff(cost // CHUNK)) + 1)


def burst_response(
    cells: Cells,
    packed: Packed,
    *,
    frequency: Floats,
    length: BurstLength,
    compute: Rows = burst_rows,
) -> tuple[Floats, Floats]:
    """Largest and end-of-burst pressure amplitude of each design against the carrier (M8.8).

    Parameters
    ----------
    cells, packed : of one batch, (design, group)
    frequency : array (design, carrier) [Hz]
    length : BurstLength
    compute : how envelopes are computed.

    Returns
    -------
    (peak, end), each (design, carrier) [Pa]; NaN where a cell escaped.
    """
    design = np.repeat(np.arange(frequency.shape[0]), frequency.shape[1])
    carrier = np.ascontiguousarray(frequency, dtype=np.float64).reshape(-1)
    out = np.full((2, carrier.size), np.nan)
    for part in chunks(length, carrier, packed.mass.shape[1]):
        found = compute(cells, packed, design=design[part], frequency=carrier[part], length=length)
        good = found.status == 0
        out[0, part] = np.where(good, found.peak, np.nan)
        out[1, part] = np.where(good, found.end, np.nan)
    peak, end = out.reshape(2, *frequency.shape)
    return peak, end


def loaded(packed: Packed, design: Ints, w: Floats) -> tuple[Floats, Floats]:
    """Mass and damping with the radiation at w, all (entry, group), w in rad/s (M8.4)."""
    mass, damping = np.empty(w.shape), np.empty(w.shape)
    spread(_loaded, len(w), packed, design, np.ascontiguousarray(w), mass, damping)
    return mass, damping


@kernel
def _loaded(
    start: int,
    stop: int,
    packed: Packed,
    design: NDArray[np.int64],
    w: NDArray[np.float64],
    mass: NDArray[np.float64],
    damping: NDArray[np.float64],
) -> None:
    at, detuning, loss = np.empty(1), np.empty(1), np.empty(1)
    for e in range(start, stop):
        d = design[e]
        for g in range(w.shape[1]):
            at[0] = w[e, g]
            linear_row(packed, d, g, at, detuning, loss)
            mass[e, g] = (packed.stiffness[d, g] - detuning[0]) / (at[0] * at[0])
            damping[e, g] = loss[0] / at[0]


def pressure_per_acceleration(cells: Cells, packed: Packed, design: Ints, w: Floats) -> Complex:
    """Pressure at the target per centre acceleration of a group, (entry, group) [Pa s2/m] (M9.1).

    Density times the moved area over 2 pi d, with directivity, array factor and absorption at w
    (entry,); travel time left out.
    """
    out = np.empty((w.size, packed.mass.shape[1]), dtype=np.complex128)
    spread(_paths, w.size, packed, design, w, out)
    return np.asarray((cells.count * cells.volume)[design] * out)


@kernel
def _paths(
    start: int,
    stop: int,
    packed: Packed,
    design: NDArray[np.int64],
    w: NDArray[np.float64],
    out: NDArray[np.complex128],
) -> None:
    for e in range(start, stop):
        path = packed.density / (2.0 * np.pi * packed.distance)
        path *= np.exp(-path_absorption(packed.absorption, w[e]) * packed.distance)
        for g in range(packed.mass.shape[1]):
            re, im = group_direction(packed, design[e], g, w[e])
            out[e, g] = complex(path * re, path * im)


def receive_factor(packed: Packed, design: Ints, w: Floats) -> Floats:
    """Charge received per pressure amplitude at the reflector at small signal, (entry,)."""
    out = np.empty(w.size)
    spread(_receive, w.size, packed, design, w, out)
    return out


@kernel
def _receive(
    start: int,
    stop: int,
    packed: Packed,
    design: NDArray[np.int64],
    w: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    at, pressure, work = np.empty(1), np.empty(1), np.empty((5, 1))
    for e in range(start, stop):
        at[0] = w[e]
        pressure[0] = 1.0
        receive_row(packed, design[e], at, pressure, work)
        out[e] = pressure[0]
