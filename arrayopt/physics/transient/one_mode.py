"""Bursts and chirps of nonlinear oscillators in time (M8): envelopes in batches.

The equation of each oscillator is M6,

    m x'' + c x' + k1 x + k2 x^2 + k3 x^3 = eta V(t),

from rest, under a tone burst or a linear chirp of finite length, followed by free ring-down.
The air enters as constant added mass and resistance taken at the carrier.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.transient import one_mode_kernel as kernel
from arrayopt.physics.transient.card import chosen_device
from arrayopt.physics.transient.grid import sample_grid
from arrayopt.physics.transient.plan import RESTING, Motion, Plan

# Steps per drive cycle that may be used. Few values, so that oscillators fill common blocks; even,
# because the demodulation uses every second step; 24 keeps RK4 far inside its stability limit.
STEP_LADDER = (24, 32, 48, 64, 96, 128, 192, 256, 384, 512, 768, 1024)
QUANTITIES = ("displacement", "velocity", "acceleration")


class TransientStatus(IntFlag):
    """What to know about one oscillator's transient; 0 is good."""

    OK = 0
    #: A coefficient is not finite, or mass, stiffness, frequency or duration is not positive.
    BAD_INPUT = 1
    #: The motion grew without bound or left its potential well (softening): lower the drive.
    ESCAPED = 2
    #: The error stayed above the tolerance with the finest step: raise the tolerance, or stay off
    #: the edge between two attractors.
    UNRESOLVED = 4


@dataclass(frozen=True)
class BurstResponse:
    """Envelopes of a batch: window centres, complex amplitudes and how far to trust them.

    ``time`` (..., time) is counted from the start of the drive [s]; before it the envelope is zero.
    Its leading shape is that of the drive's frequencies and duration alone, which broadcasts.
    ``peak`` (...) is the largest magnitude of each oscillator's envelope.
    ``burst_end`` is the index of the last window inside the drive, the same for the whole batch.
    """

    time: Floats
    envelope: NDArray[np.complex128]
    peak: Floats
    burst_end: int
    status: Ints
    steps_per_cycle: Ints
    error: Floats
    end_displacement: Floats
    end_velocity: Floats


def steps_for_tolerance(
    tolerance: float,
    *,
    frequency: ArrayLike,
    mass: ArrayLike,
    damping: ArrayLike,
    stiffness: ArrayLike,
    cubic: ArrayLike = 0.0,
    duration: ArrayLike,
    displacement: ArrayLike = 0.0,
) -> Ints:
    """Return the steps per drive cycle that keep the envelope's relative error near ``tolerance``.

    RK4 shifts the phase of an oscillation by ``(w h)^5/120`` a step. The shift adds up over the
    cycles that the oscillator remembers: the drive's, but at most ``Q/pi`` (M8.5). ``w`` is the
    larger of the drive frequency and the natural frequency at ``displacement``, where a hardening
    spring is stiffer. The result is a rung of ``STEP_LADDER``; rungs beyond the last are cut off.

    Parameters (all broadcast)
    ----------
    tolerance : wanted error of the envelope relative to its peak, > 0.
    frequency : drive frequency that sets the step [Hz]. duration : of the drive [s].
    mass [kg], damping [N s/m], stiffness [N/m], cubic [N/m^3].
    displacement : largest amplitude met [m].
    """
    f = np.asarray(frequency, dtype=float)
    m = np.asarray(mass, dtype=float)
    stiffening = np.maximum(np.asarray(cubic, dtype=float), 0.0) * np.square(displacement)
    w_drive = 2.0 * np.pi * f
    w = np.maximum(w_drive, np.sqrt((np.asarray(stiffness, dtype=float) + 1.5 * stiffening) / m))
    decay = np.asarray(damping, dtype=float) / m
    with np.errstate(divide="ignore"):
        remembered = np.minimum(w * np.asarray(duration, dtype=float), 2.0 * w / decay)
    steps = (
        2.0 * np.pi * (w / w_drive) * (np.maximum(remembered, 1.0) / (120.0 * tolerance)) ** 0.25
    )
    ladder = np.asarray(STEP_LADDER)
    rung = np.searchsorted(ladder, np.nan_to_num(steps, nan=0.0, posinf=np.inf), side="left")
    return ladder[np.minimum(rung, ladder.size - 1)].astype(np.int64)


