"""Designs and a study become lumped cells: the coefficients of each group's modal equation (M6)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.errors import ArrayoptError
from arrayopt.base.status import Status, translated
from arrayopt.design.designs import Designs
from arrayopt.physics.back.backs import Back, back_of
from arrayopt.physics.back.necked import NeckedFigures
from arrayopt.physics.plate.diaphragm import (
    PlateModes,
    PlateStatus,
    PlateTable,
    modes_at,
    plate_table,
)
from arrayopt.physics.plate.laminate import Layer, sections
from arrayopt.physics.sound.radiation import SERIES_LIMIT, impedance_from_series, impedance_series
from arrayopt.physics.steady.steady import effective_cubic, onset_force, onset_frequency
from arrayopt.study.model import StackLayer, Study

FIXED_POINT_STEPS = 12
"""Steps to the loaded resonance; each gains at least a decade because air is a light load."""

ONSET_STEPS = 3
"""Steps to the onset's own frequency, some per cent above resonance; each gains a decade.

A hand evaluation of M7.4 with the air's load at resonance is lower, by 4 % at Q = 32 where half of
the loss is sound: the radiation resistance grows with frequency."""


@dataclass(frozen=True)
class Cells:
    """Lumped coefficients of every group, each array (design, group) unless said otherwise.

    The driven mode obeys ``mass q'' + damping q' + stiffness q + quadratic q^2 + cubic q^3 +
    radiation = force_per_volt V(t)`` with q the centre displacement in metres (M6).
    """

    mass: Floats
    damping: Floats
    stiffness: Floats
    quadratic: Floats
    cubic: Floats
    effective_cubic: Floats
    force_per_volt: Floats
    volume: Floats
    shape: Floats
    """(design, group, basis): radial shape, 1 at the centre."""
    resistance_series: Floats
    """(design, group, term): M5 power series of the radiation resistance, all radiating sides."""
    reactance_series: Floats
    radius: Floats
    count: Ints
    """(group,): cells in each group."""
    drive_amplitude: Floats
    drive_phase: Floats
    bias: Floats
    natural_frequency: Floats
    """Small-signal resonance with radiation mass, Hz; of a necked back with its necks held."""
    quality_factor: Floats
    """Small-signal, with radiation losses."""
    onset: Floats
    """Drive amplitude at which the group becomes bistable, V; inf where it never does."""
    static_deflection: Floats
    modes: PlateModes
    """Every kept mode about the operating point, (design, group, mode)."""
    status: Ints
    """`Status`; coefficients are NaN only where the plate model gave none."""
    """Intrinsic, (design, group, mode)."""
    cavity: Floats
    """Pressure per displaced volume of a closed back cavity [Pa/m3]; 0 where vented."""
    back: Back
    necked: NeckedFigures | None = None
    """Where the back moves resonances; ``stiffness`` is then that of the diaphragm alone."""


def build_cells(designs: Designs, study: Study, *, n_modes: int = 2) -> Cells:
    """Lumped coefficients of every group of a batch of designs (M1 to M6).

    Parameters
    ----------
    designs : Designs
        (design, group).
    study : Study
        Stack, air, intrinsic quality factor, back side and driven mode.
    n_modes : axisymmetric modes kept in ``modes``; at least the driven one.

    Returns
    -------
    Cells
        With a status per group. Thin plates (radius over thickness above about 20); ka below 4.
    """
    rings = np.asarray(designs.ring, dtype=bool)
    disc, ring = tables(
        study.stack, study.model.n_transverse, disc=not rings.all(), ring=bool(rings.any())
    )
    modes = modes_at(
        disc,
        ring,
        radius=designs.radius,
        coverage=designs.electrode_coverage,
        ring=designs.ring,
        bias=designs.bias,
        n_modes=max(n_modes, study.cell.mode),
    )
    if study.cubic_scale != 1.0:  # calibrated; the rest of a calibration is in stack and cell
        modes = replace(
            modes,
            cubic=study.cubic_scale * modes.cubic,
            cubic_tensor=study.cubic_scale * modes.cubic_tensor,
        )
    k = study.cell.mode - 1
    shape, volume, mass = modes.shape[..., k, :], modes.volume[..., k], modes.mass[..., k]
    air, area = study.air_state, np.pi * designs.radius**2
    stiffness = modes.stiffness[..., k].copy()
    back = back_of(study.cell)
    cavity = back.stiffness(air, designs.radius)
    diaphragm = stiffness.copy()
    stiffness += cavity * volume**2
    damping = np.sqrt(modes.stiffness[..., k] * mass) / study.cell.quality_factor
    resistance, reactance = (back.sides * series for series in impedance_series(shape))
    loading = air.density * air.sound_speed * area
    w = np.sqrt(stiffness / mass)
    for _ in range(FIXED_POINT_STEPS):
        r, x, _ = impedance_from_series(w * designs.radius / air.sound_speed, resistance, reactance)
        w = np.sqrt(stiffness / (mass + loading * x / w))
    loaded_mass, loaded_damping = mass + loading * x / w, damping + loading * r
    cubic, quadratic = modes.cubic[..., k], modes.quadratic[..., k]
    effective, weak = effective_cubic(back.held(diaphragm, stiffness), k2=quadratic, k3=cubic)
    force = modes.force_per_volt[..., k]
    at_onset = w
    for _ in range(ONSET_STEPS):
        # The air's share is taken at the frequency where bistability begins, not at resonance.
        ka = at_onset * designs.radius / air.sound_speed
        r, x, _ = impedance_from_series(ka, resistance, reactance)
        terms = {"c": damping + loading * r, "k1": stiffness, "g": effective}
        found = onset_frequency(mass + loading * x / at_onset, **terms)
        at_onset = np.where(np.isfinite(found), found, at_onset)
    critical = onset_force(mass + loading * x / at_onset, **terms)
    status = _status(modes.status, weak, w * designs.radius / air.sound_speed)
    outside = back.outside(air, designs.radius, volume, w)
    status |= np.where(outside, int(Status.CAVITY), 0)
    necked = back.figures(
        air,
        mass=mass,
        damping=damping,
        stiffness=diaphragm,
        cubic=effective,
        force=force * designs.drive_amplitude,
        radius=designs.radius,
        volume=volume,
        cavity=cavity,
        resistance=resistance,
        reactance=reactance,
    )
    if necked is not None:
        critical, stiffness = necked.onset_force, diaphragm
    with np.errstate(divide="ignore", invalid="ignore"):
        onset = np.where(force == 0.0, np.inf, critical / np.abs(force))
    return Cells(
        mass=mass,
        damping=damping,
        stiffness=stiffness,
        quadratic=quadratic,
        cubic=cubic,
        effective_cubic=effective,
        force_per_volt=force,
        volume=volume,
        shape=shape,
        resistance_series=resistance,
        reactance_series=reactance,
        radius=designs.radius,
        count=designs.layout.group_count,
        drive_amplitude=designs.drive_amplitude,
        drive_phase=designs.drive_phase,
        bias=designs.bias,
        natural_frequency=w / (2.0 * np.pi),
        quality_factor=w * loaded_mass / loaded_damping,
        onset=onset,
        static_deflection=modes.static_deflection,
        modes=modes,
        status=status,
        cavity=cavity,
        back=back,
        necked=necked,
    )


def tables(
    stack: tuple[StackLayer, ...], n_transverse: int, *, disc: bool = True, ring: bool = True
) -> tuple[PlateTable | None, PlateTable | None]:
    """Plate tables (disc, ring) of a stack, made once per process; None where not asked for."""
    return (
        _table(stack, n_transverse, False) if disc else None,
        _table(stack, n_transverse, True) if ring else None,
    )


@lru_cache(maxsize=16)
def _table(stack: tuple[StackLayer, ...], n_transverse: int, ring: bool) -> PlateTable:
    covered, bare = sections([layer_of(layer) for layer in stack])
    try:
        return plate_table(covered, bare, ring=ring, n_transverse=n_transverse)
    except ArithmeticError as error:
        raise ArrayoptError(f"the study's stack cannot be computed: {error}") from error


def layer_of(layer: StackLayer) -> Layer:
    """The mechanical and electrical part of a layer of the study."""
    return Layer(
        name=layer.name,
        thickness=layer.thickness,
        youngs_modulus=layer.youngs_modulus,
        poisson_ratio=layer.poisson_ratio,
        density=layer.density,
        residual_stress=layer.residual_stress,
        patterned=layer.patterned,
        active=layer.active,
        e31f=layer.e31f,
        relative_permittivity=layer.relative_permittivity,
    )


PLATE_WORDS = {
    PlateStatus.BUCKLED: Status.BUCKLED,
    PlateStatus.NOT_CONVERGED: Status.NOT_CONVERGED,
    PlateStatus.COVERAGE_OUT_OF_RANGE: Status.OUT_OF_RANGE,
    PlateStatus.BAD_INPUT: Status.OUT_OF_RANGE,
}


def _status(plate: Ints, weak: Ints, ka: Floats) -> Ints:
    status = translated(plate, PLATE_WORDS)
    status |= np.where(weak != 0, int(Status.STRONGLY_QUADRATIC), 0)
    # NaN compares false: a plate without modes keeps its own reason only.
    return np.asarray(status | np.where(ka > SERIES_LIMIT, int(Status.OUT_OF_RANGE), 0))
