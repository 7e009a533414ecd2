"""Bursts of whole arrays with mutual radiation (M8.17)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from arrayopt.models.array import Drive, Envelopes
from arrayopt.models.one_mode.envelopes import TOLERANCE
from arrayopt.physics.sound.path import path_factors
from arrayopt.physics.sound.radiation import directivity
from arrayopt.physics.transient.coupled import coupled_burst

if TYPE_CHECKING:
    from arrayopt.base.arrays import Complex, Floats, Ints
    from arrayopt.models.cells import Cells
    from arrayopt.models.coupled.states import CoupledPacked


CHUNK = 2**21
"""Sites times drive cycles computed at once (32 MiB of envelopes)."""


def coupled_tones(
    cells: Cells, coupled: CoupledPacked, design: Ints, drive: Drive, ring_cycles: int = 0
) -> Envelopes:
    """Envelopes of tone bursts; see `ArrayModel.envelopes`.

    Cells that are not driven are moved by the sound of the others, and radiate. ``deflection`` is
    the largest of a group's cells. Steering is a phase of the drive at the carrier: all cells begin
    together.
    """
    frequency, duration, arrays = drive.start, drive.duration, coupled.arrays
    sites, groups = arrays.site_group.size, coupled.volume.shape[1]
    windows = np.ceil(duration * frequency - 1e-9).astype(np.int64)
    before = int(windows.max(initial=1))
    size = (frequency.size, before + ring_cycles)
    pressure = np.zeros(size, dtype=np.complex128)
    deflection, alone = np.zeros((2, frequency.size, groups))
    power, status = np.zeros(frequency.size), np.zeros(frequency.size, dtype=np.int64)
    each = max(CHUNK // (sites * size[1]), 1)
    for part in np.split(np.arange(frequency.size), np.arange(each, frequency.size, each)):
        w, rows = 2.0 * np.pi * frequency[part], design[part]
        found = coupled_burst(
            arrays,
            design=rows,
            frequency=frequency[part],
            duration=duration[part],
            quadratic=cells.quadratic,
            cubic=cells.cubic,
            ring_cycles=ring_cycles,
            tolerance=TOLERANCE,
        )
        late = before - 1 - found.burst_end
        seen = _pressure_per_acceleration(cells, coupled, rows, w)
        pressure[part, late:] = np.einsum("est,es->et", found.envelope, seen)
        push = (arrays.force_re - 1j * arrays.force_im)[rows][:, arrays.site_group]
        push = push * arrays.site_count * np.exp(1j * w[:, None] * arrays.lead[rows])
        rate = np.einsum("est,es->et", found.envelope[..., : found.burst_end + 1], push)
        power[part] = 0.5 * (rate.imag / w[:, None]).max(axis=-1, initial=0.0)
        largest = np.abs(found.envelope).max(axis=-1, initial=0.0) / w[:, None] ** 2
        loud = largest * w[:, None] ** 2 * np.abs(seen)
        for g in range(groups):
            mine = largest[:, arrays.site_group == g]
            deflection[part, g] = mine.max(axis=-1, initial=0.0)
            alone[part, g] = loud[:, arrays.site_group == g].sum(axis=-1)
        status[part] = found.status
    half = np.arange(size[1]) - before + 0.5
    return Envelopes(
        time=duration[:, None] + half / frequency[:, None],
        pressure=pressure,
        burst_end=before - 1,
        deflection=deflection,
        alone=alone,
        power=power,
        status=status,
    )


def _pressure_per_acceleration(
    cells: Cells, coupled: CoupledPacked, design: Ints, w: Floats
) -> Complex:
    """Pressure at the target per acceleration of a site, (entry, site) [Pa s2/m] (M9.6)."""
    arrays, packed = coupled.arrays, coupled.base
    group, sites = arrays.site_group, arrays.site_group.size
    kappa = w[:, None] * packed.ka_per_w[design] * packed.sin_polar
    moved = (cells.volume[design] * directivity(cells.shape[design], kappa))[:, group]
    path = path_factors(packed.density, packed.distance, packed.absorption, w) / w**2
    together = np.broadcast_to(arrays.site_count, (w.size, sites)).astype(np.complex128)
    if coupled.phased:
        turn = np.exp(1j * w[:, None] * packed.delay[design])
        member = arrays.cell_site[:, None] == np.arange(sites)
        together = np.stack([turn[:, column].sum(axis=1) for column in member.T], axis=1)
    return np.asarray(path[:, None] * moved * together)