def burst_envelope(
    frequency: ArrayLike,
    *,
    duration: ArrayLike,
    drive_amplitude: ArrayLike,
    mass: ArrayLike,
    damping: ArrayLike,
    stiffness: ArrayLike,
    force_per_volt: ArrayLike,
    quadratic: ArrayLike = 0.0,
    cubic: ArrayLike = 0.0,
    drive_phase: ArrayLike = 0.0,
    end_frequency: ArrayLike | None = None,
    ring_down: float = 0.0,
    periods_per_sample: int = 1,
    quantity: str = "displacement",
    tolerance: float = 1e-4,
    steps_per_cycle: ArrayLike | None = None,
    verify: bool = False,
    parallel: bool = False,
    device: str | None = None,
    weights: ArrayLike | None = None,
) -> BurstResponse:
    """Step a batch of oscillators through a burst or chirp and its ring-down; return envelopes.

    All arrays broadcast to the batch shape ``(...)``, for example (design, group, carrier).

    Parameters
    ----------
    frequency : carrier, or the chirp's first frequency [Hz].
    duration : length T of the rectangular drive [s]; need not be whole cycles.
    drive_amplitude [V], drive_phase [rad] : V(t) = amplitude cos(phi(t) + phase) while
        0 <= t < T (M8.1).
    mass [kg], damping [N s/m], stiffness [N/m], quadratic [N/m^2], cubic [N/m^3],
        force_per_volt [N/V].
    end_frequency : last frequency of a linear chirp [Hz]; left out for a tone burst.
    ring_down : time followed after the end of the drive [s].
    periods_per_sample : drive cycles from one envelope sample to the next, counted from the end of
        the drive.
    quantity : of which the envelope is returned: "displacement" [m], "velocity" or "acceleration".
    tolerance : wanted error of the envelope relative to its peak.
    steps_per_cycle : even number of steps per drive cycle; left out, ``steps_for_tolerance`` sets
        it per oscillator, and again with the displacement found.
    verify : step everything again with half the step; fills ``error``, refines what misses the
        tolerance, and marks what still does as UNRESOLVED. Costs three times as much or more.
    parallel : spread over processor threads. Leave off inside worker processes.
    device : "cpu", "gpu" or "gpu-single" (whole cycles in float32); left out, the environment
        variable ARRAYOPT_DEVICE, else "cpu". See docs/gpu.md.
    weights : complex (sum, ...). Given, sums over the last batch axis come in place of the
        envelopes themselves: ``envelope`` is (sum, ..., time) without that axis, each oscillator's
        envelope times its weight. Weight 0 leaves an oscillator out, whatever its status.

    Returns
    -------
    BurstResponse. The envelope A is relative to the drive cycle without its phase,
    x = Re(A e^{j phi}), averaged over one drive cycle (M8.3), so that envelopes of cells under one
    drive add as phasors.
    Motion at another frequency f' (ring-down of a detuned cell) is damped by sinc(f'/f - 1) and
    ripples by about half of |f'/f - 1|. Where the status is not OK the envelope is NaN.
    ``error`` is NaN unless ``verify``.

    Errors
    ------
    ValueError for an unknown quantity or device, odd or non-positive counts, weights without an
    axis to add over, or a negative ring-down; gpu.GpuUnavailableError where a graphics card is
    wanted and cannot be used.

    Source: classical Runge-Kutta of order 4, e.g. Hairer, Norsett, Wanner, Solving Ordinary
    Differential Equations I, II.1.
    """
    if quantity not in QUANTITIES:
        raise ValueError(f'quantity is "{quantity}"; choose one of {", ".join(QUANTITIES)}')
    if not 0.0 < tolerance < 1.0:
        raise ValueError(f"tolerance is {tolerance}; a fraction between 0 and 1 is needed")
    if weights is not None and np.ndim(weights) < 2:
        raise ValueError("weights need an axis of sums and one of oscillators")
    last = frequency if end_frequency is None else end_frequency
    oscillator = (mass, damping, stiffness, quadratic, cubic, force_per_volt)
    given = (frequency, last, duration, *oscillator, drive_amplitude, drive_phase)
    columns = np.broadcast_arrays(*(np.asarray(a, dtype=float) for a in given))
    shape = columns[0].shape
    f0, f1, length, m, c, k1, k2, k3, eta, volt, phase = (a.reshape(-1) for a in columns)
    bad = ~np.isfinite(np.stack([a.reshape(-1) for a in columns])).all(axis=0)
    bad |= (f0 <= 0.0) | (f1 <= 0.0) | (length <= 0.0) | (m <= 0.0) | (c < 0.0) | (k1 <= 0.0)
    good = ~bad

    par = np.zeros((f0.size, kernel.PARAMETERS))
    with np.errstate(all="ignore"):
        rows = {
            kernel.STIFFNESS: k1 / m,
            kernel.QUADRATIC: k2 / m,
            kernel.CUBIC: k3 / m,
            kernel.DAMPING: c / m,
            kernel.FORCE: eta * volt / m,
            kernel.PHASE: phase,
            kernel.FREQUENCY: f0,
            kernel.END_FREQUENCY: f1,
            kernel.DURATION: length,
        }
    for row, values in rows.items():
        par[:, row] = values
    par[bad] = RESTING
    f0, f1, length = (par[:, r] for r in (kernel.FREQUENCY, kernel.END_FREQUENCY, kernel.DURATION))

    def wanted(displacement: Floats) -> Ints:
        # The step is a fraction of the local drive cycle: the slow end of a chirp has the longest.
        slow = np.minimum(f0, f1)
        return steps_for_tolerance(
            tolerance,
            frequency=slow,
            mass=1.0,
            damping=par[:, kernel.DAMPING],
            stiffness=par[:, kernel.STIFFNESS],
            cubic=par[:, kernel.CUBIC],
            duration=length,
            displacement=displacement,
        )

    grid = sample_grid(f0, f1, length, ring_down, periods_per_sample)
    plan = Plan(
        grid, QUANTITIES.index(quantity), end_frequency is not None, parallel, chosen_device(device)
    )
    if steps_per_cycle is None:
        steps = wanted(np.zeros(f0.size))
    else:
        steps = np.broadcast_to(np.asarray(steps_per_cycle), shape).reshape(-1).astype(np.int64)
        if np.any(steps < 8) or np.any(steps % 2):
            raise ValueError("steps_per_cycle must be even and at least 8")
    motion = plan.rest(f0.size, on_card=weights is not None and not verify)
    plan.run(par, steps, np.flatnonzero(good), motion)

    if steps_per_cycle is None:
        # Hardening seen only now may ask for a finer step; decided oscillator by oscillator, so
        # that a result never depends on its neighbours.
        finer = wanted(plan.displacement(motion))
        again = np.flatnonzero(good & (finer > steps))
        steps[again] = finer[again]
        plan.run(par, steps, again, motion)

    error = np.full(f0.size, np.nan)
    status = np.where(bad, int(TransientStatus.BAD_INPUT), 0).astype(np.int64)
    if verify:
        _verify(plan, par, steps, good, motion, error, tolerance)
        status[good & ~(error <= tolerance)] |= int(TransientStatus.UNRESOLVED)
    peak, end = motion.peak, motion.end
    escaped = good & ~(np.isfinite(peak) & np.isfinite(end).all(axis=-1))
    escaped |= good & _outside_well(par, end[:, 0])
    status[escaped] = int(TransientStatus.ESCAPED)
    dead = status != 0
    peak[dead] = np.nan
    end[dead] = np.nan
    if weights is None:
        envelope = motion.envelope
        envelope[dead] = np.nan
        envelope = envelope.reshape(*shape, envelope.shape[-1])
    else:
        factors = np.array(np.broadcast_to(weights, (np.shape(weights)[0], *shape)), complex)
        factors[:, dead.reshape(shape) & (factors != 0.0).any(axis=0)] = np.nan
        envelope = plan.sums(motion, factors)

    return BurstResponse(
        time=grid.time(frequency, last, duration),
        envelope=envelope,
        peak=peak.reshape(shape),
        burst_end=grid.origin // periods_per_sample - 1,
        status=status.reshape(shape),
        steps_per_cycle=steps.reshape(shape),
        error=error.reshape(shape),
        end_displacement=end[:, 0].reshape(shape),
        end_velocity=end[:, 1].reshape(shape),
    )


