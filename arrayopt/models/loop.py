"""Sweeps that are followed state by state, as a study asks for them: mutual radiation, or necks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from arrayopt.design.designs import Designs
from arrayopt.models.bands.sampled import sampled_band
from arrayopt.models.cells import Cells, back_load, build_cells, necks_of
from arrayopt.models.coupled.response import (
    Alike,
    coupled_pressure,
    find_coupled_band,
    pack_coupled,
)
from arrayopt.models.one_mode.band import Band
from arrayopt.models.one_mode.response import SWEEPS, ArrayResponse, array_pressure
from arrayopt.physics.back.neck_stability import necked_growth
from arrayopt.physics.sound.air import absorption
from arrayopt.physics.sound.radiation import impedance_from_series
from arrayopt.study.model import Study

Floats = NDArray[np.float64]

TWO_WAY_POINTS = 1201
"""Frequencies of a two-way response, over the whole sweep."""

STABILITY_POINTS = 401
"""Frequencies at which `necks_unstable` looks."""

ALIKE: dict[str, Alike] = {"none": "group", "group": "few", "full": "symmetry"}
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


def necks_unstable(cells: Cells, designs: Designs, study: Study) -> NDArray[np.bool_]:
    """Designs of which a group, on its own, has an unstable state on the study's sweep (M7.19)."""
    found = cells.necked
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
    sweep = SWEEPS[study.target.sweep]
    swept = coupled_pressure(
        own, picked, study, frequency=frequency, sweep=sweep, alike="group", mutual=False
    )
    names = ("mass", "damping", "stiffness", "radius", "volume", "cavity")
    swing = np.where(np.isfinite(swept.deflection), swept.deflection, 0.0)
    rates = necked_growth(
        swing,
        frequency=np.broadcast_to(frequency[:, None], swing.shape),
        cubic=own.effective_cubic[..., None],
        resistance=own.resistance_series[:, :, None],
        reactance=own.reactance_series[:, :, None],
        neck=necks_of(study),
        density=study.air_state.density,
        sound_speed=study.air_state.sound_speed,
        **{name: getattr(own, name)[..., None] for name in names},
    )
    out[good] = (rates[..., 0].real > 0.0).any(axis=(1, 2))
    return out


def necked_two_way(cells: Cells, designs: Designs, study: Study, *, sweep: int) -> Floats:
    """Fractional bandwidth of transmission and reception by arrays with necks, (design,) (M10.5).

    The study's sweep sends; the same cells, at small signal and on their own, receive.
    """
    found = cells.necked
    assert found is not None
    driven = designs.drive_amplitude > 0.0
    low = np.where(driven, found.driven_low, np.inf).min(axis=1)
    high = np.where(driven, found.driven_high, 0.0).max(axis=1)
    out = np.full(len(designs), np.nan)
    good = (high > low) & np.isfinite(low)
    w = np.linspace(np.where(good, low, 1.0), np.where(good, high, 2.0), TWO_WAY_POINTS, axis=1)
    frequency = w / (2.0 * np.pi)
    sent = swept_response(cells, designs, study, frequency=frequency, sweep=sweep).pressure
    air, wide = study.air_state, w[:, None]
    ka = wide / air.sound_speed * designs.radius[..., None]
    series = (cells.resistance_series[:, :, None], cells.reactance_series[:, :, None])
    R, X, _ = impedance_from_series(ka, *series)
    load = (air.density * air.sound_speed * np.pi * designs.radius**2)[..., None]
    own = cells.stiffness[..., None] - wide * (wide * cells.mass[..., None] + load * X)
    own = own + 1j * wide * (cells.damping[..., None] + load * R)
    held = np.broadcast_to(wide, ka.shape)
    stiff = own + cells.volume[..., None] ** 2 * back_load(designs, study, held)
    moved = (cells.count * cells.volume * cells.force_per_volt)[..., None] / stiff
    heard = np.abs(moved.sum(axis=1)) * np.exp(-absorption(air, frequency) * study.target.distance)
    level = 10.0 ** (study.target.level / 20.0)
    band = sampled_band(frequency, np.abs(sent) * heard, level=level)
    width = 2.0 * (band.upper_edge - band.lower_edge) / (band.upper_edge + band.lower_edge)
    out[good] = width[good]
    return out


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
