"""The study's excitation, slow sweep, burst or chirp: its band, and what its pulses are worth."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.glossary import BURST_MERITS, PULSE_MERITS
from arrayopt.models.one_mode.band import Band, find_band
from arrayopt.models.one_mode.grid import BandStatus
from arrayopt.models.one_mode.response import SMALL, SWEEPS, TWO_WAY, Packed
from arrayopt.models.pulses.burst_band import find_burst_band, without_nonlinearity
from arrayopt.models.pulses.chirp import chirp_figures, find_chirp_band
from arrayopt.models.pulses.figures import burst_figures

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from arrayopt.models.cells import Cells
    from arrayopt.study.model import Study

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

BURST_STATUS_SHIFT = 24
"""Bits by which `BandStatus` of a burst reported beside a sweep is moved up in a merit status."""
PULSE_STATUS_SHIFT = 28
"""The same for `PulseFigureStatus`."""


def excitation_band(
    cells: Cells, packed: Packed, study: Study, *, small: bool = False, two_way: bool = False
) -> Band:
    """The band of a batch of designs under the study's excitation (M10.1, M8.7, M8.8).

    Parameters
    ----------
    cells, packed : of one batch, (design, group)
    study : Study
        Excitation and level.
    small : True for the same excitation far below onset.
    two_way : True for transmission and reception.

    Returns
    -------
    Band
    """
    target = study.target
    level = 10.0 ** (target.level / 20.0)
    if target.excitation in SWEEPS:
        sweep = SMALL if small else SWEEPS[target.excitation]
        return find_band(packed, level=level, sweep=sweep | (TWO_WAY if two_way else 0))
    if small:
        cells = without_nonlinearity(cells)
    if target.excitation == "chirp":
        assert target.chirp is not None
        return find_chirp_band(cells, packed, chirp=target.chirp, level=level, two_way=two_way)
    assert target.burst_length is not None
    length = target.burst_length
    return find_burst_band(cells, packed, length=length, level=level, two_way=two_way)


def pulse_merits(
    cells: Cells, packed: Packed, study: Study, band: Band, needs: Callable[..., bool]
) -> tuple[dict[str, Floats], Ints]:
    """Merits of bursts and chirps, and the slow sweep's bandwidth beside them.

    Parameters
    ----------
    cells, packed, study : of one batch
    band : Band
        Under the study's excitation.
    needs : says whether any of some merits is wanted.

    Returns
    -------
    (values, status)
        name -> (design,), for what is wanted and what the study's excitation gives; and the union
        of the reasons why a design lacks one of them, moved up by `BURST_STATUS_SHIFT` and
        `PULSE_STATUS_SHIFT`.
    """
    target = study.target
    level = 10.0 ** (target.level / 20.0)
    values: dict[str, Floats] = {}
    status = np.zeros(band.status.size, dtype=np.int64)
    if needs("swept_bandwidth"):
        up = band
        if target.excitation != "up-sweep":
            up = find_band(packed, level=level, sweep=SWEEPS["up-sweep"])
            status |= up.status << BURST_STATUS_SHIFT
        values["swept_bandwidth"] = fractional_width(up)
    length = target.burst_length
    needs_pulse = needs(*PULSE_MERITS)
    if length is not None and (
        needs(*BURST_MERITS) or (needs_pulse and target.excitation != "chirp")
    ):
        burst = band
        if target.excitation != "burst":
            burst = find_burst_band(cells, packed, length=length, level=level)
            status |= burst.status << BURST_STATUS_SHIFT
        values["burst_bandwidth"] = fractional_width(burst)
    if not needs_pulse:
        return values, status
    speed = study.air_state.sound_speed
    if target.excitation == "chirp":
        assert target.chirp is not None
        figures = chirp_figures(cells, packed, chirp=target.chirp, sound_speed=speed)
    elif length is not None:
        centre = 0.5 * (burst.lower_edge + burst.upper_edge)
        figures = burst_figures(cells, packed, carrier=centre, length=length, sound_speed=speed)
    else:
        return values, status
    status |= figures.status << PULSE_STATUS_SHIFT
    values["ring_down_time"] = figures.ring_down
    values["ring_down_time_40"] = figures.quiet
    values["dead_zone"] = figures.dead_zone
    values["pulse_bandwidth"] = figures.pulse_bandwidth
    return values, status


def fractional_width(band: Band) -> Floats:
    """Width of a band over its centre, (design,)."""
    return 2.0 * (band.upper_edge - band.lower_edge) / (band.upper_edge + band.lower_edge)


assert max(BandStatus) < 1 << (PULSE_STATUS_SHIFT - BURST_STATUS_SHIFT)  # the bits are enough
