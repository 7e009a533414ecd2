"""Scatter of making from several fitted cells: standard deviations, freed of the fits' own errors.

Logarithms y of a quantity of n cells depart from the calibrated model by

    y = X b + s h u + e,   u ~ N(0, 1),   e ~ N(0, v),                                      (C.4)

with X what the fitted parameters move (b is unknown), h the model's sensitivity to what scatters
and v known variances. With z what X leaves of y and A, B what it leaves of diag h^2, diag v,

    Q(s) = z' (s^2 A + B)^-1 z  ~  chi^2 with the degrees of freedom left                   (C.5)

falls with s. The estimate is where Q is its mean (Paule & Mandel 1982; of alike variances the
classical s^2 - v), the 95 % interval where Q is at the distribution's ends (Viechtbauer 2007; both
from memory); exact for normal scatter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import get_args, get_type_hints

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh
from scipy.optimize import brentq
from scipy.stats import chi2

from arrayopt.base.arrays import Floats
from arrayopt.lab.fit.modal import ModalFit
from arrayopt.lab.fit.physical import SCATTER, UNIT, Condition, one_cell_designs, same_cell
from arrayopt.models.cells import build_cells
from arrayopt.study.calibration import with_correction
from arrayopt.study.model import Correction, Scatter, Study

LEAST = 4
"""Fewest cells, or chips, that tell a scatter; three degrees of freedom are needed as well."""
QUANTITIES = ("frequency", "quality_factor", "response")
MOVED = ("radius", "thickness", "coupling", "tension", "quality")
"""What differs between cells; columns of the sensitivities."""
TOLD_BY = {"radius": 0, "thickness": 0, "quality": 1, "coupling": 2}
"""Place in ``QUANTITIES`` of what tells each scatter."""
NEGLIGIBLE = 0.1
"""A fitted parameter that moves cells against each other by less than this share of their errors
takes no degree of freedom."""
LEAST_VARIANCE = 1e-12
STEP = 1e-3


@dataclass(frozen=True)
class Spread:
    """A standard deviation: ``value`` and its 95 % interval, ``freedom`` degrees of freedom."""

    value: float
    lower: float
    upper: float
    freedom: int


@dataclass(frozen=True)
class Making:
    """Scatter of making: ``spreads`` by key of `Scatter`, ``cells`` and ``chips`` it is told by.

    ``cannot_tell`` : sentences about what is not estimated, or not apart from something else.
    ``scatter`` : of every key, the study's where nothing is estimated.
    """

    spreads: dict[str, Spread]
    cells: int
    chips: int
    cannot_tell: tuple[str, ...]
    scatter: dict[str, float]


def spread(y: Floats, sensitivity: Floats, fixed: Floats, variance: Floats) -> Spread | None:
    """Standard deviation s of (C.4), by (C.5); None with fewer than three degrees of freedom.

    Parameters
    ----------
    y : (n,) departures.
    sensitivity : (n,) h, none zero.
    fixed : (n, k) X, each column by as much as counts as knowing its parameter.
    variance : (n,) v, or (n, n).

    Notes
    -----
    Where y scatters less than v allows (Q(0) below the distribution's lower end), v is too large;
    the upper end is then that of v = 0.
    """
    n = y.size
    known = np.diag(variance) if variance.ndim == 1 else variance
    known = known + LEAST_VARIANCE * np.eye(n)
    left, size, _ = np.linalg.svd(fixed)
    rank = int((size > NEGLIGIBLE * math.sqrt(np.trace(known))).sum())
    freedom = n - rank
    if freedom < LEAST - 1:
        return None
    free = left[:, rank:]
    share, turn = eigh(free.T @ (sensitivity[:, None] ** 2 * free), free.T @ known @ free)
    power = (turn.T @ (free.T @ y)) ** 2

    def at(target: float) -> float:
        """The s at which Q is ``target``; 0 where Q(0) is less already."""
        if power.sum() <= target:
            return 0.0
        most = float((power / share).sum()) / target
        return math.sqrt(
            brentq(lambda s2: float((power / (1.0 + s2 * share)).sum()) - target, 0.0, most)
        )

    ends = [float(end) for end in chi2.ppf([0.025, 0.975], freedom)]
    upper = at(ends[0])
    if upper == 0.0:
        upper = math.sqrt(float((power / share).sum()) / ends[0])
    return Spread(at(float(freedom)), at(ends[1]), upper, freedom)


def sensitivities(study: Study, conditions: Sequence[Condition], unit: float) -> Floats:
    """d ln (frequency, Q, response) / d ``MOVED``: (condition, 3, 5), relative, tension per N/m.

    Parameters
    ----------
    study : calibrated.
    unit : tension that counts as large [N/m]; steps are a thousandth of it, and of the others.
    """
    assert study.calibration is not None
    value = study.calibration.value

    def logs(condition: Sequence[Condition], correction: Correction) -> Floats:
        cells = build_cells(one_cell_designs(condition), with_correction(study, correction))
        response = np.abs(cells.force_per_volt) / cells.stiffness
        columns = (cells.natural_frequency, cells.quality_factor, response)
        return np.log(np.concatenate(columns, axis=1))

    out = np.empty((len(conditions), len(QUANTITIES), len(MOVED)))
    for k, name in enumerate(MOVED):
        ends = []
        for step in (STEP, -STEP):
            scaled = {
                "thickness": {"thickness_scale": value.thickness_scale * (1.0 + step)},
                "coupling": {"coupling_scale": value.coupling_scale * (1.0 + step)},
                "tension": {"film_tension": value.film_tension + step * unit},
                "quality": {"quality_factor": value.quality_factor * (1.0 + step)},
            }
            wide = 1.0 + step if name == "radius" else 1.0
            moved = [replace(c, radius=c.radius * wide) for c in conditions]
            ends.append(logs(moved, replace(value, **scaled.get(name, {}))))
        out[..., k] = (ends[0] - ends[1]) / (2.0 * STEP * (unit if name == "tension" else 1.0))
    return out


def scatter_of_making(
    corrected: Study, conditions: Sequence[Condition], fits: Sequence[ModalFit], *, unit: float
) -> Making:
    """Scatter of cells, and of chips, about a calibrated model.

    Frequencies tell the radius, less what the study's scatter of thickness and tension makes in
    them; Q and response, each freed of what that departure in radius does to them, tell the losses
    and the coupling. One gain reads all responses: where files state several, coupling is left
    out. Between chips the thickness stands in for the radius.

    Parameters
    ----------
    corrected : the calibrated study; its ``fabrication`` holds what is not estimated.
    conditions, fits : same length; of each cell those of least bias are used.
    unit : tension that counts as large [N/m].
    """
    best: dict[tuple[str, str, float], int] = {}
    for k, (c, modal) in enumerate(zip(conditions, fits, strict=True)):
        key = (c.chip, c.cell, c.radius)
        old = best.get(key, k)
        if (abs(c.bias), modal.sigma[0]) <= (abs(conditions[old].bias), fits[old].sigma[0]):
            best[key] = k
    cells = [conditions[k] for k in best.values()]
    chips = sorted({c.chip for c in cells})
    chip = np.array([chips.index(c.chip) for c in cells], dtype=np.int64)
    scatter = asdict(corrected.fabrication)
    counts = len(cells), len(chips)
    if len(cells) < LEAST:
        need = "fewer than 4 cells: scatter not estimated"
        return Making({}, *counts, (need,), scatter)
    chosen = [fits[k] for k in best.values()]
    measured = np.log([[m.frequency, m.quality_factor, m.response] for m in chosen])
    slope = sensitivities(corrected, cells, unit)
    if not np.isfinite(slope).all():
        need = "a cell buckles in the calibrated model: scatter not estimated"
        return Making({}, *counts, (need,), scatter)
    plates = build_cells(one_cell_designs(cells), corrected)
    response = np.abs(plates.force_per_volt) / plates.stiffness
    columns = (plates.natural_frequency, plates.quality_factor, response)
    y = measured - np.log(np.concatenate(columns, axis=1))
    variance = np.stack([m.sigma[:3] for m in chosen]) ** 2
    # what a calibration's parameters move, by as much as counts as knowing them: UNIT
    sizes = {
        "thickness": UNIT[2],
        "tension": UNIT[1] * unit,
        "coupling": UNIT[3],
        "quality": UNIT[0],
    }
    spreads: dict[str, Spread] = {}
    lost: list[str] = []
    one_gain = len({c.gain_uncertainty for c in cells}) == 1
    if not one_gain:
        lost.append("coupling: files state several gain_uncertainty; their gains may differ")

    def keep(name: str, found: Spread | None, things: str) -> None:
        most = _most(name)
        if found is None:
            lost.append(f"{name}: {things} leave fewer than three degrees of freedom")
        elif found.value > most:
            lost.append(f"{name}: {found.value:.3g}; a study takes {most:g} at most; any outlier?")
        else:
            spreads[name] = found
            scatter[name] = found.value

    for name in ("radius", "quality", "coupling")[: 3 if one_gain else 2]:
        q = TOLD_BY[name]
        own, moves, error = _freed(y, slope, variance, q, "radius")
        others = [k for k, other in enumerate(MOVED) if other not in (name, "radius")]
        for k in others:
            error = error + (scatter[f"cell_{MOVED[k]}"] * moves[:, k]) ** 2
        common = np.stack([moves[:, MOVED.index(n)] * size for n, size in sizes.items()], axis=1)
        each = np.concatenate([common * (chip == c)[:, None] for c in range(len(chips))], axis=1)
        found = spread(own, moves[:, MOVED.index(name)], each, error)
        keep(f"cell_{name}", found, f"{len(cells)} cells")
    if "cell_radius" in spreads:
        lost.append(
            "cell_radius: scatter of radius, thickness and tension move frequencies alike; it is "
            "told as one of radius, less what the study's cell_thickness and cell_tension make"
        )
    if len(chips) < LEAST:
        lost.append("fewer than 4 chips: how chips differ is not estimated")
        return Making(spreads, *counts, tuple(lost), scatter)
    for name in ("thickness", "quality", "coupling")[: 3 if one_gain else 2]:
        found = _between(name, y, slope, variance, chip, scatter, sizes)
        keep(f"chip_{name}", found, f"{len(chips)} chips")
    if "chip_thickness" in spreads:
        lost.append(
            "chip_thickness: told by frequencies, less what the study's chip_tension makes in them"
        )
    return Making(spreads, *counts, tuple(lost), scatter)


def departures(
    corrected: Study,
    conditions: Sequence[Condition],
    fits: Sequence[ModalFit],
    making: Making,
    *,
    unit: float,
) -> Floats:
    """Covariance (4, n, n) of what the scatter of making does to ln f0, ln Q, ln a and gamma.

    Cells of one chip share what its chip does, where there are several; gamma as `SCATTER`.
    """
    slope = sensitivities(corrected, conditions, unit)
    cell = np.array([making.scatter[f"cell_{name}"] for name in MOVED])
    out = np.zeros((4, len(fits), len(fits)))
    out[:3] = np.einsum("aqk,bqk->qab", cell * slope, cell * slope)
    bending = SCATTER[3] * np.array([m.bending for m in fits])
    out[3] = np.outer(bending, bending)
    out *= same_cell(conditions)
    if making.chips > 1:
        chip = np.array([making.scatter.get(f"chip_{name}", 0.0) for name in MOVED])
        names = np.array([c.chip for c in conditions])
        shared = np.einsum("aqk,bqk->qab", chip * slope, chip * slope)
        out[:3] += shared * (names == names[:, None])
    return out


def _freed(
    y: Floats, slope: Floats, variance: Floats, q: int, by: str
) -> tuple[Floats, Floats, Floats]:
    """Departures, sensitivities and variances of a quantity, of which ``by`` is eliminated by f0.

    The frequency itself stays as it is.
    """
    if q == 0:
        return y[:, 0], slope[:, 0], variance[:, 0]
    k = MOVED.index(by)
    ratio = slope[:, q, k] / slope[:, 0, k]
    return (
        y[:, q] - ratio * y[:, 0],
        slope[:, q] - ratio[:, None] * slope[:, 0],
        variance[:, q] + ratio**2 * variance[:, 0],
    )


def _between(
    name: str,
    y: Floats,
    slope: Floats,
    variance: Floats,
    chip: NDArray[np.int64],
    scatter: dict[str, float],
    sizes: dict[str, float],
) -> Spread | None:
    """Scatter between chips of ``name``, from the best weighted departure of each chip."""
    own, moves, error = _freed(y, slope, variance, TOLD_BY[name], "thickness")
    for k, other in enumerate(MOVED):
        error = error + (scatter[f"cell_{other}"] * moves[:, k]) ** 2
    target = moves[:, MOVED.index(name)]
    weight = target / (error + LEAST_VARIANCE)
    gather = (chip == np.arange(chip.max() + 1)[:, None]) * weight
    gather /= (gather @ target)[:, None]
    each = gather**2 @ error
    for k, other in enumerate(MOVED):
        if other not in (name, "radius", "thickness"):
            each += (scatter[f"chip_{other}"] * (gather @ moves[:, k])) ** 2
    common = np.stack([moves[:, MOVED.index(n)] * size for n, size in sizes.items()], axis=1)
    return spread(gather @ own, np.ones(len(gather)), gather @ common, each)


def _most(name: str) -> float:
    """Largest value of a key of `Scatter` that a study takes."""
    need = get_args(get_type_hints(Scatter, include_extras=True)[name])[1]
    return float(need.at_most)
