"""Make the tutorial's lab files: INVENTED data, from scipy alone.

A uniform clamped laminate with tension has exact mode shapes (Bessel functions); its membrane
stiffness, radiation load and electrode force are integrals of them. The modal equation is then
integrated in time along stepped sweeps, and what a laboratory adds is added: noise, converter
steps, drift, a gain error, and the habits of several people who save files. Nothing here comes
from the package.

    python studies/calibration-tutorial/generate_lab.py studies/calibration-tutorial/lab
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from scipy.integrate import cumulative_simpson, quad_vec, simpson, solve_ivp
from scipy.linalg import eigh
from scipy.optimize import brentq
from scipy.special import i0, i1, j0, j1, jn_zeros

# name, thickness, E, nu, density: rounded, and one nu for all, so that the laminate is simple
LAYERS = (
    ("silicon", 4.0e-6, 150e9, 0.25, 2330.0),
    ("metal", 0.1e-6, 320e9, 0.25, 10200.0),
    ("nitride", 1.0e-6, 285e9, 0.25, 3260.0),
    ("metal", 0.1e-6, 320e9, 0.25, 10200.0),
)
E31F = -1.02
COVERAGE = 0.67
SOUND_SPEED, DENSITY = 343.99, 1.1993  # air at 20 degC, 50 % humidity, 101.325 kPa
TRUTH = {
    "quality_factor": 70.0,
    "film_tension": 60.0,
    "thickness_scale": 1.03,
    "coupling_scale": 0.85,
    "cubic_scale": 1.0,
    "gain": 1.02,
}
NOISE, BITS, DRIFT = 0.004, 11, 2e-4
POINTS, SETTLE, READ = 56, 5.0, 4


def _modes(r: np.ndarray, ratio: float, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Shapes (1 at the centre), slopes, (alpha beta)^2 of a clamped plate; ratio is N a^2/D."""
    radius = r[-1]
    s = r / radius

    def edge(alpha: float) -> float:
        beta = np.sqrt(alpha**2 + ratio)
        # divided by i0, which grows without bound
        return alpha * j1(alpha) + beta * i1(beta) / i0(beta) * j0(alpha)

    shapes, slopes, squares = [], [], []
    for low, high in zip(jn_zeros(0, count), jn_zeros(1, count), strict=True):
        alpha = brentq(edge, low * (1.0 + 1e-9), high * (1.0 - 1e-9), xtol=1e-13)
        beta = np.sqrt(alpha**2 + ratio)
        shape = j0(alpha * s) / j0(alpha) - i0(beta * s) / i0(beta)
        slope = -(alpha * j1(alpha * s) / j0(alpha) + beta * i1(beta * s) / i0(beta)) / radius
        shapes.append(shape / shape[0])
        slopes.append(slope / shape[0])
        squares.append(alpha**2 * beta**2)
    return np.array(shapes), np.array(slopes), np.array(squares)


def _membrane(r: np.ndarray, product: np.ndarray, stretch: float, poisson: float) -> np.ndarray:
    """Radial force of a plate with an immovable edge under a product of two slopes."""
    with np.errstate(invalid="ignore", divide="ignore"):
        inner = np.where(r > 0.0, product / r, 0.0)
    particular = -0.5 * stretch * cumulative_simpson(inner, x=r, initial=0.0)
    moment = cumulative_simpson(r * particular, x=r, initial=0.0)
    edge, last = moment[-1] / r[-1] ** 2, particular[-1]
    constant = ((1.0 + poisson) * edge - last) / (1.0 - 0.5 * (1.0 + poisson))
    radial = np.full_like(r, 0.5 * constant)
    radial[1:] += moment[1:] / r[1:] ** 2
    return radial


