"""Cells on their own, several modes and harmonics each (M7.11 to M7.21, bursts M8.6)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from arrayopt.models.array import PLATE_RANGE, Band, Drive, Envelopes, Response
from arrayopt.models.cells import Cells, build_cells
from arrayopt.models.one_mode.response import Packed, pack
from arrayopt.models.several_modes.envelopes import modes_tones
from arrayopt.models.several_modes.sweep import (
    SweepSettings,
    received,
    several_modes_band,
    several_modes_response,
)

if TYPE_CHECKING:
    from arrayopt.base.arrays import Floats, Ints
    from arrayopt.design.designs import Designs
    from arrayopt.study.model import Study


@dataclass(frozen=True)
class SeveralModes:
    """See `ArrayModel`; ``cells`` are built with the modes of ``settings``."""

    designs: Designs
    study: Study
    cells: Cells
    settings: SweepSettings

    trusted: ClassVar = PLATE_RANGE

    @cached_property
    def packed(self) -> Packed:
        """Paths and directions; of the cells, one mode."""
        return pack(self.cells, self.designs, self.study)

    def band(self, sweep: int, level: float) -> Band:
        """See `ArrayModel.band`."""
        return several_modes_band(
            self.designs, self.study, sweep=sweep, level=level, settings=self.settings
        )

    def response(self, frequency: Floats, sweep: int) -> Response:
        """See `ArrayModel.response`."""
        return several_modes_response(
            self.designs, self.study, frequency=frequency, sweep=sweep, settings=self.settings
        )

    def receive(self, design: Ints, frequency: Floats) -> Floats:
        """See `ArrayModel.receive`."""
        out = np.empty(design.size)
        for d in np.unique(design):
            mine, one = np.flatnonzero(design == d), self.designs.take(d)
            cells = build_cells(one, self.study, n_modes=self.settings.modes)
            w = 2.0 * np.pi * frequency[mine]
            out[mine] = received(one, self.study, cells, w[None])[0]
        return out

    def envelopes(self, design: Ints, drive: Drive, *, ring_cycles: int = 0) -> Envelopes:
        """See `ArrayModel.envelopes`; bursts only."""
        return modes_tones(self.cells, self.packed, design, drive, ring_cycles)
