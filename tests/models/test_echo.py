"""The array as a receiver, and its echoes beside dense solves and hand evaluations (M14)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from arrayopt.models.chips import Chips
from arrayopt.models.echo import echo_figures, films
from arrayopt.models.traces import Traces
from arrayopt.physics.receive.amplifier import BOLTZMANN
from arrayopt.physics.receive.small_signal import receiver
from arrayopt.physics.sound.air import absorption
from arrayopt.study.model import Amplifier, Echo, Study
from tests.oracles.coupled import DenseArray
from tests.support.chain import at_target, four_cells, random_designs

BACKS = {
    "vented": {},
    "sealed": {"cavity_depth": 200e-6},
    "necked": {"cavity_depth": 150e-6, "neck_radius": 60e-6, "neck_length": 50e-6},
}


def heard(study: Study, echo: Echo | None = None, count: int = 2) -> Chips:
    """Some chips of one design of two classes."""
    return Chips(random_designs(study, "combined", 1, 3), replace(study, echo=echo), count)


@pytest.mark.parametrize("back", BACKS)
def test_reciprocity_and_thermal_noise(back: str) -> None:
    """Volume velocity per volt sent is short-circuit current per pressure received; and what four
    cells' resistances do to the electrodes, force by force, is 4 k T Re Y (M14.2)."""
    study = at_target(four_cells(back=back, **BACKS[back]), polar=0.3, azimuth=0.5)
    chips = heard(study)
    one = DenseArray.of_chips(chips, chip=1)
    every = chips.made.force_per_volt[0]
    push = every[1]
    f0 = float(np.median(chips.made.nominal.natural_frequency))
    w = 2.0 * np.pi * f0 * np.array([0.7, 0.97, 1.0, 1.05])
    found = receiver(chips.made.arrays, 0, 0, every, w)
    for k, omega in enumerate(w):
        operator = one.operator(omega)[0]
        sent = 1j * omega * one.heard(omega, np.linalg.solve(operator, push))
        pressed = np.array(
            [one.heard(omega, unit) for unit in np.eye(push.size, dtype=complex)]
        )  # a wave's force on each cell is the weight of its volume
        received = 1j * omega * (push @ np.linalg.solve(operator, pressed))
        assert_allclose(sent, received, rtol=1e-9)
        # the air between the cells to the second order (M5.9), directivity of the radius as drawn
        assert_allclose(1j * omega * found.charge[1, k], received, rtol=2e-4)
        # forces 4 k T Re(Z), correlated where cells share the sound, through what moves
        impedance = operator / (1j * omega)
        to_current = 1j * omega * push @ np.linalg.inv(operator)
        noise = 4.0 * BOLTZMANN * 300.0 * (to_current @ impedance.real @ to_current.conj()).real
        nyquist = 4.0 * BOLTZMANN * 300.0 * (1j * omega * found.motional[1, k]).real
        assert nyquist > 0.0
        assert_allclose(nyquist, noise, rtol=2e-4)


LENGTH = 250.0
"""Cycles in which the burst's envelope falls to 1/e."""


def traces(pressure: np.ndarray, step: float) -> Traces:
    """Of one design, without what echoes do not need."""
    none = np.zeros(1)
    return Traces(
        step=np.array([step]),
        samples=np.array([pressure.shape[-1]]),
        pressure=pressure[None],
        drive=none,
        drive_end=none,
        carrier=none,
        deflection=none,
        status=none.astype(int),
    )


def burst(carrier: float) -> tuple[np.ndarray, float]:
    """A narrow Gaussian burst at the target, as an analytic signal, and its step."""
    step = 1.0 / (24.0 * carrier)
    t = step * np.arange(24 * 1600)
    envelope = np.exp(-(((t - 800.0 / carrier) / (LENGTH / carrier)) ** 2))
    return envelope * np.exp(2j * np.pi * carrier * t), step


