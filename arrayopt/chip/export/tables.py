"""The tables beside a layout: cells, drive and layers, written and read back as CSV."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from arrayopt.base.glossary import attrs
from arrayopt.chip.export.files import Arrays
from arrayopt.chip.geometry import polygon_area
from arrayopt.chip.layout import ChipLayout
from arrayopt.chip.process import MADE, Process
from arrayopt.chip.streets import net_of
from arrayopt.design.designs import Designs
from arrayopt.merits.cautions import DISCLAIMER, cautions
from arrayopt.models.array import SWEEPS, bursts
from arrayopt.models.electrodes import capacitance
from arrayopt.models.waves import driven
from arrayopt.study.model import WAVE_VARIABLES, Study

SAMPLES = 40
"""Samples of a waveform in a cycle of its highest frequency."""

SWEEP_SLOWNESS = 20.0
"""A sweep stays this many times 1 / linewidth within one linewidth: about 60 ring-down constants,
so that the response is the steady one (the amplitude follows with time constant Q / (pi f))."""


def steering_delay(position: Any, study: Study) -> Any:
    """Delay of every cell [s] that points the beam at the target, (cell,); smallest is 0."""
    if not study.target.steered:
        return np.zeros(len(position))
    x, y = study.target.sine_vector()
    delay = (position[:, 0] * x + position[:, 1] * y) / study.air_state.sound_speed
    return delay - delay.min()


def cell_rows(chip: ChipLayout, one: Arrays, study: Study) -> list[dict[str, Any]]:
    """One row a cell: place, sizes as designed and as drawn, and predictions."""
    radius, coverage, ring = one["radius"], one["electrode_coverage"], one["ring"].astype(bool)
    charge = capacitance(study, radius=radius, coverage=coverage, ring=ring)
    delay = steering_delay(chip.position, study)
    return [
        {
            "cell": cell,
            "channel": int(one["channel"][cell]),
            "block": chip.block_of_cell[cell],
            "x_m": round(float(chip.position[cell, 0]), 12),
            "y_m": round(float(chip.position[cell, 1]), 12),
            "radius_m": float(radius[cell]),
            "electrode_coverage": float(coverage[cell]),
            "electrode": "ring" if ring[cell] else "disc",
            "drawn_cavity_radius_m": float(chip.drawn.cavity[cell]),
            "drawn_electrode_outer_radius_m": float(chip.drawn.top_outer[cell]),
            "drawn_electrode_inner_radius_m": float(chip.drawn.top_inner[cell]),
            "predicted_frequency_Hz": float(one["cell_frequency"][cell]),
            "predicted_quality_factor": float(one["cell_quality_factor"][cell]),
            "predicted_onset_voltage_V": float(one["cell_onset_voltage"][cell]),
            "predicted_static_deflection_m": float(one["cell_static_deflection"][cell]),
            "capacitance_F": float(charge[cell]),
            "steering_delay_s": float(delay[cell]),
        }
        for cell in range(len(radius))
    ]


@dataclass(frozen=True)
class Sweep:
    """A slow sweep that shows the whole band: from, to [Hz], fastest rate [Hz/s]."""

    low: float
    high: float
    rate: float


def slow_sweep(one: Arrays) -> Sweep:
    """Half a bandwidth beyond the band, as fast as the narrowest cell still follows."""
    linewidth = float(np.nanmin(one["cell_frequency"] / one["cell_quality_factor"]))
    low, high = float(one["band_lower"]), float(one["band_upper"])
    reach = 0.5 * (high - low)
    return Sweep(low - reach, high + reach, linewidth**2 / SWEEP_SLOWNESS)


def _timing(one: Arrays, study: Study) -> dict[str, Any]:
    """How to drive in time, the same for every channel; empty where it does not apply."""
    low, high = float(one["band_lower"]), float(one["band_upper"])
    centre, target, chirp = 0.5 * (low + high), study.target, study.target.chirp
    direction: str = ""
    start: Any = ""
    stop: Any = ""
    rate: Any = ""
    burst: Any = 1.0 / (high - low)
    if target.burst_length is not None:
        burst = float(bursts(np.array(centre), target.burst_length).duration)
    if target.excitation in SWEEPS:
        sweep = slow_sweep(one)
        direction, rate = target.excitation.removesuffix("-sweep"), sweep.rate
        start, stop = (sweep.low, sweep.high) if direction == "up" else (sweep.high, sweep.low)
    elif target.excitation == "waveform" and "pulse_carrier" in one:
        burst = float(np.max(one["pulse_cycles"] / one["pulse_carrier"]))
    elif target.excitation == "waveform" and "chirp_start" in one:
        start, stop = float(one["chirp_start"][0]), float(one["chirp_end"][0])
        burst = float(one["chirp_duration"][0])
    elif target.excitation == "chirp" and chirp is not None:
        start, stop, burst = chirp.start, chirp.end, chirp.duration
        rate = (stop - start) / burst
    return {
        "excitation": target.excitation,
        "sweep_direction": direction,
        "sweep_start_Hz": start,
        "sweep_stop_Hz": stop,
        "sweep_rate_Hz_per_s": rate,
        "carrier_Hz": centre,
        "burst_length_s": burst,
    }


def drive_rows(chip: ChipLayout, one: Arrays, study: Study) -> list[dict[str, Any]]:
    """One row a channel: what to apply to its pad, and how to sweep and burst."""
    channel = one["channel"]
    charge = capacitance(
        study,
        radius=one["radius"],
        coverage=one["electrode_coverage"],
        ring=one["ring"].astype(bool),
    )
    timing = _timing(one, study)
    rows = []
    for number in range(int(channel.max()) + 1):
        cells = np.flatnonzero(channel == number)
        phase = float(one["drive_phase"][cells[0]])
        rows.append(
            {
                "channel": number,
                "pad": net_of(number),
                "cells": len(cells),
                "drive_amplitude_V": float(one["drive_amplitude"][cells[0]]),
                "drive_phase_rad": phase,
                "delay_at_centre_s": (-phase / math.tau % 1.0) / timing["carrier_Hz"],
                "bias_V": float(one["bias"][cells[0]]),
                **timing,
                **{
                    f"{name}_{attrs(name)['units']}": float(one[name][cells[0]])
                    for name in WAVE_VARIABLES
                    if name in one
                },
                "capacitance_F": float(charge[cells].sum()),
            }
        )
    return rows


def waveform_rows(designs: Designs, study: Study) -> list[dict[str, float]]:
    """The waveform of every channel as samples, phase included, bias not: a row a time."""
    found, layout = driven(designs, study), designs.layout
    last = max(wave.whole for wave in found.waves[0])
    highest = max(max(wave.carrier, wave.last) for wave in found.waves[0])
    time = np.linspace(0.0, last, int(np.ceil(SAMPLES * highest * last)) + 1)
    first = [int(np.argmax(layout.group_channel == k)) for k in range(layout.n_channels)]
    columns = {"time_s": time}
    for channel, group in enumerate(first):
        turn = np.exp(1j * designs.drive_phase[0, group])
        wave = found.waves[0][found.group[group]].at(time)
        volts = designs.drive_amplitude[0, group] * (turn * wave).real
        columns[f"channel_{channel}_V"] = volts
    return [{name: float(values[k]) for name, values in columns.items()} for k in range(time.size)]


def drive_notes(one: Arrays, study: Study) -> list[str]:
    """Safety notes and readings that travel with the drive table."""
    target = study.target
    notes = [
        "drive_amplitude: peak of the AC voltage on the pad against GND; bias: the DC part.",
        "delay_at_centre: what the phase lead leaves of one period at the centre of the band.",
    ]
    if target.excitation == "waveform":
        notes.append("the excitation is the study's waveform: waveform.csv holds it as samples.")
    elif target.excitation == "chirp":
        notes.append("the excitation is a chirp: from sweep_start to sweep_stop in burst_length.")
    elif target.burst_length is None:
        notes.append("burst_length is 1 / bandwidth, the shortest burst that fills the band.")
    elif target.burst_length.in_cycles:
        cycles = f"{target.burst_length.value:g}"
        notes.append(f"burst_length is {cycles} cycles: {cycles} / carrier at another carrier.")
    else:
        notes.append("burst_length is the study's, the same at every carrier.")
    if target.excitation in SWEEPS:
        notes.append(
            "sweep_rate is the fastest at which the narrowest cell follows as in the steady state; "
            "slower is safe."
        )
    else:
        notes.append("there is no sweep direction: what came before a pulse has died away.")
    if target.steered:
        notes.append("the beam is steered: add steering_delay of cells.csv for every cell.")
    for caution in cautions(study, one):
        notes.append(f"CAUTION, {caution.topic}: {caution.text}")
    return [*notes, DISCLAIMER]


def layer_rows(chip: ChipLayout, study: Study, process: Process) -> list[dict[str, Any]]:
    """One row a mask layer, in the order of making, with what is drawn on it."""
    count = {role: 0 for role in process.layers}
    area = {role: 0.0 for role in process.layers}
    blocks = {block.name: block for block in chip.blocks}
    sizes = {
        name: [(role, abs(polygon_area(points)) * 1e-18) for role, points in block.polygons]
        for name, block in blocks.items()
    }
    for place in chip.placements:
        for role, size in sizes[place.block]:
            count[role] += 1
            area[role] += size
    for role, points, _ in chip.polygons:
        count[role] += 1
        area[role] += abs(polygon_area(points)) * 1e-18
    made_of = {
        "bottom-electrode": _materials(study, "bottom-electrode"),
        "film-opening": _materials(study, "film"),
        "top-electrode": _materials(study, "top-electrode"),
    }
    rows = []
    order = [role for role in (*MADE, "outline", "label") if role in process.layers]
    for role in order:
        layer = process.layers[role]
        rows.append(
            {
                "name": layer.name,
                "layer": layer.number,
                "datatype": layer.datatype,
                "role": role,
                "purpose": layer.purpose,
                "material": made_of.get(role, ""),
                "min_width_m": layer.min_width,
                "min_space_m": layer.min_space,
                "min_overlap_m": layer.min_overlap,
                "edge_shift_m": layer.edge_shift,
                "polygons": count[role],
                "drawn_area_m2": area[role],
            }
        )
    return rows


def _materials(study: Study, role: str) -> str:
    chosen = [layer for layer in study.stack if layer.role == role]
    return "; ".join(f"{layer.material} {layer.thickness * 1e6:.6g} um" for layer in chosen)
