"""One cell at one bias: resonance, Q, response per volt and cubic term from its sweeps.

In measured displacement y = gain x q, with unit stiffness, every steady state obeys

    |y| |D| = a V,  D = 1 - (w/w0)^2 mu + B + j (w/w0) (1/Q + rho (r - 1)),                 (C.1)
    B = S (1 + S / (3 (9 (w/w0)^2 - 1 - 2 S))),  S = gamma |y|^2,                           (C.2)

with a the static response per volt and gamma = 3/4 g / (k1 gain^2) (M7.1); the bracket of (C.2) is
the third harmonic's share, 1 % at S = 0.24; mu and r follow the radiation load over the sweep.
All branches obey it, so the misfit |y| |D| - a V is smooth in the parameters whatever branch a
point lies on: no jump in the fitted function, none in its intervals.
Its variance is propagated from amplitude and frequency noise at each point.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Bools, Floats
from arrayopt.lab.fit.profile import Interval, Problem, fit, interval, judged, refit
from arrayopt.lab.read.files import Trace

FLOOR_MULTIPLE = 8.0
"""Points below this multiple of the noise floor are set aside: their magnitude is biased."""
RELATIVE_NOISE = 0.002
MODEL_ERROR = 0.001
"""Share of the force that one harmonic of one mode misses (M6)."""
WITHIN_SWEEP = 1.0 / 6.0
"""Frequency noise inside a sweep, as a share of the drift between sweeps."""
JUMP_SHARE = 0.25
JUMP_CONTRAST = 5.0
REWEIGHTINGS = 3


@dataclass(frozen=True)
class Load:
    """Radiation along the sweeps of one cell, from the model at its nominal resonance.

    ``mass_ratio`` and ``resistance_ratio`` (point,) relative to resonance; ``share`` the loss
    factor due to radiation; ``bending`` the model's gamma [1/m2], the centre of a weak prior.
    """

    mass_ratio: Floats
    resistance_ratio: Floats
    share: float
    bending: float


@dataclass(frozen=True)
class Gathered:
    """Sweeps of one cell at one bias, all points in a row.

    ``displacement`` as measured, peak [m]; ``noise`` its standard deviation; ``use`` False for
    points set aside; ``jumps`` (trace, lower frequency, upper frequency) of every jump seen;
    ``bends`` (point,) False where a response was taken as linear.
    """

    frequency: Floats
    displacement: Floats
    voltage: Floats
    trace: NDArray[np.int64]
    noise: Floats
    use: Bools
    n_traces: int
    drift: float
    jumps: tuple[tuple[int, float, float], ...]
    set_aside: tuple[str, ...]
    bends: Bools


@dataclass(frozen=True)
class ModalFit:
    """Fitted numbers of one cell at one bias, with 95 % profile intervals.

    ``frequency`` [Hz] (small signal, air included), ``quality_factor`` (likewise), ``response``
    [m/V] static displacement per volt as measured, ``bending`` gamma [1/m2] as measured; ``sigma``
    (4,) their standard deviations (logarithms for the first three), a quarter of the interval.
    """

    frequency: float
    quality_factor: float
    response: float
    bending: float
    sigma: Floats
    intervals: tuple[Interval, ...]
    offsets: Floats
    dispersion: float
    unique: bool
    residual: Floats
    """(point,) misfit over its standard deviation; nan where set aside."""


def gather(traces: Sequence[Trace], displacement: Sequence[Floats]) -> Gathered:
    """Join sweeps of one cell and bias; decides which points are set aside, and says why.

    Parameters
    ----------
    traces : sweeps.
    displacement : for each, (point,) peak centre displacement [m] before gain errors.
    """
    use, noise, jumps, remarks = [], [], [], []
    for number, (trace, y) in enumerate(zip(traces, displacement, strict=True)):
        sigma = _noise(y[trace.use])
        keep = trace.use & (y > FLOOR_MULTIPLE * sigma)
        beside, found = _jumps(trace, y, keep)
        low = int((trace.use & ~keep).sum())
        parts = [
            f"{int((~trace.use).sum())} clipped" if not trace.use.all() else "",
            f"{low} near the noise floor" if low else "",
            f"{int(beside.sum())} beside a jump" if beside.any() else "",
        ]
        remarks.append(", ".join(part for part in parts if part))
        jumps += [(number, low_, high) for low_, high in found]
        use.append(keep & ~beside)
        noise.append(np.hypot(sigma, RELATIVE_NOISE * y))
    sizes = [trace.frequency.size for trace in traces]
    return Gathered(
        frequency=np.concatenate([trace.frequency for trace in traces]),
        displacement=np.concatenate(list(displacement)),
        voltage=np.repeat([trace.drive_amplitude for trace in traces], sizes),
        trace=np.repeat(np.arange(len(traces)), sizes),
        noise=np.concatenate(noise),
        use=np.concatenate(use),
        n_traces=len(traces),
        drift=max(trace.frequency_drift for trace in traces),
        jumps=tuple(jumps),
        set_aside=tuple(remarks),
        bends=np.repeat([not (trace.record or trace.chirp) for trace in traces], sizes),
    )


def _noise(y: Floats) -> float:
    """Standard deviation of the floor from second differences, or from the converter's step."""
    if y.size < 5:
        return 0.01 * float(np.abs(y).max(initial=0.0))
    second = np.abs(y[2:] - 2.0 * y[1:-1] + y[:-2])
    # the calmer half: curvature of the peak is no noise
    spread = float(np.median(second)) / (0.6745 * math.sqrt(6.0))
    levels = np.diff(np.unique(y))
    step = float(levels.min(initial=np.inf))
    return max(spread, step / math.sqrt(12.0) if np.isfinite(step) else 0.0)


