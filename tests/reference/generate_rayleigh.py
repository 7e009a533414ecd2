"""Direct double Rayleigh integrals in real space, independent of any wavenumber transform.

Run from the repository root: ``python tests/reference/generate_rayleigh.py``; writes rayleigh.csv.
Z / (rho0 c pi a b) = (j k / 2 pi^2 a b)
int int phi1 phi2 exp(-j k R) / R dS1 dS2 with scipy's nodes.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np
from scipy.special import roots_legendre

SHAPES = {"static": (1.0,), "peaked": (1.0, -0.6, 0.3), "two_circles": (1.0, -4.5, 2.5)}


def profile(shape: tuple[float, ...], rho2: np.ndarray) -> np.ndarray:
    inside = np.clip(1.0 - rho2, 0.0, None) ** 2
    return inside * sum(c * rho2**i for i, c in enumerate(shape))


def self_impedance(first: tuple, second: tuple, ka: float, order: int) -> complex:
    """Polar coordinates about the field point cancel the 1/R singularity exactly."""
    x, w = roots_legendre(order)
    r, wr = 0.5 * (x + 1.0), 0.5 * w
    psi = 2.0 * np.pi * np.arange(4 * order) / (4 * order)
    cosine = np.cos(psi)[None, :]
    # distance from the point at radius r to the rim along psi
    reach = -r[:, None] * cosine + np.sqrt(1.0 - r[:, None] ** 2 * (1.0 - cosine**2))
    s = reach[:, :, None] * 0.5 * (x + 1.0)
    ws = reach[:, :, None] * 0.5 * w
    rho2 = r[:, None, None] ** 2 + s**2 + 2.0 * r[:, None, None] * s * cosine[:, :, None]
    field = np.sum(ws * profile(second, rho2) * np.exp(-1j * ka * s), axis=(1, 2))
    field *= 2.0 * np.pi / psi.size
    return 1j * ka / (2.0 * np.pi**2) * np.sum(2.0 * np.pi * wr * r * profile(first, r**2) * field)


def mutual_impedance(
    first: tuple, second: tuple, ka: float, ratio: float, spacing: float, order: int
) -> complex:
    """Two separate discs: smooth integrand, Gauss in radius, trapezium in angle."""
    x, w = roots_legendre(order)
    r, wr = 0.5 * (x + 1.0), 0.5 * w * 0.5 * (x + 1.0)
    psi = 2.0 * np.pi * np.arange(2 * order) / (2 * order)
    point = (r[:, None] * np.exp(1j * psi)).ravel()
    weight = np.repeat(wr, psi.size) * (2.0 * np.pi / psi.size)
    source = weight * profile(first, np.abs(point) ** 2)
    target = ratio**2 * weight * profile(second, np.abs(point) ** 2)
    distance = np.abs(point[:, None] - (spacing + ratio * point[None, :]))
    kernel = np.exp(-1j * ka * distance) / distance
    return 1j * ka / (2.0 * np.pi**2 * ratio) * np.einsum("i,ij,j->", source, kernel, target)


def rows() -> list[dict[str, object]]:
    out = []
    for first, second in (
        ("static", "static"),
        ("peaked", "peaked"),
        ("two_circles", "two_circles"),
        ("static", "two_circles"),
    ):
        for ka in (0.2, 1.0, 3.0, 6.0):
            coarse, fine = (self_impedance(SHAPES[first], SHAPES[second], ka, n) for n in (32, 48))
            out.append((first, second, ka, 1.0, 0.0, coarse, fine))
    for first, second, ratio in (
        ("static", "static", 1.0),
        ("peaked", "static", 0.8),
        ("two_circles", "peaked", 0.7),
    ):
        for ka in (0.3, 1.0, 2.5):
            for spacing in (2.1, 3.0, 8.0):
                coarse, fine = (
                    mutual_impedance(SHAPES[first], SHAPES[second], ka, ratio, spacing, n)
                    for n in (16, 24)
                )
                out.append((first, second, ka, ratio, spacing, coarse, fine))
    return [
        {
            "first": first,
            "second": second,
            "ka": ka,
            "ratio": ratio,
            "spacing": spacing,
            "R": f"{fine.real:.12e}",
            "X": f"{fine.imag:.12e}",
            "converged": f"{max(abs(fine - coarse) / abs(fine), 1e-12):.1e}",
        }
        for first, second, ka, ratio, spacing, coarse, fine in out
    ]


if __name__ == "__main__":
    table = rows()
    target = Path(__file__).with_name("rayleigh.csv")
    with target.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, table[0], lineterminator="\n")
        writer.writeheader()
        writer.writerows(table)
    sys.stdout.write(f"{len(table)} rows in {target}\n")
