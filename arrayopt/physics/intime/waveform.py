"""M12.7 to M12.9: chips under any drive waveform, every cell apart, and the pulse at the target.

    m x_i'' + c x_i' + k1 x_i + k2 x_i^2 + k3 x_i^3 = F_i(t) - sum_(j != i) G_ij x_j''(t - tau_ij)

from rest, as M8.17: own radiation as mass and resistance at the carrier (M8.4), that of the others
delayed. The pulse adds up with each cell's own delay to the target.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline
from scipy.signal import hilbert

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.back.neck_kernel import NECK_COUNT
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.modes import MODES, Modal, check_modes, distinct, pair_series
from arrayopt.physics.intime.slow_flow import ChipStatus, chip_items, range_status
from arrayopt.physics.intime.wave_kernel import AHEAD, Motions, coefficients, move_items, set_links
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.radiation import (
    directivity_series,
    impedance_from_series,
)

HIGHER = 100.0
"""Error allowed of a higher mode's own oscillation, over that of the first: its share is small.
Three modes at three onsets: 1e-3 of the peak (M12.10)."""
SMALL_STEP = 0.01
"""A sampled drive that begins or ends with less does not jump."""
FINENESS = 64
"""Points of a cycle at which voltage and slope of a drive are looked for: 0.2 % of the slope."""
SAMPLES = 16
"""Least number of samples of a pulse in a carrier cycle."""


STEP_LADDER = (24, 32, 48, 64, 96, 128, 192, 256, 384, 512, 768, 1024)
"""Steps a carrier cycle: few values, so that chips fill common rows; 24 keeps the scheme far inside
its stability limit."""


@dataclass(frozen=True)
class Drive:
    """A drive waveform of unit amplitude, and what sets its time step (M13.1 to M13.3)."""

    carrier: float
    """Frequency at which the air's constants are taken, and cycles are counted (Hz)."""
    duration: float
    """Of tone, chirp or samples, without the braking tail (s)."""
    end: float | None = None
    """Last frequency of a chirp from twice the carrier less this; None: a tone (Hz)."""
    taper: float = 0.0
    """Share of the length under rising and falling cosines (Tukey); of the tail, too."""
    samples: tuple[float, ...] | None = None
    """In place of tone or chirp: evenly spaced, first and last at start and end."""
    law: float = 1.0
    """Exponent of a chirp's frequency about its middle: 1 linear, above 1 it dwells at the middle,
    below at the ends."""
    tail_cycles: float = 0.0
    """Cycles of the last frequency that follow, to brake (M13.3)."""
    tail_amplitude: float = 0.0
    """Of the tail, over that of what it follows."""
    tail_phase: float = 0.0
    """Phase by which the tail leads what it follows (rad)."""

    @property
    def last(self) -> float:
        """Last frequency (Hz)."""
        return self.carrier if self.end is None else self.end

    @property
    def whole(self) -> float:
        """Duration, braking tail included (s)."""
        return self.duration + self.tail_cycles / self.last

    @property
    def unbraked(self) -> Drive:
        """The same without its tail."""
        return replace(self, tail_cycles=0.0, tail_amplitude=0.0)

    @property
    def jumps(self) -> bool:
        """Whether it jumps at its ends, and by no finite slope."""
        if self.samples is not None:
            return max(abs(self.samples[0]), abs(self.samples[-1])) > SMALL_STEP
        return self.taper == 0.0

    def extremes(self, phase: ArrayLike = 0.0) -> tuple[Floats, Floats]:
        """Largest size and slope [1/s] of the drive ahead by ``phase`` [rad], any shape (M13.3).

        The slope is infinite where it jumps.
        """
        highest = max(self.carrier, self.last, 2.0 * self.carrier - self.last)
        count = FINENESS * int(np.ceil(highest * self.whole)) + 1
        if self.samples is not None:
            count = max(count, 4 * len(self.samples))
        t = np.linspace(0.0, self.whole, count)
        found = self.at(t)
        slope = np.gradient(found, t)
        turn = np.exp(1j * np.asarray(phase, dtype=np.float64))
        sizes = np.empty((2, turn.size))
        for k, one in enumerate(turn.flat):
            sizes[:, k] = np.abs((one * found).real).max(), np.abs((one * slope).real).max()
        if self.jumps:
            sizes[1] = np.inf
        return sizes[0].reshape(turn.shape), sizes[1].reshape(turn.shape)

    def analytic(self, points: int) -> NDArray[np.complex128]:
        """Drive and, as imaginary part, its quadrature at evenly spaced times, ends included."""
        return self.at(np.linspace(0.0, self.whole, points))

    def at(self, time: Floats) -> NDArray[np.complex128]:
        """The same at times from its start, (time,) [s]; 0 before and after."""
        t = np.asarray(time, dtype=np.float64)
        if self.samples is not None:
            given = np.asarray(self.samples, dtype=np.float64)
            padded = np.concatenate([given, np.zeros(given.size)])  # quadrature without wrapping
            curve = CubicSpline(np.arange(given.size), hilbert(padded)[: given.size])
            share = t / self.duration
            found = np.asarray(curve(np.clip(share, 0.0, 1.0) * (given.size - 1.0)))
            return np.where((share >= 0.0) & (share <= 1.0), found, 0.0)
        s = np.clip(t / self.duration, 0.0, 1.0)
        main = _tukey(t / self.duration, self.taper) * np.exp(2j * np.pi * self._cycles(s))
        if not self.tail_cycles > 0.0:
            return np.asarray(main)
        after = (t - self.duration) * self.last
        window = _tukey(after / self.tail_cycles, self.taper) * (t > self.duration)
        turn = 2.0 * np.pi * (self._cycles(np.ones(1))[0] + after) + self.tail_phase
        return np.asarray(main + self.tail_amplitude * window * np.exp(1j * turn))

    def _cycles(self, share: Floats) -> Floats:
        """Cycles since the start at shares of the duration: the integral of M13.2."""
        whole = self.carrier * self.duration * share
        if self.end is None:
            return whole
        half = (self.end - self.carrier) * self.duration  # of twice the span
        order = self.law + 1.0
        return np.asarray(whole + half * (np.abs(2.0 * share - 1.0) ** order - 1.0) / (2.0 * order))