class Cell:
    """Lumped coefficients of the true diaphragm at one radius and bias."""

    def __init__(
        self, radius: float, bias: float = 0.0, truth: Mapping[str, float] = TRUTH
    ) -> None:
        scale, tension = truth["thickness_scale"], truth["film_tension"]
        thick = np.array([layer[1] for layer in LAYERS]) * scale
        nu = np.array([layer[3] for layer in LAYERS])
        q11 = np.array([layer[2] for layer in LAYERS]) / (1.0 - nu**2)
        top = np.cumsum(thick)
        middle = top - 0.5 * thick
        plane = np.sum(q11 * thick * middle) / np.sum(q11 * thick)
        z = middle - plane
        a11, a12 = np.sum(q11 * thick), np.sum(q11 * nu * thick)
        d11 = np.sum(q11 * (thick * z**2 + thick**3 / 12.0))
        areal = np.sum(thick * [layer[4] for layer in LAYERS])
        ratio = tension * radius**2 / d11
        r = np.linspace(0.0, radius, 2001)
        self.radius, self.r = radius, r
        # one exact mode without bias; under bias the film force mixes several
        shapes, slopes, stiffness = _modes(r, ratio, 5 if bias else 1)
        mass = np.array([2.0 * np.pi * areal * simpson(w**2 * r, x=r) for w in shapes])
        k = np.diag(stiffness * d11 / (areal * radius**4) * mass)
        stretch = a11 * (1.0 - (a12 / a11) ** 2)

        def film(x, y):
            """Work of the membrane force that belongs to slope product x on slope product y."""
            return 2.0 * np.pi * simpson(_membrane(r, x, stretch, a12 / a11) * y * r, x=r)

        e31f = E31F * truth["coupling_scale"]
        rim = [np.interp(COVERAGE * radius, r, slope) for slope in slopes]
        eta = e31f * z[2] * 2.0 * np.pi * COVERAGE * radius * np.array(rim)
        # bias: film force in the disc only, in-plane equilibrium with an immovable edge
        c2 = COVERAGE**2
        outer = e31f / ((a11 + a12) + (a11 - a12) / c2 - (a11 + a12) * (1.0 - 1.0 / c2))
        b_in = (a11 + a12) * outer * (1.0 - 1.0 / c2) + e31f
        b_out = outer * ((a11 + a12) + (a11 - a12) * (radius / np.maximum(r, 1e-12)) ** 2)
        biased = np.where(r <= COVERAGE * radius, b_in, b_out)
        pull = (
            2.0
            * np.pi
            * np.array([[simpson(biased * s * t * r, x=r) for s in slopes] for t in slopes])
        )
        k = k + bias * pull
        scale = truth["cubic_scale"]
        rest = np.zeros(len(slopes))
        for _ in range(30 if bias else 0):  # the bow's own stretching is a small part
            bow = rest @ slopes
            stretched = scale * np.array([film(bow**2, bow * s) for s in slopes])
            rest = np.linalg.solve(k, eta * bias - stretched)
        bow = rest @ slopes
        if bias:
            k = k + scale * np.array(
                [
                    [film(bow**2, s * t) + 2.0 * film(bow * s, bow * t) for s in slopes]
                    for t in slopes
                ]
            )
        value, vector = eigh(k, np.diag(mass))
        mode = vector[:, 0] / vector[:, 0].sum()  # every shape is 1 at the centre
        self.shape, slope = mode @ shapes, mode @ slopes
        self.mass = mass = float(mode**2 @ mass)
        self.k1 = float(value[0] * mass)
        # the film force also pulls on the static bow
        self.force = float(mode @ eta - mode @ pull @ rest)
        self.k2 = 3.0 * scale * film(bow * slope, slope**2)
        self.k3 = scale * film(slope**2, slope**2)
        self.loss = np.sqrt(self.k1 * mass) / truth["quality_factor"]
        w = np.sqrt(self.k1 / mass)
        for _ in range(6):  # air is a light load: each step gains more than a decade
            w = np.sqrt(self.k1 / (mass + self.air(w)[1]))
        self.w0 = w
        self.quality = w * (mass + self.air(w)[1]) / (self.loss + self.air(w)[0])
        # weak limit with the air's load at resonance, 8 % low: only sets how hard sweeps drive
        zeta = 0.5 / self.quality
        effective = self.k3 - 10.0 / 9.0 * self.k2**2 / self.k1
        self.onset = np.sqrt(256.0 / (9.0 * np.sqrt(3.0)) * zeta**3 * self.k1**3 / effective) / abs(
            self.force
        )

    def air(self, w: float) -> tuple[float, float]:
        """Radiation resistance and mass of both sides: wavenumber integrals over the baffle."""
        k = w / SOUND_SPEED

        def hankel(kappa):
            return (
                2.0
                * np.pi
                * simpson(self.shape * j0(np.multiply.outer(kappa, self.r)) * self.r, x=self.r)
            )

        real = quad_vec(lambda t: hankel(k * np.sin(t)) ** 2 * np.sin(t), 0.0, 0.5 * np.pi)[0]
        # u^2 = k^2 + s^2 removes the pole of the evanescent part
        imag = quad_vec(
            lambda s: hankel(np.sqrt(k**2 + s**2)) ** 2, 0.0, 60.0 / self.radius, epsrel=1e-7
        )[0]
        factor = DENSITY * SOUND_SPEED * k / (2.0 * np.pi)
        return 2.0 * factor * k * real, 2.0 * factor * imag / w


