"""Echoes of the pulse that chips send, as they or their twins receive them (M14)."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
from scipy.fft import fft, ifft, next_fast_len
from scipy.interpolate import CubicSpline

from arrayopt.base.arrays import Complex, Floats
from arrayopt.models.array import ArrayModel
from arrayopt.models.electrodes import capacitance
from arrayopt.models.traces import Traces
from arrayopt.physics.intime.slow_flow import Linear, linear_figures
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.receive.amplifier import Load
from arrayopt.physics.receive.detection import detection, farthest
from arrayopt.physics.receive.small_signal import receiver
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.sound.echo import Way, pitch_catch_way, plane_way, point_way
from arrayopt.physics.sound.radiation import SERIES_LIMIT
from arrayopt.study.model import Echo, Study

OUTSIDE = 1e-6
"""Share of a pulse's energy that may lie below, and above, the frequencies that are looked at."""
NODES = 4.0
"""Frequencies in the narrowest linewidth at which the receiver is computed; splined between."""
BEYOND = 6.0
"""The same of resonances farther off: so many in their distance."""
SHIFT = 0.02
"""Resonances of coupled cells lie within this share of those of the cells, and 3 linewidths."""
LOWEST = 0.1
"""Lowest frequency that is looked at, over the lowest resonance."""
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

    @property
    def level(self) -> Floats:
        """``ratio`` in dB."""
        return np.asarray(10.0 * np.log10(self.ratio))


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


def echo_figures(model: ArrayModel, traces: Traces) -> EchoFigures:
    """What the study's echo of one pulse of each chip is worth (M14).

    Parameters
    ----------
    model : the chips; each is received by itself, in pitch-catch by its twin.
    traces : of `ArrayModel.pulse`.

    Returns
    -------
    EchoFigures
        At small signal on the way back, with the driven mode of every cell; all channels wired in
        parallel. NaN of chips without a trace. Independent of how designs are divided into batches.
    """
    made, chips = model.made, traces.pressure.shape[1]
    linear, film = linear_figures(made.arrays), films(model)
    found = np.full((5, *traces.pressure.shape[:2]), np.nan)
    for design, first in product(range(len(found[0])), range(0, chips, LANES)):
        lanes = slice(first, first + LANES)
        cells = Linear(*(x[design, lanes] for x in linear))
        widest = float(np.nanmax(made.arrays.radius[design, lanes]))
        grid = _grid(SERIES_LIMIT * model.study.air_state.sound_speed / widest, cells)
        known = np.isfinite(cells.decay.sum(axis=1))
        sent = {
            lane: _sent(one, float(traces.step[design]), cells.decay[lane].min(), grid)
            for lane, one in enumerate(traces.of(design)[lanes])
            if known[lane] and np.isfinite(one).all() and one.any()
        }
        if not sent:
            continue
        low = min(one.nodes.start for one in sent.values())
        high = max(one.nodes.stop for one in sent.values())
        push = made.force_per_volt[design, lanes]
        heard = receiver(made.arrays, design, first, push, grid[low:high])
        for lane, one in sent.items():
            mine = slice(one.nodes.start - low, one.nodes.stop - low)
            nodes = grid[one.nodes] / (2.0 * np.pi)
            charge, motional = (CubicSpline(nodes, x[lane, mine])(one.frequency) for x in heard)
            told = _figures(model.study, one, charge, motional, film[design])
            found[:, design, first + lane] = told
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


class _Sent(NamedTuple):
    """What one chip sends, where it is worth hearing."""

    frequency: Floats
    """(bin,) [Hz]."""
    spectrum: Complex
    """(bin,): of the analytic pressure at the target [Pa/Hz]."""
    band: slice
    """Those bins among all."""
    points: int
    """Bins of the transform."""
    step: float
    """Between samples [s]."""
    nodes: slice
    """Of the row's grid, around the bins."""


def _sent(trace: Complex, step: float, slowest: float, grid: Floats) -> _Sent:
    """The bins that hold all but `OUTSIDE` of a trace's energy on either side, within the grid.

    The record is prolonged by the ring-down of the receiver, ``slowest`` its decay [1/s].
    """
    points = next_fast_len(trace.size + int(np.ceil(RING / (slowest * step))))
    spectrum, apart = fft(trace, points)[: points // 2] * step, 1.0 / (points * step)
    share = np.cumsum(np.abs(spectrum) ** 2)
    first, last = np.searchsorted(share / share[-1], (OUTSIDE, 1.0 - OUTSIDE))
    first = max(int(first), int(np.ceil(grid[0] / (2.0 * np.pi * apart))))
    last = min(int(last), int(grid[-1] / (2.0 * np.pi * apart)))
    band = slice(first, max(last, first + 2) + 1)
    f = apart * np.arange(band.start, band.stop)
    low, high = np.searchsorted(grid, 2.0 * np.pi * f[[0, -1]])
    return _Sent(f, spectrum[band], band, points, step, slice(max(int(low) - 2, 0), int(high) + 2))


def _figures(
    study: Study, sent: _Sent, charge: Complex, motional: Complex, film: Floats
) -> tuple[float, ...]:
    """Figures of one chip from its receiver at the bins."""
    echo, distance = study.echo, study.target.distance
    assert echo is not None
    f = sent.frequency
    w, way, load = 2.0 * np.pi * f, way_of(study, echo), load_of(study, echo)
    alpha = absorption(study.air_state, f)
    arrives = sent.spectrum * way.gain * np.exp(-way.back * alpha * distance)
    voltage = 1j * w * charge * arrives / load.admittance(w, film, motional)
    # half of an analytic signal's spectrum is that of the real signal
    density = np.abs(voltage) ** 2 / load.noise(w, film, motional)
    whole = np.zeros(sent.points, dtype=np.complex128)
    whole[sent.band] = voltage
    largest = np.abs(ifft(whole)).max() / sent.step
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
    return float(largest), told.ratio, reach, told.delay, told.envelope_delay


def _grid(top: float, cells: Linear) -> Floats:
    """Frequencies up to ``top`` that show every resonance of a row of chips, (node,) [rad/s]."""
    known = np.isfinite(cells.decay.sum(axis=1))
    if not known.any():
        return np.array([0.5 * top, top])
    line = 2.0 * float(cells.decay[known].min())
    first, last = (float(f(cells.resonance[known])) for f in (np.min, np.max))
    first, last = first * (1.0 - SHIFT) - 3.0 * line, last * (1.0 + SHIFT) + 3.0 * line
    inside = np.arange(first, last, line / NODES)
    below, above = [first], [float(inside[-1])]
    while below[-1] > LOWEST * first:
        below.append(below[-1] - max(line / NODES, (first - below[-1]) / BEYOND))
    while above[-1] < top:
        above.append(above[-1] + max(line / NODES, (above[-1] - last) / BEYOND))
    grid = np.concatenate([below[:0:-1], inside, above[1:]])
    return grid[(grid > 0.0) & (grid <= top)]
