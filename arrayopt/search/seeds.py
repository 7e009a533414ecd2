"""Known good designs in closed form, to start a search from: uniform and evenly staggered arrays.

Resonances a fixed number of linewidths apart (staggered tuning) with phases that change evenly from
one to the next, all cells driven at the same multiple of their onset. How far apart, how the phases
change, how strong the drive, which bias and pitch: a Halton sequence covers what is worth trying.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.stats import qmc

from arrayopt.base.arrays import Floats
from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.models.cells import build_cells
from arrayopt.study.model import WAVE_VARIABLES, Strategy, Study

STAGGER = 4.0
"""Largest distance of neighbouring resonances, in linewidths; 0 is the uniform array."""

RAMP = np.pi / 4
"""Largest phase between neighbours in frequency, either way [rad]."""

DRIVE = (1.0, 4.0)
"""Drive amplitudes, in onsets of the cell, where the study does not limit them. The array's own
onset is 0.3 to 1 of the cell's."""

BELOW = (0.3, 0.75)
"""The same over the largest drive allowed where that is counted in onsets of the array."""

PULSED = 4.0
"""How much more where the excitation is a waveform: a few cycles bring cells to about a quarter of
the steady amplitude."""

REST = (0.1, 0.9)
"""Part of its range in which bias, pitch and every number of the waveform lie."""

RADII = 33
"""Radii at which resonance and onset are computed; between them they are interpolated."""


def seed_vectors(study: Study, strategy: Strategy, count: int) -> Floats:
    """Search vectors (design, variable) of closed-form designs near the wanted centre frequency.

    Parameters
    ----------
    study, strategy
    count : int
        How many at most; the list is the same for every count, cut off at the end.

    Returns
    -------
    array (design, variable) in 0..1; empty where the radius is not varied.
    """
    study = study.of(strategy)
    space = DesignSpace(study, strategy)
    if "radius" not in strategy.vary or count == 0:
        return np.zeros((0, space.n_variables))
    once = [name for name in ("bias", "pitch", *WAVE_VARIABLES) if name in strategy.vary]
    point = qmc.Halton(3 + len(once), scramble=False).random(count + 1)[1:]  # the first is a corner
    vectors = np.full((count, space.n_variables), 0.5)
    for name, share in zip(once, point[:, 3:].T, strict=True):
        columns = [k for k, full in enumerate(space.names) if full.partition("[")[0] == name]
        vectors[:, columns] = (REST[0] + (REST[1] - REST[0]) * share)[:, None]
    middle = space.decode(vectors)
    low, high = (float(x) for x in strategy.vary["radius"])
    radii = np.linspace(low, high, RADII)
    coverage = float(np.clip(0.67, *_span(strategy, "electrode_coverage", 0.67)))
    cells = build_cells(_resized(middle, radii, coverage), study)
    frequency, quality, onset = (
        values[:, 0].reshape(count, RADII)
        for values in (cells.natural_frequency, cells.quality_factor, cells.onset)
    )
    least, most = _drives(strategy)
    counted = any(limit.name == "drive_to_onset" for limit in strategy.limits)
    more = PULSED if study.target.excitation == "waveform" and not counted else 1.0
    designs = []
    for k in range(count):
        good = np.flatnonzero(np.isfinite(frequency[k]) & np.isfinite(onset[k]))
        if len(good) < 2:
            continue
        good = good[np.argsort(frequency[k, good])]
        width = float(np.median(frequency[k, good] / quality[k, good]))
        drive = least * (most / least) ** point[k, 0]
        designs.append(
            _design(
                middle.take(np.array([k])),
                study,
                resonance=_resonances(study, strategy, STAGGER * point[k, 1] * width, drive),
                table=(frequency[k, good], radii[good], onset[k, good]),
                coverage=coverage,
                drive=more * drive,
                ramp=RAMP * (2.0 * point[k, 2] - 1.0),
            )
        )
    if not designs:
        return np.zeros((0, space.n_variables))
    return np.concatenate([space.encode(design) for design in designs])


def _drives(strategy: Strategy) -> tuple[float, float]:
    """Smallest and largest drive amplitude to try, in onsets, within the strategy's limits."""
    least, most = DRIVE
    for limit in strategy.limits:
        if limit.name == "drive_to_onset":
            if limit.maximum is not None and limit.maximum < most:
                least, most = (part * limit.maximum for part in BELOW)
            if limit.minimum is not None and limit.minimum > least:
                least = 1.03 * limit.minimum
                most = max(most, least)
    return least, most


def _span(strategy: Strategy, name: str, default: float) -> tuple[float, float]:
    if name in strategy.vary:
        low, high = strategy.vary[name]
        return float(low), float(high)
    value = float(strategy.fixed.get(name, default))
    return value, value


def _resized(designs: Designs, radius: Floats, coverage: float) -> Designs:
    """Every design with all groups at each of the radii in turn, (design * radius,) designs."""
    copies = designs.take(np.repeat(np.arange(len(designs.radius)), radius.size))
    shape = copies.radius.shape
    return replace(
        copies,
        radius=np.broadcast_to(np.tile(radius, len(designs.radius))[:, None], shape).copy(),
        electrode_coverage=np.full(shape, coverage),
        ring=np.zeros(shape, dtype=bool),
    )


def _resonances(study: Study, strategy: Strategy, step: float, drive: float) -> Floats:
    """Small-signal resonance of every class, (class,) [Hz], evenly around a common centre.

    Driven past onset the response climbs the backbone, so that its band lies above the
    small-signal resonance: the centre is lowered by 2 % for every doubling of the drive.
    """
    count = strategy.layout.n_classes
    centre = 0.5 * sum(study.target.centre_frequency)
    centre *= 1.0 - 0.02 * max(np.log2(max(drive, 1.0)), 0.0)
    return np.asarray(centre + step * (np.arange(count) - 0.5 * (count - 1)))


def _design(
    middle: Designs,
    study: Study,
    *,
    resonance: Floats,
    table: tuple[Floats, Floats, Floats],
    coverage: float,
    drive: float,
    ramp: float,
) -> Designs:
    layout = middle.layout
    frequency, radius, onset = table
    of_group = resonance[layout.group_class]
    phase = ramp * (layout.group_class - 0.5 * (layout.n_classes - 1))
    shape = middle.radius.shape
    amplitude = drive * np.interp(of_group, frequency, onset)
    # One channel drives several classes: none may exceed its share of its own onset.
    for channel in range(layout.n_channels):
        members = layout.group_channel == channel
        amplitude[members] = amplitude[members].min()
    return replace(
        middle,
        radius=np.interp(of_group, frequency, radius).reshape(shape),
        electrode_coverage=np.full(shape, coverage),
        ring=np.zeros(shape, dtype=bool),
        drive_amplitude=np.minimum(amplitude, study.drive.amplitude_limit).reshape(shape),
        drive_phase=np.broadcast_to((phase + np.pi) % (2.0 * np.pi) - np.pi, shape).copy(),
    )
