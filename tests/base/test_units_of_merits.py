"""What is written of a merit, in whatever unit, is compared in its stored unit; what is shown."""

from __future__ import annotations

import math

import pytest

from arrayopt.base.glossary import GLOSSARY, MERITS, quantity, shown
from arrayopt.base.units import KINDS, parse
from arrayopt.study.read import read_study_text

# Size of each unit by the SI brochure (BIPM, 9th ed.), in the first unit of its row.
SIZES = (
    {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "um": 1e-6, "nm": 1e-9},
    {"m2": 1.0, "cm2": 1e-4, "mm2": 1e-6, "um2": 1e-12},
    {"V": 1.0, "mV": 1e-3, "kV": 1e3},
    {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6},
    {"Pa": 1.0, "mPa": 1e-3, "hPa": 1e2, "kPa": 1e3, "MPa": 1e6, "GPa": 1e9},
    {"1": 1.0, "%": 1e-2},
    {"dB": 1.0},
    {"rad": 1.0, "deg": math.pi / 180.0, "degree": math.pi / 180.0},
    {"V/m": 1.0, "kV/mm": 1e6, "kV/cm": 1e5, "V/um": 1e6, "MV/m": 1e6, "MV/cm": 1e8},
    {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9},
    {"W": 1.0, "mW": 1e-3, "uW": 1e-6},
    {"J/m2": 1.0, "uJ/m2": 1e-6, "nJ/m2": 1e-9},
    {"V/s": 1.0, "V/ms": 1e3, "V/us": 1e6},
)
CASES = [
    (name, unit)
    for name in MERITS
    for unit in ("1", *KINDS[GLOSSARY[name].kind].units)
    if unit != "1" or GLOSSARY[name].kind == "ratio"
]
STUDY = """
format = 1
objectives = [["{name}", "max"]]
reference.{name} = {reference}
scale.{name} = {scale}
limits.{name} = {{ min = {low}, max = {high} }}
stack = [{{ material = "AlN", thickness = "2 um", active = true }}]
cell.quality_factor = 80
array = {{ lattice = "square", rows = 1, columns = 1, pitch = "1 mm", die = ["6 mm", "6 mm"] }}
drive.amplitude_limit = "20 V"
fixed.amplitude = "10 V"
vary.radius = ["300 um", "500 um"]
target = {{ centre_frequency = ["90 kHz", "110 kHz"], burst_length = "20 cycles" }}
[waveform]
kind = "burst"
carrier = "100 kHz"
cycles = 5
tail_cycles = 2
tail_amplitude = 1
[echo]
"""


def written(name: str, unit: str, number: float) -> str:
    """A number in the stored unit as TOML in another unit."""
    sizes = next(row for row in SIZES if unit in row)
    value = number * sizes[GLOSSARY[name].units] / sizes[unit]
    return repr(value) if unit == "1" else f'"{value!r} {unit}"'


@pytest.mark.parametrize(("name", "unit"), CASES)
def test_what_is_written_of_a_merit_is_compared_in_its_stored_unit(name: str, unit: str) -> None:
    numbers = {"reference": 40.0, "scale": 0.5, "low": 44.0, "high": 46.0}
    study = read_study_text(
        STUDY.format(name=name, **{k: written(name, unit, x) for k, x in numbers.items()})
    )
    (limit,) = study.strategies[0].limits
    assert (limit.minimum, limit.maximum) == pytest.approx((44.0, 46.0), rel=1e-14)
    (wanted,) = study.objectives
    assert wanted.reference == pytest.approx(40.0, rel=1e-14)
    assert wanted.scale == pytest.approx(0.5, rel=1e-14)
    stored = KINDS[GLOSSARY[name].kind].units.get(GLOSSARY[name].units)
    if unit == GLOSSARY[name].units or stored is None:
        assert (limit.minimum, limit.maximum) == (44.0, 46.0) or unit == "%"


@pytest.mark.parametrize("name", sorted(GLOSSARY))
def test_what_is_shown_of_a_quantity_can_be_written(name: str) -> None:
    row = GLOSSARY[name]
    text = shown(name, 1.25).removesuffix(" re 20 uPa")
    number = text if row.shown else float(text)
    assert parse(number, row.kind, row.units) == pytest.approx(1.25, rel=1e-3)
    assert quantity(name).factor * 1.25 == pytest.approx(
        1.25 * size(row.units) / size(row.shown or "1"), rel=1e-14
    )


def size(unit: str) -> float:
    unit = unit.removesuffix(" re 20 uPa")
    return next(row[unit] for row in SIZES if unit in row)


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("fractional_bandwidth", 0.399, "39.9 %"),
        ("peak_pressure", 1.0122e5, "101220 Pa"),
        ("centre_frequency", 1.0122e5, "101.2 kHz"),
        ("film_stress", 9.9996e9, "10000 MPa"),
        ("beam_width", 45.0, "45 deg"),
        ("drive_phase", -1e-6, "0 deg"),
        ("drive_phase", -math.pi / 2, "-90 deg"),
        ("peak_level", 113.94, "113.9 dB re 20 uPa"),
        ("margin_peak_level", -0.06, "-0.06 dB"),
        ("verified_fractional_bandwidth_lowest", 0.2513, "25.13 %"),
        ("onset_voltage", math.inf, "never"),
        ("onset_voltage", math.nan, "-"),
        ("deflection_ratio", -0.0, "0"),
    ],
)
def test_values_for_people(name: str, value: float, text: str) -> None:
    assert shown(name, value) == text