def _jumps(trace: Trace, y: Floats, keep: Bools) -> tuple[Bools, list[tuple[float, float]]]:
    """Points on either side of each jump, which may still be settling, and where the jumps are."""
    beside = np.zeros(y.shape, dtype=bool)
    found: list[tuple[float, float]] = []
    places = np.flatnonzero(trace.use)
    if places.size < 8:
        return beside, found
    change = np.abs(np.diff(y[places]))
    for k in np.flatnonzero(change > JUMP_SHARE * y[places].max()):
        around = np.concatenate([change[max(k - 3, 0) : k], change[k + 1 : k + 4]])
        if change[k] > JUMP_CONTRAST * np.median(around):
            beside[places[k : k + 2]] = True
            found.append((float(trace.frequency[places[k]]), float(trace.frequency[places[k + 1]])))
    return beside & keep, found


class ModalProblem:
    """Equation (C.1) for one cell and bias; parameters ln f0, ln Q, ln a, gamma/scale, offsets.

    Offsets (trace,) are relative shifts of the resonance between sweeps, held near zero by the
    stated drift.
    """

    def __init__(self, points: Gathered, load: Load) -> None:
        use = points.use
        self.w, self.y = points.frequency[use], points.displacement[use]
        self.volt, self.trace = points.voltage[use], points.trace[use]
        self.noise, self.drift = points.noise[use], points.drift
        self.mu, self.ratio = load.mass_ratio[use], load.resistance_ratio[use]
        self.share = load.share
        self.n_traces = points.n_traces
        self.bent = np.where(points.bends[use], self.y, 0.0)
        top = float(self.bent.max()) or float(self.y.max())
        self.scale = 1.0 / top**2
        self.prior = load.bending / self.scale
        self.prior_width = max(5.0 * abs(self.prior), 0.05)
        self.sigma = np.ones(self.w.size)

    def terms(self, x: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Frequency ratio, Re D, Im D, |D| and dB/dS at every point."""
        ratio = self.w * np.exp(-x[0] - self.drift * x[4:][self.trace])
        shift = x[3] * self.scale * self.bent**2
        third = np.maximum(9.0 * ratio**2 - 1.0 - 2.0 * shift, 1.0)
        bend = shift * (1.0 + shift / (3.0 * third))
        slope = 1.0 + 2.0 * shift / (3.0 * third) + 2.0 * (shift / third) ** 2 / 3.0
        real = 1.0 - ratio**2 * self.mu + bend
        imag = ratio * (math.exp(-x[1]) + self.share * (self.ratio - 1.0))
        return ratio, real, imag, np.hypot(real, imag), slope

    def residual(self, x: Floats) -> Floats:
        """Misfits and priors in standard deviations."""
        size = self.terms(x)[3]
        misfit = (self.y * size - math.exp(x[2]) * self.volt) / self.sigma
        prior = [(x[3] - self.prior) / self.prior_width]
        return np.concatenate([misfit, prior, x[4:]])

    def jacobian(self, x: Floats) -> Floats:
        """Derivatives of `residual`; the third harmonic's own dependence on frequency left out."""
        ratio, real, imag, size, slope = self.terms(x)
        out = np.zeros((self.w.size + 1 + self.n_traces, x.size))
        top = self.y / (size * self.sigma)
        by_frequency = top * (2.0 * real * ratio**2 * self.mu - imag**2)
        rows = np.arange(self.w.size)
        out[rows, 0] = by_frequency
        out[rows, 1] = -top * imag * ratio * math.exp(-x[1])
        out[rows, 2] = -math.exp(x[2]) * self.volt / self.sigma
        out[rows, 3] = top * real * slope * self.scale * self.bent**2
        out[rows, 4 + self.trace] = by_frequency * self.drift
        out[self.w.size, 3] = 1.0 / self.prior_width
        out[self.w.size + 1 :, 4:] = np.eye(self.n_traces)
        return out

    def reweight(self, x: Floats) -> None:
        """Standard deviation of the misfit from the noise of amplitude and frequency."""
        ratio, real, imag, size, slope = self.terms(x)
        bend = x[3] * self.scale * self.bent**2 * slope
        by_amplitude = size + 2.0 * bend * real / size
        by_frequency = self.y * (2.0 * real * ratio**2 * self.mu - imag**2) / size
        self.sigma = np.sqrt(
            (by_amplitude * self.noise) ** 2
            # where the amplitude does not matter to first order, the second order does
            + (np.abs(3.0 * bend * real / size) * self.noise**2 / self.y) ** 2
            + (by_frequency * self.drift * WITHIN_SWEEP) ** 2
            + (MODEL_ERROR * math.exp(x[2]) * self.volt) ** 2
        )

    def first_guess(self) -> Floats:
        """From the sweep with the lowest drive."""
        x = np.zeros(4 + self.n_traces)
        gentle = self.volt == self.volt.min()
        w, y = self.w[gentle], self.y[gentle]
        order = np.argsort(w)
        w, y = w[order], y[order]
        top = int(np.argmax(y))
        high = w[y > y[top] / math.sqrt(2.0)]
        width = max(float(np.ptp(high)), float(np.min(np.diff(w), initial=np.inf)), 1e-4 * w[top])
        quality = float(np.clip(w[top] / width, 2.0, 5000.0))
        x[0], x[1] = math.log(w[top]), math.log(quality)
        x[2] = math.log(y[top] / (quality * float(self.volt.min())))
        x[3] = self.prior
        return x


def fit_modal(points: Gathered, load: Load, *, seed: int = 0) -> ModalFit:
    """Fit (C.1) to all sweeps of one cell at one bias.

    Parameters
    ----------
    points : Gathered
    load : Load, same points.
    seed : of the starts.

    Returns
    -------
    ModalFit

    Raises
    ------
    ValueError : fewer than eight usable points.
    """
    if int(points.use.sum()) < 8:
        raise ValueError(f"{int(points.use.sum())} usable points; at least 8 are needed")
    model = ModalProblem(points, load)
    x = model.first_guess()
    model.reweight(x)
    lower = np.concatenate([[x[0] - 0.3, 0.0, x[2] - 4.0, -20.0], np.full(points.n_traces, -6.0)])
    upper = np.concatenate([[x[0] + 0.3, 9.0, x[2] + 4.0, 20.0], np.full(points.n_traces, 6.0)])
    width = math.exp(-x[1])
    spread = np.concatenate([[2.0 * width, 0.7, 0.7, 1.0], np.zeros(points.n_traces)])
    problem = Problem(model.residual, model.jacobian, lower, upper, model.w.size)
    first = fit(problem, x, spread=spread, seed=seed)
    x = first.x
    for _ in range(REWEIGHTINGS):
        # the weights stay as they are while costs are compared
        model.reweight(x)
        x, _cost = refit(problem, x)
    best = judged(problem, x)
    found = [interval(problem, best, index) for index in range(4)]
    sigma = np.array([(i.upper - i.lower) / (2.0 * 1.96) for i in found])
    residual = np.full(points.use.shape, np.nan)
    residual[points.use] = model.residual(x)[: model.w.size]
    turned = [
        Interval(math.exp(i.lower), math.exp(i.upper), i.open_below, i.open_above)
        for i in found[:3]
    ]
    bend = found[3]
    sigma[3] *= model.scale
    turned.append(
        Interval(
            bend.lower * model.scale, bend.upper * model.scale, bend.open_below, bend.open_above
        )
    )
    return ModalFit(
        frequency=math.exp(x[0]),
        quality_factor=math.exp(x[1]),
        response=math.exp(x[2]),
        bending=float(x[3] * model.scale),
        sigma=sigma,
        intervals=tuple(turned),
        offsets=model.drift * x[4:],
        dispersion=best.dispersion,
        unique=first.unique,
        residual=residual,
    )
