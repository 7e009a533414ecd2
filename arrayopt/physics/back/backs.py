"""The backs of a cell: what each adds to the diaphragm, and where its model ends (M5.11 to M5.16).

A back is a frozen object of the study's own values; everything else asks it. A new one is a class
here and its keys in the study file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, ClassVar

import numpy as np

from arrayopt.base.arrays import Bools, Floats
from arrayopt.physics.back.neck_kernel import NO_NECK
from arrayopt.physics.back.necked import NeckedFigures, necked_figures
from arrayopt.physics.sound.air import AirState

CAVITY_LIMIT = 1.0
"""Largest ka of a necked cavity's radius. Its first radial mode (3.83) there adds 6 % to the
closed stiffness and 16 % to the pull on a neck in the middle (M5.16)."""
COMPACT_LIMIT = 0.5
"""Largest k times cavity depth, neck length or radius for which lumped elements are used."""


@dataclass(frozen=True)
class Vented:
    """Open: the back radiates like the front, into a half-space of its own (M5.12).

    Pressure diffracted around the chip and the hole's depth are left out.
    """

    sides: ClassVar[int] = 2
    """Faces of the diaphragm that radiate and hear other cells."""

    def stiffness(self, air: AirState, radius: Floats) -> Floats:
        """Pressure per displaced volume of the closed cavity, any shape [Pa/m3]."""
        return np.zeros(radius.shape)

    def held(self, alone: Floats, closed: Floats) -> Floats:
        """Stiffness against slow motion: with the air of the closed cavity, where it is closed."""
        return closed

    def outside(self, air: AirState, radius: Floats, volume: Floats, w: Floats) -> Bools:
        """Where the back's own model does not hold at w [rad/s]; NaN is not outside."""
        return np.zeros(w.shape, dtype=bool)

    def neck(self, air: AirState) -> Floats:
        """Number, radius, length of the necks and viscosity, for the kernels; 0 without any."""
        return NO_NECK

    def figures(self, air: AirState, **cell: Any) -> NeckedFigures | None:
        """Resonances, onsets and sweeps where the back moves them; None where it only stiffens."""
        return None


@dataclass(frozen=True)
class Sealed(Vented):
    """Adiabatic spring gamma P0 / volume of a closed cavity as wide as the cell (M5.11)."""

    cavity_depth: float
    sides: ClassVar[int] = 1

    def stiffness(self, air: AirState, radius: Floats) -> Floats:
        """See `Vented.stiffness`."""
        volume = np.pi * radius**2 * self.cavity_depth
        return np.asarray(air.heat_capacity_ratio * air.pressure / volume)


@dataclass(frozen=True)
class Necked(Sealed):
    """A cavity that breathes through necks (M5.13 to M5.16)."""

    neck_radius: float
    neck_length: float
    neck_count: int

    def held(self, alone: Floats, closed: Floats) -> Floats:
        """Slow motion vents through a neck: the static shift behind M7.5 is the diaphragm's own."""
        return alone

    def outside(self, air: AirState, radius: Floats, volume: Floats, w: Floats) -> Bools:
        """See `Vented.outside`."""
        good = np.isfinite(w)
        w = np.where(good, w, 1e4)
        k = w / air.sound_speed
        size = max(self.cavity_depth, self.neck_length, self.neck_radius)
        # Prandtl number 0.71; where heat reaches a tenth of the depth it is no adiabatic spring
        layer = np.sqrt(2.0 * air.viscosity / (air.density * w * 0.71))
        far = (k * radius > CAVITY_LIMIT) | (k * size > COMPACT_LIMIT)
        return np.asarray(good & (far | (layer > 0.1 * self.cavity_depth)))

    def neck(self, air: AirState) -> Floats:
        """See `Vented.neck`."""
        values = (self.neck_count, self.neck_radius, self.neck_length, air.viscosity)
        return np.array(values, dtype=np.float64)

    def figures(self, air: AirState, **cell: Any) -> NeckedFigures | None:
        """See `necked.necked_figures`."""
        cell |= {"neck": self.neck(air), "density": air.density, "sound_speed": air.sound_speed}
        return necked_figures(cell.pop("mass"), **cell)


Back = Vented
BACKS: Mapping[str, type[Back]] = {"vented": Vented, "sealed": Sealed, "necked": Necked}


def back_of(cell: Any) -> Back:
    """The back that a study's cell settings say: ``back`` and the keys that are its fields."""
    kind = BACKS[cell.back]
    return kind(**{field.name: getattr(cell, field.name) for field in fields(kind)})
