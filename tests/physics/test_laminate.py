"""M1: the stack against tables, published film constants and its own invariants."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from arrayopt.physics.plate.laminate import Layer, neutral_plane, plane_stress_average, sections

IDENTICAL = 1e-12
SILICON = Layer("silicon", 5e-6, 160e9, 0.22, 2330.0)
ALN = Layer("aluminium nitride", 1e-6, 283.1e9, 0.287, 3260.0, 80e6, active=True, e31f=-1.05)
ELECTRODE = Layer("molybdenum", 0.2e-6, 320e9, 0.3, 10200.0, -150e6, patterned=True)


def test_laminate_constants(check_outside):
    covered, bare = sections([SILICON, replace(ALN, residual_stress=0.0)])
    check_outside("lam.D", covered.D11, "M1.4")
    check_outside("lam.zn", 1e6 * neutral_plane(covered.layers), "M1.3")
    assert abs(bare.B11) < IDENTICAL * bare.A11 * bare.thickness


def test_silicon_orientation_average(check_outside):
    modulus, nu = plane_stress_average(165.64e9, 63.94e9, 79.51e9)
    check_outside("mat.si100.E_eq", modulus / 1e9, "M1.6")
    check_outside("mat.si100.nu_eq", nu, "M1.6")
    check_outside("mat.si100.Qbar", modulus / (1.0 - nu**2) / 1e9, "M1.6")


def test_orientation_average_is_the_quadrature_over_angle():
    # rotated plane-stress stiffness of a cubic (001) film, averaged numerically over the angle
    c11, c12, c44 = 165.64e9, 63.94e9, 79.51e9
    q11, q12 = c11 - c12**2 / c11, c12 - c12**2 / c11
    angle = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    c, s = np.cos(angle), np.sin(angle)
    rotated = q11 * (c**4 + s**4) + 2.0 * (q12 + 2.0 * c44) * s**2 * c**2
    modulus, nu = plane_stress_average(c11, c12, c44)
    assert modulus / (1.0 - nu**2) == pytest.approx(rotated.mean(), abs=0.0, rel=IDENTICAL)


def test_isotropic_material_is_its_own_average():
    modulus, nu = 70e9, 0.33
    lame = modulus * nu / ((1 + nu) * (1 - 2 * nu))
    shear = modulus / (2 * (1 + nu))
    assert plane_stress_average(lame + 2 * shear, lame, shear) == pytest.approx(
        (modulus, nu), abs=0.0, rel=IDENTICAL
    )


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
