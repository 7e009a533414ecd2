"""Sweeps that are followed state by state, as a study asks for them: mutual radiation, or necks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from arrayopt.band import Band
from arrayopt.cells import Cells
from arrayopt.coupled_response import Alike, coupled_pressure, find_coupled_band, pack_coupled
from arrayopt.design import Designs
from arrayopt.response import SWEEPS, ArrayResponse, array_pressure
from arrayopt.study_model import Study

Floats = NDArray[np.float64]

ALIKE: dict[str, Alike] = {"none": "group", "group": "group", "full": "symmetry"}
"""What the study calls a treatment of mutual radiation, and which cells it takes to move alike."""


def mutual_in_loop(study: Study) -> bool:
    """Whether the study's sweeps are computed with mutual radiation; bursts and chirps are not."""
    return study.model.mutual_radiation != "none" and study.target.excitation in SWEEPS


def coupled_in_loop(study: Study) -> bool:
    """Whether the study's sweeps are followed state by state (M9): mutual radiation, or necks."""
    return mutual_in_loop(study) or study.cell.back == "necked"


def coupled_band(
    cells: Cells, designs: Designs, study: Study, sweep: int, *, mutual: bool | None = None
) -> Band:
    """The band on a slow sweep; ``mutual``: with mutual radiation, default what the study says."""
    level = 10.0 ** (study.target.level / 20.0)
    treatment = study.model.mutual_radiation
    felt = treatment != "none" if mutual is None else mutual
    coupled = pack_coupled(cells, designs, study, alike=ALIKE[treatment], mutual=felt)
    return find_coupled_band(coupled, level=level, sweep=sweep)


def swept_response(
    cells: Cells, designs: Designs, study: Study, *, frequency: Floats, sweep: int
) -> ArrayResponse:
    """Response of a batch along a slow sweep as the study computes it; arguments as the models'."""
    if not coupled_in_loop(study):
        return array_pressure(cells, designs, study, frequency=frequency, sweep=sweep)
    treatment = study.model.mutual_radiation
    return coupled_pressure(
        cells,
        designs,
        study,
        frequency=frequency,
        sweep=sweep,
        alike=ALIKE[treatment],
        mutual=treatment != "none",
    )


def necked_swing(
    cells: Cells, designs: Designs, study: Study, frequency: Floats, sweep: int
) -> NDArray[np.complex128] | None:
    """``swing`` of `beam_pattern` for cells with necks; None for others, which need none."""
    if cells.necked is None:
        return None
    at = np.where(np.isfinite(frequency), frequency, cells.natural_frequency.max(axis=1))
    found = swept_response(cells, designs, study, frequency=at[:, None], sweep=sweep)
    turn = np.exp(-1j * designs.drive_phase) * np.sign(cells.force_per_volt)
    return np.asarray(found.deflection[..., 0] * turn)
