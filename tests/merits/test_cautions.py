"""Cautions: published values as in the reference table, classes of voltage, lead."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from arrayopt.merits.cautions import (
    ELV_AC,
    ELV_DC,
    TOUCH_AC,
    TOUCH_DC,
    Guidance,
    cautions,
    guidance_near,
)
from arrayopt.study.read import Study, read_study
from tests.support.paths import STUDIES

STUDY = STUDIES / "duct-flow-meter"


@pytest.fixture(scope="module")
def study() -> Study:
    return read_study(STUDY)


def one(frequency: float, body: str, applies: str) -> Guidance:
    rows = guidance_near(frequency, frequency)
    return next(r for r in rows if r.body.startswith(body) and r.applies == applies)


@pytest.mark.parametrize(
    ("id_", "frequency", "body", "applies"),
    [
        ("safety.consensus.20kHz", 20e3, "survey", "work, below 4 h"),
        ("safety.consensus.25kHz", 25e3, "survey", "work, below 4 h"),
        ("safety.consensus.50kHz", 50e3, "survey", "work, below 4 h"),
        ("safety.acgih_twa.10kHz", 10e3, "ACGIH", "work, 8 h average"),
        ("safety.acgih_twa.12.5kHz", 12.5e3, "ACGIH", "work, 8 h average"),
        ("safety.acgih_twa.16kHz", 16e3, "ACGIH", "work, 8 h average"),
        ("safety.acgih_ceiling.25kHz", 25e3, "ACGIH", "work, ceiling"),
        ("safety.acgih_ceiling.40kHz", 40e3, "ACGIH", "work, ceiling"),
    ],
)
def test_guidance_is_the_published(
    check_outside: Callable[..., None], id_: str, frequency: float, body: str, applies: str
) -> None:
    check_outside(id_, one(frequency, body, applies).level, "cautions")


def test_third_octave_bands_have_the_standard_edges() -> None:
    # IEC 61260-1: the 100 kHz band (base ten) ends at 10^5.05 = 112.2 kHz.
    assert guidance_near(112.1e3, 112.1e3)
    assert not guidance_near(112.3e3, 120e3)


def texts(study: Study, **merits: float) -> dict[str, tuple[str, bool]]:
    return {c.topic: (c.text, c.act) for c in cautions(study, merits)}


def test_sound_compares_with_the_lowest_value_of_the_band(study: Study) -> None:
    # IRPA/INIRC (1984), public: 100 dB from 25 to 100 kHz, the lowest at 90 to 100 kHz.
    quiet = texts(study, peak_level=99.0, band_lower=90e3, band_upper=100e3)["sound"]
    loud = texts(study, peak_level=101.0, band_lower=90e3, band_upper=100e3)["sound"]
    assert "stays below" in quiet[0]
    assert not quiet[1]
    assert "reaches" in loud[0]
    assert loud[1]
    assert (
        "end at 100 kHz"
        in texts(study, peak_level=99.0, band_lower=2e5, band_upper=3e5)["sound"][0]
    )


@pytest.mark.parametrize(
    ("amplitude", "bias", "words", "act"),
    [
        (20.0, 20.0, "below 25 V AC", False),
        (1.01 * TOUCH_AC * 2**0.5, 0.0, "cover live parts", True),
        (1.0, 1.01 * TOUCH_DC, "cover live parts", True),
        (1.0, -1.01 * TOUCH_DC, "cover live parts", True),
        (1.01 * ELV_AC * 2**0.5, 0.0, "electric shock", True),
        (1.0, 1.01 * ELV_DC, "electric shock", True),
    ],
)
def test_voltage_classes(
    study: Study, amplitude: float, bias: float, words: str, act: bool
) -> None:
    # IEC 61140 / IEC 60050: 50 V AC rms and 120 V DC; touchable 25 V AC and 60 V DC.
    text, told = texts(study, drive_amplitude=amplitude, bias=bias)["voltage"]
    assert words in text
    assert told == act


def test_field_is_compared_with_the_films_breakdown(study: Study) -> None:
    film = study.film
    assert film.breakdown_field is not None
    text, act = texts(study, electric_field=0.6 * film.breakdown_field)["field"]
    assert "60 % of the breakdown field" in text
    assert act


def test_lead_is_said_only_where_there_is_lead(study: Study) -> None:
    assert "lead" not in texts(study)
    stack = tuple(
        replace(x, material="PZT", contains_lead=True) if x.active else x for x in study.stack
    )
    assert "30 June 2027" in texts(replace(study, stack=stack))["lead"][0]


def test_missing_and_unusable_merits_are_not_spoken_of(study: Study) -> None:
    assert cautions(study, {"peak_level": np.array([np.nan])}) == ()
