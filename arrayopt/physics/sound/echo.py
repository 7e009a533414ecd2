"""From the pressure at a target to that at the receiver (M14.8)."""

from __future__ import annotations

from typing import NamedTuple


class Way(NamedTuple):
    """The way on from the target."""

    gain: float
    """Pressure on the receiver's rigid wall over that at the target, absorption left out."""
    back: int
    """Times that the sound goes over the distance after the target: 1, or 0."""
    fall: int
    """Power of the distance with which the pressure at the receiver falls."""


def plane_way() -> Way:
    """A large flat reflector across the path: an image of the array at twice the distance.

    Half the target's pressure comes back, and the rigid wall doubles it.
    """
    return Way(1.0, 1, 1)


def point_way(distance: float, target_strength: float) -> Way:
    """A reflector of known target strength [dB re 1 m] at a distance [m]."""
    return Way(2.0 * 10.0 ** (target_strength / 20.0) / distance, 1, 2)


def pitch_catch_way() -> Way:
    """A second array at the target, facing the first one."""
    return Way(2.0, 0, 1)
