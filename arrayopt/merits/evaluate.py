"""The chain from design to merits, as labelled datasets for people."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats
from arrayopt.base.shares import spread
from arrayopt.design.chips import NOMINAL
from arrayopt.design.designs import Designs
from arrayopt.merits.chips import MeritTable, compute_merits, limits_in_force, margins
from arrayopt.merits.curves import pulse_curves
from arrayopt.models.array import DOWN, SMALL, SWEEPS, UP
from arrayopt.models.chips import Chips
from arrayopt.models.choose import excitation_of
from arrayopt.models.excitations.burst import Burst
from arrayopt.study.model import Strategy, Study

if TYPE_CHECKING:
    import xarray as xr


RESPONSE_POINTS = 401
"""Frequencies of a stored response; merits never depend on them."""


def evaluate(
    designs: Designs,
    study: Study,
    strategy: Strategy,
    *,
    chips: int | None = None,
    told: Callable[[int], object] = lambda done: None,
) -> xr.Dataset:
    """Merits, margins and responses of designs, labelled with units.

    Parameters
    ----------
    designs : Designs
        (design, group).
    study, strategy : the strategy gives the limits.
    chips : of each design; None for the study's.
    told : called with the number of chips just computed.

    Returns
    -------
    xarray.Dataset
        Dimensions design, chip, cell, frequency; names and units as in docs/quantities.md.
        A design whose ``status`` is not 0 has NaN merits. Beside a merit NAME stand ``NAME_chips``
        (design, chip) and ``NAME_nominal``, that of a chip made as drawn. Curves are of the first
        4096 chips where there are more.
    """
    from arrayopt.base.labelled import labelled  # slow to load

    return labelled(evaluated(designs, study, strategy, chips=chips, told=told))


def evaluated(
    designs: Designs,
    study: Study,
    strategy: Strategy,
    *,
    chips: int | None = None,
    told: Callable[[int], object] = lambda done: None,
) -> dict[str, NDArray[Any]]:
    """The arrays of `evaluate` by name."""
    study = study.of(strategy)
    limits = limits_in_force(study, strategy)
    wanted = frozenset(o.name for o in study.objectives)
    model = Chips(designs, study, chips or study.fabrication.chips, told=told)
    shown = next(model.blocks())
    table = compute_merits(model, limits=limits)
    drawn = compute_merits(Chips(designs, study, 1, use=NOMINAL), limits=limits, wanted=wanted)
    cells = shown.made.nominal
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
        **{name: designs.at_cells(name) for name in designs.waveform},
        "position": designs.positions(),
        "group": np.broadcast_to(group, size),
        "channel": np.broadcast_to(designs.layout.channel_of_cell, size),
        "cell_frequency": cells.natural_frequency[:, group],
        "cell_quality_factor": cells.quality_factor[:, group],
        "cell_onset_voltage": cells.onset[:, group],
        "cell_static_deflection": cells.static_deflection[:, group],
        **table.values,
        **{f"{name}_chips": value for name, value in table.chips.items()},
        **{f"{name}_nominal": value[:, 0] for name, value in drawn.chips.items()},
        "band_lower": table.band_lower,
        "band_upper": table.band_upper,
        "clearance_margin": table.clearance_margin,
        "die_margin": table.die_margin,
        **margins(table),
        "frequency": frequency,
        **_curves(shown, frequency),
        **(pulse_curves(shown) if study.waveform is not None else {}),
        "chip_status": table.chip_status,
        "status": table.status,
    }


def _curves(model: Chips, frequency: Floats) -> dict[str, NDArray[Any]]:
    """Responses of the chips: median of each, lowest and highest of the study's sweep."""
    sweep, bursts = SWEEPS[model.study.target.sweep], excitation_of(model.study, "burst")

    def size(way: int) -> tuple[Floats, Floats, Floats]:
        pressure = model.response(frequency, way)
        return spread(np.moveaxis(pressure, 1, -1))

    low, middle, high = size(sweep)
    found = {
        "pressure": middle,
        "pressure_lowest": low,
        "pressure_highest": high,
        "opposite_pressure": size(DOWN if sweep == UP else UP)[1],
        "small_signal_pressure": size(SMALL)[1],
    }
    if isinstance(bursts, Burst):
        for name, value in zip(
            ("burst_pressure", "burst_end_pressure"), bursts.peaks(model, frequency), strict=True
        ):
            found[name] = spread(np.moveaxis(value, 1, -1))[1]
    return found


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
