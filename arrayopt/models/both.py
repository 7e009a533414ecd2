"""Mutual radiation and several modes at once, as two effects on cells of one mode on their own.

They are not computed together: bands are multiplied. What has no band to multiply (curves, what is
received, bursts) is the coupled array's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.models.array import PLATE_RANGE, ArrayModel, Band, Drive, Envelopes, Response

if TYPE_CHECKING:
    from arrayopt.design.designs import Designs
    from arrayopt.models.cells import Cells
    from arrayopt.study.model import Study


@dataclass(frozen=True)
class Both:
    """See `ArrayModel`: ``coupled`` changed as ``several`` differs from ``alone``."""

    several: ArrayModel
    coupled: ArrayModel
    alone: ArrayModel
    known: Mapping[tuple[int, float], Band] = field(default_factory=dict)
    """Bands of the coupled array that were computed before: (sweep, level) -> of this batch."""

    trusted: ClassVar = PLATE_RANGE

    @property
    def designs(self) -> Designs:
        """The batch."""
        return self.coupled.designs

    @property
    def study(self) -> Study:
        """The study."""
        return self.coupled.study

    @property
    def cells(self) -> Cells:
        """Of one mode."""
        return self.coupled.cells

    def band(self, sweep: int, level: float) -> Band:
        """See `ArrayModel.band`."""
        coupled = self.known.get((sweep, level)) or self.coupled.band(sweep, level)
        several, alone = (model.band(sweep, level) for model in (self.several, self.alone))
        return _multiplied(several, coupled, alone)

    def response(self, frequency: Floats, sweep: int) -> Response:
        """See `ArrayModel.response`."""
        return self.coupled.response(frequency, sweep)

    def receive(self, design: Ints, frequency: Floats) -> Floats:
        """See `ArrayModel.receive`."""
        return self.coupled.receive(design, frequency)

    def envelopes(self, design: Ints, drive: Drive, *, ring_cycles: int = 0) -> Envelopes:
        """See `ArrayModel.envelopes`."""
        return self.coupled.envelopes(design, drive, ring_cycles=ring_cycles)


def _multiplied(first: Band, second: Band, plain: Band) -> Band:
    """A band changed as ``first`` and as ``second`` differ from ``plain``: factors, dB added."""

    def together(name: str, one: Floats, other: Floats, base: Floats) -> NDArray[np.generic]:
        if name == "status":
            return one.astype(np.int64) | other.astype(np.int64)
        if name == "ripple":
            return one + other - base
        # cells that nothing drives do not move in one model and hardly in another
        still = base == 0.0
        return np.where(still, 1.0, one / np.where(still, 1.0, base)) * other

    band = first.map(together, second, plain)
    crossed = ~(band.upper_edge > band.lower_edge) & np.isfinite(band.width)
    if not crossed.any():
        return band
    # edges far apart in the three models: width and centre are multiplied in their place
    centre = first.centre * second.centre / plain.centre
    half = 0.5 * first.width * second.width / plain.width
    return replace(
        band,
        lower_edge=np.where(crossed, centre - half, band.lower_edge),
        upper_edge=np.where(crossed, centre + half, band.upper_edge),
    )
