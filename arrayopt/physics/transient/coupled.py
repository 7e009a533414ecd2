"""Bursts of arrays whose cells feel one another's sound (M8.17, M8.18): envelopes in batches.

    m x_i'' + c x_i' + k1 x_i + k2 x_i^2 + k3 x_i^3 = F_i(t) - sum_j G_ij x_j''(t - tau_ij)

from rest, in time itself. Own radiation as mass and resistance at the carrier (M8.4); that of the
others after its travel time, with the amplitude and phase of M5.9 at the carrier.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.back.neck_kernel import NECK_COUNT
from arrayopt.physics.coupled.arrays import range_status
from arrayopt.physics.coupled.newton import CoupledArrays
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.radiation import impedance_from_series
from arrayopt.physics.transient.coupled_kernel import SPARE, link_delays, step_bursts
from arrayopt.physics.transient.grid import sample_grid
from arrayopt.physics.transient.one_mode import TransientStatus, steps_for_tolerance

COUPLED_SHIFT = 4
"""Bits by which `CoupledStatus` is moved up in the status of a burst."""


@dataclass(frozen=True)
class CoupledBurst:
    """Envelopes of bursts of coupled arrays, entry by entry; see `transient.BurstResponse`."""

    time: Floats
    """(entry, window): centres, from the start of the drive [s]."""
    envelope: NDArray[np.complex128]
    """(entry, site, window): acceleration relative to the carrier without its phase [m/s2]."""
    burst_end: int
    """Index of the last window inside the drive."""
    status: Ints
    """(entry,): `TransientStatus`, and `CoupledStatus` moved up by `COUPLED_SHIFT` bits."""
    steps_per_cycle: Ints
    """(entry,)."""


def coupled_burst(
    arrays: CoupledArrays,
    *,
    design: Ints,
    frequency: ArrayLike,
    duration: ArrayLike,
    quadratic: ArrayLike,
    cubic: ArrayLike,
    ring_cycles: int = 0,
    tolerance: float = 1e-4,
    steps_per_cycle: int | None = None,
) -> CoupledBurst:
    """Step coupled arrays through tone bursts and their ring-down; return envelopes.

    Parameters
    ----------
    arrays : CoupledArrays
        From `coupled.coupled_arrays`; its own ``cubic``, an effective one, is not used.
    design : array (entry,)
        Row of ``arrays``.
    frequency : array (entry,)
        Carrier [Hz].
    duration : array (entry,)
        Length of the rectangular drive [s]; need not be whole cycles.
    quadratic, cubic : array (design, group)
        [N/m2], [N/m3].
    ring_cycles : carrier cycles followed after the drive.
    tolerance : wanted error of the envelopes relative to their peak (M8.5).
    steps_per_cycle : in place of what the tolerance asks for; for refinement studies.

    Returns
    -------
    CoupledBurst
        NaN where ``status`` is not 0. Independent of what other entries are in the call.
        Valid for carriers within a burst's own width of the resonances that matter: radiation
        between cells has the amplitude of the carrier (its phase turns with frequency as it
        should), a cell's own radiation resistance is off by about twice the distance from the
        carrier (M8.4). ka below 4.

    Raises
    ------
    ValueError
        For cells with necked backs, whose load at the carrier would miss the neck's own motion.
    """
    if arrays.neck[NECK_COUNT] > 0.0:
        raise ValueError("bursts are computed for vented and sealed backs, not for necked ones.")
    f = np.ascontiguousarray(frequency, dtype=np.float64)
    T = np.array(np.broadcast_to(duration, f.shape), dtype=np.float64)
    w = 2.0 * np.pi * f
    group = arrays.site_group
    radius = arrays.radius[design]
    area = np.pi * radius**2
    r, x, _ = impedance_from_series(
        w[:, None] / arrays.sound_speed * radius,
        arrays.resistance[design],
        arrays.reactance[design],
    )
    loading = arrays.density * arrays.sound_speed * area
    mass = arrays.mass[design] + loading * x / w[:, None]
    damping = arrays.damping[design] + loading * r
    stiffness = arrays.stiffness[design]
    k3 = np.asarray(cubic, dtype=np.float64)[design]
    force = (arrays.force_re + 1j * arrays.force_im)[design][:, group]
    force = force * np.exp(-1j * w[:, None] * arrays.lead[design])  # steering, at the carrier
    columns = [damping, stiffness, np.asarray(quadratic, dtype=np.float64)[design], k3]
    rates = np.stack([*(a[:, group] for a in columns), force.real, force.imag], axis=-1)
    rates = np.ascontiguousarray(rates / mass[:, group, None])

    links = arrays.link.shape[0] if arrays.coupling.any() else 0
    gain, delay = np.zeros((f.size, links)), np.full((f.size, links), np.inf)
    entries = arrays._replace(
        radius=radius, scale=arrays.scale[design], coupling=arrays.coupling[design]
    )
    status = range_status(entries, w) << COUPLED_SHIFT
    bad = ~(np.isfinite(rates).all(axis=(1, 2)) & (T > 0.0) & (w > 0.0))
    bad |= (mass <= 0.0).any(axis=1) | (stiffness <= 0.0).any(axis=1)
    if links:
        spread(link_delays, f.size, arrays, design, w, gain, delay)
        gain /= mass[:, group[arrays.link[:, 0]]]
        bad |= ~(np.isfinite(gain).all(axis=1) & (delay > 0.0).all(axis=1))
    status |= np.where(bad, int(TransientStatus.BAD_INPUT), 0)
    good = status == 0

    def steps(displacement: Floats) -> Ints:
        if steps_per_cycle is not None:
            return np.full(f.size, steps_per_cycle, dtype=np.int64)
        wanted = steps_for_tolerance(
            tolerance,
            frequency=f[:, None],
            mass=mass,
            damping=damping,
            stiffness=stiffness,
            cubic=k3,
            duration=T[:, None],
            displacement=displacement,
        ).max(axis=1)
        # the shortest delay must hold a few steps
        least = SPARE / (f * delay.min(axis=1, initial=np.inf))
        return np.maximum(wanted, 2 * np.ceil(0.5 * least + 1e-6).astype(np.int64))

    grid = replace(sample_grid(f[good], f[good], T[good], 0.0, 1), after=ring_cycles)
    windows, sites = grid.origin + grid.after, group.size
    envelope = np.zeros((f.size, sites, windows), dtype=np.complex128)
    end = np.zeros((f.size, sites))
    link = np.ascontiguousarray(arrays.link[:links, :2])

    def run(chosen: Ints, count: Ints) -> None:
        part = np.zeros((chosen.size, sites, windows), dtype=np.complex128)
        last = np.zeros((chosen.size, sites))
        given = (w[chosen], T[chosen], count[chosen], rates[chosen], link, gain[chosen])
        outcome = (delay[chosen], grid.origin, grid.after, part, last)
        spread(step_bursts, chosen.size, *given, *outcome)
        envelope[chosen], end[chosen] = part, last

    displaced = np.zeros(mass.shape)
    count = np.where(good, steps(displaced), 0)
    run(np.flatnonzero(good), count)
    # hardening seen only now may ask for a finer step, entry by entry
    largest = np.nan_to_num(np.abs(envelope).max(axis=2, initial=0.0) / w[:, None] ** 2)
    for g in range(mass.shape[1]):
        displaced[:, g] = largest[:, group == g].max(axis=1, initial=0.0)
    finer = np.where(good, steps(displaced), 0)
    run(np.flatnonzero(finer > count), finer)

    pull = rates[..., 1] + (rates[..., 2] + rates[..., 3] * end) * end
    lost = ~(np.isfinite(envelope).all(axis=(1, 2)) & (pull > 0.0).all(axis=1))
    status[good & lost] = int(TransientStatus.ESCAPED)
    envelope[status != 0] = np.nan
    return CoupledBurst(
        time=grid.time(f, f, T),
        envelope=envelope,
        burst_end=grid.origin - 1,
        status=status,
        steps_per_cycle=np.maximum(count, finer),
    )
