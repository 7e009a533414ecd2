"""Figures of merit of a batch of designs, with a status each (M10).

A merit is one function here and its row in the glossary. It asks an `Asked`: the model, and what
was computed with it so far.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.shares import spread
from arrayopt.base.status import BESIDE, Status, translated
from arrayopt.design.designs import occupied
from arrayopt.models.array import SWEEPS, ArrayModel, Band
from arrayopt.models.beam import beam_patterns, beam_width, side_lobe_level
from arrayopt.models.cells import tables
from arrayopt.models.choose import excitation_of
from arrayopt.models.echo import EchoFigures, echo_figures
from arrayopt.models.excitations.figures import PulseFigures
from arrayopt.models.excitations.waveform import (
    Sent,
    compressions,
    energies,
    lengths,
    ring_downs,
    spectrum_width,
)
from arrayopt.models.traces import Traces
from arrayopt.models.waves import driven, extremes
from arrayopt.physics.intime.pulse import dead_zone
from arrayopt.physics.plate.diaphragm import film_stress
from arrayopt.physics.sound.level import sound_pressure_level


class Asked:
    """The chips' answers under the study's excitation, each computed once; (design, chip)."""

    def __init__(
        self, model: ArrayModel, band: Band | None = None, onset_most: Floats | None = None
    ) -> None:
        self.model, self.study, self.designs = model, model.study, model.designs
        self.cells = model.made.nominal
        self.level = 10.0 ** (self.study.target.level / 20.0)
        self.sweep = SWEEPS[self.study.target.sweep]
        self.driven = self.designs.drive_amplitude > 0.0
        excitation = excitation_of(self.study)
        assert excitation is not None
        self.excitation = excitation
        self.lacking: Ints = np.zeros((len(self.designs), model.count), dtype=np.int64)
        """`Status` of what was asked beside the band."""
        self._onset_most = onset_most
        if band is not None:  # known from before
            vars(self)["band"] = band

    def of_chips(self, values: Floats) -> Floats:
        """Coefficients (design, chip, cell) of `Made` without the chips that are not shown."""
        return values[:, : self.model.count]

    @cached_property
    def band(self) -> Band:
        """Under the excitation."""
        return self.excitation.band(self.model, self.level)

    @cached_property
    def status(self) -> Ints:
        """Why a chip has no band, (design, chip)."""
        overlooked = 0 if "quadratic_ratio" in self.model.trusted else Status.STRONGLY_QUADRATIC
        flags = np.where(self.driven, self.cells.status & ~int(overlooked), 0)
        return np.asarray(self.band.status | np.bitwise_or.reduce(flags, axis=1)[:, None])

    @cached_property
    def onset(self) -> Floats:
        """Of every chip's array, (design, chip) [V]."""
        found = self.model.onset(self._onset_most)
        self.lacking |= np.where(np.isnan(found), int(Status.OUTRACED), 0)
        return found

    @cached_property
    def burst(self) -> Band | None:
        """Under the study's bursts; None where it has none."""
        return self.beside("burst")

    @cached_property
    def sent(self) -> Traces | None:
        """The pulse under the design's own waveform; None where the study has none."""
        if self.study.waveform is None:
            return None
        found = self.model.sent
        self.lacking |= found.status
        return found

    @cached_property
    def echo(self) -> EchoFigures | None:
        """What is heard of the pulse; None where the study hears nothing."""
        if self.sent is None or self.study.echo is None:
            return None
        return echo_figures(self.model, self.sent)

    @cached_property
    def compressed(self) -> tuple[Floats, Floats] | None:
        """Width and side lobes by the replica of a chip made as drawn."""
        if self.sent is None:
            return None
        drawn = self.model.drawn.sent
        self.lacking |= drawn.status
        return compressions(self.sent, drawn)

    @cached_property
    def unbraked(self) -> Floats | None:
        """Dead zone without the braking tail, where any design of the study has one."""
        if self.sent is None or not self._tailed:
            return None
        found = self.model.unbraked
        self.lacking |= found.status
        quiet = ring_downs(found)[1]
        return dead_zone(
            found.drive_end[:, None], ring_down=quiet, sound_speed=self.study.air_state.sound_speed
        )

    @property
    def _tailed(self) -> bool:
        return bool(np.any(self.designs.waveform.get("tail_cycles", 0.0)))

    @cached_property
    def extremes(self) -> tuple[Floats, Floats] | None:
        """Largest voltage and slew of the waveform on any channel, (design,)."""
        if self.study.waveform is None:
            return None
        return extremes(self.designs, driven(self.designs, self.study))

    @cached_property
    def pulse(self) -> PulseFigures | None:
        """Of the waveform, else of the excitation, else of the bursts beside it."""
        if self.sent is not None:
            return Sent().pulse(self.model, self.band)
        found = self.excitation.pulse(self.model, self.band)
        bursts = excitation_of(self.study, "burst")
        if found is None and bursts is not None and self.burst is not None:
            found = bursts.pulse(self.model, self.burst)
        if found is not None:
            self.lacking |= found.status
        return found

    @cached_property
    def beam(self) -> Floats:
        """Patterns at the chips' median centre frequency, (plane, design, chip, angle)."""
        return beam_patterns(self.model, spread(self.band.centre)[1], self.sweep)

    def changed(self, **how: bool) -> Band:
        """The band of the same excitation at small signal, or sent and received."""
        return self.excitation.band(self.model, self.level, **how)

    def beside(self, name: str) -> Band | None:
        """The band under an excitation that need not be the study's own; None: it has no such."""
        if name == self.study.target.excitation:
            return self.band
        other = excitation_of(self.study, name)
        if other is None:
            return None
        band = other.band(self.model, self.level)
        self.lacking |= translated(band.status, BESIDE) | (band.status & ~int(sum(BESIDE)))
        return band

    def values(self, names: frozenset[str]) -> dict[str, Floats]:
        """Merits of these names that the study has, (design, chip), chip 1 where all are alike."""
        found = {name: function(self) for name, function in MERITS.items() if name in names}
        return {name: np.array(value) for name, value in found.items() if value is not None}


