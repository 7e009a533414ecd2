"""Figures of merit of a batch of designs, with a status each (M10)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

from arrayopt.design.designs import Designs, clearance_margin, die_margin, occupied
from arrayopt.models.beam import beam_pattern, beam_width, side_lobe_level
from arrayopt.models.cells import Cells, CellStatus, build_cells, tables
from arrayopt.models.coupled.band import COUPLED_SHIFT
from arrayopt.models.excitation import (
    BURST_STATUS_SHIFT,
    PULSE_STATUS_SHIFT,
    excitation_band,
    fractional_width,
    pulse_merits,
)
from arrayopt.models.loop import (
    coupled_band,
    coupled_in_loop,
    mutual_in_loop,
    necked_swing,
    necked_two_way,
)
from arrayopt.models.one_mode.band import Band
from arrayopt.models.one_mode.grid import BandStatus
from arrayopt.models.one_mode.response import SMALL, SWEEPS, UP, Packed, pack
from arrayopt.models.pulses.figures import PulseFigureStatus
from arrayopt.models.several_modes.sweep import SweepSettings, SweepStatus, multimode_response
from arrayopt.physics.coupled.arrays import CoupledStatus
from arrayopt.physics.plate.diaphragm import film_stress
from arrayopt.physics.sound.level import sound_pressure_level
from arrayopt.study.model import Study

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

QUICK = frozenset(
    {
        "fractional_bandwidth",
        "onset_voltage",
        "first_onset_voltage",
        "drive_to_onset",
        "peak_pressure",
        "peak_level",
        "centre_frequency",
        "ripple",
        "range_resolution",
        "deflection_ratio",
        "quadratic_ratio",
        "model_range",
        "electric_field",
        "drive_power",
        "die_area",
    }
)
"""Merits that come with every evaluation; the others are computed where they are asked for."""

CELL_STATUS_SHIFT = 8
SWEEP_STATUS_SHIFT = 16

ONE_MODE_DEFLECTION = 1.2
"""Deflection ratio up to which one mode is trusted (M7.10): near the 1:3 resonance with (0,2)."""

ONE_MODE_BOW = 0.15
"""Quadratic ratio up to which one effective cubic is within 5 % of the frequency shift (M7.5)."""

PLATE_DEFLECTION = 2.0
"""Deflection ratio up to which the plate model is trusted at all (M2)."""

HOPELESS_DEFLECTION = 3.5
"""One mode's deflection ratio beyond which several modes also leave the plate model's range."""


class MeritStatus(IntFlag):
    """Why a design has no merits: the band's reasons, and the cells' shifted by 8 bits."""

    OK = 0
    NOT_DRIVEN = BandStatus.NOT_DRIVEN
    OFF_GRID = BandStatus.OFF_GRID
    GRID_LIMIT = BandStatus.GRID_LIMIT
    RUNAWAY = BandStatus.RUNAWAY
    NO_ONSET = 16
    """A driven cell never becomes bistable, so the array has no onset voltage."""
    MUTUAL_UNSETTLED = CoupledStatus.NOT_SETTLED << COUPLED_SHIFT
    MUTUAL_OUT_OF_RANGE = CoupledStatus.KA_RANGE << COUPLED_SHIFT
    CELLS_OVERLAP = CoupledStatus.OVERLAP << COUPLED_SHIFT
    BUCKLED = CellStatus.BUCKLED << CELL_STATUS_SHIFT
    NOT_CONVERGED = CellStatus.NOT_CONVERGED << CELL_STATUS_SHIFT
    OUT_OF_RANGE = CellStatus.OUT_OF_RANGE << CELL_STATUS_SHIFT
    STRONGLY_QUADRATIC = CellStatus.STRONGLY_QUADRATIC << CELL_STATUS_SHIFT
    CAVITY = CellStatus.CAVITY << CELL_STATUS_SHIFT
    SWEEP_CELLS = SweepStatus.CELLS << SWEEP_STATUS_SHIFT
    SWEEP_COARSE = SweepStatus.COARSE << SWEEP_STATUS_SHIFT
    SWEEP_UNSETTLED = SweepStatus.UNSETTLED << SWEEP_STATUS_SHIFT
    SWEEP_ESCAPED = SweepStatus.ESCAPED << SWEEP_STATUS_SHIFT
    SWEEP_OFF_GRID = SweepStatus.OFF_GRID << SWEEP_STATUS_SHIFT
    SWEEP_UNREFINED = SweepStatus.UNREFINED << SWEEP_STATUS_SHIFT
    BURST_OFF_GRID = BandStatus.OFF_GRID << BURST_STATUS_SHIFT
    BURST_GRID_LIMIT = BandStatus.GRID_LIMIT << BURST_STATUS_SHIFT
    BURST_RUNAWAY = BandStatus.RUNAWAY << BURST_STATUS_SHIFT
    STILL_RINGING = PulseFigureStatus.STILL_RINGING << PULSE_STATUS_SHIFT
    PULSE_RUNAWAY = PulseFigureStatus.RUNAWAY << PULSE_STATUS_SHIFT
    NO_CARRIER = PulseFigureStatus.NO_CARRIER << PULSE_STATUS_SHIFT
    NO_SPECTRUM = PulseFigureStatus.NO_SPECTRUM << PULSE_STATUS_SHIFT


_BOWED = int(MeritStatus.STRONGLY_QUADRATIC)


@dataclass(frozen=True)
class MeritTable:
    """Merits of a batch.

    Parameters
    ----------
    values : name -> (design,), SI, levels in dB, angles in degrees; NaN where there is none.
    band_lower, band_upper : (design,) [Hz].
    clearance_margin, die_margin : (design,) [m]; negative is a violation. Never NaN.
    several_modes : (design,) True where the multi-mode model was used.
    status : (design,) MeritStatus; a design whose status is not 0 has NaN merits.
    """

    values: Mapping[str, Floats]
    band_lower: Floats
    band_upper: Floats
    clearance_margin: Floats
    die_margin: Floats
    several_modes: NDArray[np.bool_]
    status: Ints


def compute_merits(
    designs: Designs,
    study: Study,
    *,
    cells: Cells | None = None,
    wanted: frozenset[str] | None = None,
    deflection_limit: float = np.inf,
) -> MeritTable:
    """All merits of a batch of designs in the study's excitation (M10).

    Parameters
    ----------
    designs : Designs
        (design, group).
    study : Study
    cells : of these designs in this study; None builds them.
    wanted : names of merits beyond `QUICK` that are needed; None for every one.
    deflection_limit : largest deflection_ratio of use; designs past the one-mode model's range are
        computed again with several modes only where it allows them.

    Returns
    -------
    MeritTable
        Independent of how designs are divided into batches.
    """
    cells = build_cells(designs, study) if cells is None else cells
    packed = pack(cells, designs, study)
    sweep = SWEEPS[study.target.sweep]
    band = _band(cells, packed, designs, study)
    status = band.status | (_any_driven(cells, designs) << CELL_STATUS_SHIFT)
    values = merits_of_band(cells, band, designs, study)
    values |= _onset_merits(cells, designs)
    several = _several_modes(values, study, deflection_limit) & (status & ~_BOWED == 0)
    if several.any():
        band, status = _with_several_modes(designs, study, band, status, several, sweep)
        values |= merits_of_band(cells, band, designs, study)
    values["model_range"] = _model_range(values, several)
    sides = occupied(designs, study)
    values["die_area"] = sides[:, 0] * sides[:, 1]
    status |= np.where(np.isinf(values["onset_voltage"]), int(MeritStatus.NO_ONSET), 0)

    def needs(*names: str) -> bool:
        return wanted is None or not wanted.isdisjoint(names)

    if needs("small_signal_bandwidth"):
        weak = (
            excitation_band(cells, packed, study, small=True)
            if cells.necked is None
            else coupled_band(cells, designs, study, SMALL)
        )
        values["small_signal_bandwidth"] = fractional_width(weak)
    if cells.necked is None:
        if needs("two_way_bandwidth"):
            echo = excitation_band(cells, packed, study, two_way=True)
            values["two_way_bandwidth"] = fractional_width(echo)
        pulses, lacking = pulse_merits(cells, packed, study, band, needs)
        values |= pulses
        status |= lacking
    else:
        if needs("two_way_bandwidth"):
            values["two_way_bandwidth"] = necked_two_way(cells, designs, study, sweep=sweep)
        if needs("swept_bandwidth"):
            up = band if sweep == UP else coupled_band(cells, designs, study, UP)
            values["swept_bandwidth"] = fractional_width(up)
    if needs("film_stress"):
        values["film_stress"] = _film_stress(cells, band, designs, study)
    if needs("beam_width", "side_lobe_level"):
        values |= _beam_merits(cells, packed, designs, study, values["centre_frequency"], sweep)
    for value in values.values():
        value[status != 0] = np.nan
    return MeritTable(
        values=values,
        band_lower=np.where(status == 0, band.lower_edge, np.nan),
        band_upper=np.where(status == 0, band.upper_edge, np.nan),
        clearance_margin=clearance_margin(designs, study),
        die_margin=die_margin(designs, study),
        several_modes=several,
        status=status,
    )


def _band(cells: Cells, packed: Packed, designs: Designs, study: Study) -> Band:
    """The band under the study's excitation, of cells on their own or coupled by their sound."""
    if not coupled_in_loop(study):
        return excitation_band(cells, packed, study)
    return coupled_band(cells, designs, study, SWEEPS[study.target.excitation])