def mean_carrier(drives: Sequence[Drive]) -> float:
    """Mean of the different carriers of some drives (Hz): of one as often as it is there."""
    found = sorted({one.carrier for one in drives})
    return sum(found) / len(found)


def _tukey(share: Floats, taper: float) -> Floats:
    """Tukey's window at shares of its length, 0 outside (M13.1)."""
    inside = (share >= 0.0) & (share <= 1.0)
    if taper <= 0.0:
        return inside.astype(np.float64)
    near = np.minimum(share, 1.0 - share)
    edge = 0.5 * (1.0 - np.cos(2.0 * np.pi * np.clip(near, 0.0, 0.5 * taper) / taper))
    return np.where(inside, edge, 0.0)


@dataclass(frozen=True)
class Pulses:
    """What leaves the chips of a batch of designs."""

    step: Floats
    """(design,): between samples (s)."""
    acceleration: Floats
    """(design, chip, sample): volume acceleration towards the target (m3/s2), from the start of the
    drive less the shortest way; times density / (2 pi distance) the pressure (M9.1)."""
    deflection: Floats
    """(design, chip, cell): largest displacement of the centre (m)."""
    status: Ints
    """(design, chip): `ChipStatus`; other values are NaN where it is not 0."""
    steps_per_cycle: Ints
    """(design,)."""


