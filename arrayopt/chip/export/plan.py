"""The test plan: what to measure on a made chip, what to expect, and what is still good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.base.glossary import attrs, quantity
from arrayopt.base.shares import spread
from arrayopt.chip.export.curves import Curve, Curves
from arrayopt.chip.export.files import Stamp
from arrayopt.chip.export.tables import Sweep
from arrayopt.merits.chips import MeritTable, compute_merits
from arrayopt.merits.curves import AXES, pulse_curves
from arrayopt.models.array import DOWN, SMALL, UP
from arrayopt.models.chips import Chips
from arrayopt.models.choose import excitation_of
from arrayopt.models.excitations.burst import Burst
from arrayopt.physics.intime.slow_flow import linear_figures
from arrayopt.physics.steady.steady import onset_force
from arrayopt.study.model import Study

CHIPS = 32
"""Chips that a test plan's limits are taken from."""
SWEEP_WORDS = {
    "up": (UP, "pressure amplitude at the target on a slow up-sweep"),
    "down": (DOWN, "pressure amplitude at the target on a slow down-sweep"),
    "small": (SMALL, "pressure amplitude at the target if the cells were linear"),
}
TESTED = (
    "centre_frequency",
    "fractional_bandwidth",
    "peak_pressure",
    "peak_level",
    "onset_voltage",
)
"""Merits a lab measures on the whole array."""
PULSES = (
    "pulse_level",
    "pulse_length",
    "pulse_spectrum_bandwidth",
    "compressed_width",
    "range_side_lobes",
    "dead_zone",
)
"""The same of the pulse, of studies with a waveform."""


@dataclass(frozen=True)
class Plan:
    """Predicted curves (along frequency; bursts along carrier) and limit rows, from ``chips``."""

    curves: Curves
    limits: list[dict[str, Any]]
    chips: int


def test_plan(model: Chips, *, frequency: Floats, carriers: Floats) -> Plan:
    """Curves with bands and limits of one design.

    Parameters
    ----------
    model : chips of one design.
    frequency : (frequency,) [Hz] of the curves.
    carriers : (carrier,) [Hz] of bursts, for studies with a burst length.

    Returns
    -------
    Plan
        Medians of the chips, and as band and limits the lowest and the highest of them.
    """
    sends = model.study.waveform is not None
    tested = (*TESTED, *PULSES) if sends else TESTED
    table = compute_merits(model, wanted=frozenset(tested))
    curves: Curves = {"frequency": Curve("frequency", frequency, attrs("frequency"))}
    for word, (sweep, meaning) in SWEEP_WORDS.items():
        size = model.response(frequency[None], sweep)[0]
        curves |= _banded(f"pressure_{word}", meaning, "frequency", size)
    bursts = excitation_of(model.study, "burst")
    if isinstance(bursts, Burst):
        curves["carrier"] = Curve("carrier", carriers, attrs("frequency"))
        found = bursts.peaks(model, carriers[None])
        for name, size in zip(("burst_pressure", "burst_end_pressure"), found, strict=True):
            curves |= _banded(name, attrs(name)["long_name"], "carrier", size[0])
    if sends:
        for name, values in pulse_curves(model).items():
            along = next(axis for axis in AXES if quantity(axis).dims == quantity(name).dims)
            curves[name] = Curve(along, values[0], attrs(name))
    return Plan(curves, _array_limits(table, tested) + _cell_limits(model), model.count)


def _banded(name: str, meaning: str, along: str, size: Floats) -> Curves:
    """Median, lowest and highest of (chip, point); NaN where no chip has a value."""
    low, middle, high = spread(np.abs(size).T)
    return {
        key: Curve(along, values, {"units": "Pa", "long_name": f"{meaning}, {note}"})
        for key, values, note in (
            (name, middle, "median of the chips"),
            (f"{name}_low", low, "lowest chip"),
            (f"{name}_high", high, "highest chip"),
        )
    }


def _array_limits(table: MeritTable, tested: Sequence[str]) -> list[dict[str, Any]]:
    return [_limit("array", n, attrs(n)["units"], table.chips[n][0]) for n in tested]


def _cell_limits(model: Chips) -> list[dict[str, Any]]:
    """Each kind of cell: resonance, losses, onset, and small-signal displacement for one volt."""
    layout, cells, made = model.designs.layout, model.made.nominal, model.made.arrays
    linear = linear_figures(made)
    quality = 0.5 * linear.resonance / linear.decay
    mass = made.stiffness / linear.resonance**2
    onset = onset_force(mass, c=2.0 * mass * linear.decay, k1=made.stiffness, g=made.cubic)
    group = layout.group_of_cell
    drive = model.designs.drive_amplitude[:, None, group]
    with np.errstate(divide="ignore", invalid="ignore"):
        force = np.hypot(made.force_re, made.force_im) / drive
    force = np.where(drive > 0.0, force, np.abs(cells.force_per_volt)[:, None, group])
    scalars = {
        ("cell_frequency", "Hz"): linear.resonance / (2.0 * np.pi),
        ("cell_quality_factor", "1"): quality,
        ("cell_onset_voltage", "V"): onset / force,
        ("displacement_per_volt_at_resonance", "m/V"): force * quality / made.stiffness,
    }
    held = "with the necks of the back held: calculated, not to be measured"
    rows = []
    for number in range(layout.n_groups):
        alike = np.flatnonzero(group == number)
        for (name, unit), values in scalars.items():
            mine = values[0, : model.count, alike].ravel()
            rows.append(_limit(f"cells like {alike[0]}", name, unit, mine))
            if cells.necked is not None and name != "cell_onset_voltage":
                rows[-1]["note"] = held
    return rows


