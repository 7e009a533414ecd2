"""M11: how chips differ from their design: draws common to all designs of a study."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, fields

import numpy as np
from scipy.stats import norm, qmc

from arrayopt.base.arrays import Floats, Ints
from arrayopt.study.model import Scatter, StudyCalibration

CUT = 3.0
"""Standard deviations at which draws are cut: what is farther off is sorted out."""

PER_CHIP = ("thickness", "coupling", "tension", "quality")
PER_CELL = ("radius", "thickness", "coupling", "tension", "quality")
USES = {"choose": 0, "verify": 1}
"""Chips used to choose a design and chips used to verify it are different draws."""
NOMINAL = "nominal"
"""In place of a use: chips that are made as drawn."""


@dataclass(frozen=True)
class Draws:
    """Deviations of every cell of every chip from the design, each (chip, cell).

    Relative, but ``tension`` in N/m (added film tension).
    """

    radius: Floats
    thickness: Floats
    coupling: Floats
    tension: Floats
    quality: Floats
    cubic: Floats
    """Of all cubic stiffnesses, beyond what the others change in them."""


def draw_chips(
    scatter: Scatter,
    *,
    chips: int,
    first: int = 0,
    position: Floats,
    seed: int,
    use: str = "choose",
    calibration: StudyCalibration | None = None,
) -> Draws:
    """Chips of a study (M11.1 to M11.3, M11.7).

    Parameters
    ----------
    scatter : Scatter
    chips : how many; chip k is the same however many are drawn.
    first : number of the first of them.
    position : array (cell, 2)
        Centres, any unit; only the trend needs them.
    seed : the study's.
    use : "choose" or "verify": different chips; "nominal": as drawn, without any deviation.
    calibration : of the study; what its intervals leave open deviates all cells of a chip alike.

    Raises
    ------
    ValueError
        For an unknown use or fewer than one chip.
    """
    cells = len(position)
    if use == NOMINAL:
        return Draws(*(np.zeros((chips, cells)) for _ in fields(Draws)))
    if use not in USES or chips < 1:
        raise ValueError(f"{chips} chips to {use!r}: at least 1, to {' or '.join(USES)}.")
    dimensions = len(PER_CHIP) + 2 + cells * len(PER_CELL)
    engine = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng([seed, USES[use]]))
    if first:
        engine.fast_forward(first)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # balance needs powers of 2; chips come singly
        uniform = engine.random(chips)
    low, high = norm.cdf(-CUT), norm.cdf(CUT)
    normal = norm.ppf(low + uniform * (high - low))
    common = dict(zip(PER_CHIP, normal.T[: len(PER_CHIP), :, None], strict=True))
    slope = normal[:, len(PER_CHIP) : len(PER_CHIP) + 2]
    own = normal[:, len(PER_CHIP) + 2 :].reshape(chips, cells, len(PER_CELL))
    centred = position - 0.5 * (position.max(axis=0) + position.min(axis=0))
    reach = np.maximum(np.abs(centred).max(axis=0), np.finfo(float).tiny)
    trend = scatter.thickness_trend * (slope @ (centred / reach).T)
    made = {}
    for k, name in enumerate(PER_CELL):
        made[name] = getattr(scatter, f"cell_{name}") * own[:, :, k]
        if name in common:
            made[name] = made[name] + getattr(scatter, f"chip_{name}") * common[name]
    made["thickness"] = made["thickness"] + trend
    made["cubic"] = np.zeros((chips, cells))
    if calibration is not None and calibration.draws:
        for name, by in _left_open(calibration, np.arange(first, first + chips)).items():
            made[name] = made[name] + by[:, None]
    return Draws(**made)


def _left_open(calibration: StudyCalibration, chips: Ints) -> dict[str, Floats]:
    """M11.7: deviations (chip,) of a calibration's parameter sets, one a chip in turn."""
    value = calibration.value
    drawn = [calibration.draws[k % len(calibration.draws)] for k in chips]

    def relative(name: str) -> Floats:
        return np.array([getattr(draw, name) / getattr(value, name) - 1.0 for draw in drawn])

    return {
        "thickness": relative("thickness_scale"),
        "coupling": relative("coupling_scale"),
        "tension": np.array([draw.film_tension - value.film_tension for draw in drawn]),
        "quality": relative("quality_factor"),
        "cubic": relative("cubic_scale"),
    }
