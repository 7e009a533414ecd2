"""Bursts and chirps of whole arrays, one mode a cell (M8 on M9): envelopes at the target.

Every pair of design and drive is one entry; each group of an entry is one oscillator of one
batch, whatever the design. The summed envelope takes drive phases as part of the motion;
directions, steering and path are those of a burst's carrier (narrow band), of a chirp's frequency
at the time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from arrayopt.models.array import Drive, Envelopes
from arrayopt.models.one_mode.response import Packed, group_direction, linear_row, receive_row
from arrayopt.physics.numerics.compiled import kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.path import path_absorption
from arrayopt.physics.transient.one_mode import BurstResponse, burst_envelope

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from arrayopt.base.arrays import Complex, Floats, Ints
    from arrayopt.models.cells import Cells


TOLERANCE = 2e-4
"""Error of an envelope over its peak; moves a band's edge by about a twentieth of that."""


def tones(
    cells: Cells, packed: Packed, design: Ints, drive: Drive, ring_cycles: int = 0
) -> Envelopes:
    """Envelopes of tone bursts; see `ArrayModel.envelopes`. Radiation is taken at the carrier."""
    w = 2.0 * np.pi * drive.start
    at_carrier = np.broadcast_to(w[:, None], (w.size, packed.mass.shape[1]))
    volume = pressure_per_acceleration(cells, packed, design, w)
    driven = cells.drive_amplitude[design] > 0.0
    found = _stepped(
        cells, packed, design, drive, at_carrier, ring_cycles,
        # undriven groups are silent, even those whose coefficients are not numbers
        weights=np.where(driven, np.stack([volume, _push(cells, design)]), 0.0),
    )  # fmt: skip
    pressure, rate = found.envelope  # rate: conj(F) A_a
    rate = rate[:, : found.burst_end + 1]
    return Envelopes(
        time=np.broadcast_to(found.time.reshape(w.size, -1), pressure.shape),
        pressure=pressure,
        burst_end=found.burst_end,
        deflection=np.where(driven, found.peak, 0.0) / w[:, None] ** 2,
        alone=np.where(driven, found.peak, 0.0) * np.abs(volume),
        power=0.5 * (rate.imag / w[:, None]).max(axis=-1, initial=0.0),  # A_v = A_a / j w
        status=np.bitwise_or.reduce(np.where(driven, found.status, 0), axis=1),
    )


def chirps(
    cells: Cells, packed: Packed, design: Ints, drive: Drive, ring_cycles: int = 0
) -> Envelopes:
    """Envelopes of chirps, all entries under the same one; see `ArrayModel.envelopes`.

    Each group's radiation is taken where its amplitude is largest, found with the radiation at its
    resonance; directions, absorption and the w in accelerations at the instantaneous frequency.
    After the drive, cells far from the last frequency are damped by M8.3's window.
    """
    loudest = loudest_frequency(cells, packed, design, drive)
    found = _stepped(cells, packed, design, drive, 2.0 * np.pi * loudest, ring_cycles)
    time = found.time.reshape(design.size, -1)
    w = 2.0 * np.pi * drive.frequency(time)
    volume = pressure_per_acceleration(
        cells, packed, np.repeat(design, time.shape[1]), w.ravel()
    ).reshape(*time.shape, -1)
    driven = cells.drive_amplitude[design] > 0.0
    envelope = np.where(driven[..., None], found.envelope, 0.0)
    volume = np.where(driven[:, None, :], volume, 0.0)
    push = np.where(driven, _push(cells, design), 0.0)
    inside = np.s_[:, : found.burst_end + 1]
    rate = np.einsum("egt,eg->et", envelope, push)[inside]
    each = np.abs(envelope)
    return Envelopes(
        time=time,
        pressure=np.einsum("egt,etg->et", envelope, volume),
        burst_end=found.burst_end,
        deflection=(each / w[:, None] ** 2).max(axis=-1, initial=0.0),
        alone=(each * np.abs(volume.swapaxes(1, 2))).max(axis=-1, initial=0.0),
        power=(0.5 * rate.imag / w[inside]).max(axis=-1, initial=0.0),
        status=np.bitwise_or.reduce(np.where(driven, found.status, 0), axis=1),
    )


def loudest_frequency(cells: Cells, packed: Packed, design: Ints, drive: Drive) -> Floats:
    """Frequency of a chirp at which each group swings most, (entry, group) [Hz]."""
    good = np.isfinite(cells.natural_frequency[design])
    w0 = 2.0 * np.pi * np.where(good, cells.natural_frequency[design], drive.start[:, None])
    found = _stepped(cells, packed, design, drive, w0, 0)
    frequency = drive.frequency(found.time.reshape(design.size, -1))
    size = np.abs(found.envelope) / frequency[:, None] ** 2
    return np.asarray(np.take_along_axis(frequency, size.argmax(axis=-1), 1))


def _push(cells: Cells, design: Ints) -> Complex:
    """Conjugate drive force of all cells of each group, (entry, group) [N]."""
    force = cells.count * cells.force_per_volt[design] * cells.drive_amplitude[design]
    return np.asarray(force * np.exp(-1j * cells.drive_phase[design]))


def _stepped(
    cells: Cells,
    packed: Packed,
    design: Ints,
    drive: Drive,
    w: Floats,
    ring_cycles: int,
    **options: Any,
) -> BurstResponse:
    """Accelerations with the radiation at w (entry, group)."""
    mass, damping = loaded(packed, design, w)
    if drive.moves:
        options["end_frequency"] = drive.end[:, None]
    return burst_envelope(
        drive.start[:, None],
        duration=drive.duration[:, None],
        drive_amplitude=cells.drive_amplitude[design],
        drive_phase=cells.drive_phase[design],
        mass=mass,
        damping=damping,
        stiffness=cells.stiffness[design],
        quadratic=cells.quadratic[design],
        cubic=cells.cubic[design],
        force_per_volt=cells.force_per_volt[design],
        # becomes a whole number of cycles at the highest frequency; half a cycle less is safe
        ring_down=max(ring_cycles - 0.5, 0.0) / drive.end.max(initial=1.0),
        quantity="acceleration",
        tolerance=TOLERANCE,
        parallel=True,
        **options,
    )


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
