"""The test plan: what to measure on a made chip, what to expect, and what is still good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.base.glossary import attrs
from arrayopt.chip.export.curves import Curve, Curves
from arrayopt.chip.export.files import Stamp
from arrayopt.chip.export.tables import Sweep
from arrayopt.chip.process import Tolerances
from arrayopt.design.designs import Designs
from arrayopt.merits.figures import answering, compute_merits
from arrayopt.models.array import DOWN, SMALL, UP, ArrayModel
from arrayopt.models.cells import Cells, build_cells
from arrayopt.models.choose import excitation_of
from arrayopt.models.excitations.burst import Burst
from arrayopt.physics.numerics.threads import each
from arrayopt.study.model import Study

CURVE_POINTS = 401
SWEEP_WORDS = {"up": UP, "down": DOWN, "small": SMALL}
TESTED = (
    "centre_frequency",
    "fractional_bandwidth",
    "peak_pressure",
    "peak_level",
    "onset_voltage",
    "first_onset_voltage",
)
"""Merits a lab measures on the whole array."""


@dataclass(frozen=True)
class Variant:
    """A chip at an end of its tolerances.

    ``voltage`` is how much stronger the film couples: a force and a film tension are each a
    coupling times a voltage, so a stronger film is the nominal one at scaled voltages, with onset
    voltages divided by the same factor.
    """

    name: str
    study: Study
    designs: Designs
    voltage: float = 1.0


@dataclass(frozen=True)
class Plan:
    """Predicted curves (along frequency; bursts along carrier) and limit rows."""

    curves: Curves
    limits: list[dict[str, Any]]
    variants: tuple[str, ...]


def variants(designs: Designs, study: Study, tolerances: Tolerances) -> list[Variant]:
    """The nominal chip first, then each tolerance at both ends, then the two that add up in f0."""
    found = [Variant("nominal", study, designs)]
    stacks = {
        sign: replace(
            study,
            stack=tuple(
                replace(layer, thickness=layer.thickness * (1.0 + sign * tolerances.thickness))
                for layer in study.stack
            ),
        )
        for sign in ((-1, 1) if tolerances.thickness > 0.0 else ())
    }
    for sign, word in ((-1, "least"), (1, "most")):
        sizes = replace(designs, radius=designs.radius + sign * tolerances.radius)
        if tolerances.radius > 0.0:
            found.append(Variant(f"radius {word}", study, sizes))
        if sign in stacks:
            found.append(Variant(f"thickness {word}", stacks[sign], designs))
            smaller = replace(designs, radius=designs.radius - sign * tolerances.radius)
            found.append(Variant(f"thickness {word}, radius opposite", stacks[sign], smaller))
        if tolerances.quality_factor > 0.0:
            losses = study.cell.quality_factor * (1.0 + sign * tolerances.quality_factor)
            cell = replace(study.cell, quality_factor=losses)
            found.append(Variant(f"quality factor {word}", replace(study, cell=cell), designs))
        if tolerances.film_coupling > 0.0:
            factor = 1.0 + sign * tolerances.film_coupling
            driven = replace(
                designs,
                drive_amplitude=designs.drive_amplitude * factor,
                bias=designs.bias * factor,
            )
            found.append(Variant(f"film coupling {word}", study, driven, factor))
    return found


def test_plan(
    designs: Designs,
    study: Study,
    tolerances: Tolerances,
    *,
    carriers: Floats,
) -> Plan:
    """Curves with bands and limits of one design.

    Parameters
    ----------
    designs : a batch of one.
    study : Study
    tolerances : ends between which a chip is good.
    carriers : (carrier,) [Hz] of bursts, for studies with a burst length.

    Returns
    -------
    Plan
        Bands are the lowest and highest value over the variants: one tolerance at a time, and
        thickness with radius where both shift the resonance the same way.
    """
    chips = variants(designs, study, tolerances)
    tested = frozenset(TESTED)
    cells = each(lambda chip: build_cells(chip.designs, chip.study), chips)
    tables = each(
        lambda chip: compute_merits(chip[0].designs, chip[0].study, cells=chip[1], wanted=tested),
        list(zip(chips, cells, strict=True)),
    )
    models = [
        answering(table, chip.designs, chip.study)[0][1]
        for chip, table in zip(chips, tables, strict=True)
    ]
    frequency = _frequencies(tables[0].band_lower, tables[0].band_upper, cells)
    curves = _curves(models, frequency)
    bursts = excitation_of(study, "burst")
    if isinstance(bursts, Burst):
        curves |= _bursts(models, carriers, bursts)
    limits = _array_limits(chips, tables) + _group_limits(chips, cells)
    return Plan(curves, limits, tuple(v.name for v in chips))


def _frequencies(lower: Floats, upper: Floats, cells: Sequence[Cells]) -> Floats:
    natural = np.concatenate([c.natural_frequency.ravel() for c in cells])
    natural = natural[np.isfinite(natural)]
    low, high = np.nanmin([*lower, natural.min()]), np.nanmax([*upper, natural.max()])
    reach = max(0.25 * (high - low), 0.02 * high)
    return np.linspace(low - reach, high + reach, CURVE_POINTS)


def _curves(models: Sequence[ArrayModel], frequency: Floats) -> Curves:
    variables: Curves = {"frequency": Curve("frequency", frequency, attrs("frequency"))}

    def size(of: tuple[ArrayModel, int]) -> Floats:
        model, sweep = of
        return np.asarray(np.abs(model.response(frequency[None], sweep).pressure[0]))

    of = [(model, sweep) for sweep in SWEEP_WORDS.values() for model in models]
    sizes = np.array(each(size, of)).reshape(len(SWEEP_WORDS), len(models), len(frequency))
    for word, values in zip(SWEEP_WORDS, sizes, strict=True):
        meaning = {
            "up": "pressure amplitude at the target on a slow up-sweep",
            "down": "pressure amplitude at the target on a slow down-sweep",
            "small": "pressure amplitude at the target if the cells were linear",
        }[word]
        variables |= _banded(f"pressure_{word}", meaning, "frequency", values)
    return variables


def _bursts(models: Sequence[ArrayModel], carriers: Floats, bursts: Burst) -> Curves:
    """Largest and last pressure amplitude of a burst against its carrier."""
    found = np.array([bursts.peaks(model, carriers[None]) for model in models])[:, :, 0]
    variables: Curves = {"carrier": Curve("carrier", carriers, attrs("frequency"))}
    for name, size in (("burst_pressure", found[:, 0]), ("burst_end_pressure", found[:, 1])):
        variables |= _banded(name, attrs(name)["long_name"], "carrier", size)
    return variables


def _banded(name: str, meaning: str, along: str, size: Floats) -> Curves:
    """Nominal, lowest and highest of (variant, point); NaN where a variant has no value."""
    return {
        key: Curve(along, values, {"units": "Pa", "long_name": f"{meaning}, {note}"})
        for key, values, note in (
            (name, size[0], "nominal"),
            (f"{name}_low", size.min(axis=0), "lowest within tolerances"),
            (f"{name}_high", size.max(axis=0), "highest within tolerances"),
        )
    }


def _array_limits(chips: Sequence[Variant], tables: Sequence[Any]) -> list[dict[str, Any]]:
    rows = []
    for name in TESTED:
        values = np.array([float(t.values[name][0]) for t in tables])
        if name.endswith("onset_voltage"):
            values = values / np.array([v.voltage for v in chips])
        rows.append(_limit("array", name, attrs(name)["units"], values))
    return rows


def _group_limits(chips: Sequence[Variant], cells: Sequence[Cells]) -> list[dict[str, Any]]:
    """Each kind of cell: resonance, losses, onset, and small-signal displacement for one volt."""
    designs, rows = chips[0].designs, []
    factor = np.array([v.voltage for v in chips])
    scalars = {
        ("cell_frequency", "Hz"): np.array([c.natural_frequency[0] for c in cells]),
        ("cell_quality_factor", "1"): np.array([c.quality_factor[0] for c in cells]),
        ("cell_onset_voltage", "V"): np.array([c.onset[0] for c in cells]) / factor[:, None],
        ("displacement_per_volt_at_resonance", "m/V"): np.array(
            [np.abs(c.force_per_volt[0]) * c.quality_factor[0] / c.stiffness[0] for c in cells]
        )
        * factor[:, None],
    }
    held = "with the necks of the back held: calculated, not to be measured"
    for group in range(designs.layout.n_groups):
        first = int(np.flatnonzero(designs.layout.group_of_cell == group)[0])
        for (name, unit), values in scalars.items():
            rows.append(_limit(f"cells like {first}", name, unit, values[:, group]))
            if cells[0].necked is not None and name != "cell_onset_voltage":
                rows[-1]["note"] = held
    return rows


def _limit(where: str, name: str, unit: str, values: Floats) -> dict[str, Any]:
    good = values[~np.isnan(values)]
    low, high = (float(good.min()), float(good.max())) if len(good) else (np.nan, np.nan)
    note = "" if len(good) == len(values) else "some tolerance ends have no value"
    return {
        "where": where,
        "quantity": name,
        "unit": unit,
        "nominal": float(values[0]),
        "pass_from": low,
        "pass_to": high,
        "note": note,
    }


def _burst_lines(plan: Plan, study: Study, first: dict[str, Any], ring: float) -> Sequence[str]:
    """What bursts, and the study's chirp, are to be sent."""
    lines = []
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
    tolerances: Tolerances,
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
        f"Bands cover radius +-{tolerances.radius * 1e6:.3g} um, thickness of all layers "
        f"+-{tolerances.thickness * 100:.3g} %, quality factor "
        f"+-{tolerances.quality_factor * 100:.3g} %, film coupling "
        f"+-{tolerances.film_coupling * 100:.3g} %, one at a time, and thickness with radius where",
        "they shift the resonance the same way. The model's own error is held only as far as these",
        "tolerances hold it.",
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
