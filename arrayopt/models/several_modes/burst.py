"""Tone bursts of whole arrays with several modes a cell: what `burst.burst_rows` does (M8.6)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.models.one_mode.burst import (
    TOLERANCE,
    BurstRows,
    durations,
    pressure_per_acceleration,
)
from arrayopt.physics.sound.radiation import directivity, impedance_from_series, impedance_series
from arrayopt.physics.transient.modes import modes_burst_envelope

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from arrayopt.models.cells import Cells
    from arrayopt.models.one_mode.response import Packed
    from arrayopt.study.model import BurstLength
    from arrayopt.study.read import Study

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True)
class ModesRows:
    """In place of `burst.burst_rows`: the lowest axisymmetric modes of every cell, with tensors.

    ``cells``: of the batch that the calls are about, built with at least ``modes`` modes; the
    first is driven near its resonance. ``study`` gives the intrinsic quality factor.
    """

    cells: Cells
    study: Study
    modes: int = 3

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
        """Envelopes of the pressure at the target; see `burst.burst_rows`.

        Each mode has its own added mass and resistance at the carrier; the air and a sealed
        cavity couple no mode to another. The drive's own tension is included. ``deflection`` is
        that of the centre, all modes together.
        """
        frequency = np.asarray(frequency, dtype=np.float64)
        w = 2.0 * np.pi * frequency
        kept = np.s_[design, :, : self.modes]
        plate = self.cells.modes
        volume = plate.volume[kept]
        mass, damping = self._loaded(packed, design, w)
        inner = (np.s_[: self.modes],)
        found = modes_burst_envelope(
            frequency[:, None],
            duration=durations(length, frequency)[:, None],
            drive_amplitude=cells.drive_amplitude[design],
            drive_phase=cells.drive_phase[design],
            mass=mass,
            damping=damping,
            stiffness=plate.stiffness[kept] + self.cells.cavity[design][..., None] * volume**2,
            force_per_volt=plate.force_per_volt[kept],
            quadratic_tensor=plate.quadratic_tensor[kept + 2 * inner],
            cubic_tensor=plate.cubic_tensor[kept + 3 * inner],
            stiffness_per_volt=plate.stiffness_per_volt[kept + inner],
            ring_down=max(ring_cycles - 0.5, 0.0) / frequency.max(initial=1.0),
            quantity="acceleration",
            tolerance=TOLERANCE,
            parallel=True,
        )
        driven = cells.drive_amplitude[design] > 0.0
        envelope = np.where(driven[..., None, None], found.envelope, 0.0)
        kappa = w[:, None] * packed.ka_per_w[design] * packed.sin_polar
        first = cells.volume[design] * directivity(cells.shape[design], kappa)
        each = volume * directivity(plate.shape[kept], kappa[..., None])
        seen = (pressure_per_acceleration(cells, packed, design, w) / first)[..., None] * each
        push = (cells.count[:, None] * plate.force_per_volt[kept]) * np.where(
            driven, cells.drive_amplitude[design] * np.exp(-1j * cells.drive_phase[design]), 0.0
        )[..., None]
        drive = np.s_[: found.burst_end + 1]
        rate = np.einsum("egmt,egm->et", envelope[..., drive], push)
        swing = np.abs(envelope.sum(axis=2)).max(axis=-1, initial=0.0)
        alone = np.einsum("egmt,egm->egt", envelope, seen)
        return BurstRows(
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

    def _loaded(self, packed: Packed, design: Ints, w: Floats) -> tuple[Floats, Floats]:
        """Mass and damping with each mode's own radiation at w, (entry, group, mode) (M8.4)."""
        plate, count = self.cells.modes, self.modes
        mass, stiffness = (a[design, :, :count] for a in (plate.mass, plate.stiffness))
        sides = 2.0 if self.study.cell.back == "vented" else 1.0
        r, x = impedance_series(plate.shape[:, :, :count])
        ka = (w[:, None] * packed.ka_per_w[design])[..., None]
        R, X, _ = impedance_from_series(ka, r[design], x[design])
        load = sides * packed.loading[design][..., None]
        damping = np.sqrt(stiffness * mass) / self.study.cell.quality_factor
        return mass + load * X / w[:, None, None], damping + load * R
