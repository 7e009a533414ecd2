"""The drives that designs' own waveforms make (M13.1 to M13.3)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.design.designs import Designs
from arrayopt.models.traces import Waves
from arrayopt.study.model import Study
from arrayopt.study.waveform import drive_of


@dataclass(frozen=True)
class Driven:
    """Drives of a batch of designs."""

    waves: Waves
    wave: Ints
    """(cell,): which of its design's drives moves a cell."""
    group: Ints
    """(group,): the same of a group."""

    @property
    def unbraked(self) -> Driven:
        """The same without braking tails."""
        return replace(self, waves=[[one.unbraked for one in some] for some in self.waves])

    @property
    def braked(self) -> bool:
        """Whether any has a tail."""
        return any(one.tail_cycles > 0.0 for some in self.waves for one in some)


def driven(designs: Designs, study: Study) -> Driven:
    """Drives of designs of a study with a waveform: one, or one a channel where these differ."""
    made, layout = study.waveform, designs.layout
    assert made is not None
    numbers = designs.waveform
    alike = all(np.ptp(values, axis=1).max(initial=0.0) == 0.0 for values in numbers.values())
    group = np.zeros(layout.n_groups, dtype=np.int64) if alike else layout.group_channel
    first = np.unique(group, return_index=True)[1]
    waves = [
        [
            drive_of({name: float(values[d, g]) for name, values in numbers.items()}, made.samples)
            for g in first
        ]
        for d in range(len(designs))
    ]
    return Driven(waves, group[layout.group_of_cell], group)


def extremes(designs: Designs, found: Driven) -> tuple[Floats, Floats]:
    """Largest voltage [V] and slew [V/s] of any channel's drive, each (design,)."""
    voltage, slew = np.zeros(len(designs)), np.zeros(len(designs))
    for d, waves in enumerate(found.waves):
        for k, one in enumerate(waves):
            mine = np.flatnonzero(found.group == k)
            level = designs.drive_amplitude[d, mine]
            on = level > 0.0
            if not on.any():
                continue
            size, slope = one.extremes(designs.drive_phase[d, mine][on])
            voltage[d] = max(voltage[d], float((level[on] * size).max()))
            slew[d] = max(slew[d], float((level[on] * slope).max()))
    return voltage, slew