def sweeps(
    cells: list[Cell], volts: np.ndarray, hertz: np.ndarray, shift: np.ndarray
) -> np.ndarray:
    """Displacement phasors (trace, point) [m] along hertz (trace, point); states carry over."""
    n, points = hertz.shape
    w0 = np.array([c.w0 for c in cells])
    length = 1e-7
    state, out = np.zeros(2 * n), np.empty((n, points), dtype=complex)
    wait = int(np.ceil(SETTLE * max(c.quality for c in cells) / np.pi))
    at = 2.0 * np.pi * (wait + np.arange(16 * READ) / 16)
    k1 = np.array([c.k1 for c in cells])
    k2 = np.array([c.k2 for c in cells]) * length
    k3 = np.array([c.k3 for c in cells]) * length**2
    force = np.array([c.force for c in cells]) * volts / length
    near = {id(c): [c.air(c.w0 * x) for x in (0.9, 1.0, 1.1, 1.25)] for c in cells}
    for p in range(points):
        w = 2.0 * np.pi * hertz[:, p]
        ratio = w / w0
        load = np.array(
            [
                [
                    np.interp(x, (0.9, 1.0, 1.1, 1.25), [row[j] for row in near[id(c)]])
                    for j in (0, 1)
                ]
                for c, x in zip(cells, ratio, strict=True)
            ]
        )
        mass = np.array([c.mass for c in cells]) + load[:, 1]
        damping = np.array([c.loss for c in cells]) + load[:, 0]

        def rhs(phase, s, w=w, mass=mass, damping=damping):
            x, v = s[:n], s[n:]  # v = dx/dphase
            f = force * np.cos(phase) - damping * w * v
            f -= k1 * (1.0 + shift) ** 2 * x + k2 * x * x + k3 * x**3
            return np.concatenate([v, f / (mass * w * w)])

        end = 2.0 * np.pi * (wait + READ)
        run = solve_ivp(
            rhs,
            (0.0, end),
            state,
            method="DOP853",
            t_eval=[*at, end],
            rtol=1e-6,
            atol=1e-9,
            max_step=1.5,
        )
        state = run.y[:, -1]
        out[:, p] = 2.0 * np.mean(run.y[:n, :-1] * np.exp(-1j * at), axis=1) * length
    return out


def burst(cell: Cell, volts: float, hertz: np.ndarray, cycles: int) -> np.ndarray:
    """Largest one-cycle amplitude [m] during and just after a burst of each carrier."""
    length, steps = 1e-7, 24
    w = 2.0 * np.pi * hertz
    load = np.array([cell.air(x) for x in w])
    mass, damping = cell.mass + load[:, 1], cell.loss + load[:, 0]
    n = hertz.size

    def rhs(phase, s):
        x, v = s[:n], s[n:]
        drive = cell.force * volts / length * np.cos(phase) * (phase < 2.0 * np.pi * cycles)
        f = drive - damping * w * v - cell.k1 * x - cell.k2 * length * x**2
        return np.concatenate([v, (f - cell.k3 * length**2 * x**3) / (mass * w * w)])

    at = 2.0 * np.pi * np.arange((cycles + 3) * steps) / steps
    run = solve_ivp(
        rhs,
        (0.0, at[-1]),
        np.zeros(2 * n),
        method="DOP853",
        t_eval=at,
        rtol=1e-7,
        atol=1e-9,
        max_step=0.5,
    )
    x = run.y[:n] * np.exp(-1j * at)
    windows = np.abs(2.0 * x.reshape(n, cycles + 3, steps).mean(axis=2))
    return windows.max(axis=1) * length


PLAN = (  # cell, radius, bias [V], drive in onset voltages, way
    ("A", 430e-6, 0.0, 0.3, "up"), ("B", 470e-6, 0.0, 0.25, "up"), ("C", 510e-6, 0.0, 0.3, "up"),
    ("B", 470e-6, 30.0, 0.3, "up"), ("B", 470e-6, -30.0, 0.3, "up"),
    ("B", 470e-6, 0.0, 1.5, "up"), ("B", 470e-6, 0.0, 1.5, "down"), ("B", 470e-6, 0.0, 2.5, "up"),
    ("C", 510e-6, 0.0, 1.5, "up"),
)  # fmt: skip