def merits_of_band(cells: Cells, band: Band, designs: Designs, study: Study) -> dict[str, Floats]:
    """Merits that follow from a band and the cells' deflections, whatever model gave them."""
    return _band_merits(band, study) | _load_merits(cells, band, designs, study)


def _several_modes(
    values: Mapping[str, Floats], study: Study, deflection_limit: float
) -> NDArray[np.bool_]:
    """Which designs the study's model computes with several modes."""
    deflection, bow = values["deflection_ratio"], values["quadratic_ratio"]
    if study.model.kind == "multi-mode":
        return np.isfinite(deflection)
    if not study.model.escalate or study.cell.mode != 1 or study.target.excitation not in SWEEPS:
        return np.zeros(deflection.shape, dtype=bool)
    past = (deflection > ONE_MODE_DEFLECTION) & (deflection_limit > ONE_MODE_DEFLECTION)
    return (past | (bow > ONE_MODE_BOW)) & (deflection < HOPELESS_DEFLECTION)


def _with_several_modes(
    designs: Designs,
    study: Study,
    band: Band,
    status: Ints,
    several: NDArray[np.bool_],
    sweep: int,
) -> tuple[Band, Ints]:
    """The band with the chosen designs computed anew."""
    settings = SweepSettings(study.model.modes, study.model.harmonics)
    chosen = np.flatnonzero(several)
    picked = designs.take(chosen)
    strong = multimode_response(picked, study, sweep=sweep, settings=settings)
    fields = {name: getattr(band, name).copy() for name in Band.__dataclass_fields__}
    computed = Band(
        strong.band.peak_pressure,
        strong.band.peak_frequency,
        strong.band.lower_edge,
        strong.band.upper_edge,
        strong.band.ripple,
        strong.power,
        strong.deflection,
        strong.status,
    )
    if mutual_in_loop(study):
        # Both effects on the one-mode band of cells on their own; they are not computed together.
        cells = build_cells(picked, study)
        alone = (
            excitation_band(cells, pack(cells, picked, study), study)
            if cells.necked is None
            else coupled_band(cells, picked, study, sweep, mutual=False)
        )
        computed = _both(computed, _taken(band, chosen), alone)
    for name in fields:
        if name != "status":
            fields[name][chosen] = getattr(computed, name)
    status = status.copy()
    # The multi-mode model has no weakly-quadratic condition.
    status[chosen] = (status[chosen] & ~_BOWED) | (strong.status << SWEEP_STATUS_SHIFT)
    return Band(**fields), status


