"""Units against their SI definitions; the glossary against its own rules and its page."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from arrayopt.base.glossary import (
    GLOSSARY,
    MERITS,
    UnknownQuantityError,
    attrs,
    markdown,
    shown_change,
)
from arrayopt.base.units import KINDS, Need, QuantityError, format_value, parse
from tests.support.paths import ROOT

PAGE = ROOT / "docs" / "quantities.md"

# SI brochure (BIPM, 9th ed.): prefixes, degree Celsius (t = T - 273.15), degree (pi/180 rad)
EXACT = [
    ("350 um", "length", 350e-6),
    ("1.1 nm", "length", 1.1e-9),
    ("350µm", "length", 350e-6),
    ("350 \u03bcm", "length", 350e-6),
    ("+0.3 m", "length", 0.3),
    ("1.2 mm", "length", 1.2e-3),
    (".5 cm", "length", 5e-3),
    ("2.5e-3 m", "length", 2.5e-3),
    ("15 V", "voltage", 15.0),
    ("-20 mV", "voltage", -20e-3),
    ("0.1 MHz", "frequency", 1e5),
    ("101.325 kPa", "pressure", 101325.0),
    ("1013.25 hPa", "pressure", 101325.0),
    ("-280 MPa", "stress", -280e6),
    ("151.3 GPa", "stress", 151.3e9),
    ("20 degC", "temperature", 293.15),
    ("-20 degC", "temperature", 253.15),
    ("293.15 K", "temperature", 293.15),
    ("65 %", "ratio", 0.65),
    (0.65, "ratio", 0.65),
    (1, "ratio", 1.0),
    ("-6 dB", "level", -6.0),
    ("180 deg", "angle", math.pi),
    ("1 rad", "angle", 1.0),
    ("2.33 g/cm3", "density", 2330.0),
    ("-1.02 C/m2", "charge", -1.02),
    ("3 MV/cm", "field", 3e8),
    ("300 kV/cm", "field", 3e7),
    ("30 V/um", "field", 3e7),
    ("2 ms", "time", 2e-3),
    ("25 mm2", "area", 25e-6),
    ("10 mW", "power", 10e-3),
]


@pytest.mark.parametrize(("text", "kind", "value"), EXACT)
def test_unit_strings_give_the_nearest_double(text: object, kind: str, value: float) -> None:
    assert parse(text, kind) == value


@pytest.mark.parametrize(
    ("bad", "kind"),
    [
        ("80 Hz", "length"),
        ("80", "length"),
        (80, "length"),
        (80.0, "voltage"),
        ("80 UM", "length"),
        ("um", "length"),
        ("1,5 V", "voltage"),
        ("1 2 V", "voltage"),
        ("nan V", "voltage"),
        ("1e999 V", "voltage"),
        (True, "ratio"),
        (math.nan, "ratio"),
        (math.inf, "ratio"),
        ("0.5", "ratio"),
        (["1 V"], "voltage"),
        (None, "voltage"),
        ("20 C", "temperature"),
    ],
)
def test_what_is_no_such_quantity_is_refused(bad: object, kind: str) -> None:
    with pytest.raises(QuantityError, match=KINDS[kind].words + " is needed, for example"):
        parse(bad, kind)


def test_message_gives_an_example_that_parses() -> None:
    with pytest.raises(QuantityError) as caught:
        parse("80 Hz", "length")
    assert str(caught.value) == 'a length is needed, for example "80 um"'
    for name, kind in KINDS.items():
        for example in kind.example.split(" or "):
            assert math.isfinite(parse(float(example) if example == "0.65" else example, name))


def test_message_about_a_range_names_the_range() -> None:
    need = Need("length", above=0.0, at_most=1e-3)
    assert need("1 mm") == 1e-3
    for bad in ("0 um", "-3 um", "1.01 mm"):
        with pytest.raises(QuantityError) as caught:
            need(bad)
        assert str(caught.value) == "a length above 0 m and at most 1 mm is needed"


@given(
    st.sampled_from([kind for kind in KINDS if kind not in ("ratio", "temperature")]),
    st.floats(min_value=1e-12, max_value=1e12),
    st.sampled_from([1.0, -1.0]),
)
def test_written_values_read_back(kind: str, value: float, sign: float) -> None:
    back = parse(format_value(sign * value, kind), kind)
    # 15 digits are written; the angle passes through degrees
    assert math.isclose(back, sign * value, rel_tol=1e-14)


@given(st.floats(min_value=200.0, max_value=400.0))
def test_written_temperatures_read_back(value: float) -> None:
    # written as degC, whose zero lies within the range: 15 digits of the kelvin value
    assert math.isclose(
        parse(format_value(value, "temperature"), "temperature"), value, rel_tol=1e-14
    )


@pytest.mark.parametrize("name", sorted(GLOSSARY))
def test_glossary_rows_are_complete(name: str) -> None:
    row = GLOSSARY[name]
    assert row.meaning
    assert not row.meaning.endswith(".")
    assert row.units == KINDS[row.kind].si or row.units in KINDS[row.kind].units
    assert attrs(name) == {"units": row.units, "long_name": row.meaning}


def test_merits_are_stored_by_design() -> None:
    assert {"fractional_bandwidth", "onset_voltage", "peak_pressure"} <= set(MERITS)
    assert all(GLOSSARY[name].dims == ("design",) for name in MERITS)


def test_margins_take_the_unit_of_what_they_limit() -> None:
    assert attrs("margin_electric_field")["units"] == "V/m"
    assert "electric_field" in attrs("margin_electric_field")["long_name"]


def test_unknown_names_are_told_the_nearest() -> None:
    with pytest.raises(UnknownQuantityError, match="did you mean onset_voltage"):
        attrs("onset_volage")
    with pytest.raises(UnknownQuantityError):
        attrs("margin_nothing")


@pytest.mark.parametrize(
    ("name", "value", "base", "text"),
    [
        ("peak_level", 113.9, 114.2, "-0.30 dB"),  # never per cent of decibels
        ("ripple", 0.05, 0.0, "+0.05 dB"),
        ("peak_pressure", 9.0, 10.0, "-10.0 %"),
        ("peak_pressure", 9.0, 0.0, "-"),
        ("onset_voltage", math.inf, 2.0, "-"),
        ("fractional_bandwidth", math.nan, 0.2, "-"),
        ("peak_level", math.nan, 110.0, "-"),
    ],
)
def test_changes_are_shown_in_the_quantity_s_own_terms(
    name: str, value: float, base: float, text: str
) -> None:
    assert shown_change(name, value, base) == text


def test_page_is_fresh() -> None:
    assert PAGE.read_text(encoding="utf-8") == markdown()
