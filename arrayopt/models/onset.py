"""Onset of the array on every chip: stands in until the measured one is here."""

from __future__ import annotations

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.models.array import ArrayModel


def array_onsets(model: ArrayModel) -> Floats:
    """Of the first cell on its own."""
    cells, drive = model.made.nominal, model.designs.drive_amplitude
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = np.where(drive > 0.0, cells.onset / drive, np.inf).min(axis=1) * drive.max(axis=1)
    return np.broadcast_to(alone[:, None], (len(drive), model.count))
