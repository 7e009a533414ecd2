"""M5.8 to M5.10: mutual radiation of two diaphragms and of arrays."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable

import numpy as np
import pytest

from tests.oracles.sound import (
    mutual_matrix,
    pair_impedance,
    radiation_integral,
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


# order -> largest relative error at touching, ka <= 1, measured (docs, M5.10)
@pytest.mark.parametrize(("order", "error"), [(0, 0.08), (1, 0.010), (2, 0.002), (5, 8e-5)])
def test_stated_accuracy_at_touching(order: int, error: float) -> None:
    worst = 0.0
    for ka in (0.1, 0.25, 0.5, 1.0):
        z = exact(STATIC, STATIC, ka, 1.0, 2.0)
        worst = max(worst, abs(pair(STATIC, STATIC, ka, 1.0, 2.0, order) / z - 1))
    assert 0.5 * error < worst < error
