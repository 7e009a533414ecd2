"""Echoes of the pulse that chips send, as they or their twins receive them (M14)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import fft, ifft, next_fast_len
from scipy.interpolate import CubicSpline

from arrayopt.base.arrays import Complex, Floats
from arrayopt.models.array import ArrayModel
from arrayopt.models.electrodes import capacitance
from arrayopt.physics.intime.slow_flow import linear_figures
from arrayopt.physics.receive.amplifier import Load
from arrayopt.physics.receive.detection import detection, farthest
from arrayopt.physics.receive.small_signal import receiver
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.sound.echo import Way, pitch_catch_way, plane_way, point_way
from arrayopt.study.model import Echo, Study

OUTSIDE = 1e-6
"""Share of a pulse's energy that may lie below, and above, the frequencies that are looked at."""
NODES = 4.0
"""Frequencies in the narrowest linewidth at which the receiver is computed; splined between."""
RING = 7.0
"""Decay times of the slowest cell by which records are prolonged: 60 dB."""


@dataclass(frozen=True)
class EchoFigures:
    """Figures of a batch of echoes, (design, chip); NaN where there is no pulse."""

    voltage: Floats
    """Largest amplitude at the amplifier's input [V]."""
    ratio: Floats
    """Power ratio of signal and noise after the matched filter."""
    range: Floats
    """Where the study's wanted ratio is left [m]."""
    delay: Floats
    """Cramer-Rao bound of the time of flight, waveform known [s]."""
    envelope_delay: Floats
    """The same, its phase unknown [s]."""


def load_of(study: Study, echo: Echo) -> Load:
    """The study's amplifier at the study's temperature."""
    wired = echo.amplifier
    return Load(
        resistance=wired.input_resistance,
        capacitance=wired.input_capacitance + wired.cable_capacitance,
        voltage_noise=wired.voltage_noise,
        current_noise=wired.current_noise,
        loss=echo.film_loss,
        temperature=study.air.temperature,
    )


def way_of(study: Study, echo: Echo) -> Way:
    """The way on from the study's target."""
    if echo.path == "pitch-catch":
        return pitch_catch_way()
    if echo.target_strength is None:
        return plane_way()
    return point_way(study.target.distance, echo.target_strength)


def echo_figures(model: ArrayModel, pressure: Complex, step: Floats) -> EchoFigures:
    """What the study's echo of one pulse of each chip is worth (M14).

    Parameters
    ----------
    model : the chips; each is received by itself, in pitch-catch by its twin.
    pressure : (design, chip, time): analytic signal at the target from the start of the drive until
        it has rung down [Pa]; NaN where a chip has none.
    step : (design,): between its samples [s].

    Returns
    -------
    EchoFigures
        At small signal on the way back, with the driven mode of every cell; all channels wired in
        parallel. Independent of how designs are divided into batches.
    """
    found = np.full((5, *pressure.shape[:2]), np.nan)
    decay, film = linear_figures(model.made.arrays).decay, films(model)
    for design, chip in np.ndindex(*pressure.shape[:2]):
        sent, slowest = pressure[design, chip], decay[design, chip].min()
        if np.isfinite(sent).all() and sent.any() and np.isfinite(slowest):
            found[:, design, chip] = _of_chip(
                model, (design, chip), sent, step[design], slowest, film[design]
            )
    return EchoFigures(*found)


def films(model: ArrayModel) -> Floats:
    """Capacitance of all electrodes of each design, as drawn, (design,) [F]."""
    designs = model.designs
    each = capacitance(
        model.study,
        radius=designs.radius,
        coverage=designs.electrode_coverage,
        ring=np.asarray(designs.ring, dtype=bool),
    )
    return np.asarray(each[:, designs.layout.group_of_cell].sum(axis=1))


def _of_chip(
    model: ArrayModel,
    place: tuple[int, int],
    sent: Complex,
    step: float,
    slowest: float,
    film: float,
) -> tuple[float, ...]:
    """The figures of one chip; ``slowest`` decay of its cells [1/s]."""
    study, made = model.study, model.made
    echo, distance = study.echo, study.target.distance
    assert echo is not None
    points = next_fast_len(sent.size + int(np.ceil(RING / (slowest * step))))
    spectrum = fft(sent, points) * step
    band = _band(np.abs(spectrum[: points // 2]) ** 2)
    f = np.arange(band.start, band.stop) / (points * step)
    nodes = np.linspace(f[0], f[-1], max(int(NODES * np.pi * (f[-1] - f[0]) / slowest) + 2, 8))
    at_nodes = receiver(made.arrays, *place, made.force_per_volt[place], 2.0 * np.pi * nodes)
    charge, motional = (CubicSpline(nodes, x)(f) for x in at_nodes)
    w, way, load = 2.0 * np.pi * f, way_of(study, echo), load_of(study, echo)
    alpha = absorption(study.air_state, f)
    arrives = spectrum[band] * way.gain * np.exp(-way.back * alpha * distance)
    voltage = 1j * w * charge * arrives / load.admittance(w, film, motional)
    # half of an analytic signal's spectrum is that of the real signal
    density = np.abs(voltage) ** 2 / load.noise(w, film, motional)
    whole = np.zeros(points, dtype=np.complex128)
    whole[band] = voltage
    told = detection(f, density)
    reach = farthest(
        density,
        alpha,
        spacing=f[1] - f[0],
        wanted=10.0 ** (echo.wanted_ratio / 10.0),
        distance=distance,
        ways=1 + way.back,
        fall=way.fall,
    )
    largest = np.abs(ifft(whole)).max() / step
    return float(largest), told.ratio, reach, told.delay, told.envelope_delay


def _band(energy: Floats) -> slice:
    """Bins (frequency,) that hold all but `OUTSIDE` of the energy on either side."""
    share = np.cumsum(energy) / energy.sum()
    first = max(int(np.searchsorted(share, OUTSIDE)), 1)
    last = int(np.searchsorted(share, 1.0 - OUTSIDE))
    return slice(first, max(last + 1, first + 3))
