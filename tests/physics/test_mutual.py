"""M5.8 to M5.10: mutual radiation of two diaphragms and of arrays."""

from __future__ import annotations

import csv
import itertools
import math
import re
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from arrayopt.physics.sound import radiation as rad
from tests.oracles.sound import (
    mutual_matrix,
    pair_impedance,
    radiation_integral,
    self_impedance,
)
from tests.support.paths import REFERENCE
from tests.support.references import read_references

from .test_radiation import MODE01, SHAPES, STATIC, piston

ROWS = read_references()
with (REFERENCE / "rayleigh.csv").open(encoding="utf-8") as _stream:
    PAIRS = [r for r in csv.DictReader(_stream) if float(r["spacing"]) > 0]


def exact(first: object, second: object, ka: float, ratio: float, spacing: float) -> complex:
    return pair_impedance(first, second, ka=ka, ratio=ratio, spacing=spacing)  # type: ignore[arg-type]


def pair(
    first: object, second: object, ka: float, ratio: float, spacing: float, order: int
) -> complex:
    """Array expansion for two cells of radii 1 and `ratio`, rho = c = 1."""
    shapes = np.zeros((2, 10))
    for row, shape in zip(shapes, (first, second), strict=True):
        row[: len(shape)] = shape  # type: ignore[arg-type]
    z = mutual_matrix(
        [[0.0, 0.0], [0.0, spacing]],
        shapes,
        radius=[1.0, ratio],
        frequency=ka / (2.0 * math.pi),
        order=order,
    )
    return complex(z[0, 1])


@pytest.mark.parametrize("key", [k for k in ROWS if k.startswith("ac.mut.")])
def test_mutual_table(key: str, check_outside: Callable[..., None]) -> None:
    match = re.fullmatch(r"ac\.mut\.([RX])\.(\w+)\.ka([\d.]+)\.d([\d.]+)", key)
    assert match
    part, profile, ka, spacing = match[1], match[2], float(match[3]), float(match[4])
    if profile == "piston":
        z = radiation_integral(piston, piston, ka=ka, spacing=spacing, cutoff=400.0)
    else:
        shape = STATIC if profile == "static" else MODE01
        z = exact(shape, shape, ka, 1.0, spacing) / math.pi
    check_outside(key, z.real if part == "R" else z.imag, "M5.8")


@pytest.mark.parametrize("row", PAIRS)
def test_direct_rayleigh_integral(row: dict[str, str]) -> None:
    """Real-space integral over both discs, unlike radii and shapes."""
    ka, ratio, spacing = (float(row[name]) for name in ("ka", "ratio", "spacing"))
    z = complex(float(row["R"]), float(row["X"])) * math.pi * ratio
    first, second = SHAPES[row["first"]], SHAPES[row["second"]]
    allowed = max(1e-9, 10 * float(row["converged"])) * abs(z)
    assert abs(exact(first, second, ka, ratio, spacing) - z) <= allowed


shape_strategy = st.lists(st.floats(-1.0, 1.0), max_size=3).map(lambda t: np.array([1.0, *t]))


@settings(deadline=None, derandomize=True, max_examples=25)
@given(
    shape_strategy, shape_strategy, st.floats(0.1, 3.0), st.floats(0.5, 1.0), st.floats(1.0, 4.0)
)
def test_reciprocity_and_passivity(
    a: NDArray[np.float64], b: NDArray[np.float64], ka: float, ratio: float, gap: float
) -> None:
    """Z12 = Z21, and the pair never radiates negative power: R12^2 <= R11 R22."""
    spacing = (1.0 + ratio) * gap
    z12 = exact(a, b, ka, ratio, spacing)
    z21 = exact(b, a, ka * ratio, 1.0 / ratio, spacing / ratio) * ratio**2
    r1, x1 = self_impedance(a, wavenumber=ka)
    r2, x2 = self_impedance(b, radius=ratio, wavenumber=ka)
    size = math.sqrt(abs(complex(r1, x1)) * abs(complex(r2, x2)))
    assert abs(z12 - z21) <= 1e-9 * size
    assert z12.real**2 <= float(r1 * r2) * (1 + 1e-9)


def test_close_sources_add_coherently() -> None:
    """kd -> 0: R12 -> R11, the doubled radiation of a compact pair; X12/R12 -> cot(kd)."""
    z = exact(STATIC, STATIC, 1e-3, 1.0, 2.0)
    r, _ = self_impedance(STATIC, wavenumber=1e-3)
    assert z.real == pytest.approx(float(r), rel=1e-5, abs=0.0)
    far = exact(STATIC, STATIC, 1e-2, 1.0, 50.0)
    assert far.imag / far.real == pytest.approx(1 / math.tan(0.5), rel=1e-3)


# order -> largest relative error at touching, ka <= 1, measured (docs, M5.10)
@pytest.mark.parametrize(("order", "error"), [(0, 0.08), (1, 0.010), (2, 0.002), (5, 8e-5)])
def test_stated_accuracy_at_touching(order: int, error: float) -> None:
    worst = 0.0
    for ka in (0.1, 0.25, 0.5, 1.0):
        z = exact(STATIC, STATIC, ka, 1.0, 2.0)
        worst = max(worst, abs(pair(STATIC, STATIC, ka, 1.0, 2.0, order) / z - 1))
    assert 0.5 * error < worst < error


@pytest.mark.parametrize("spacing", [2.25, 3.0, 5.0])
def test_expansion_converges(spacing: float) -> None:
    """Each further term shrinks the error, about by ((a + b) / d)^2 or better."""
    first, second, ratio, ka = SHAPES["two_circles"], SHAPES["peaked"], 0.8, 1.0
    z = exact(first, second, ka, ratio, spacing)
    errors = [abs(pair(first, second, ka, ratio, spacing, n) / z - 1) for n in (0, 1, 2, 3, 4, 5)]
    rate = (1.0 + ratio) ** 2 / spacing**2
    for before, after in itertools.pairwise(errors):
        assert after < max(rate, 0.5) * before


def test_leading_term_is_the_stated_formula() -> None:
    """Order 0: j w rho Qm(k) Qn(k) e^(-jkd) / (2 pi d)."""
    q = math.pi * float(rad.hankel_transform(STATIC, 0.7))
    expected = 1j * 0.7 * q * q * np.exp(-0.7j * 3.0) / (2 * math.pi * 3.0)
    np.testing.assert_allclose(pair(STATIC, STATIC, 0.7, 1.0, 3.0, 0), expected, rtol=1e-12)