def chip_pulses(
    arrays: ChipArrays,
    *,
    quadratic: ArrayLike = 0.0,
    cubic: ArrayLike = 0.0,
    modal: Modal | None = None,
    drives: Drive | Sequence[Drive | Sequence[Drive]],
    wave: Ints | None = None,
    ring: float = 0.0,
    tolerance: float = 1e-3,
    steps_per_cycle: int | None = None,
    single: bool = False,
) -> Pulses:
    """Move every chip through its design's drive waveform and the ring-down (M12.7 to M12.9).

    Parameters
    ----------
    arrays : ChipArrays
        From `chip_arrays`; its effective ``cubic`` is not used. ``lead`` turns the drive's phase.
    quadratic, cubic : array (design, chip, cell)
        [N/m2], [N/m3]; not used where ``modal`` is given.
    modal : two or three modes a cell, their radiation into one another included.
    drives : one for all designs, or of each design one, or as many as ``wave`` tells apart.
    wave : (cell,): which of a design's drives moves a cell; None: the first.
    ring : seconds followed after the drive.
    tolerance : wanted error relative to the peak; sets the steps a cycle (M8.5).
    steps_per_cycle : in their place, for refinement studies.
    single : single precision.

    Returns
    -------
    Pulses
        Valid for drives within a pulse's own width of the resonances: a cell's own radiation and
        the amplitude of the others' are those of the carrier (M8.4). ka below 4.

    Raises
    ------
    ValueError
        For cells with necked backs, whose load at the carrier would miss the neck's own motion.
    """
    if arrays.neck[NECK_COUNT] > 0.0:
        raise ValueError("pulses are computed for vented and sealed backs, not for necked ones.")
    size = arrays.mass.shape
    designs, _, cells = size
    given = [drives] * designs if isinstance(drives, Drive) else list(drives)
    each = [(one,) if isinstance(one, Drive) else tuple(one) for one in given]
    owner = np.zeros(cells, dtype=np.int64) if wave is None else np.asarray(wave, dtype=np.int64)
    w = 2.0 * np.pi * np.array([mean_carrier(some) for some in each])
    length = np.array([max(one.whole for one in some) for some in each])
    if len(each) != designs or not (np.all(w > 0.0) and np.all(length > 0.0)):
        raise ValueError(f"{designs} drives with positive carrier and duration are needed.")
    turn = np.exp(-1j * w[:, None] * arrays.lead)[:, None]
    if modal is None:
        k2, k3 = (
            np.broadcast_to(np.asarray(a, dtype=np.float64), size) for a in (quadratic, cubic)
        )
        mass, damping = _with_air(arrays, w, arrays.resistance, arrays.reactance)
        mass, damping = arrays.mass + mass, arrays.damping + damping
        force = (arrays.force_re + 1j * arrays.force_im) * turn
        own = arrays.strength
        columns = (damping, arrays.stiffness, k2, k3, force.real, force.imag, own)
        coefficient = np.stack([*(a / mass for a in columns), own, own], axis=-1)
        figures = [a[..., None] for a in (mass, damping, arrays.stiffness, k3)]
    else:
        turned = modal._replace(force=modal.force * turn[..., None])
        coefficient, figures = _modal_rows(arrays, turned, w)
        mass = figures[0].min(axis=-1)
    status = range_status(arrays, w / (2.0 * np.pi))
    sound = np.isfinite(coefficient).all(axis=(2, 3)) & (mass > 0.0).all(axis=2)
    status |= np.where(sound, 0, int(ChipStatus.ESCAPED))
    gain = np.zeros((designs, cells, cells))
    delay = np.full((designs, cells, cells), np.inf)
    if arrays.coupling.any():
        set_links(arrays, w, gain, delay)

    def steps(displacement: Floats) -> Ints:
        if steps_per_cycle is not None:
            return np.full(designs, steps_per_cycle, dtype=np.int64)
        found = [
            steps_for_tolerance(
                tolerance if k == 0 else HIGHER * tolerance,
                frequency=(w / (2.0 * np.pi))[:, None, None],
                mass=figures[0][..., k],
                damping=figures[1][..., k],
                stiffness=figures[2][..., k],
                cubic=figures[3][..., k],
                duration=length[:, None, None],
                displacement=displacement,
            ).max(axis=(1, 2))
            for k in range(figures[0].shape[-1])
        ]
        wanted = np.max(found, axis=0)
        least = 2.0 * np.pi * (AHEAD + 1.0) / (w * delay.min(axis=(1, 2)))
        return np.maximum(wanted, np.ceil(least).astype(np.int64))

    late = arrays.lag.max(axis=1, keepdims=True) - arrays.lag
    q = arrays.transform
    powers = (w[:, None] / arrays.sound_speed * arrays.nominal * arrays.sine)[..., None]
    weight = (q * powers ** (2 * np.arange(q.shape[-1]))).sum(axis=-1) * np.pi * arrays.nominal**2
    count = steps(np.zeros(size))
    found = _run(arrays, coefficient, gain, delay, weight, late, (each, owner), ring, count, single)
    finer = steps(np.where(found.status[..., None] == 0, found.deflection, 0.0))
    if np.any(finer > count):
        count = np.maximum(count, finer)
        found = _run(
            arrays, coefficient, gain, delay, weight, late, (each, owner), ring, count, single
        )
    status |= np.where(found.status > 0, int(ChipStatus.ESCAPED), 0)
    for values in (found.acceleration, found.deflection):
        values[status != 0] = np.nan
    return Pulses(found.step, found.acceleration, found.deflection, status, count)


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


def _with_air(
    arrays: ChipArrays, w: Floats, resistance: Floats, reactance: Floats
) -> tuple[Floats, Floats]:
    """Mass and damping that the air adds at the carriers, (design, chip, cell) (M8.4)."""
    ka = w[:, None, None] / arrays.sound_speed * arrays.radius
    r, x, _ = impedance_from_series(ka, resistance[:, None], reactance[:, None])
    loading = arrays.density * arrays.sound_speed * np.pi * arrays.radius**2
    return loading * x / w[:, None, None], loading * r


