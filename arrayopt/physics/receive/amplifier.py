"""What an amplifier makes of an array's charge, and the noise beside it (M14.3, M14.4)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.base.arrays import Complex, Floats

BOLTZMANN = 1.380649e-23
"""Exact by definition (SI 2019) [J/K]."""


@dataclass(frozen=True)
class Load:
    """What an array's electrodes are wired to, and how warm it is.

    Parameters
    ----------
    resistance : of the amplifier's input, in parallel [ohm].
    capacitance : of input and cable together, in parallel [F].
    voltage_noise : of the amplifier, one-sided density at its input [V/sqrt(Hz)].
    current_noise : likewise [A/sqrt(Hz)].
    loss : tangent of the film's dielectric loss.
    temperature : of array and load [K].
    """

    resistance: float
    capacitance: float
    voltage_noise: float
    current_noise: float
    loss: float
    temperature: float

    def admittance(self, w: Floats, film: Floats, motional: Complex) -> Complex:
        """Admittance at the amplifier's input (M14.3) [S].

        Parameters
        ----------
        w : (frequency,) [rad/s].
        film : (..., 1): capacitance of the electrodes, cells held [F].
        motional : (..., frequency): of `Receiver` [C/V].
        """
        held = film * (1.0 - 1j * self.loss) + self.capacitance
        return np.asarray(1j * w * (held + motional) + 1.0 / self.resistance)

    def noise(self, w: Floats, film: Floats, motional: Complex) -> Floats:
        """One-sided density of the noise voltage at the amplifier's input (M14.4) [V2/Hz].

        Arguments as for `admittance`. The real part of an admittance at one temperature makes a
        noise current 4 k T Re Y (Nyquist): here of the input resistance, of the film's loss and of
        the moving cells, with what the air and the plate's losses do to them.
        """
        total = self.admittance(w, film, motional)
        current = 4.0 * BOLTZMANN * self.temperature * total.real + self.current_noise**2
        return np.asarray(self.voltage_noise**2 + current / np.abs(total) ** 2)
