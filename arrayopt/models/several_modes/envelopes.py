"""Tone bursts of whole arrays with several modes a cell (M8.6)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from arrayopt.models.array import Drive, Envelopes
from arrayopt.models.one_mode.envelopes import TOLERANCE, pressure_per_acceleration
from arrayopt.physics.sound.radiation import directivity, impedance_from_series, impedance_series
from arrayopt.physics.transient.modes import modes_burst_envelope

if TYPE_CHECKING:
    from arrayopt.base.arrays import Floats, Ints
    from arrayopt.models.cells import Cells
    from arrayopt.models.one_mode.response import Packed


def modes_tones(
    cells: Cells, packed: Packed, design: Ints, drive: Drive, ring_cycles: int = 0
) -> Envelopes:
    """Envelopes of tone bursts, all modes of ``cells``; see `ArrayModel.envelopes`.

    Each mode has its own added mass and resistance at the carrier; the air and a sealed cavity
    couple no mode to another. The drive's own tension is included. ``deflection`` is that of the
    centre, all modes together. The first mode is driven near its resonance.
    """
    frequency, plate = drive.start, cells.modes
    w = 2.0 * np.pi * frequency
    volume = plate.volume[design]
    mass, damping = _loaded(cells, packed, design, w)
    found = modes_burst_envelope(
        frequency[:, None],
        duration=drive.duration[:, None],
        drive_amplitude=cells.drive_amplitude[design],
        drive_phase=cells.drive_phase[design],
        mass=mass,
        damping=damping,
        stiffness=plate.stiffness[design] + cells.cavity[design][..., None] * volume**2,
        force_per_volt=plate.force_per_volt[design],
        quadratic_tensor=plate.quadratic_tensor[design],
        cubic_tensor=plate.cubic_tensor[design],
        stiffness_per_volt=plate.stiffness_per_volt[design],
        ring_down=max(ring_cycles - 0.5, 0.0) / frequency.max(initial=1.0),
        quantity="acceleration",
        tolerance=TOLERANCE,
        parallel=True,
    )
    driven = cells.drive_amplitude[design] > 0.0
    envelope = np.where(driven[..., None, None], found.envelope, 0.0)
    kappa = w[:, None] * packed.ka_per_w[design] * packed.sin_polar
    first = cells.volume[design] * directivity(cells.shape[design], kappa)
    each = volume * directivity(plate.shape[design], kappa[..., None])
    seen = (pressure_per_acceleration(cells, packed, design, w) / first)[..., None] * each
    push = (cells.count[:, None] * plate.force_per_volt[design]) * np.where(
        driven, cells.drive_amplitude[design] * np.exp(-1j * cells.drive_phase[design]), 0.0
    )[..., None]
    inside = np.s_[..., : found.burst_end + 1]
    rate = np.einsum("egmt,egm->et", envelope[inside], push)
    swing = np.abs(envelope.sum(axis=2)).max(axis=-1, initial=0.0)
    alone = np.einsum("egmt,egm->egt", envelope, seen)
    return Envelopes(
        time=np.broadcast_to(
            found.time.reshape(frequency.size, -1), (frequency.size, envelope.shape[-1])
        ),
        pressure=alone.sum(axis=1),
        burst_end=found.burst_end,
        deflection=swing / w[:, None] ** 2,
        alone=np.abs(alone).max(axis=-1, initial=0.0),
        power=0.5 * (rate.imag / w[:, None]).max(axis=-1, initial=0.0),
        status=np.bitwise_or.reduce(np.where(driven, found.status, 0), axis=1),
    )


def _loaded(cells: Cells, packed: Packed, design: Ints, w: Floats) -> tuple[Floats, Floats]:
    """Mass and damping with each mode's own radiation at w, (entry, group, mode) (M8.4)."""
    plate = cells.modes
    r, x = impedance_series(plate.shape)
    ka = (w[:, None] * packed.ka_per_w[design])[..., None]
    R, X, _ = impedance_from_series(ka, r[design], x[design])
    load = cells.back.sides * packed.loading[design][..., None]
    mass = plate.mass[design] + load * X / w[:, None, None]
    return mass, cells.mode_damping[design] + load * R
