"""Slow sweeps: every model has their band itself (M10.1)."""

from __future__ import annotations

from dataclasses import dataclass

from arrayopt.models.array import SMALL, TWO_WAY, ArrayModel, Band
from arrayopt.models.excitations.figures import PulseFigures


@dataclass(frozen=True)
class Sweep:
    """A slow sweep, UP or DOWN; see `choose.Excitation`."""

    code: int

    def band(
        self, model: ArrayModel, level: float, *, small: bool = False, two_way: bool = False
    ) -> Band:
        """Contiguous band of the pressure against the sweep's frequency."""
        return model.band((SMALL if small else self.code) | (TWO_WAY if two_way else 0), level)

    def pulse(self, model: ArrayModel, band: Band) -> PulseFigures | None:
        """A sweep is no pulse."""
        return None
