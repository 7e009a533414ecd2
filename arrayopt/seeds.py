"""Known good designs in closed form, to start a search from: uniform and evenly staggered arrays.

All cells alike, driven at a multiple of their onset; or resonances a fixed number of linewidths
apart (staggered tuning), neighbours in frequency in phase or, where the phase may be chosen, in
antiphase so that they add between their resonances.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from arrayopt.cells import build_cells
from arrayopt.design import Designs, DesignSpace
from arrayopt.study_model import Strategy, Study

Floats = NDArray[np.float64]

STAGGER = (0.0, 0.5, 0.8, 1.1, 1.5)
"""Distances of neighbouring resonances in phase, in linewidths; 0 is the uniform array."""

ALTERNATING = (2.0, 3.0)
"""Distances with neighbours in antiphase: so far apart that in phase they would leave notches."""

DRIVE = (0.95, 2.0, 4.0, 8.0, 16.0)
"""Drive amplitudes, in onsets of the cell."""

RADII = 65
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
    low, high = (float(x) for x in strategy.vary["radius"])
    middle = space.decode(np.full((1, space.n_variables), 0.5))
    coverage = np.clip(0.67, *_span(strategy, "electrode_coverage", 0.67))
    scan = _resized(middle, np.linspace(low, high, RADII), float(coverage))
    cells = build_cells(scan, study)
    radius, frequency = scan.radius[:, 0], cells.natural_frequency[:, 0]
    good = np.isfinite(frequency) & np.isfinite(cells.onset[:, 0])
    if good.sum() < 2:
        return np.zeros((0, space.n_variables))
    radius, frequency, onset = radius[good], frequency[good], cells.onset[good, 0]
    width = float(np.median(frequency / cells.quality_factor[good, 0]))
    order = np.argsort(frequency)
    patterns = [(0.0, False)]
    if strategy.layout.n_classes > 1:
        patterns += [(stagger, False) for stagger in STAGGER[1:]]
        if "drive_phase" in strategy.vary:
            patterns += [(stagger, True) for stagger in ALTERNATING]
    designs = [
        _design(
            middle,
            study,
            resonance=resonance,
            table=(frequency[order], radius[order], onset[order]),
            coverage=float(coverage),
            drive=drive,
            alternate=alternate,
        )
        for drive in DRIVE
        for stagger, alternate in patterns
        for resonance in (_resonances(study, strategy, stagger * width, drive),)
    ]
    vectors = np.concatenate([space.encode(design) for design in designs])
    return vectors[:count]


def _span(strategy: Strategy, name: str, default: float) -> tuple[float, float]:
    if name in strategy.vary:
        low, high = strategy.vary[name]
        return float(low), float(high)
    value = float(strategy.fixed.get(name, default))
    return value, value


def _resized(designs: Designs, radius: Floats, coverage: float) -> Designs:
    """The first design with every group at each of the radii, (radius,) designs."""
    copies = designs.take(np.zeros(radius.size, dtype=np.int64))
    shape = copies.radius.shape
    return replace(
        copies,
        radius=np.broadcast_to(radius[:, None], shape).copy(),
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
    alternate: bool,
) -> Designs:
    layout = middle.layout
    frequency, radius, onset = table
    of_group = resonance[layout.group_class]
    phase = np.where(layout.group_class % 2 == 1, np.pi, 0.0) if alternate else 0.0
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
        drive_phase=np.broadcast_to(phase, shape).copy(),
    )
