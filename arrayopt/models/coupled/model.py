"""One mode, followed state by state: cells hear each other, or breathe through necks (M9)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from arrayopt.models.array import ONE_MODE_RANGE, Band, Drive, Envelopes, Response
from arrayopt.models.coupled.envelopes import coupled_tones
from arrayopt.models.coupled.response import (
    Alike,
    coupled_pressure,
    find_coupled_band,
    pack_coupled,
    received,
)
from arrayopt.models.coupled.states import CoupledPacked

if TYPE_CHECKING:
    from arrayopt.base.arrays import Floats, Ints
    from arrayopt.design.designs import Designs
    from arrayopt.models.cells import Cells
    from arrayopt.study.model import Study


@dataclass(frozen=True)
class Coupled:
    """See `ArrayModel`. ``alike``, ``mutual``: as in `coupled.response.pack_coupled`."""

    designs: Designs
    study: Study
    cells: Cells
    alike: Alike = "symmetry"
    mutual: bool = True

    trusted: ClassVar = ONE_MODE_RANGE

    @cached_property
    def packed(self) -> CoupledPacked:
        """Coefficients for the kernels."""
        return pack_coupled(
            self.cells, self.designs, self.study, alike=self.alike, mutual=self.mutual
        )

    def band(self, sweep: int, level: float) -> Band:
        """See `ArrayModel.band`."""
        return find_coupled_band(self.packed, level=level, sweep=sweep)

    def response(self, frequency: Floats, sweep: int) -> Response:
        """See `ArrayModel.response`; NaN where a jump did not settle."""
        return coupled_pressure(
            self.packed, self.cells, self.designs, self.study, frequency=frequency, sweep=sweep
        )

    def receive(self, design: Ints, frequency: Floats) -> Floats:
        """See `ArrayModel.receive`."""
        return received(self.packed, design, 2.0 * np.pi * frequency)

    def envelopes(self, design: Ints, drive: Drive, *, ring_cycles: int = 0) -> Envelopes:
        """See `ArrayModel.envelopes`; bursts of cells without necks only."""
        return coupled_tones(self.cells, self.packed, design, drive, ring_cycles)
