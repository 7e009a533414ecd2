"""Bursts and chirps of one to four coupled modes (M8.6): envelopes in batches, and time traces.

    m_i q_i'' + c_i q_i' + k_i q_i + Q_ijk q_j q_k + C_ijkl q_j q_k q_l
        = (eta_i - s_ij q_j) V(t)

Modes couple through the tensors of the diaphragm and, where it is given, the drive's own tension s;
radiation from one mode to another is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.transient import modes_kernel as kernel
from arrayopt.physics.transient.grid import sample_grid
from arrayopt.physics.transient.one_mode import (
    QUANTITIES,
    STEP_LADDER,
    TransientStatus,
    steps_for_tolerance,
)

MOST_MODES = 4


@dataclass(frozen=True)
class ModesBurst:
    """Envelopes (..., mode, time) of coupled modes; fields as in ``BurstResponse``."""

    time: Floats
    envelope: NDArray[np.complex128]
    burst_end: int
    status: Ints
    steps_per_cycle: Ints
    error: Floats


def modes_burst_envelope(
    frequency: ArrayLike,
    *,
    duration: ArrayLike,
    drive_amplitude: ArrayLike,
    mass: ArrayLike,
    damping: ArrayLike,
    stiffness: ArrayLike,
    force_per_volt: ArrayLike,
    quadratic_tensor: ArrayLike,
    cubic_tensor: ArrayLike,
    stiffness_per_volt: ArrayLike | None = None,
    drive_phase: ArrayLike = 0.0,
    end_frequency: ArrayLike | None = None,
    ring_down: float = 0.0,
    periods_per_sample: int = 1,
    quantity: str = "displacement",
    tolerance: float = 1e-4,
    steps_per_cycle: int | None = None,
    verify: bool = False,
    parallel: bool = False,
) -> ModesBurst:
    """Step a batch of multi-mode oscillators through a burst or chirp; return modal envelopes.

    Parameters
    ----------
    frequency, duration, drive_amplitude, drive_phase, end_frequency : as in ``burst_envelope``;
        they broadcast, together with the leading axes of the coefficients, to the batch (...).
    mass, damping (..., mode) : [kg], [N s/m], radiation at the carrier included.
    stiffness, force_per_volt (..., mode) : [N/m], [N/V].
    quadratic_tensor (..., mode, mode, mode) [N/m^2], cubic_tensor (..., four modes) [N/m^3].
    stiffness_per_volt (..., mode, mode) [N/(m V)] : the drive's own tension; none if left out.
    ring_down, periods_per_sample, quantity, verify, parallel : as in ``burst_envelope``.
    tolerance : wanted error relative to the largest modal envelope. Only ``verify`` makes sure of
        it; without, the step follows the first mode's law (M8.5) and the stability of the last.
    steps_per_cycle : even; left out, chosen per oscillator.

    Returns
    -------
    ModesBurst; NaN where the status (TransientStatus) is not OK.

    Errors
    ------
    ValueError for more than four modes, or what ``burst_envelope`` rejects.
    """
    if quantity not in QUANTITIES:
        raise ValueError(f'quantity is "{quantity}"; choose one of {", ".join(QUANTITIES)}')
    if steps_per_cycle is not None and (steps_per_cycle < 8 or steps_per_cycle % 2):
        raise ValueError("steps_per_cycle must be even and at least 8")
    m, c = np.broadcast_arrays(np.asarray(mass, dtype=float), np.asarray(damping, dtype=float))
    modes = m.shape[-1]
    if not 1 <= modes <= MOST_MODES:
        raise ValueError(f"mass has {modes} modes in its last axis; 1 to {MOST_MODES} are possible")
    tension = np.zeros((modes, modes)) if stiffness_per_volt is None else stiffness_per_volt
    plate = [
        np.asarray(a, dtype=float)
        for a in (stiffness, force_per_volt, quadratic_tensor, cubic_tensor, tension)
    ]
    ranks = (1, 1, 3, 4, 2)
    last = frequency if end_frequency is None else end_frequency
    drive = np.broadcast_arrays(
        *(
            np.asarray(a, dtype=float)
            for a in (frequency, last, duration, drive_amplitude, drive_phase)
        )
    )
    lead = np.broadcast_shapes(
        *(a.shape[: a.ndim - rank] for a, rank in zip(plate, ranks, strict=True))
    )
    shape = np.broadcast_shapes(drive[0].shape, m.shape[:-1], lead)

    def flat(a: Floats, rank: int, front: tuple[int, ...]) -> Floats:
        whole = np.broadcast_to(a, front + (modes,) * rank)
        return np.ascontiguousarray(whole).reshape(-1, *(modes,) * rank)

    def index(front: tuple[int, ...]) -> Ints:
        numbers = np.arange(np.prod(front, dtype=int)).reshape(front)
        return np.ascontiguousarray(np.broadcast_to(numbers, shape)).reshape(-1)

    m, c = flat(m, 1, m.shape[:-1]), flat(c, 1, c.shape[:-1])
    loaded = index(np.broadcast_shapes(np.shape(mass), np.shape(damping))[:-1])
    k, eta, two, three, tense = (flat(a, r, lead) for a, r in zip(plate, ranks, strict=True))
    cell = index(lead)
    d = np.stack([np.broadcast_to(a, shape).reshape(-1) for a in drive], axis=-1)

    usable = np.asarray(np.isfinite(d).all(axis=1) & (d[:, :3] > 0.0).all(axis=1))
    sound = np.asarray(np.isfinite(m).all(axis=1) & (m > 0.0).all(axis=1))
    sound &= np.isfinite(c).all(axis=1) & (c >= 0.0).all(axis=1)
    firm = np.asarray((k > 0.0).all(axis=1))
    for a in (k, eta, two, three, tense):
        firm &= np.isfinite(a.reshape(a.shape[0], -1)).all(axis=1)
    good = usable & sound[loaded] & firm[cell]
    d[~good] = (1.0, 1.0, 1.0, 0.0, 0.0)

    grid = sample_grid(d[:, 0], d[:, 1], d[:, 2], ring_down, periods_per_sample)
    slow = np.minimum(d[:, 0], d[:, 1])

    def wanted(displacement: ArrayLike) -> Ints:
        with np.errstate(all="ignore"):
            law = steps_for_tolerance(
                tolerance,
                frequency=slow,
                mass=m[loaded, 0],
                damping=c[loaded, 0],
                stiffness=k[cell, 0],
                cubic=three[cell, 0, 0, 0, 0],
                duration=d[:, 2],
                displacement=displacement,
            )
            # RK4 is stable to w h = 2.8; the margin leaves room for the stiffened highest mode.
            fastest = np.sqrt(k[cell] / m[loaded]).max(axis=-1) / slow / 1.8
        ladder = np.asarray(STEP_LADDER)
        rung = np.searchsorted(ladder, np.nan_to_num(fastest, posinf=0.0))
        return np.asarray(np.maximum(law, ladder[np.minimum(rung, ladder.size - 1)]))

    samples = (grid.origin + grid.after) // grid.stride
    envelope = np.zeros((d.shape[0], modes, samples), dtype=np.complex128)

    def step(chosen: Ints) -> None:
        order = chosen[np.lexsort((grid.before[chosen], steps[chosen]))]
        if order.size == 0:
            return
        block_steps, first, count = np.unique(steps[order], return_index=True, return_counts=True)
        blocks = -(-count // kernel.LANES)
        start = (np.cumsum(blocks) - blocks) * kernel.LANES
        slots = np.full(int(blocks.sum()) * kernel.LANES, -1)
        slots[np.arange(order.size) + np.repeat(start - first, count)] = order
        lanes = slots.reshape(-1, kernel.LANES)
        before = np.where(lanes >= 0, grid.before[lanes], 0).max(axis=1)
        envelope[order] = 0.0
        given = kernel.Bursts(
            d, m, c, loaded, k, eta, two, three, tense, stiffness_per_volt is not None, cell,
            grid.origin, grid.after, grid.stride, QUANTITIES.index(quantity),
        )  # fmt: skip
        arguments = lanes, given, np.repeat(block_steps, blocks), before, envelope
        if parallel:
            spread(kernel.run, lanes.shape[0], *arguments)
        else:
            kernel.run(0, lanes.shape[0], *arguments)

    if steps_per_cycle is None:
        steps = wanted(0.0)
        step(np.flatnonzero(good))
        peak = np.abs(envelope[:, 0]).max(axis=-1, initial=0.0)
        peak = np.nan_to_num(peak / (2.0 * np.pi * slow) ** QUANTITIES.index(quantity), posinf=0.0)
        finer = wanted(peak)
        again = np.flatnonzero(good & (finer > steps))
        steps[again] = finer[again]
        step(again)
    else:
        steps = np.full(d.shape[0], steps_per_cycle, dtype=np.int64)
        step(np.flatnonzero(good))

    error = np.full(d.shape[0], np.nan)
    status = np.where(good, 0, int(TransientStatus.BAD_INPUT)).astype(np.int64)
    open_ = np.flatnonzero(good) if verify else np.empty(0, dtype=np.int64)
    while open_.size:
        coarse = envelope[open_].copy()
        steps[open_] *= 2
        step(open_)
        with np.errstate(invalid="ignore", divide="ignore"):
            gap = np.abs(envelope[open_] - coarse).max(axis=(-2, -1))
            size = np.abs(envelope[open_]).max(axis=(-2, -1))
            error[open_] = np.where(size == 0.0, 0.0, gap / size / 15.0)
        open_ = open_[(error[open_] > tolerance) & (steps[open_] < STEP_LADDER[-1])]
    if verify:
        status[good & ~(error <= tolerance)] = int(TransientStatus.UNRESOLVED)
    status[good & ~np.isfinite(envelope).all(axis=(-2, -1))] = int(TransientStatus.ESCAPED)
    envelope[status != 0] = np.nan
    return ModesBurst(
        time=grid.time(frequency, last, duration),
        envelope=envelope.reshape(*shape, modes, samples),
        burst_end=grid.origin // grid.stride - 1,
        status=status.reshape(shape),
        steps_per_cycle=steps.reshape(shape),
        error=error.reshape(shape),
    )
