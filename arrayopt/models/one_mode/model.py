"""Cells on their own, one mode and harmonic each: closed forms along slow sweeps (M7, M9)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from arrayopt.models.array import ONE_MODE_RANGE, Band, Drive, Envelopes, Response
from arrayopt.models.one_mode.band import find_band
from arrayopt.models.one_mode.envelopes import chirps, receive_factor, tones
from arrayopt.models.one_mode.response import Packed, array_pressure, pack

if TYPE_CHECKING:
    from arrayopt.base.arrays import Floats, Ints
    from arrayopt.design.designs import Designs
    from arrayopt.models.cells import Cells
    from arrayopt.study.model import Study


@dataclass(frozen=True)
class OneMode:
    """See `ArrayModel`."""

    designs: Designs
    study: Study
    cells: Cells

    trusted: ClassVar = ONE_MODE_RANGE

    @cached_property
    def packed(self) -> Packed:
        """Coefficients for the kernels."""
        return pack(self.cells, self.designs, self.study)

    def band(self, sweep: int, level: float) -> Band:
        """See `ArrayModel.band`."""
        return find_band(self.packed, level=level, sweep=sweep)

    def response(self, frequency: Floats, sweep: int) -> Response:
        """See `ArrayModel.response`."""
        return array_pressure(
            self.cells, self.designs, self.study, frequency=frequency, sweep=sweep
        )

    def receive(self, design: Ints, frequency: Floats) -> Floats:
        """See `ArrayModel.receive`."""
        return receive_factor(self.packed, design, 2.0 * np.pi * frequency)

    def envelopes(self, design: Ints, drive: Drive, *, ring_cycles: int = 0) -> Envelopes:
        """See `ArrayModel.envelopes`."""
        how = chirps if drive.moves else tones
        return how(self.cells, self.packed, design, drive, ring_cycles)
