"""From modal fits of several cells and biases to five numbers of the stack, and what is known.

ln f0, ln Q, ln a and gamma of every modal fit are compared with the plate model's (M1 to M6) as
functions of intrinsic quality factor, added film tension, thickness scale, coupling scale, cubic
scale and the instrument's gain, which only its stated uncertainty holds:

    a = gain |e| (eta/k1),   gamma = 3/4 (c k3/k1 - 10/9 (k2/k1)^2) / gain^2                (C.3)

A bias acts through e V alone, so it tells coupling from gain, and gives the sign of e.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from arrayopt.base.arrays import Bools, Floats
from arrayopt.design.designs import Designs
from arrayopt.lab.fit.modal import ModalFit
from arrayopt.lab.fit.profile import Fit, Interval, Problem, fit, interval, judged, refit
from arrayopt.lab.read.files import cell_name
from arrayopt.models.cells import build_cells, layer_of
from arrayopt.physics.plate.laminate import sections
from arrayopt.study.calibration import with_correction
from arrayopt.study.lattice import array_layout
from arrayopt.study.model import Correction, Study

NAMES = ("quality_factor", "film_tension", "thickness_scale", "coupling_scale", "cubic_scale")
THICKNESS_BOX = (0.85, 1.15)
COUPLING_BOX = (-2.5, 2.5)
NODES = (5, 7, 7)
"""Chebyshev nodes in thickness scale, tension and coupling scale."""
THICKNESS_PRIOR = 0.05
"""Standard deviation of the thickness scale before any measurement: what processes hold."""
CUBIC_PRIOR = 2.0
SCATTER = (3e-4, 0.01, 0.005, 0.01)
"""Scatter between cells alike, beside each fit's own error: of f0, Q, a and gamma, relative.