def main(folder: Path) -> None:
    """Integrate every trace and write the files."""
    rng = np.random.default_rng(11)
    made: dict[tuple[float, float], Cell] = {}
    for _, radius, bias, _, _ in PLAN:
        made.setdefault((radius, bias), Cell(radius, bias))
    cells = [made[radius, bias] for _, radius, bias, _, _ in PLAN]
    for key, c in made.items():
        print(key, f"f0 {c.w0 / 2 / np.pi:.1f} Hz, Q {c.quality:.2f}, onset {c.onset:.3f} V")
    volts = np.round([c.onset * drive for c, (*_, drive, _) in zip(cells, PLAN, strict=True)], 2)
    volts[4] = volts[3]  # both biases at one drive
    hertz = np.empty((len(PLAN), POINTS))
    for k, (c, (*_, drive, way)) in enumerate(zip(cells, PLAN, strict=True)):
        climb = 1.1 * max(drive, 1.0) ** 1.2 if drive > 0.5 else 0.0
        span = np.linspace(-1.0, 1.0, POINTS) * (2.6 + 0.5 * climb) + 0.5 * climb
        grid = np.round(c.w0 / (2.0 * np.pi) * (1.0 + span / c.quality), 1)
        hertz[k] = grid if way == "up" else grid[::-1]
    shift = DRIFT * rng.standard_normal(len(PLAN))
    clean = sweeps(cells, volts, hertz, shift)
    top = np.abs(clean).max(axis=1, keepdims=True)
    noise = rng.standard_normal(clean.shape) + 1j * rng.standard_normal(clean.shape)
    read = TRUTH["gain"] * clean + NOISE * top * noise
    step = 1.2 * top / 2**BITS
    read = (np.round(read.real / step) + 1j * np.round(read.imag / step)) * step
    level = burst(
        made[470e-6, 0.0],
        float(volts[1]) * 4.0,
        np.linspace(0.9, 1.1, 33) * cells[1].w0 / 2 / np.pi,
        16,
    )
    level = TRUTH["gain"] * level * (1.0 + 0.003 * rng.standard_normal(level.size))
    write(folder, volts, hertz, read, np.linspace(0.9, 1.1, 33) * cells[1].w0 / 2 / np.pi, level)


def write(folder, volts, hertz, read, carriers, level) -> None:
    """Five files, each saved by a person with other habits."""
    note = "INVENTED data of the calibration tutorial (generate_lab.py); no chip was measured"
    rows = [
        f"# {note}", "# cell = A", "# radius = 430 um", "# quantity = displacement",
        f"# drive_amplitude = {volts[0]} V", "# sweep = up", "# operator: none",
        "frequency [kHz],magnitude [nm],phase [deg]",
    ]  # fmt: skip
    for f, y in zip(hertz[0], read[0], strict=True):
        rows.append(f"{f / 1e3:.4f},{abs(y) * 1e9:.4f},{np.degrees(np.angle(y)):.2f}")
    rows[20] = rows[20].split(",")[0] + ",,"  # a reading that was lost
    (folder / "cell_a.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    # decimal commas, several sweeps in one file, rows shuffled within the first
    rows = [
        f"% {note}", "% cell = B", "% radius = 470 um", "% quantity = displacement",
        "% bias = 0 V", "drive_amplitude [V];sweep;frequency [Hz];magnitude [um]",
    ]  # fmt: skip
    for k in (1, 5, 6, 7):
        way = PLAN[k][4]
        block = [
            f"{volts[k]};{way};{f:.1f};{abs(y) * 1e6:.7f}".replace(".", ",")
            for f, y in zip(hertz[k], read[k], strict=True)
        ]
        rows += block[10:] + block[:10] if k == 1 else block
    (folder / "cell_b.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    rows = [
        f"# {note}", "# cell = C", "# radius = 510 um", "# quantity = displacement", "# sweep = up",
        "drive_amplitude [V],frequency [kHz],level [dB re 1 nm]",
    ]  # fmt: skip
    for k in (2, 8):
        for f, y in zip(hertz[k], read[k], strict=True):
            rows.append(f"{volts[k]},{f / 1e3:.4f},{20 * np.log10(max(abs(y), 1e-15) * 1e9):.3f}")
    (folder / "cell_c.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    rows = ["bias [V]\tfrequency [kHz]\treal [mm/s]\timag [mm/s]"]
    for k in (3, 4):
        for f, y in zip(hertz[k], read[k], strict=True):
            v = 2j * np.pi * f * y * 1e3
            rows.append(f"{PLAN[k][2]:g}\t{f / 1e3:.4f}\t{v.real:.5f}\t{v.imag:.5f}")
    (folder / "cell_b_bias.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (folder / "cell_b_bias.toml").write_text(
        f'# {note}\nquantity = "velocity"\ncell = "B"\nradius = "470 um"\nsweep = "up"\n'
        f'drive_amplitude = "{volts[3]} V"\n',
        encoding="utf-8",
    )
    rows = [
        f"# {note}", "# kind = burst", "# cell = B", "# radius = 470 um", "# burst_cycles = 16",
        "# quantity = displacement", f"# drive_amplitude = {4.0 * volts[1]:g} V",
        "frequency [kHz],magnitude [nm]",
    ]  # fmt: skip
    rows += [f"{f / 1e3:.3f},{y * 1e9:.3f}" for f, y in zip(carriers, level, strict=True)]
    (folder / "cell_b_burst.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
