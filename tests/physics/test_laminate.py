"""M1: the stack against tables, published film constants and its own invariants."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from arrayopt.physics.plate.laminate import Layer, neutral_plane, sections
from arrayopt.study.materials import MATERIALS

IDENTICAL = 1e-12
SILICON = Layer("silicon", 5e-6, 160e9, 0.22, 2330.0)
ALN = Layer("aluminium nitride", 1e-6, 283.1e9, 0.287, 3260.0, 80e6, active=True, e31f=-1.05)
ELECTRODE = Layer("molybdenum", 0.2e-6, 320e9, 0.3, 10200.0, -150e6, patterned=True)


def test_laminate_constants(check_outside):
    covered, bare = sections([SILICON, replace(ALN, residual_stress=0.0)])
    check_outside("lam.D", covered.D11, "M1.4")
    check_outside("lam.zn", 1e6 * neutral_plane(covered.layers), "M1.3")
    assert abs(bare.B11) < IDENTICAL * bare.A11 * bare.thickness


def test_silicon_is_the_average_over_the_directions_of_the_film(check_outside):
    """E/(1 - nu^2) is the mean of Q11 over the angle (M1.6), rounded to three and two digits."""
    modulus, nu = MATERIALS["Si"].youngs_modulus, MATERIALS["Si"].poisson_ratio
    check_outside("mat.si100.E_eq", modulus / 1e9, "M1.6")
    check_outside("mat.si100.nu_eq", nu, "M1.6", rel_tol=4e-3)
    check_outside("mat.si100.Qbar", modulus / (1.0 - nu**2) / 1e9, "M1.6", rel_tol=1e-4)


def test_resultants_are_the_integrals_over_the_height():
    covered, bare = sections([SILICON, ALN, ELECTRODE])
    for section in (covered, bare):
        sums = dict.fromkeys(("A11", "B12", "D12", "N0", "M0", "areal_mass"), 0.0)
        for layer, z0, z1 in zip(section.layers, section.z_bottom, section.z_top, strict=True):
            x, weight = np.polynomial.legendre.leggauss(3)
            z = 0.5 * (z0 + z1) + 0.5 * (z1 - z0) * x
            dz = 0.5 * (z1 - z0) * weight
            q11 = layer.youngs_modulus / (1 - layer.poisson_ratio**2)
            q12 = layer.poisson_ratio * q11
            sums["A11"] += (q11 * dz).sum()
            sums["B12"] += (q12 * z * dz).sum()
            sums["D12"] += (q12 * z**2 * dz).sum()
            sums["N0"] += (layer.residual_stress * dz).sum()
            sums["M0"] += (layer.residual_stress * z * dz).sum()
            sums["areal_mass"] += layer.density * dz.sum()
        for name, value in sums.items():
            assert getattr(section, name) == pytest.approx(value, abs=0.0, rel=1e-11), name
    assert covered.thickness == pytest.approx(6.2e-6, abs=0.0, rel=IDENTICAL)
    assert bare.N_per_volt == bare.M_per_volt == 0.0


def test_positive_bias_on_a_negative_film_is_compression():
    covered, _ = sections([SILICON, ALN])
    assert covered.N_per_volt == ALN.e31f
    # the film lies above the neutral plane
    assert covered.M_per_volt < 0.0


def test_symmetric_stack_has_no_coupling():
    face = replace(ALN, active=False)
    covered, bare = sections([face, SILICON, replace(ALN, residual_stress=80e6)])
    unit = covered.A11 * covered.thickness
    for section in (covered, bare):
        assert abs(section.B11) < IDENTICAL * unit
        assert abs(section.B12) < IDENTICAL * unit
        assert abs(section.M0) < IDENTICAL * 80e6 * covered.thickness**2


def test_shifted_plane_follows_the_parallel_axis_theorem():
    at_zero = sections([SILICON, ALN, ELECTRODE], reference_plane=0.0)
    shift = 1.7e-6
    moved = sections([SILICON, ALN, ELECTRODE], reference_plane=shift)
    for a, b in zip(at_zero, moved, strict=True):
        assert pytest.approx(a.A11, abs=0.0, rel=IDENTICAL) == b.A11
        assert pytest.approx(a.B11 - shift * a.A11, abs=0.0, rel=IDENTICAL) == b.B11
        expected = a.D11 - 2 * shift * a.B11 + shift**2 * a.A11
        assert pytest.approx(expected, abs=0.0, rel=IDENTICAL) == b.D11
        assert pytest.approx(a.M0 - shift * a.N0, abs=0.0, rel=1e-11) == b.M0


@pytest.mark.parametrize(
    ("layers", "message"),
    [
        ([SILICON], "exactly one active"),
        ([ALN, ALN], "exactly one active"),
        ([replace(ALN, patterned=True)], "every layer is patterned"),
        ([replace(SILICON, thickness=0.0), ALN], "silicon: thickness is 0.0"),
        ([replace(SILICON, poisson_ratio=0.5), ALN], "silicon: poisson_ratio is 0.5"),
        ([replace(SILICON, density=math.nan), ALN], "silicon: density is nan"),
        ([SILICON, replace(ALN, e31f=math.inf)], "aluminium nitride: e31f is not finite"),
    ],
)
def test_impossible_stacks_are_refused(layers, message):
    with pytest.raises(ValueError, match=message):
        sections(layers)
