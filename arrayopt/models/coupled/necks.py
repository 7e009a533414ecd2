"""Cells with necks that are modulated by the neck's own motion (M7.19)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from arrayopt.design.designs import Designs
from arrayopt.models.array import SWEEPS
from arrayopt.models.cells import build_cells
from arrayopt.models.coupled.model import Coupled
from arrayopt.physics.back.neck_stability import necked_growth
from arrayopt.study.model import Study

STABILITY_POINTS = 401
"""Frequencies at which `necks_unstable` looks."""


def necks_unstable(designs: Designs, study: Study) -> NDArray[np.bool_]:
    """Designs of which a group, on its own, has an unstable state on the study's sweep (M7.19)."""
    cells = build_cells(designs, study)
    found, air = cells.necked, study.air_state
    out = np.zeros(len(designs), dtype=bool)
    if found is None:
        return out
    driven = designs.drive_amplitude > 0.0
    low = np.where(driven, found.driven_low, np.inf).min(axis=1)
    high = np.where(driven, found.driven_high, 0.0).max(axis=1)
    good = np.flatnonzero((high > low) & (cells.status == 0).all(axis=1))
    if not good.size:
        return out
    picked = designs.take(good)
    own = build_cells(picked, study)
    frequency = np.linspace(low[good], high[good], STABILITY_POINTS, axis=1) / (2.0 * np.pi)
    alone = Coupled(picked, study, own, "group", mutual=False)
    swept = alone.response(frequency, SWEEPS[study.target.sweep])
    names = ("mass", "damping", "stiffness", "radius", "volume", "cavity")
    swing = np.where(np.isfinite(swept.deflection), swept.deflection, 0.0)
    rates = necked_growth(
        swing,
        frequency=np.broadcast_to(frequency[:, None], swing.shape),
        cubic=own.effective_cubic[..., None],
        resistance=own.resistance_series[:, :, None],
        reactance=own.reactance_series[:, :, None],
        neck=own.back.neck(air),
        density=air.density,
        sound_speed=air.sound_speed,
        **{name: getattr(own, name)[..., None] for name in names},
    )
    out[good] = (rates[..., 0].real > 0.0).any(axis=(1, 2))
    return out
