"""Clamped disc under uniform pressure by collocation: writes von_karman_bvp.csv.

Strong form of the von Karman equations in r (no energy, no trial functions), nu = 0.3, immovable
edge, lengths in a, deflection in h: with phi = dw/dr and the radial force n = N a^2/(E h^3),
 (r phi')' = phi/r + 12 (1 - nu^2) r n phi + 6 (1 - nu^2) Q r^2   (p up: w > 0)
 r^2 n'' + 3 r n' = -phi^2/2,  and u = 0 at r = 1: r n' + (1 - nu) n = 0.
Reference: Timoshenko & Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed. 1959, article 97.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from scipy.integrate import solve_bvp

NU = 0.3
START = 1e-3  # regular expansion inside: phi and n' are linear in r


def solve(load: float, guess=None):
    def equations(r, y):
        phi, dphi, n, dn, _ = y
        bend = phi / r**2 - dphi / r + 12 * (1 - NU**2) * n * phi + 6 * (1 - NU**2) * load * r
        return np.vstack([dphi, bend, dn, -3 * dn / r - phi**2 / (2 * r**2), phi])

    def ends(a, b):
        return np.array(
            [
                a[0] - START * a[1],
                a[3] + START * a[1] ** 2 / 8.0,
                b[0],
                b[3] + (1 - NU) * b[2],
                b[4],
            ]
        )

    r = np.linspace(START, 1.0, 401)
    y = np.zeros((5, r.size)) if guess is None else guess.sol(r)
    found = solve_bvp(equations, ends, r, y, tol=1e-8, max_nodes=100000)
    if not found.success:
        raise RuntimeError(found.message)
    # w(START) to w(0): half a step of the linear slope
    return found, found.y[4, 0] - 0.5 * START * found.y[0, 0]


def main() -> None:
    guess = None
    with (Path(__file__).parent / "von_karman_bvp.csv").open(
        "w", newline="", encoding="utf-8"
    ) as f:
        writer = csv.writer(f, lineterminator="\n")
        writer.writerow(("Q = p a^4/(E h^4)", "w0/h"))
        for load in (0.25, 1.0, 2.5, 7.0, 12.0, 25.0, 40.0, 60.0):
            guess, centre = solve(load, guess)
            writer.writerow((load, f"{centre:.9g}"))


if __name__ == "__main__":
    main()
