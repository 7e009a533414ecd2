"""Designs and a study become lumped cells: the coefficients of each group's modal equation (M6)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntFlag
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from arrayopt.design.designs import Designs
from arrayopt.physics.back.cavity import necked_cavity
from arrayopt.physics.back.neck_kernel import NO_NECK
from arrayopt.physics.back.necked import NeckedFigures, necked_figures
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

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FIXED_POINT_STEPS = 12
"""Steps to the loaded resonance; each gains at least a decade because air is a light load."""

ONSET_STEPS = 3
"""Steps to the onset's own frequency, some per cent above resonance; each gains a decade.

A hand evaluation of M7.4 with the air's load at resonance is lower, by 4 % at Q = 32 where half of
the loss is sound: the radiation resistance grows with frequency."""


CAVITY_LIMIT = 1.0
"""Largest ka of a necked cavity's radius. Its first radial mode (3.83) there adds 6 % to the
closed stiffness and 16 % to the pull on a neck in the middle (M5.16)."""


class CellStatus(IntFlag):
    """Why a group's coefficients cannot be trusted; 0 is good."""

    OK = 0
    BUCKLED = 1
    """Film stress or bias leaves the flat state unstable: lower the compressive stress."""
    NOT_CONVERGED = 2
    """The static deflection was not found: the bias is far outside the plate model's range."""
    OUT_OF_RANGE = 4
    """Coverage below 2 %, or ka at resonance above 4 (M5): smaller cells or lower frequency."""
    STRONGLY_QUADRATIC = 8
    """The static bow is too large for one effective cubic (M7.5): lower bias or film moments."""
    CAVITY = 16
    """Necked back: k times depth, neck length or radius above 0.5, ka above 1, or not adiabatic."""


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
    """`CellStatus`; coefficients are NaN only where the plate model gave none."""
    cavity: Floats
    """Pressure per displaced volume of a closed back cavity [Pa/m3]; 0 where vented."""
    necked: NeckedFigures | None = None
    """Of cells with a necked back; ``stiffness`` is then that of the diaphragm alone."""


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
    sides = 2.0 if study.cell.back == "vented" else 1.0
    cavity = cavity_stiffness(designs, study)
    has_neck = study.cell.back == "necked"
    diaphragm = stiffness.copy()
    stiffness += cavity * volume**2
    damping = np.sqrt(modes.stiffness[..., k] * mass) / study.cell.quality_factor
    resistance, reactance = (sides * series for series in impedance_series(shape))
    loading = air.density * air.sound_speed * area
    w = np.sqrt(stiffness / mass)
    for _ in range(FIXED_POINT_STEPS):
        r, x, _ = impedance_from_series(w * designs.radius / air.sound_speed, resistance, reactance)
        w = np.sqrt(stiffness / (mass + loading * x / w))
    loaded_mass, loaded_damping = mass + loading * x / w, damping + loading * r
    cubic, quadratic = modes.cubic[..., k], modes.quadratic[..., k]
    # Slow motion vents through a neck: the static shift behind M7.5 is the diaphragm's own.
    static = diaphragm if has_neck else stiffness
    effective, weak = effective_cubic(static, k2=quadratic, k3=cubic)
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
    necked = None
    if has_neck:
        necked = necked_figures(
            mass,
            damping=damping,
            stiffness=diaphragm,
            cubic=effective,
            force=force * designs.drive_amplitude,
            radius=designs.radius,
            volume=volume,
            cavity=cavity,
            resistance=resistance,
            reactance=reactance,
            neck=necks_of(study),
            density=air.density,
            sound_speed=air.sound_speed,
        )
        critical, stiffness = necked.onset_force, diaphragm
        status |= _cavity_status(designs, study, volume, w)
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
        necked=necked,
    )


def cavity_stiffness(designs: Designs, study: Study) -> Floats:
    """Pressure per displaced volume of each group's closed back cavity [Pa/m3]; 0 where vented.

    Adiabatic spring gamma P0 / volume of a cavity as wide as the cell (M5), necks held.
    """
    if study.cell.cavity_depth is None:
        return np.zeros(designs.radius.shape)
    air = study.air_state
    return np.asarray(air.heat_capacity_ratio * air.pressure / _cavity_volume(designs, study))


def _cavity_volume(designs: Designs, study: Study) -> Floats:
    return np.asarray(np.pi * designs.radius**2 * float(study.cell.cavity_depth or np.inf))


def necks_of(study: Study) -> Floats:
    """Number, radius [m] and length [m] of a cell's necks, viscosity [Pa s]; all 0 without any."""
    cell = study.cell
    if cell.back != "necked":
        return NO_NECK
    assert cell.neck_radius is not None
    assert cell.neck_length is not None
    shape = (cell.neck_count, cell.neck_radius, cell.neck_length, study.air_state.viscosity)
    return np.array(shape, dtype=np.float64)


def back_load(designs: Designs, study: Study, w: Floats) -> NDArray[np.complex128]:
    """Pressure per volume that the back holds against the diaphragm [Pa/m3] (M5.11, M5.16).

    ``w`` (design, group, ...) in rad/s; 0 where vented.
    """
    closed = cavity_stiffness(designs, study).reshape(designs.radius.shape + (1,) * (w.ndim - 2))
    if study.cell.back != "necked":
        return np.asarray(closed + 0.0j)
    air, (count, radius, length, _) = study.air_state, necks_of(study)
    neck = necked_cavity(
        air,
        swept_volume=1.0,
        cavity_volume=1.0,
        neck_radius=radius,
        neck_length=length,
        frequency=w / (2.0 * np.pi),
    )
    area = count * np.pi * radius**2
    flow = count * (-(w**2) * neck.mass + 1j * w * neck.resistance)
    return np.asarray(closed * flow / (closed * area**2 + flow))


def _cavity_status(designs: Designs, study: Study, volume: Floats, w: Floats) -> Ints:
    _, radius, length, _ = necks_of(study)
    air, good = study.air_state, np.isfinite(w)
    found = necked_cavity(
        air,
        swept_volume=volume,
        cavity_volume=float(study.cell.cavity_depth or np.inf) ** 3,  # flat: its depth is its size
        neck_radius=radius,
        neck_length=length,
        frequency=np.where(good, w / (2.0 * np.pi), 1e3),
    )
    wide = w * designs.radius / air.sound_speed > CAVITY_LIMIT
    return np.where(good & (wide | (found.status != 0)), int(CellStatus.CAVITY), 0)


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
    return plate_table(covered, bare, ring=ring, n_transverse=n_transverse)


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


def _status(plate: Ints, weak: Ints, ka: Floats) -> Ints:
    status = np.zeros(plate.shape, dtype=np.int64)
    for flags, mine in (
        (PlateStatus.BUCKLED, CellStatus.BUCKLED),
        (PlateStatus.NOT_CONVERGED, CellStatus.NOT_CONVERGED),
        (PlateStatus.COVERAGE_OUT_OF_RANGE | PlateStatus.BAD_INPUT, CellStatus.OUT_OF_RANGE),
    ):
        status |= np.where(plate & int(flags), int(mine), 0)
    status |= np.where(weak != 0, int(CellStatus.STRONGLY_QUADRATIC), 0)
    # NaN compares false: a plate without modes keeps its own reason only.
    status |= np.where(ka > SERIES_LIMIT, int(CellStatus.OUT_OF_RANGE), 0)
    return status