def _film_stress(a: Asked) -> Floats:
    study, group = a.study, a.designs.layout.group_of_cell
    rings = np.asarray(a.designs.ring, dtype=bool)
    disc, ring = tables(
        study.stack, study.model.n_transverse, disc=not rings.all(), ring=bool(rings.any())
    )
    active = next(k for k, layer in enumerate(study.stack) if layer.active)
    # of the cells of a group the one that moves most
    moved = np.full((*a.band.deflection.shape[:2], a.designs.layout.n_groups), -np.inf)
    np.maximum.at(np.moveaxis(moved, 2, 0), group, np.moveaxis(a.band.deflection, 2, 0))
    largest = np.zeros(moved.shape[:2])
    for chip, sign in product(range(moved.shape[1]), (-1.0, 1.0)):
        stress = film_stress(
            disc,
            ring,
            radius=a.designs.radius,
            coverage=a.designs.electrode_coverage,
            ring=a.designs.ring,
            voltage=a.designs.bias + sign * a.designs.drive_amplitude,
            shape=a.cells.modes.static_shape + sign * moved[:, chip, :, None] * a.cells.shape,
        )
        worst = np.maximum(np.abs(stress.centre[..., active]), np.abs(stress.edge[..., active]))
        largest[:, chip] = np.maximum(largest[:, chip], worst.max(axis=1))
    return largest


def _deflection(a: Asked) -> Floats:
    still = np.abs(a.cells.static_deflection)[:, a.designs.layout.group_of_cell]
    return np.asarray((still[:, None] + a.band.deflection).max(axis=-1) / a.study.thickness)


def _bow(a: Asked) -> Floats:
    quadratic, stiffness = (
        a.of_chips(a.model.made.quadratic),
        a.of_chips(a.model.made.arrays.stiffness),
    )
    with np.errstate(invalid="ignore"):
        bow = np.abs(quadratic) * a.band.deflection / stiffness
    return np.asarray(bow.max(axis=-1))


