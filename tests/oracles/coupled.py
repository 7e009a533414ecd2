"""Steady states of coupled one-mode cells along a sweep: Newton from the last one, DOP853 at jumps.

M12.1 written with dense matrices (M5.9 of `oracles.sound`) and its Jacobian; no continuation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline
from scipy.optimize import root

from arrayopt.base.arrays import Complex, Floats
from arrayopt.models.chips import Chips
from arrayopt.physics.back.neck_kernel import NECK_COUNT, back_pressure, neck_coefficients
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.sound.radiation import directivity, impedance_from_series
from tests.oracles.sound import mutual_matrix

NODES = 41
"""Frequencies at which the air is computed; its smooth coefficients are splined between."""


@dataclass(frozen=True)
class DenseArray:
    """One chip of one design of `ChipArrays`."""

    arrays: ChipArrays
    position: Floats
    """(cell, 2) [m]."""
    shape: ArrayLike
    """(cell, basis) or (basis,)."""
    design: int = 0
    chip: int = 0

    @staticmethod
    def of_chips(chips: Chips, *, design: int = 0, chip: int = 0) -> DenseArray:
        """One of them."""
        designs, made = chips.designs, chips.made
        shape = made.nominal.shape[design, designs.layout.group_of_cell]
        return DenseArray(made.arrays, designs.positions()[design], shape, design, chip)

    def of(self, name: str) -> Floats:
        """One coefficient, (cell,)."""
        return np.asarray(getattr(self.arrays, name)[self.design, self.chip])

    def operator(self, w: float) -> tuple[Complex, Floats]:
        """(cell, cell) of the linear part at w [rad/s], and the inertia 2 w m (cell,)."""
        x, d, a = self.arrays, self.design, self.of("radius")
        air = {"density": x.density, "sound_speed": x.sound_speed}
        r, s, _ = impedance_from_series(w / x.sound_speed * a, x.resistance[d], x.reactance[d])
        load = x.density * x.sound_speed * np.pi * a**2
        mass = w * self.of("mass") + load * s
        own = self.of("stiffness") - w * mass + 1j * w * (self.of("damping") + load * r)
        if x.neck[NECK_COUNT] > 0.0:
            flow = neck_coefficients(w, x.neck, *air.values())
            own = own + self.of("volume") ** 2 * np.array(
                [complex(*back_pressure(w, closed, *flow)) for closed in self.of("cavity")]
            )
        radius, given = x.nominal[d], self.of("strength")
        z = mutual_matrix(
            self.position, self.shape, radius=radius, frequency=w / (2.0 * np.pi), **air
        )
        z = x.coupling[d] * given[:, None] * z * given
        return np.diag(own) + 1j * w * z, 2.0 * mass

    def force(self, w: float) -> Complex:
        """Drive of every cell, steered."""
        drive = self.of("force_re") + 1j * self.of("force_im")
        return np.asarray(drive * np.exp(-1j * w * self.arrays.lead[self.design]))

    def heard(self, w: float, state: Complex) -> complex:
        """Volume displacement towards the target (M9.1)."""
        x = self.arrays
        ka = w / x.sound_speed * self.of("radius") * x.sine
        each = self.of("volume") * directivity(self.shape, ka) * state
        return complex(np.sum(each * np.exp(1j * w * x.lag[self.design])))

    def linear(self, f: float) -> Complex:
        """State far below onset at f [Hz]."""
        w = 2.0 * np.pi * f
        return np.asarray(np.linalg.solve(self.operator(w)[0], self.force(w)))

    def swept(self, frequency: Floats) -> Complex:
        """States (frequency, cell) along a sweep [Hz]; NaN from where nothing settles any more."""
        nodes = 2.0 * np.pi * np.linspace(frequency.min(), frequency.max(), NODES)
        operator, inertia = (
            CubicSpline(nodes, np.array(x)) for x in zip(*map(self.operator, nodes), strict=True)
        )
        bend = 0.75 * self.of("cubic")
        out = np.full((frequency.size, bend.size), np.nan + 0j)
        state = self.linear(float(frequency[0]))
        for k, w in enumerate(2.0 * np.pi * frequency):
            found = _settled(operator(w), inertia(w), self.force(w), bend, state)
            if found is None:
                break
            out[k] = state = found
        return out


def _settled(
    operator: Complex, inertia: Floats, force: Complex, bend: Floats, state: Complex
) -> Complex | None:
    """The stable state that ``state`` comes to; None if it does not in 2000 decay times."""
    n, scale = force.size, np.abs(state).max()

    def slope(A: Complex) -> Complex:
        return np.asarray((force - operator @ A - bend * np.abs(A) ** 2 * A) / (1j * inertia))

    def turning(y: Floats) -> Floats:
        A = y[:n] + 1j * y[n:]
        own = -(operator + np.diag(2.0 * bend * np.abs(A) ** 2)) / (1j * inertia)[:, None]
        twin = np.diag(-bend * A**2 / (1j * inertia))
        return np.block(
            [[(own + twin).real, (twin - own).imag], [(own + twin).imag, (own - twin).real]]
        )

    def residual(y: Floats) -> Floats:
        return split(slope(y[:n] + 1j * y[n:]))

    def split(A: Complex) -> Floats:
        return np.concatenate([A.real, A.imag])

    rates = np.linalg.eigvals(turning(np.zeros(2 * n)))
    decay, fastest = float(-rates.real.max()), float(np.abs(rates).max())
    for _ in range(200):
        step = root(lambda z: residual(z * scale) / scale, split(state) / scale,
                    jac=lambda z: turning(z * scale), tol=1e-11)  # fmt: skip
        found = scale * (step.x[:n] + 1j * step.x[n:])
        near = np.abs(found - state).max() < 0.05 * np.abs(state).max()
        if step.success and near and np.linalg.eigvals(turning(split(found))).real.max() < 0.0:
            return np.asarray(found)
        path = solve_ivp(
            lambda _, A: slope(A),
            (0.0, 10.0 / decay),
            state * (1.0 + 1e-9j),
            method="DOP853",
            rtol=1e-8,
            atol=1e-9 * scale,
            max_step=0.5 / fastest,
        )
        state = path.y[:, -1]
    return None
