"""Robust least squares from many starts, with intervals by profile likelihood."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import OptimizeResult, least_squares
from scipy.stats import qmc, t

from arrayopt.base.arrays import Floats

ROBUST_SCALE = 3.0
"""Residuals beyond this many standard deviations count less than quadratically (soft L1)."""
STARTS = 32
REFINED = 3
"""Best starts that are followed to their minimum."""
PROFILE_STEPS = 6
_EDGE = 0.02


@dataclass(frozen=True)
class Problem:
    """Residuals in units of their standard deviation, with derivatives.

    ``residual(x)`` (n,), ``jacobian(x)`` (n, p), box ``lower``, ``upper`` (p,); ``data`` how many
    of the residuals are data (the others are priors); ``known_noise`` True where standard
    deviations are known rather than estimated from these residuals.
    """

    residual: Callable[[Floats], Floats]
    jacobian: Callable[[Floats], Floats]
    lower: Floats
    upper: Floats
    data: int
    known_noise: bool = False


@dataclass(frozen=True)
class Fit:
    """A minimum and its spread.

    ``x`` (p,); ``cost`` the robust sum of squares; ``dispersion``: variance of the residuals, 1
    where the stated noise is right, never taken below 1; ``minima``: costs of the distinct minima
    that the starts led to, best first.
    """

    x: Floats
    cost: float
    dispersion: float
    minima: tuple[float, ...]

    @property
    def unique(self) -> bool:
        """No other minimum within the 99.9 % threshold of this one."""
        return len(self.minima) < 2 or self.minima[1] - self.minima[0] > 10.8 * self.dispersion


@dataclass(frozen=True)
class Interval:
    """95 % profile-likelihood interval; ``open_below``, ``open_above``: the data set no end."""

    lower: float
    upper: float
    open_below: bool
    open_above: bool


def fit(problem: Problem, start: Floats, *, spread: Floats, seed: int = 0) -> Fit:
    """The best minimum over scrambled Sobol starts around ``start``, robust loss.

    Parameters
    ----------
    problem : Problem
    start : (p,) first guess; always one of the starts.
    spread : (p,) half-width of the box of starts; 0 for parameters not varied among starts.
    seed : of the starts.
    """
    varied = np.flatnonzero(spread > 0.0)
    starts = start[None, :]
    if varied.size:
        starts = np.tile(start, (STARTS + 1, 1))
        cube = qmc.Sobol(varied.size, rng=np.random.default_rng(seed)).random(STARTS)
        starts[1:, varied] += spread[varied] * (2.0 * cube - 1.0)
    starts = np.clip(starts, problem.lower, problem.upper)
    first = np.array([robust_cost(problem.residual(x)) for x in starts])
    first = np.where(np.isfinite(first), first, np.inf)
    chosen = {0, *np.argsort(first, kind="stable")[:REFINED].tolist()}
    found = sorted((refit(problem, starts[k]) for k in sorted(chosen)), key=lambda pair: pair[1])
    best = found[0][0]
    minima = [found[0][1]]
    for x, cost in found[1:]:
        apart = np.abs(x - best) > 1e-3 * (problem.upper - problem.lower)
        if apart.any() and cost > minima[-1] * (1.0 + 1e-6):
            minima.append(cost)
    return judged(problem, _descend(problem, best).x, tuple(minima))


def judged(problem: Problem, x: Floats, minima: tuple[float, ...] = ()) -> Fit:
    """A minimum with its cost and the dispersion of its residuals."""
    residual = problem.residual(x)
    freedom = problem.data - x.size
    # from one or two degrees of freedom a variance says nothing
    spread = robust_cost(residual[: problem.data]) / freedom if freedom > 2 else 1.0
    dispersion = max(spread, 1.0)
    return Fit(x, robust_cost(residual), dispersion, minima)


def robust_cost(residual: Floats) -> float:
    """Soft L1 sum of squares, as `scipy.optimize.least_squares` counts it (twice its cost)."""
    z = (residual / ROBUST_SCALE) ** 2
    return float(ROBUST_SCALE**2 * np.sum(2.0 * (np.sqrt(1.0 + z) - 1.0)))


def _descend(problem: Problem, start: Floats) -> OptimizeResult:
    margin = 1e-9 * (problem.upper - problem.lower)
    return least_squares(
        problem.residual,
        np.clip(start, problem.lower + margin, problem.upper - margin),
        jac=problem.jacobian,
        bounds=(problem.lower, problem.upper),
        loss="soft_l1",
        f_scale=ROBUST_SCALE,
        x_scale="jac",
        xtol=1e-8,
        ftol=1e-8,
        gtol=1e-8,
        max_nfev=60,
    )


def refit(problem: Problem, start: Floats, fixed: int = -1) -> tuple[Floats, float]:
    """Minimum over all parameters (but one) and its cost, from close by: damped Gauss-Newton.

    `scipy.optimize.least_squares` would give the same, at twenty times the cost of each step.
    """
    free = np.arange(start.size) != fixed
    free &= problem.upper > problem.lower
    x = np.clip(start, problem.lower, problem.upper)
    residual = problem.residual(x)
    cost, damping = robust_cost(residual), 0.0
    for _ in range(25):
        weight = (1.0 + (residual / ROBUST_SCALE) ** 2) ** -0.5
        slope = problem.jacobian(x)[:, free]
        normal = (slope.T * weight) @ slope
        diagonal = np.arange(normal.shape[0])
        # the floor keeps a parameter that nothing depends on where it is
        normal[diagonal, diagonal] *= 1.0 + damping + 1e-12
        normal[diagonal, diagonal] += 1e-300
        step = np.linalg.solve(normal, -(slope.T @ (weight * residual)))
        trial = x.copy()
        trial[free] += step
        trial = np.clip(trial, problem.lower, problem.upper)
        moved = problem.residual(trial)
        new = robust_cost(moved)
        if new <= cost:
            gain, x, residual, cost = cost - new, trial, moved, new
            damping *= 0.2
            if gain < 1e-6 * max(cost, 1.0):
                break
        else:
            damping = max(5.0 * damping, 1e-3)
            if damping > 1e8:
                break
    return x, cost


def interval(problem: Problem, best: Fit, index: int) -> Interval:
    """95 % interval of one parameter: where the cost, all others refitted, has risen enough.

    The threshold is the squared 97.5 % quantile of Student's t for the fit's degrees of freedom
    (of the normal distribution where the noise is known), times the dispersion.
    """
    freedom = math.inf if problem.known_noise else max(problem.data - best.x.size, 1)
    limit = float(t.ppf(0.975, freedom)) * math.sqrt(best.dispersion)
    curvature = problem.jacobian(best.x)
    information = curvature.T @ curvature
    scale = math.sqrt(max(np.linalg.pinv(information)[index, index], 1e-300))
    ends, opened = [], []
    for sign, bound in ((-1.0, problem.lower[index]), (1.0, problem.upper[index])):
        value, missing = _end(problem, best, index, sign * scale * limit, limit, float(bound))
        ends.append(value)
        opened.append(missing)
    return Interval(ends[0], ends[1], opened[0], opened[1])


def _end(
    problem: Problem, best: Fit, index: int, step: float, limit: float, bound: float
) -> tuple[float, bool]:
    """One end of an interval: root of the signed root of the rise, nearly linear in the step."""
    at = float(best.x[index])
    inner, inner_rise = 0.0, 0.0
    outer: float | None = None
    outer_rise = math.inf
    x = best.x
    room = bound - at
    for _ in range(PROFILE_STEPS + 6):
        if abs(step) >= abs(room):
            step = room
        trial = x.copy()
        trial[index] = at + step
        settled, cost = refit(problem, trial, index)
        rise = math.sqrt(max(cost - best.cost, 0.0))
        if abs(rise - limit) < _EDGE * limit:
            return at + step, False
        if rise < limit:
            if step == room:
                return bound, True
            inner, inner_rise, x = step, rise, settled
            if outer is None:
                step *= min(max(limit / max(rise, 1e-9), 1.2), 4.0)
                continue
        else:
            outer, outer_rise = step, rise
        share = (limit - inner_rise) / (outer_rise - inner_rise)
        step = inner + (outer - inner) * min(max(share, 0.05), 0.95)
    return at + step, False