@pytest.mark.parametrize("path", ["plane", "point", "pitch-catch"])
def test_a_narrow_echo_by_hand(path: str) -> None:
    """All at the carrier: range equation, voltage divider, 2E/N0."""
    strength = -26.0 if path == "point" else None
    wired = Amplifier(input_resistance=1e5, voltage_noise=2e-9)
    echo = Echo(path=path, target_strength=strength, wanted_ratio=12.0, amplifier=wired)  # type: ignore[arg-type]
    study = four_cells()
    chips = heard(study, echo)
    carrier = 1.02 * float(np.median(chips.made.nominal.natural_frequency))
    trace, step = burst(carrier)
    found = echo_figures(chips, traces(np.stack([trace, 0.0 * trace]), step))
    one = DenseArray.of_chips(chips)
    w, push = 2.0 * np.pi * carrier, chips.made.force_per_volt[0, 0]
    moved = np.linalg.solve(one.operator(w)[0], push)
    charge, motional = one.heard(w, moved), push @ moved
    designs = chips.designs
    area = np.pi * (designs.radius * designs.electrode_coverage) ** 2
    ring = np.pi * designs.radius**2 * (1.0 - (1.0 - designs.electrode_coverage) ** 2)
    area = np.where(designs.ring, ring, area)[0, designs.layout.group_of_cell].sum()
    film = 8.854e-12 * study.film.relative_permittivity * area / study.film.thickness
    assert_allclose(films(chips), film, rtol=1e-4)
    total = 1j * w * (film * (1.0 - 0.003j) + 25e-12 + motional) + 1e-5
    r, alpha = study.target.distance, absorption(study.air_state, np.array(carrier))
    gain = {
        "plane": np.exp(-alpha * r),
        "point": 2.0 * 10.0 ** (-26.0 / 20.0) / r * np.exp(-alpha * r),
        "pitch-catch": 2.0,
    }[path]
    volts = abs(1j * w * charge * gain / total)
    assert_allclose(found.voltage[0, 0], volts, rtol=0.01)  # the burst is not infinitely narrow
    kt4 = 4.0 * BOLTZMANN * study.air.temperature
    noise = 4e-18 + (1e-28 + kt4 * total.real) / abs(total) ** 2
    energy = 0.5 * volts**2 * (LENGTH / carrier) * np.sqrt(0.5 * np.pi)
    assert_allclose(found.ratio[0, 0], 2.0 * energy / noise, rtol=0.02)
    reach = found.range[0, 0]
    ways, fall = (1, 1) if path == "pitch-catch" else (2, 2 if path == "point" else 1)
    left = (r / reach) ** (2 * fall) * np.exp(-2.0 * ways * alpha * (reach - r))
    assert_allclose(found.ratio[0, 0] * left, 10.0**1.2, rtol=0.01)
    assert_allclose(found.delay[0, 0], 1.0 / (w * found.ratio[0, 0] ** 0.5), rtol=0.01)
    assert found.envelope_delay[0, 0] > 20.0 * found.delay[0, 0]
    assert np.isnan([x[0, 1] for x in vars(found).values()]).all()  # a chip without a pulse


def test_an_echo_hangs_on_nothing_else() -> None:
    """Other chips in the call, silence after the pulse, finer steps of the receiver."""
    study = four_cells()
    few, many = heard(study, Echo(), 1), heard(study, Echo(), 3)
    carrier = float(np.median(few.made.nominal.natural_frequency))
    trace, step = burst(carrier)
    short = trace[24 * 750 : 24 * 850]  # cut off: a wide spectrum
    alone = echo_figures(few, traces(short[None], step))
    every = echo_figures(many, traces(np.tile(short, (3, 1)), step))
    longer = echo_figures(few, traces(np.pad(short, (0, 24 * 300))[None], step))
    for name, value in vars(alone).items():
        assert value[0, 0] == getattr(every, name)[0, 0], name
        assert_allclose(getattr(longer, name), value, rtol=1e-3, err_msg=name)