def _modal_rows(arrays: ChipArrays, modal: Modal, w: Floats) -> tuple[Floats, list[Floats]]:
    """Rows of `Motions.coefficient` of several modes; mass, damping, stiffness, cubic of each."""
    modes = check_modes(modal, 2)
    resistance, reactance = pair_series(arrays, modal)
    mass = np.zeros((*modal.mass.shape, modes))
    damping = np.zeros_like(mass)
    for i in range(modes):
        for j in range(modes):
            series = resistance[:, :, i, j], reactance[:, :, i, j]
            mass[..., i, j], damping[..., i, j] = _with_air(arrays, w, *series)
        mass[..., i, i] += modal.mass[..., i]
        damping[..., i, i] += modal.damping[..., i]
    ka = (w[:, None] / arrays.sound_speed * arrays.nominal)[..., None, None]
    q = directivity_series(modal.shape)
    order = 2 * np.arange(q.shape[-1])
    heard = (q * ka**order).sum(axis=-1)
    told = (q * (ka * arrays.sine) ** order).sum(axis=-1)
    speak, tell = (arrays.strength[..., None] * (a / a[..., :1])[:, None] for a in (heard, told))
    columns = [modal.stiffness]
    for tensor, factors in ((modal.quadratic, 2), (modal.cubic, 3)):
        found, orders = distinct(tensor, factors)
        columns.append(found * orders)
    spring = np.concatenate(columns, axis=-1)
    rest = np.stack([modal.force.real, modal.force.imag, speak], axis=-1)
    solved = np.linalg.solve(mass, np.concatenate([damping, spring, rest], axis=-1))
    parts = (solved[..., :modes], solved[..., modes:-3])
    rows = [part.reshape(*part.shape[:-2], -1) for part in parts]
    rows += [solved[..., -3], solved[..., -2], solved[..., -1], speak, tell]
    diagonal = np.arange(modes)
    pure = modal.cubic[..., diagonal, diagonal, diagonal, diagonal]
    figures = [a[..., diagonal, diagonal] for a in (mass, damping, modal.stiffness)]
    return np.ascontiguousarray(np.concatenate(rows, axis=-1)), [*figures, pure]


def _run(
    arrays: ChipArrays,
    coefficient: Floats,
    gain: Floats,
    delay: Floats,
    weight: Floats,
    late: Floats,
    drives: tuple[Sequence[Sequence[Drive]], Ints],
    ring: float,
    count: Ints,
    single: bool,
) -> Pulses:
    """One pass at these steps a cycle."""
    designs, chips, cells = arrays.mass.shape
    each, owner = drives
    carrier = np.array([mean_carrier(some) for some in each])
    length = np.array([max(one.whole for one in some) for some in each])
    driven = np.maximum(np.ceil(length * carrier * count - 1e-9), 2.0).astype(np.int64)
    step = length / driven
    total = driven + np.ceil(ring / step).astype(np.int64) + 1
    most = int(np.maximum(total, driven).max())
    drive = np.zeros((designs, max(map(len, each)), 2 * most + 3, 2))
    for d, some in enumerate(each):
        time = np.linspace(0.0, length[d], 2 * int(driven[d]) + 1)
        for k, one in enumerate(some):
            found = one.at(time)
            drive[d, k, : found.size, 0], drive[d, k, : found.size, 1] = found.real, found.imag
    modes = next(n for n in range(1, MODES + 2) if coefficients(n) == coefficient.shape[3])
    motions = Motions(
        coefficient, modes, gain, delay, drive, owner, step, driven, total, weight, late
    )
    stride = max(int(count.min()) // SAMPLES, 1)
    acceleration = np.full((designs, chips, -(-most // stride)), np.nan)
    deflection = np.full((designs, chips, cells), np.nan)
    left = np.zeros((designs, chips, cells))
    design, chip = chip_items(designs, chips)
    kind = np.empty(0, dtype=np.float32 if single else np.float64)
    out = (acceleration, deflection, left)
    spread(move_items, design.size, design, chip, motions, kind, stride, *out)
    pull = np.ones_like(left)
    if modes == 1:
        stiff, soft, hard = np.moveaxis(coefficient[..., 1:4], -1, 0)
        pull = stiff + (soft + hard * left) * left
    samples = np.arange(acceleration.shape[2])[None, None] * stride < total[:, None, None]
    finite = (np.isfinite(acceleration) | ~samples).all(axis=2) & (pull > 0.0).all(axis=2)
    return Pulses(stride * step, acceleration, deflection, np.where(finite, 0, 1), count)