Fits of one cell at several biases share it."""
COUPLING_SCATTER = 0.004
"""Scatter of the coupling between cells alike, relative: moves f0 by what the bias does to it."""
UNIT = (0.1, 0.1, 0.02, 0.05, 0.1, 0.03)
"""What counts as knowing a parameter: ln Q, tension over buckling load, scales, ln gain."""
DRAWS = 48
_CLAMPED_BUCKLING = 14.682
"""N a^2/D of a clamped disc: the square of the first zero of J1 (Timoshenko & Gere 1961)."""


@dataclass(frozen=True)
class Condition:
    """What one modal fit was measured on: [m], fraction, kind, [V]; ``gain_uncertainty``; its chip,
    empty where files name none."""

    cell: str
    radius: float
    electrode_coverage: float
    ring: bool
    bias: float
    gain_uncertainty: float
    chip: str = ""

    @property
    def label(self) -> str:
        """How people are told which cell is meant."""
        return cell_name(self.cell, self.chip)


@dataclass(frozen=True)
class PhysicalFit:
    """Corrections with their 95 % profile intervals.

    ``identified`` per name; ``cannot_tell`` sentences; ``gain`` of the instrument and its
    interval; ``residual`` (condition, 4) in standard deviations, freed of what fits of one cell
    share; ``draws`` from refits to perturbed data.
    """

    value: Correction
    intervals: tuple[Interval, ...]
    identified: tuple[bool, ...]
    gain: float
    gain_interval: Interval
    residual: Floats
    draws: tuple[Correction, ...]
    cannot_tell: tuple[str, ...]
    dispersion: float
    at_edge: tuple[str, ...]


def one_cell_designs(conditions: Sequence[Condition], *, coupling: float = 1.0) -> Designs:
    """One design of one cell for each condition; coupling acts on the bias (e V alone enters)."""
    layout = array_layout(
        np.zeros((1, 2)),
        class_of_cell=np.zeros(1, dtype=np.int64),
        channel_of_cell=np.zeros(1, dtype=np.int64),
        explicit=True,
    )

    def column(values: list[float]) -> Floats:
        return np.array(values, dtype=np.float64)[:, None]

    n = len(conditions)
    return Designs(
        layout=layout,
        radius=column([c.radius for c in conditions]),
        electrode_coverage=column([c.electrode_coverage for c in conditions]),
        ring=np.array([[c.ring] for c in conditions]),
        drive_amplitude=np.ones((n, 1)),
        drive_phase=np.zeros((n, 1)),
        bias=coupling * column([c.bias for c in conditions]),
        pitch=np.ones(n),
    )


class Surface:
    """The plate model of all conditions as polynomials in thickness, tension and coupling.

    Six smooth quantities per condition: f0^2 over nominal, the share of intrinsic loss, radiation
    loss, eta/k1 at e = 1, k3/k1, k2/k1. ``unit`` is the tension scale [N/m]: the smallest cell's
    distance from buckling.
    """

    def __init__(self, study: Study, conditions: Sequence[Condition]) -> None:
        self.conditions = tuple(conditions)
        bare = sections([layer_of(layer) for layer in study.stack])[1]
        largest = max(c.radius for c in conditions)
        critical = _CLAMPED_BUCKLING * bare.D11 / largest**2
        low = -0.6 * max(0.6 * critical + bare.N0, 0.1 * critical)
        self.unit = critical
        self.tension_box = (low / critical, 1.5 * (1.0 + max(bare.N0, 0.0) / critical))
        biased = any(c.bias != 0.0 for c in conditions)
        boxes = (THICKNESS_BOX, self.tension_box, COUPLING_BOX)
        counts = (NODES[0], NODES[1], NODES[2] if biased else 1)
        self.nodes = [_chebyshev(n, box) for n, box in zip(counts, boxes, strict=True)]
        self.nominal = build_cells(one_cell_designs(conditions), study).natural_frequency[:, 0]
        table = np.empty((*counts, len(conditions), 6))
        for i, scale in enumerate(self.nodes[0]):
            for j, tension in enumerate(self.nodes[1]):
                correction = Correction(1e9, tension * self.unit, scale)
                lossless = with_correction(study, correction)
                lossy = with_correction(study, Correction(10.0, tension * self.unit, scale))
                for k, coupling in enumerate(self.nodes[2]):
                    table[i, j, k] = self._quantities(lossless, lossy, float(coupling))
        if not np.isfinite(table).all():
            raise ValueError("the plate buckles within the range to be searched")
        self.table = table

    def _quantities(self, lossless: Study, lossy: Study, coupling: float) -> Floats:
        designs = one_cell_designs(self.conditions, coupling=coupling)
        cells = build_cells(designs, lossless)
        radiated = 1.0 / cells.quality_factor
        intrinsic = 10.0 * (1.0 / build_cells(designs, lossy).quality_factor - radiated)
        columns = (
            (cells.natural_frequency / self.nominal[:, None]) ** 2,
            intrinsic,
            radiated,
            cells.force_per_volt / cells.stiffness,
            cells.cubic / cells.stiffness,
            cells.quadratic / cells.stiffness,
        )
        return np.stack([column[:, 0] for column in columns], axis=-1)

    def at(self, thickness: float, tension: float, coupling: float) -> Floats:
        """Quantities (condition, 6) of corrections inside the box."""
        values = self.table
        for nodes, place in zip(self.nodes, (thickness, tension, coupling), strict=True):
            if nodes.size == 1:
                values = values[0]
            else:
                weight = _lagrange(nodes, place)
                values = (weight @ values.reshape(nodes.size, -1)).reshape(values.shape[1:])
        return values


def _chebyshev(count: int, box: tuple[float, float]) -> Floats:
    if count == 1:
        return np.ones(1)
    x = np.cos(np.pi * np.arange(count) / (count - 1))
    return np.asarray(0.5 * (box[0] + box[1]) + 0.5 * (box[1] - box[0]) * x)


def _lagrange(nodes: Floats, place: float) -> Floats:
    """Lagrange polynomials of Chebyshev nodes of the second kind, barycentric formula."""
    weight = np.where(np.arange(nodes.size) % 2 == 0, 1.0, -1.0)
    weight[[0, -1]] *= 0.5
    apart = place - nodes
    if not apart.all():
        return np.asarray(apart == 0.0, dtype=np.float64)
    share = weight / apart
    return np.asarray(share / share.sum())


class PhysicalProblem:
    """Residuals of all modal fits; parameters ln Q, tension/unit, thickness, coupling, cubic, gain.

    The last is ln gain. Rows: four per condition, then priors of thickness, cubic and gain.
    """

    def __init__(
        self, surface: Surface, fits: Sequence[ModalFit], departures: Floats | None = None
    ) -> None:
        self.surface = surface
        self.departures = departures
        self.f = np.log([m.frequency for m in fits])
        self.q = np.log([m.quality_factor for m in fits])
        self.a = np.log([m.response for m in fits])
        self.g = np.array([m.bending for m in fits])
        shared = (
            _assumed(surface.conditions, fits, np.zeros(len(fits)))
            if departures is None
            else departures
        )
        self.unit, self.whiten = _whitening(fits, shared)
        self.gain_sigma = max(c.gain_uncertainty for c in surface.conditions) or 1e-6
        self.shift: Floats | float = 0.0

    def around(self, x: Floats, fits: Sequence[ModalFit]) -> PhysicalProblem:
        """With the scatter of f0 that an assumed scatter of the coupling makes near x."""
        if self.departures is not None:
            return self
        above, below = (self.surface.at(x[2], x[1], x[3] + step)[:, 0] for step in (1e-3, -1e-3))
        slope = 0.5 * x[3] * (above - below) / (1e-3 * (above + below))
        near = copy(self)
        shared = _assumed(self.surface.conditions, fits, slope)
        near.unit, near.whiten = _whitening(fits, shared)
        return near

    def residual(self, x: Floats) -> Floats:
        """Data rows, then priors, in standard deviations."""
        v = self.surface.at(x[2], x[1], x[3])
        gain = math.exp(x[5])
        with np.errstate(divide="ignore", invalid="ignore"):
            rows = np.stack(
                [
                    self.f - np.log(self.surface.nominal) - 0.5 * np.log(v[:, 0]),
                    self.q + np.log(v[:, 1] * math.exp(-x[0]) + v[:, 2]),
                    self.a - np.log(np.abs(x[3] * v[:, 3]) * gain),
                    self.g - 0.75 * (x[4] * v[:, 4] - 10.0 / 9.0 * v[:, 5] ** 2) / gain**2,
                ],
                axis=1,
            )
        prior = [
            (x[2] - 1.0) / THICKNESS_PRIOR,
            (x[4] - 1.0) / CUBIC_PRIOR,
            x[5] / self.gain_sigma,
        ]
        rows = np.clip(np.nan_to_num(rows / self.unit, nan=1e6), -1e6, 1e6)
        white = np.einsum("qij,jq->iq", self.whiten, rows)
        out = np.concatenate([white.ravel(), prior])
        return np.asarray(np.clip(out, -1e6, 1e6) + self.shift)

    def jacobian(self, x: Floats) -> Floats:
        """Central differences; the model is a polynomial."""
        out = np.empty((4 * self.f.size + 3, x.size))
        for k in range(x.size):
            step = np.zeros(x.size)
            step[k] = 1e-5
            out[:, k] = (self.residual(x + step) - self.residual(x - step)) / 2e-5
        return out


def _assumed(conditions: Sequence[Condition], fits: Sequence[ModalFit], slope: Floats) -> Floats:
    """Covariance (4, n, n) of departures where nothing was estimated of them.

    Where a cell's coupling departs, f0 does by ``slope`` (condition,) of it, d ln f0 / d ln e at
    each bias.
    """
    scatter = np.array(SCATTER)[None, :] * np.ones((len(fits), 1))
    scatter[:, 3] *= np.abs([m.bending for m in fits])
    shared = scatter.T[:, :, None] * scatter.T[:, None, :]
    shared[0] += COUPLING_SCATTER**2 * slope[:, None] * slope[None, :]
    return np.where(same_cell(conditions), shared, 0.0)


def same_cell(conditions: Sequence[Condition]) -> Bools:
    """Which fits are of one cell, (n, n)."""
    names = [(c.chip, c.cell, c.radius) for c in conditions]
    return np.array([[a == b for b in names] for a in names])


def _whitening(fits: Sequence[ModalFit], shared: Floats) -> tuple[Floats, Floats]:
    """Standard deviations (condition, 4), and what makes errors in them independent (4, n, n).

    A cell departs from its kin by the same amount at every bias, so its fits err together:
    ``shared`` (4, n, n).
    The matrices are inverse Cholesky factors of the correlation.
    """
    covariance = shared.copy()
    each = np.arange(len(fits))
    covariance[:, each, each] += np.stack([m.sigma for m in fits]).T ** 2
    unit = np.sqrt(covariance[:, each, each])
    correlation = covariance / (unit[:, :, None] * unit[:, None, :])
    return unit.T, np.asarray(np.linalg.inv(np.linalg.cholesky(correlation)), dtype=np.float64)


def fit_physical(
    study: Study,
    conditions: Sequence[Condition],
    fits: Sequence[ModalFit],
    *,
    polarity: int = 0,
    surface: Surface | None = None,
    departures: Floats | None = None,
    seed: int = 0,
    draws: int = DRAWS,
) -> PhysicalFit:
    """Fit the five corrections to modal fits.

    Parameters
    ----------
    study : without a calibration.
    conditions, fits : same length.
    polarity : +1 or -1 where measured phases show the response in or against the drive as modelled.
    surface : made by an earlier call for the same study and conditions, to save time.
    departures : (4, n, n) covariance of what cells depart from one model by, of ln f0, ln Q, ln a
        and gamma; `SCATTER` of each cell where None.
    seed : of starts and draws.
    draws : parameter sets for bands; 0 for none.
    """
    model = PhysicalProblem(surface or Surface(study, conditions), fits, departures)
    box = model.surface.tension_box
    guess = float(np.exp(np.median(model.q)))
    lower = np.array([math.log(2.0), box[0], THICKNESS_BOX[0], 0.02, -40.0, -0.5])
    upper = np.array([math.log(1e5), box[1], THICKNESS_BOX[1], COUPLING_BOX[1], 40.0, 0.5])
    spread = np.array([0.7, 0.4 * (box[1] - box[0]), 0.08, 0.5, 1.0, 0.0])
    data = 4 * len(fits)
    found: dict[int, tuple[Fit, Problem]] = {}
    for sign in (1, -1):
        ends = lower.copy(), upper.copy()
        if sign < 0:
            ends[0][3], ends[1][3] = -upper[3], -lower[3]
        problem = Problem(model.residual, model.jacobian, *ends, data, known_noise=True)
        start = np.array([math.log(1.3 * guess), 0.0, 1.0, float(sign), 1.0, 0.0])
        found[sign] = fit(problem, start, spread=spread, seed=seed), problem
    gap = found[-1][0].cost - found[1][0].cost
    threshold = 6.6 * found[1][0].dispersion
    told = abs(gap) > threshold
    sign = (1 if gap > 0.0 else -1) if told else (polarity or 1)
    best, problem = found[sign]
    model = model.around(best.x, fits)
    problem = replace(problem, residual=model.residual, jacobian=model.jacobian)
    best = judged(problem, refit(problem, best.x)[0], best.minima)
    spans = [interval(problem, best, k) for k in range(6)]
    chosen = _draws(model, problem, best, draws, seed)
    lost = _cannot_tell(model, best.x, data)
    if not told and polarity == 0:
        lost = (*lost, "the sign of the coupling: no bias series and no phase tells it")
    at_edge = tuple(
        name
        for k, name in enumerate(NAMES)
        if min(best.x[k] - problem.lower[k], problem.upper[k] - best.x[k])
        < 1e-3 * (problem.upper[k] - problem.lower[k])
    )
    turned = [_turn(k, span, model.surface.unit) for k, span in enumerate(spans)]
    half = [0.5 * (span.upper - span.lower) / 1.96 for span in spans]
    scales = (1.0, 1.0, 1.0, abs(best.x[3]), max(abs(best.x[4]), 1.0), 1.0)
    known = tuple(
        bool(
            half[k] < 2.0 * UNIT[k] * scales[k] and not (spans[k].open_below or spans[k].open_above)
        )
        for k in range(5)
    )
    return PhysicalFit(
        value=_correction(best.x, model.surface.unit),
        intervals=tuple(turned[:5]),
        identified=known,
        gain=math.exp(best.x[5]),
        gain_interval=turned[5],
        residual=model.residual(best.x)[:data].reshape(-1, 4),
        draws=chosen,
        cannot_tell=lost,
        dispersion=best.dispersion,
        at_edge=at_edge,
    )


def _correction(x: Floats, unit: float) -> Correction:
    return Correction(math.exp(x[0]), float(x[1] * unit), float(x[2]), float(x[3]), float(x[4]))


def _turn(index: int, span: Interval, unit: float) -> Interval:
    if index in (0, 5):
        low, high = math.exp(span.lower), math.exp(span.upper)
    else:
        factor = unit if index == 1 else 1.0
        low, high = span.lower * factor, span.upper * factor
    return Interval(low, high, span.open_below, span.open_above)


def _draws(
    model: PhysicalProblem, problem: Problem, best: Fit, count: int, seed: int
) -> tuple[Correction, ...]:
    """Refits to data moved by their own noise (parametric bootstrap, priors moved as well)."""
    rng = np.random.default_rng([seed, 1])
    out = []
    for _ in range(count):
        noise = rng.standard_normal(model.residual(best.x).size)
        noise[: problem.data] *= math.sqrt(best.dispersion)
        model.shift = noise
        x, _cost = refit(problem, best.x)
        out.append(_correction(x, model.surface.unit))
        model.shift = 0.0
    return tuple(out)


def _cannot_tell(model: PhysicalProblem, x: Floats, data: int) -> tuple[str, ...]:
    """Combinations of parameters that the data, without any prior but the gain's, leave open."""
    slope = model.jacobian(x)[np.r_[0:data, data + 2]]
    unit = np.array(UNIT)
    unit[3] *= abs(x[3])
    unit[4] *= max(abs(x[4]), 1.0)
    unit[5] = model.gain_sigma
    slope = slope * unit
    value, vector = np.linalg.eigh(slope.T @ slope)
    words = (*NAMES, "the instrument's gain")
    out = []
    for k in np.flatnonzero(value < 1.0):
        share = np.abs(vector[:, k])
        parts = [words[j] for j in np.argsort(-share) if share[j] > 0.3]
        if len(parts) == 1:
            out.append(f"{parts[0]}: these data do not determine it")
        else:
            out.append(f"{' and '.join(parts)}: only a combination of them is determined")
    return tuple(out)
