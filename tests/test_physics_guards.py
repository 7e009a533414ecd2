"""Bounds between a number and a status, and corner cases: what a mutation run found unwatched."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from arrayopt.physics.air import air_state
from arrayopt.physics.cavity import CavityStatus, cavity_status
from arrayopt.physics.diaphragm import film_stress
from arrayopt.physics.laminate import Layer, sections
from arrayopt.physics.plate_table import plate_table

AIR = air_state(293.15, relative_humidity=0.5)


@pytest.mark.parametrize("frequency", [2e3, 60e3])
def test_a_cavity_is_isothermal_from_a_tenth_of_its_size(frequency: float) -> None:
    """Thermal layer sqrt(2 mu/(rho w Pr)), Pr = 0.71 (air, any heat-transfer table)."""
    layer = np.sqrt(2.0 * AIR.viscosity / (AIR.density * 2.0 * np.pi * frequency * 0.71))
    for share, expected in ((0.0995, 0), (0.1005, int(CavityStatus.ISOTHERMAL))):
        status = cavity_status(AIR, cavity_volume=(layer / share) ** 3, frequency=frequency)
        assert int(status) & int(CavityStatus.ISOTHERMAL) == expected


@pytest.mark.parametrize("size", [0.4975, 0.5025])
def test_a_cavity_is_compact_up_to_half_a_radian(size: float) -> None:
    volume = (size * AIR.sound_speed / (2.0 * np.pi * 5e3)) ** 3
    status = int(cavity_status(AIR, cavity_volume=volume, frequency=5e3))
    assert bool(status & int(CavityStatus.NOT_COMPACT)) == (size > 0.5)


def test_a_ring_over_the_whole_radius_is_a_disc_over_the_whole_radius() -> None:
    """At the centre too, where the film stress of a ring is otherwise that of the bare stack."""
    layers = [
        Layer("plate", 5e-6, youngs_modulus=160e9, poisson_ratio=0.22, density=2330.0),
        Layer(
            "film",
            1e-6,
            youngs_modulus=283e9,
            poisson_ratio=0.287,
            density=3260.0,
            patterned=False,
            active=True,
            e31f=-1.02,
            relative_permittivity=10.0,
        ),
        Layer("top", 2e-7, youngs_modulus=329e9, poisson_ratio=0.31, density=1e4, patterned=True),
    ]
    covered, bare = sections(layers)
    disc, ring = (plate_table(covered, bare, ring=kind) for kind in (False, True))
    shape = np.array([1e-6, 0.0, 0.0, 0.0, 0.0])
    both = [
        film_stress(disc, ring, radius=300e-6, coverage=1.0, ring=kind, voltage=7.0, shape=shape)
        for kind in (False, True)
    ]
    assert_allclose(both[1].centre, both[0].centre, rtol=1e-9)
    assert_allclose(both[1].edge, both[0].edge, rtol=1e-9)
    # the film's own stress of 7 V is in both: e31f V / t = -7.1 MPa
    quiet = film_stress(disc, ring, radius=300e-6, coverage=1.0, ring=True, shape=shape)
    field = both[1].centre[..., 1] - quiet.centre[..., 1]
    assert field < 0.0
