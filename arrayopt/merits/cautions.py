"""What a person must mind before building or switching on a design: sound, voltage, field, lead.

Plain text from a study and its merits. It reminds, it does not assess: local codes and the
judgement of qualified people decide.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from arrayopt.study.model import Study

DISCLAIMER = (
    "These notes are reminders computed from the study, not a safety assessment. Local law and "
    "codes, and the judgement of people qualified and licensed for the place of use, take "
    "precedence."
)
UNCHECKED = "recalled; not checked against the original document"


@dataclass(frozen=True)
class Guidance:
    """One published value for airborne ultrasound.

    Parameters
    ----------
    body : who published it.
    applies : to whom or for how long.
    low, high : third-octave-band centre frequencies it covers [Hz].
    level : sound pressure level of the third-octave band [dB re 20 uPa].
    status : how far the value was checked.
    """

    body: str
    applies: str
    low: float
    high: float
    level: float
    status: str


_SURVEY = "Howard, Hansen & Zander (2004), as quoted in a bibliography"
_TWA = "as quoted in a review by Leighton"

GUIDANCE = (
    *(
        Guidance("ACGIH", "work, 8 h average", f, f, level, _TWA)
        for f, level in ((10e3, 88.0), (12.5e3, 89.0), (16e3, 92.0), (20e3, 94.0))
    ),
    Guidance("ACGIH", "work, ceiling", 20e3, 20e3, 105.0, UNCHECKED),
    Guidance("ACGIH", "work, ceiling", 25e3, 25e3, 110.0, UNCHECKED),
    Guidance("ACGIH", "work, ceiling", 31.5e3, 100e3, 115.0, UNCHECKED),
    Guidance("survey of recommendations", "work, below 4 h", 20e3, 20e3, 75.0, _SURVEY),
    Guidance("survey of recommendations", "work, below 4 h", 25e3, 50e3, 110.0, _SURVEY),
    Guidance("IRPA/INIRC (1984)", "work", 20e3, 20e3, 75.0, UNCHECKED),
    Guidance("IRPA/INIRC (1984)", "work", 25e3, 100e3, 110.0, UNCHECKED),
    Guidance("IRPA/INIRC (1984)", "public", 20e3, 20e3, 70.0, UNCHECKED),
    Guidance("IRPA/INIRC (1984)", "public", 25e3, 100e3, 100.0, UNCHECKED),
    Guidance("Health Canada Safety Code 24 (1991)", "work", 20e3, 20e3, 75.0, UNCHECKED),
    Guidance("Health Canada Safety Code 24 (1991)", "work", 25e3, 100e3, 110.0, UNCHECKED),
)
"""Published values; they differ by 5 to 40 dB between bodies, and most are called interim."""

_HALF_BAND = 10.0**0.05  # half a third-octave band, base 10 (IEC 61260-1)

# IEC 61140 with the IEC 60050 glossary: limits of extra-low voltage, and of parts that may be
# touched in dry places.
ELV_AC, ELV_DC = 50.0, 120.0
TOUCH_AC, TOUCH_DC = 25.0, 60.0


@dataclass(frozen=True)
class Caution:
    """One reminder: topic (``sound``, ``voltage``, ``field``, ``lead``), text, whether to act."""

    topic: str
    text: str
    act: bool


def cautions(study: Study, merits: Mapping[str, Any]) -> tuple[Caution, ...]:
    """Reminders for some designs of a study; the worst design of the batch counts.

    Parameters
    ----------
    study : Study
    merits : stored quantities by glossary name, any shape; what is missing is not spoken of.
        Used: peak_level [dB], centre_frequency, band_lower, band_upper [Hz], drive_amplitude,
        bias [V], electric_field [V/m]. An ``xarray.Dataset`` will do.

    Returns
    -------
    tuple of Caution
        Sound first, then voltage, field and lead; ``act`` where a published value is passed or an
        obligation exists.
    """
    found = (
        _sound(study, merits),
        _voltage(study, merits),
        _field(study, merits),
        _lead(study),
    )
    return tuple(caution for caution in found if caution is not None)


def guidance_near(low: float, high: float) -> tuple[Guidance, ...]:
    """Published values whose third-octave bands overlap low to high [Hz]."""
    return tuple(
        row for row in GUIDANCE if row.low / _HALF_BAND <= high and low <= row.high * _HALF_BAND
    )


def _extreme(merits: Mapping[str, Any], name: str, largest: bool = True) -> float | None:
    if name not in merits:
        return None
    values = np.asarray(merits[name], dtype=np.float64)
    values = values[np.isfinite(values)]
    if not values.size:
        return None
    return float(values.max() if largest else values.min())


def _sound(study: Study, merits: Mapping[str, Any]) -> Caution | None:
    level = _extreme(merits, "peak_level")
    if level is None:
        return None
    window = study.target.centre_frequency
    low = _extreme(merits, "band_lower", largest=False) or window[0]
    high = _extreme(merits, "band_upper") or window[1]
    text = (
        f"Up to {level:.0f} dB re 20 uPa at {study.target.distance:g} m, between "
        f"{low / 1e3:.0f} and {high / 1e3:.0f} kHz; in the far field the level rises by 6 dB for "
        "each halving of the distance."
    )
    rows = guidance_near(low, high)
    if not rows:
        end = "above" if low > 100e3 else "outside"
        return Caution(
            "sound",
            f"{text} The published tables of airborne exposure end at 100 kHz; this band lies "
            f"{end} them, which does not make it harmless. {_VARY}",
            level >= min(row.level for row in GUIDANCE if row.high >= 100e3),
        )
    lowest = min(rows, key=lambda row: row.level)
    verdict = "reaches" if level >= lowest.level else "stays below"
    listed = "; ".join(
        f"{row.body}, {row.applies}: {row.level:.0f} dB ({row.status})"
        for row in sorted(rows, key=lambda row: row.level)
    )
    beyond = " Above the 100 kHz third-octave band there are none." if high > 1.122e5 else ""
    return Caution(
        "sound",
        f"{text} That {verdict} the lowest published value for this band, {lowest.level:.0f} dB. "
        f"Published values of third-octave-band level: {listed}.{beyond} {_VARY}",
        level >= lowest.level,
    )


_VARY = (
    "Bodies differ by 5 to 40 dB and most call their values interim; ACGIH (recalled) allows 30 dB "
    "more where no part of the body couples to the source. Audible by-products of bursts are "
    "another matter."
)


def _voltage(study: Study, merits: Mapping[str, Any]) -> Caution | None:
    amplitude = _extreme(merits, "drive_amplitude")
    bias = max(_extreme(merits, "bias") or 0.0, -(_extreme(merits, "bias", largest=False) or 0.0))
    if amplitude is None:
        return None
    rms = amplitude / math.sqrt(2.0)
    peak = amplitude + bias
    text = (
        f"Drive up to {amplitude:.3g} V peak ({rms:.3g} V rms) with a bias up to {bias:.3g} V; "
        f"{peak:.3g} V at the crest."
    )
    if rms > ELV_AC or bias > ELV_DC or peak > ELV_DC:
        word = (
            f"This is above extra-low voltage ({ELV_AC:.0f} V AC rms, {ELV_DC:.0f} V ripple-free "
            "DC, IEC 61140): protection against electric shock is required."
        )
    elif rms > TOUCH_AC or bias > TOUCH_DC or peak > TOUCH_DC:
        word = (
            f"This is within extra-low voltage ({ELV_AC:.0f} V AC rms, {ELV_DC:.0f} V DC) but "
            f"above what may be touched in dry places ({TOUCH_AC:.0f} V AC rms, {TOUCH_DC:.0f} V "
            "DC, IEC 61140): cover live parts."
        )
    else:
        word = (
            f"This is extra-low voltage, below {TOUCH_AC:.0f} V AC rms and {TOUCH_DC:.0f} V DC "
            "(IEC 61140); a supply that makes it from the mains needs safe separation."
        )
    act = rms > TOUCH_AC or bias > TOUCH_DC or peak > TOUCH_DC
    return Caution("voltage", f"{text} {word}", act)


def _field(study: Study, merits: Mapping[str, Any]) -> Caution | None:
    field, film = _extreme(merits, "electric_field"), study.film
    if field is None:
        return None
    text = f"Up to {field / 1e6:.3g} V/um in the {film.material} film."
    if film.breakdown_field is None:
        return Caution(
            "field", f"{text} The study gives no breakdown field; measure it on your film.", False
        )
    share = field / film.breakdown_field
    return Caution(
        "field",
        f"{text} That is {100 * share:.0f} % of the breakdown field on record "
        f"({film.breakdown_field / 1e6:.0f} V/um), which varies severalfold with deposition; "
        "films age well below it.",
        share > 0.5,
    )


def _lead(study: Study) -> Caution | None:
    if not study.contains_lead:
        return None
    layers = ", ".join(dict.fromkeys(x.material for x in study.stack if x.contains_lead))
    return Caution(
        "lead",
        f"The stack contains lead ({layers}). In the EU lead in piezoelectric ceramics is exempt "
        "from RoHS for a limited time only: entry 7(c)-I of Annex III to 30 June 2027, its "
        "successors 7(c)-V and 7(c)-VI to 31 December 2027 (Delegated Directive (EU) 2025/2363, "
        "in force 11 December 2025; read on secondary pages, and which entry covers thin films "
        "was not checked). Other places have their own rules; waste and dust need care.",
        True,
    )
