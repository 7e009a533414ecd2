"""Material values against the outside table and against elasticity of the single crystals."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from arrayopt.study.materials import MATERIALS
from tests.support.paths import ROOT

TABLE = ROOT / "arrayopt" / "study" / "data" / "materials.toml"


@pytest.mark.parametrize(
    ("id_", "name", "attribute"),
    [
        ("mat.aln.e31f", "AlN", "e31f"),
        ("mat.scaln20.e31f", "ScAlN-20", "e31f"),
        ("mat.pzt2um.e31f", "PZT", "e31f"),
        ("mat.pzt2um.epsr", "PZT", "relative_permittivity"),
    ],
)
def test_film_coefficients(
    id_: str, name: str, attribute: str, check_outside: Callable[..., None]
) -> None:
    check_outside(id_, getattr(MATERIALS[name], attribute), "M1")


def test_silicon_is_the_orientation_average_of_a_100_disc() -> None:
    # Cubic constants of silicon, GPa: Hopcroft et al., J. MEMS 19:229 (2010), from memory.
    c11, c12, c44 = 165.7, 63.9, 79.6
    q11, q12 = c11 - c12**2 / c11, c12 - c12**2 / c11  # plane stress
    # mean over all in-plane directions (invariants of a rotated orthotropic sheet)
    mean11 = 0.75 * q11 + 0.25 * q12 + 0.5 * c44
    mean12 = 0.25 * q11 + 0.75 * q12 - 0.5 * c44
    silicon = MATERIALS["Si"]
    plate = silicon.youngs_modulus / (1.0 - silicon.poisson_ratio**2) / 1e9
    # published constants agree with one another to about 0.3 %
    assert plate == pytest.approx(mean11, rel=3e-3)
    assert silicon.poisson_ratio == pytest.approx(mean12 / mean11, rel=1e-2)
    assert plate == pytest.approx(155.3, rel=1e-3)


def test_aluminium_nitride_in_the_plane() -> None:
    # Tsubouchi's constants (GPa, C/m2), from memory; sheet with free surface normal to c
    c11, c12, c13, c33, e31, e33 = 345.0, 125.0, 120.0, 395.0, -0.58, 1.55
    q11, q12 = c11 - c13**2 / c33, c12 - c13**2 / c33
    aln = MATERIALS["AlN"]
    assert aln.poisson_ratio == pytest.approx(q12 / q11, rel=1e-3)
    assert aln.youngs_modulus / 1e9 == pytest.approx(q11 - q12**2 / q11, rel=1e-3)
    # Dubois & Muralt (1999): films reach 97 % of the single crystal
    assert aln.e31f is not None
    assert aln.e31f / (e31 - c13 / c33 * e33) == pytest.approx(0.97, rel=1e-2)


def test_every_value_has_a_source() -> None:
    values = [line for line in TABLE.read_text("utf-8").splitlines() if " = " in line[:30]]
    assert len(values) > 50
    for line in set(values) - {"contains_lead = true"}:
        assert re.search(r"  # (read|computed|memory|assumed): \w", line), line


@pytest.mark.parametrize("name", sorted(MATERIALS))
def test_values_are_physical(name: str) -> None:
    row = MATERIALS[name]
    assert row.name == name
    assert 10e9 < row.youngs_modulus < 500e9
    assert -1.0 < row.poisson_ratio < 0.5
    assert 1000.0 < row.density < 25000.0
    assert (row.e31f is None) == (row.breakdown_field is None)


def test_only_pzt_contains_lead() -> None:
    assert [name for name, row in MATERIALS.items() if row.contains_lead] == ["PZT"]
