"""How a batch of bursts is handed to the steppers of M8: blocks of lanes, or a graphics card."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.transient import one_mode_kernel as kernel
from arrayopt.physics.transient.grid import SampleGrid

# Spare lanes and rejected oscillators: undriven, at rest, one cycle long.
RESTING = np.array([1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0])


@dataclass(frozen=True)
class Motion:
    """What the steppers fill, a row for each oscillator."""

    envelope: Any
    """(oscillator, sample), complex; kept on the card where only sums of it are wanted."""
    peak: Floats
    """(oscillator,): largest magnitude of the envelope, not finite where one sample is not."""
    end: Floats
    """(oscillator, 2): displacement [m] and velocity [m/s] at the end."""


@dataclass(frozen=True)
class Plan:
    """What all oscillators of a batch have in common."""

    grid: SampleGrid
    quantity: int
    chirp: bool
    parallel: bool
    device: str

    def rest(self, count: int, *, on_card: bool) -> Motion:
        """The motion of oscillators that nothing drives."""
        samples = (self.grid.origin + self.grid.after) // self.grid.stride
        zeros: Callable[..., Any] = np.zeros
        if on_card and self.device != "cpu" and count:
            from arrayopt.physics.transient import card_kernel as transient_gpu

            zeros = transient_gpu.zeros
        return Motion(
            envelope=zeros((count, samples), dtype=np.complex128),
            peak=np.zeros(count),
            end=np.zeros((count, 2)),
        )

    def run(self, par: Floats, steps: Ints, chosen: Ints, motion: Motion) -> None:
        """Step the chosen oscillators into their rows of ``motion``."""
        if chosen.size == 0:
            return
        if self.device == "cpu":
            self._run_lanes(par, steps, chosen, motion)
        else:
            # Loaded only when asked for: numba's CUDA target costs start-up time.
            from arrayopt.physics.transient import card_kernel as transient_gpu

            transient_gpu.run(
                par,
                steps,
                chosen,
                grid=self.grid,
                quantity=self.quantity,
                chirp=self.chirp,
                single=self.device == "gpu-single",
                envelope=motion.envelope,
                peak=motion.peak,
                end=motion.end,
            )

    def _run_lanes(self, par: Floats, steps: Ints, chosen: Ints, motion: Motion) -> None:
        lanes = kernel.LANES
        order = chosen[np.lexsort((self.grid.before[chosen], steps[chosen]))]
        # Blocks hold one step count each; the last block of each is filled up with resting lanes.
        _, first, count = np.unique(steps[order], return_index=True, return_counts=True)
        blocks = -(-count // lanes)
        start = np.concatenate([[0], np.cumsum(blocks)])[:-1]
        within = np.arange(order.size) - np.repeat(first, count)
        slot = np.repeat(start, count) * lanes + within
        total = int(blocks.sum())
        packed = np.tile(RESTING, (total * lanes, 1))
        packed[slot] = par[order]
        before = np.ones(total * lanes, dtype=np.int64)
        before[slot] = self.grid.before[order]
        rows = np.full(total * lanes, -1)
        rows[slot] = order
        arguments = (
            np.ascontiguousarray(packed.reshape(total, lanes, -1).transpose(0, 2, 1)),
            np.repeat(steps[order][first], blocks),
            self.chirp,
            before.reshape(total, lanes).max(axis=1),
            self.grid.origin,
            self.grid.after,
            self.grid.stride,
            self.quantity,
            rows.reshape(total, lanes),
            motion.envelope,
            motion.peak,
            motion.end,
        )
        if self.parallel:
            spread(kernel.run, total, *arguments)
        else:
            kernel.run(0, total, *arguments)

    def sums(self, motion: Motion, weights: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Envelopes times weights (sum, ..., oscillator), added over the last axis."""
        parts, shape = weights.shape[0], weights.shape[1:]
        flat = weights.reshape(parts, -1, shape[-1])
        samples = motion.envelope.shape[1]
        if isinstance(motion.envelope, np.ndarray):
            out = np.zeros((parts, flat.shape[1], samples), dtype=np.complex128)
            envelope = motion.envelope.reshape(flat.shape[1], -1, samples)
            arguments = (envelope, flat, out)
            if self.parallel:
                spread(kernel.add_weighted, flat.shape[1], *arguments)
            else:
                kernel.add_weighted(0, flat.shape[1], *arguments)
        else:
            from arrayopt.physics.transient import card_kernel as transient_gpu

            out = transient_gpu.weighted_sums(motion.envelope, flat)
        return out.reshape(parts, *shape[:-1], samples)

    def displacement(self, motion: Motion) -> Floats:
        """Largest displacement amplitude, from the envelope of whichever quantity."""
        w = 2.0 * np.pi * np.minimum(self.grid.frequency, self.grid.end_frequency)
        return np.nan_to_num(motion.peak / w**self.quantity, nan=0.0, posinf=0.0)