def _limit(where: str, name: str, unit: str, values: Floats) -> dict[str, Any]:
    low, middle, high = (float(x) for x in spread(values))
    lost = int(np.isnan(values).sum())
    return {
        "where": where,
        "quantity": name,
        "unit": unit,
        "nominal": middle,
        "pass_from": low,
        "pass_to": high,
        "note": f"{lost} of {values.size} chips have no value" if lost else "",
    }


def _burst_lines(plan: Plan, study: Study, first: dict[str, Any], ring: float) -> Sequence[str]:
    """What bursts, and the study's chirp, are to be sent."""
    lines = []
    if study.waveform is not None:
        lines.append(
            "- The study's waveform, channels as in waveform.csv (samples of time and voltage, to "
            f"be added to the bias); wait {10.0 * ring * 1e6:.4g} us or more between two. Compare "
            "the envelope with pulse_envelope of predicted-pulse.csv (lowest to highest chip), and "
            "after a filter matched to pulse_pressure the width with compressed_width."
        )
    chirp = study.target.chirp
    if study.target.excitation == "chirp" and chirp is not None:
        lines.append(
            f"- The study's chirp: {chirp.start / 1e3:.2f} to {chirp.end / 1e3:.2f} kHz in "
            f"{chirp.duration * 1e6:.4g} us, channels as in drive.csv; wait "
            f"{10.0 * ring * 1e6:.4g} us or more between two."
        )
    if study.target.burst_length is not None:
        carriers = plan.curves["carrier"].values
        length = study.target.burst_length
        said = f"{length.value:g} cycles" if length.in_cycles else f"{length.value * 1e6:.4g} us"
        lines.append(
            f"- Length {said}, carrier {carriers[0] / 1e3:.2f} to {carriers[-1] / 1e3:.2f} kHz in "
            f"{len(carriers)} steps, channels as in drive.csv, no order of carriers needed: "
            "compare the largest amplitude with burst_pressure and that of the last cycle with "
            "burst_end_pressure."
        )
    fills = "the study's" if study.target.burst_length is not None else "fills the band"
    lines.append(
        f"- Lengths {first['burst_length_s'] * 1e6:.4g} us ({fills}), {3.0 * ring * 1e6:.4g} us "
        f"and {10.0 * ring * 1e6:.4g} us (steady), carrier at the middle of the band and at both "
        "its limits, channels as in drive.csv."
    )
    return lines


def plan_text(
    plan: Plan,
    stamp: Stamp,
    *,
    study: Study,
    drive: Sequence[dict[str, Any]],
    sweep: Sweep,
    test_cells: Sequence[str],
    notes: Sequence[str],
) -> str:
    """The test plan for people, as Markdown."""
    first = drive[0]
    f0 = [row["nominal"] for row in plan.limits if row["quantity"] == "cell_frequency"]
    quality = [row["nominal"] for row in plan.limits if row["quantity"] == "cell_quality_factor"]
    ring = max(q / (np.pi * f) for q, f in zip(quality, f0, strict=True))
    low, high, rate = sweep.low, sweep.high, sweep.rate
    listed = "; ".join(test_cells) or "none"
    lines = [
        "# Test plan",
        "",
        stamp.text,
        "",
        f"Study: {study.title}. Predicted curves and bands: predicted.nc and predicted.csv"
        + (", bursts also predicted-bursts.csv." if "carrier" in plan.curves else "."),
        "Limits: limits.csv; a chip passes where every value lies between pass_from and pass_to.",
        f"Bands and limits are the lowest and the highest of {plan.chips} chips made with the",
        "scatter that the study states ([fabrication]); the model's own error is not in them.",
        "",
        "## 1. Test cells on the coupon, vibrometer",
        "",
        f"Cells: {listed}.",
        "",
        f"- Small signal: sweep {low / 1e3:.2f} to {high / 1e3:.2f} kHz at no more than "
        f"{rate:.3g} Hz/s, amplitude a tenth of the onset voltage, bias {first['bias_V']:.4g} V. "
        "Take f0, Q and displacement per volt.",
        "- Bias: repeat at zero bias and at half of it; the shift of f0 gives tension and sign.",
        "- Large signal: sweep up and down at 0.5, 1, 2 and 4 times the onset voltage, not above "
        "the drive table. Sweeps part, and jump, above onset.",
        "",
        "## 2. Whole array, microphone",
        "",
        f"Distance {study.target.distance:g} m, polar angle {np.degrees(study.target.polar):.4g} "
        f"degree, azimuth {np.degrees(study.target.azimuth):.4g} degree.",
        "",
        f"- Frequency sweeps up and down, {low / 1e3:.2f} to {high / 1e3:.2f} kHz at no more than "
        f"{rate:.3g} Hz/s, all channels as in drive.csv: compare pressure_up and pressure_down.",
        "- The same at a twentieth of all amplitudes, times 20: compare pressure_small.",
        "",
        "## 3. Bursts",
        "",
        *_burst_lines(plan, study, first, ring),
        f"- Small-signal ring-down of the slowest cell: {ring * np.log(10.0) * 1e6:.4g} us to "
        f"-20 dB and {2.0 * ring * np.log(10.0) * 1e6:.4g} us to -40 dB, from Q / (pi f) = "
        f"{ring * 1e6:.4g} us. Above onset the carrier moves while it decays.",
        "",
        "## Notes",
        "",
        *(f"- {note}" for note in notes),
    ]
    return "\n".join(lines) + "\n"
