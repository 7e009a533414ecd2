"""What a study's bursts are worth, whatever computes their envelopes (M8.8 to M8.12)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from arrayopt.models.one_mode.band import Band
from arrayopt.models.one_mode.burst import Rows, burst_rows
from arrayopt.models.pulses.burst_band import find_burst_band
from arrayopt.models.pulses.figures import burst_figures

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from arrayopt.models.cells import Cells
    from arrayopt.models.one_mode.response import Packed
    from arrayopt.study.model import Study

    Floats = NDArray[np.float64]

BURST_FIGURES = (
    "burst_bandwidth",
    "ring_down_time",
    "ring_down_time_40",
    "dead_zone",
    "pulse_bandwidth",
)
"""Merits beside those of the band."""


def burst_merits(
    cells: Cells, packed: Packed, study: Study, *, compute: Rows = burst_rows
) -> tuple[Band, dict[str, Floats]]:
    """Band of a study's bursts, and the figures of one burst at its centre.

    Parameters
    ----------
    cells, packed : of one batch, (design, group)
    study : with ``target.burst_length``.
    compute : how envelopes are computed.

    Returns
    -------
    (band, values)
        ``values``: each of `BURST_FIGURES` -> (design,), NaN where the band or the burst at its
        centre has a status.
    """
    length = study.target.burst_length
    assert length is not None
    level = 10.0 ** (study.target.level / 20.0)
    band = find_burst_band(cells, packed, length=length, level=level, compute=compute)
    centre = 0.5 * (band.lower_edge + band.upper_edge)
    figures = burst_figures(
        cells,
        packed,
        carrier=centre,
        length=length,
        sound_speed=study.air_state.sound_speed,
        compute=compute,
    )
    return band, {
        "burst_bandwidth": (band.upper_edge - band.lower_edge) / centre,
        "ring_down_time": figures.ring_down,
        "ring_down_time_40": figures.quiet,
        "dead_zone": figures.dead_zone,
        "pulse_bandwidth": figures.pulse_bandwidth,
    }
