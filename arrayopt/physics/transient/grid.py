"""Windows of one drive cycle, counted back from the end of the drive (M8.1, M8.3)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from arrayopt.base.arrays import Floats, Ints


@dataclass(frozen=True)
class SampleGrid:
    """Drive cycles of a batch, counted from the end of the drive, and the sampling of envelopes."""

    frequency: Floats
    end_frequency: Floats
    duration: Floats
    stride: int
    before: Ints
    origin: int
    after: int

    def time(self, frequency: ArrayLike, end_frequency: ArrayLike, duration: ArrayLike) -> Floats:
        """Centres of the windows, counted from the start of the drive [s]; NaN for bad input.

        On the arguments' own broadcast shape, with time as last axis.
        """
        ends = np.arange(-self.origin, self.after, self.stride) + self.stride
        half = ends - 0.5
        f0, f1, length = (
            np.asarray(a, dtype=float)[..., None] for a in (frequency, end_frequency, duration)
        )
        with np.errstate(all="ignore"):
            cycles = 0.5 * (f0 + f1) * length + half
            time = cycles / f0
            if not np.array_equal(f0, f1):
                rate = (f1 - f0) / length
                root = np.sqrt(np.maximum(f0**2 + 2.0 * rate * cycles, 0.0))
                time = np.where(cycles > 0.0, 2.0 * cycles / (f0 + root), time)
            time = np.where(half > 0.0, length + half / f1, time)
        return np.where((f0 > 0.0) & (f1 > 0.0) & (length > 0.0), time, np.nan)


def sample_grid(
    frequency: Floats, end_frequency: Floats, duration: Floats, ring_down: float, stride: int
) -> SampleGrid:
    """Return the grid of a flat batch; raises where ring_down or stride makes none."""
    if stride < 1:
        raise ValueError(f"periods_per_sample is {stride}; at least 1 is needed")
    if not 0.0 <= ring_down < np.inf:
        raise ValueError(f"ring_down is {ring_down} s; a finite time >= 0 is needed")
    cycles = 0.5 * (frequency + end_frequency) * duration
    before = np.ceil(cycles - 1e-9).astype(np.int64)
    longest = int(before.max(initial=1))
    after = int(np.ceil(ring_down * end_frequency.max(initial=0.0)))
    return SampleGrid(
        frequency=frequency,
        end_frequency=end_frequency,
        duration=duration,
        stride=stride,
        before=before,
        origin=-(-longest // stride) * stride,
        after=-(-after // stride) * stride,
    )