def _energy(a: Asked) -> Floats | None:
    if a.sent is None:
        return None
    air = a.study.air_state
    return energies(a.sent, density=air.density, sound_speed=air.sound_speed)


def _range(a: Asked) -> Floats:
    return np.maximum.reduce([MERITS[name](a) / end for name, end in a.model.trusted.items()])


def _field(a: Asked) -> Floats:
    voltage = np.abs(a.designs.bias) + a.designs.drive_amplitude
    return np.asarray(voltage.max(axis=1) / a.study.film.thickness)[:, None]


Merit = Callable[[Asked], Any]
"""(design, chip), SI, levels in dB, angles in degrees; None where the study has no such thing."""

_EVERY_TIME: dict[str, Merit] = {
    "fractional_bandwidth": lambda a: a.band.fractional_width,
    "centre_frequency": lambda a: a.band.centre,
    "ripple": lambda a: a.band.ripple,
    "peak_pressure": lambda a: a.band.peak_pressure,
    "peak_level": lambda a: sound_pressure_level(a.band.peak_pressure),
    "swept_range_resolution": lambda a: a.study.air_state.sound_speed / (2.0 * a.band.width),
    "drive_power": lambda a: a.band.power,
    "deflection_ratio": _deflection,
    "quadratic_ratio": _bow,
    "model_range": _range,
    "electric_field": _field,
    "die_area": lambda a: occupied(a.designs, a.study).prod(axis=1)[:, None],
}
_WHERE_ASKED: dict[str, Merit] = {
    "onset_voltage": lambda a: a.onset,
    "drive_to_onset": lambda a: a.designs.drive_amplitude.max(axis=1)[:, None] / a.onset,
    "small_signal_bandwidth": lambda a: a.changed(small=True).fractional_width,
    "two_way_bandwidth": lambda a: a.changed(two_way=True).fractional_width,
    "swept_bandwidth": lambda a: _width(a.beside("up-sweep")),
    "burst_bandwidth": lambda a: _width(a.burst),
    "ring_down_time": lambda a: a.pulse and a.pulse.ring_down,
    "ring_down_time_40": lambda a: a.pulse and a.pulse.quiet,
    "dead_zone": lambda a: a.pulse and a.pulse.dead_zone,
    "pulse_bandwidth": lambda a: a.pulse and a.pulse.spectrum,
    "pulse_level": lambda a: a.sent and sound_pressure_level(np.abs(a.sent.pressure).max(axis=2)),
    "pulse_length": lambda a: a.sent and lengths(a.sent),
    "pulse_spectrum_bandwidth": lambda a: a.sent and spectrum_width(a.sent),
    "pulse_energy": _energy,
    "compressed_width": lambda a: a.compressed and a.compressed[0],
    "compressed_width_own": lambda a: a.sent and compressions(a.sent, None)[0],
    "range_side_lobes": lambda a: a.compressed and a.compressed[1],
    "range_resolution": lambda a: (
        a.compressed and 0.5 * a.study.air_state.sound_speed * a.compressed[0]
    ),
    "dead_zone_unbraked": lambda a: a.unbraked,
    "drive_voltage": lambda a: a.extremes and a.extremes[0][:, None],
    "drive_slew": lambda a: a.extremes and a.extremes[1][:, None],
    "echo_voltage": lambda a: a.echo and a.echo.voltage,
    "signal_to_noise": lambda a: a.echo and a.echo.level,
    "maximum_range": lambda a: a.echo and a.echo.range,
    "time_of_flight_error": lambda a: a.echo and a.echo.delay,
    "envelope_time_error": lambda a: a.echo and a.echo.envelope_delay,
    "film_stress": _film_stress,
    "beam_width": lambda a: np.degrees(np.maximum(*map(beam_width, a.beam))),
    "side_lobe_level": lambda a: np.maximum(*map(side_lobe_level, a.beam)),
}
MERITS = _EVERY_TIME | _WHERE_ASKED
"""Every merit of the glossary, by name."""

QUICK = frozenset(_EVERY_TIME)
"""Merits that come with every evaluation; the others are computed where they are asked for."""


def _width(band: Band | None) -> Floats | None:
    return None if band is None else band.fractional_width