def _verify(
    plan: Plan,
    par: Floats,
    steps: Ints,
    good: NDArray[np.bool_],
    motion: Motion,
    error: Floats,
    tolerance: float,
) -> None:
    """Halve steps until two runs agree; keeps the finer run, and the error of that run."""
    open_ = np.flatnonzero(good)
    while open_.size:
        coarse = motion.envelope[open_]
        steps[open_] *= 2
        plan.run(par, steps, open_, motion)
        fine = motion.envelope[open_]
        with np.errstate(invalid="ignore", divide="ignore"):
            gap = np.abs(fine - coarse).max(axis=-1) / np.abs(fine).max(axis=-1)
        gap = np.where(np.abs(fine).max(axis=-1) == 0.0, 0.0, gap)
        # Order 4: the finer run is off by 1/15 of the gap.
        error[open_] = gap / 15.0
        refine = (error[open_] > tolerance) & (steps[open_] < STEP_LADDER[-1])
        open_ = open_[refine]


def _outside_well(par: Floats, displacement: Floats) -> NDArray[np.bool_]:
    """Whether the spring no longer pulls back to the origin: k1 + k2 x + k3 x^2 <= 0."""
    k1, k2, k3 = (par[:, r] for r in (kernel.STIFFNESS, kernel.QUADRATIC, kernel.CUBIC))
    with np.errstate(all="ignore"):
        product = k1 + k2 * displacement + k3 * displacement**2
    return np.asarray(~(product > 0.0))
