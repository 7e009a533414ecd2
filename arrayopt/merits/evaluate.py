"""The chain from design to merits: for the search as vectors, for people as labelled datasets."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.glossary import MARGIN_PREFIX
from arrayopt.design.designs import Designs
from arrayopt.merits.figures import MeritTable, answering, compute_merits
from arrayopt.merits.uncertainty import DRAWS, merit_bands
from arrayopt.models.array import DOWN, SMALL, SWEEPS, UP, ArrayModel
from arrayopt.models.cells import build_cells
from arrayopt.models.choose import excitation_of
from arrayopt.models.excitations.burst import Burst
from arrayopt.study.model import Limit, Strategy, Study

if TYPE_CHECKING:
    import xarray as xr


RESPONSE_POINTS = 401
"""Frequencies of a stored response; merits never depend on them."""

MODEL_LIMITS = (Limit("model_range", None, 1.0),)
"""Where the model used stops being trusted (M7); always enforced."""


def deflection_limit(limits: Sequence[Limit]) -> float:
    """The strictest upper limit on the deflection ratio; infinite where there is none."""
    bounds = [x.maximum for x in limits if x.name == "deflection_ratio" and x.maximum is not None]
    return min(bounds, default=np.inf)


def limits_in_force(study: Study, strategy: Strategy) -> tuple[Limit, ...]:
    """The strategy's limits, the wanted centre-frequency window, and the model's own range."""
    low, high = study.target.centre_frequency
    return (Limit("centre_frequency", low, high), *strategy.limits, *MODEL_LIMITS)


def evaluate(
    designs: Designs, study: Study, strategy: Strategy, *, draws: int = DRAWS
) -> xr.Dataset:
    """Merits, margins and responses of designs, labelled with units.

    Parameters
    ----------
    designs : Designs
        (design, group).
    study, strategy : the strategy gives the limits.
    draws : parameter sets of the study's calibration behind the bands; 0 for none.

    Returns
    -------
    xarray.Dataset
        Dimensions design, cell, group, frequency; names and units as in docs/quantities.md.
        A design whose ``status`` is not 0 has NaN merits. A study with a calibration also gives
        ``NAME_lower`` and ``NAME_upper`` of objectives, limited and quick merits (`merit_bands`).
    """
    from arrayopt.base.labelled import labelled  # slow to load

    return labelled(evaluated(designs, study, strategy, draws=draws))


def evaluated(
    designs: Designs, study: Study, strategy: Strategy, *, draws: int = DRAWS
) -> dict[str, NDArray[Any]]:
    """The arrays of `evaluate` by name, complex ones whole."""
    study = study.of(strategy)
    limits = limits_in_force(study, strategy)
    allowed = deflection_limit(limits)
    cells = build_cells(designs, study)
    table = compute_merits(designs, study, cells=cells, deflection_limit=allowed)
    named = frozenset({o.name for o in study.objectives} | {limit.name for limit in limits})
    bands = merit_bands(designs, study, draws=draws, wanted=named, deflection_limit=allowed)
    group = designs.layout.group_of_cell
    frequency = response_frequencies(table, cells.natural_frequency)
    size = (len(designs), designs.layout.n_cells)
    return {
        "radius": designs.at_cells("radius"),
        "electrode_coverage": designs.at_cells("electrode_coverage"),
        "ring": designs.at_cells("ring").astype(np.int8),
        "drive_amplitude": designs.at_cells("drive_amplitude"),
        "drive_phase": designs.at_cells("drive_phase"),
        "bias": designs.at_cells("bias"),
        "pitch": designs.pitch,
        "position": designs.positions(),
        "group": np.broadcast_to(group, size),
        "channel": np.broadcast_to(designs.layout.channel_of_cell, size),
        "cell_frequency": cells.natural_frequency[:, group],
        "cell_quality_factor": cells.quality_factor[:, group],
        "cell_onset_voltage": cells.onset[:, group],
        "cell_static_deflection": cells.static_deflection[:, group],
        **table.values,
        "band_lower": table.band_lower,
        "band_upper": table.band_upper,
        "clearance_margin": table.clearance_margin,
        "die_margin": table.die_margin,
        **margins(table, limits),
        **bands,
        "frequency": frequency,
        **_curves(answering(table, designs, study), study, frequency),
        "several_modes": table.several_modes.astype(np.int8),
        "status": table.status,
    }


def _curves(
    models: Sequence[tuple[Ints, ArrayModel]], study: Study, frequency: Floats
) -> dict[str, NDArray[Any]]:
    """Responses of every design by the model of its merits."""
    sweep, bursts = SWEEPS[study.target.sweep], excitation_of(study, "burst")
    parts = []
    for rows, model in models:
        at = frequency[rows]
        along = model.response(at, sweep)
        found: dict[str, NDArray[Any]] = {
            "pressure": along.pressure,
            "opposite_pressure": model.response(at, DOWN if sweep == UP else UP).pressure,
            "small_signal_pressure": model.response(at, SMALL).pressure,
            "group_pressure": along.group_pressure,
            "displacement": along.deflection,
        }
        if isinstance(bursts, Burst):
            found["burst_pressure"], found["burst_end_pressure"] = bursts.peaks(model, at)
        parts.append((rows, found))
    return {name: _whole([(rows, found[name]) for rows, found in parts]) for name in parts[0][1]}


def _whole(parts: Sequence[tuple[Ints, NDArray[Any]]]) -> NDArray[Any]:
    """Rows of several models as one array."""
    order = np.argsort(np.concatenate([rows for rows, _ in parts]))
    return np.concatenate([values for _, values in parts])[order]


def margins(table: MeritTable, limits: Sequence[Limit]) -> dict[str, Floats]:
    """Distance of every limited merit from its nearest limit, negative on violation."""
    out: dict[str, Floats] = {}
    for limit in limits:
        value = table.values[limit.name]
        name = MARGIN_PREFIX + limit.name
        margin = out.get(name, np.full(value.shape, np.inf))
        if limit.minimum is not None:
            margin = np.minimum(margin, value - limit.minimum)
        if limit.maximum is not None:
            margin = np.minimum(margin, limit.maximum - value)
        out[name] = margin
    return out


def response_frequencies(table: MeritTable, natural: Floats) -> Floats:
    """Frequencies (design, frequency) that show a design's band and its surroundings [Hz].

    Three quarters of the band on either side; a design without a band is shown around its
    resonances.
    """
    good = np.isfinite(table.band_lower)
    lowest = np.nanmin(np.where(np.isfinite(natural), natural, np.inf), axis=1)
    highest = np.nanmax(np.where(np.isfinite(natural), natural, -np.inf), axis=1)
    found = np.isfinite(lowest)
    low = np.where(good, table.band_lower, np.where(found, lowest, 1.0))
    high = np.where(good, table.band_upper, np.where(found, highest, 2.0))
    reach = np.maximum(0.75 * (high - low), 0.02 * high)
    share = np.linspace(0.0, 1.0, RESPONSE_POINTS)
    start = np.maximum(low - reach, 0.05 * low)
    return np.asarray(start[:, None] + (high + reach - start)[:, None] * share)
