"""What a measured array would have shown as it was measured: a chirp of stated duration (M8.15)."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.design.chips import NOMINAL
from arrayopt.design.designs import GROUP_ARRAYS, Designs
from arrayopt.models.array import Drive
from arrayopt.models.chips import Chips
from arrayopt.models.rows import FINE
from arrayopt.physics.intime.waveform import Drive as Waveform
from arrayopt.study.lattice import array_layout
from arrayopt.study.model import Study

if TYPE_CHECKING:
    import xarray as xr


MADE_OF = (*GROUP_ARRAYS, "position", "group", "channel")
"""What a design is made of again."""


def design_of(one: xr.Dataset) -> Designs:
    """A stored design as a batch of one, from its cells' values."""
    position = np.asarray(one["position"].values, dtype=np.float64)
    layout = array_layout(
        position,
        class_of_cell=np.unique(one["group"].values, return_inverse=True)[1],
        channel_of_cell=np.unique(one["channel"].values, return_inverse=True)[1],
        explicit=True,
    )
    first = [int(np.flatnonzero(layout.group_of_cell == g)[0]) for g in range(layout.n_groups)]
    radius, coverage, ring, amplitude, phase, bias = (
        np.atleast_1d(np.asarray(one[name].values))[None] for name in GROUP_ARRAYS
    )
    return Designs(
        layout=layout,
        radius=radius[:, first],
        electrode_coverage=coverage[:, first],
        ring=ring[:, first].astype(bool),
        drive_amplitude=amplitude[:, first],
        drive_phase=phase[:, first],
        bias=bias[:, first],
        pitch=np.ones(1),
    )


def chirped(study: Study, one: xr.Dataset, chirp: Waveform, share: float) -> tuple[Floats, Floats]:
    """Amplitude of the pressure at the target while a chirp lasts, of a chip made as drawn.

    Parameters
    ----------
    study : with the back of the design's strategy; not necked.
    one : a design's prediction.
    chirp : on every channel, with the design's amplitudes and phases.
    share : of the design's drive that was used.

    Returns
    -------
    (frequency, amplitude), each (window,), rising [Hz], [Pa]; NaN where the chip has none.
    """
    designs = design_of(one)
    designs = replace(designs, drive_amplitude=share * designs.drive_amplitude)
    model = Chips(designs, study, 1, use=NOMINAL, pace=FINE)
    start = 2.0 * chirp.carrier - chirp.last
    drive = Drive(*(np.array([x]) for x in (start, chirp.last, chirp.duration)))
    found = model.envelopes(np.zeros(1, dtype=np.int64), drive)
    inside = slice(0, found.burst_end + 1)
    frequency = drive.frequency(found.time)[0, inside]
    order = np.argsort(frequency)
    return frequency[order], np.abs(found.pressure[0, 0, inside])[order]