def _taken(band: Band, rows: NDArray[np.intp]) -> Band:
    return Band(**{name: getattr(band, name)[rows] for name in Band.__dataclass_fields__})


def _both(first: Band, second: Band, plain: Band) -> Band:
    """A band changed as ``first`` and as ``second`` differ from ``plain``: factors, dB added."""
    fields = {}
    for name in Band.__dataclass_fields__:
        if name not in ("ripple", "status"):
            base = getattr(plain, name)
            # cells that nothing drives do not move in one model and hardly in another
            still = base == 0.0
            factor = np.where(still, 1.0, getattr(first, name) / np.where(still, 1.0, base))
            fields[name] = factor * getattr(second, name)
    return Band(**fields, ripple=first.ripple + second.ripple - plain.ripple, status=first.status)


def _model_range(values: Mapping[str, Floats], several: NDArray[np.bool_]) -> Floats:
    deflection = values["deflection_ratio"]
    one = np.maximum(deflection / ONE_MODE_DEFLECTION, values["quadratic_ratio"] / ONE_MODE_BOW)
    return np.where(several, deflection / PLATE_DEFLECTION, one)


def _any_driven(cells: Cells, designs: Designs) -> Ints:
    """Union of the flags of all driven groups, (design,)."""
    driven = designs.drive_amplitude > 0.0
    return np.bitwise_or.reduce(np.where(driven, cells.status, 0), axis=1)


def _band_merits(band: Band, study: Study) -> dict[str, Floats]:
    return {
        "fractional_bandwidth": fractional_width(band),
        "centre_frequency": 0.5 * (band.lower_edge + band.upper_edge),
        "ripple": band.ripple.copy(),
        "peak_pressure": band.peak_pressure.copy(),
        "peak_level": sound_pressure_level(band.peak_pressure),
        "range_resolution": study.air_state.sound_speed
        / (2.0 * (band.upper_edge - band.lower_edge)),
        "drive_power": band.power.copy(),
    }


def _onset_merits(cells: Cells, designs: Designs) -> dict[str, Floats]:
    driven = designs.drive_amplitude > 0.0
    return {
        "onset_voltage": np.where(driven, cells.onset, -np.inf).max(axis=1),
        "first_onset_voltage": np.where(driven, cells.onset, np.inf).min(axis=1),
        "drive_to_onset": (designs.drive_amplitude / cells.onset).max(axis=1),
    }


def _load_merits(cells: Cells, band: Band, designs: Designs, study: Study) -> dict[str, Floats]:
    swing = np.abs(cells.static_deflection) + band.deflection
    voltage = np.abs(designs.bias) + designs.drive_amplitude
    with np.errstate(invalid="ignore"):
        bow = np.abs(cells.quadratic) * band.deflection / cells.stiffness
    return {
        "deflection_ratio": swing.max(axis=1) / study.thickness,
        "quadratic_ratio": bow.max(axis=1),
        "electric_field": voltage.max(axis=1) / study.film.thickness,
    }


def _film_stress(cells: Cells, band: Band, designs: Designs, study: Study) -> Floats:
    rings = np.asarray(designs.ring, dtype=bool)
    disc, ring = tables(
        study.stack, study.model.n_transverse, disc=not rings.all(), ring=bool(rings.any())
    )
    active = next(k for k, layer in enumerate(study.stack) if layer.active)
    largest = np.zeros(len(designs))
    for sign in (-1.0, 1.0):
        shape = cells.modes.static_shape + sign * band.deflection[..., None] * cells.shape
        stress = film_stress(
            disc,
            ring,
            radius=designs.radius,
            coverage=designs.electrode_coverage,
            ring=designs.ring,
            voltage=designs.bias + sign * designs.drive_amplitude,
            shape=shape,
        )
        worst = np.maximum(np.abs(stress.centre[..., active]), np.abs(stress.edge[..., active]))
        largest = np.maximum(largest, worst.max(axis=1))
    return largest


def _beam_merits(
    cells: Cells, packed: Packed, designs: Designs, study: Study, frequency: Floats, sweep: int
) -> dict[str, Floats]:
    """Worst of the target's plane and the plane across it."""
    target = study.target
    swing = necked_swing(cells, designs, study, frequency, sweep)
    width, lobe = [], []
    for turn in (0.0, 0.5 * np.pi):
        pattern = beam_pattern(
            packed,
            position=designs.positions(),
            frequency=frequency,
            azimuth=target.azimuth + turn,
            steering=float(np.sin(target.polar)) if target.steered and turn == 0.0 else 0.0,
            sound_speed=study.air_state.sound_speed,
            sweep=sweep,
            swing=swing,
        )
        width.append(np.degrees(beam_width(pattern)))
        lobe.append(side_lobe_level(pattern))
    return {
        "beam_width": np.maximum(*width),
        "side_lobe_level": np.maximum(*lobe),
    }
