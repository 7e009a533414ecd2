"""Unit strings: ``"350 um"`` in files the user writes, SI floats everywhere inside."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal

_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*", re.DOTALL)


@dataclass(frozen=True)
class Kind:
    """A kind of quantity: how messages call it, an example, its units and the SI name.

    ``units`` maps each unit string to its factor to ``si``; ``offset`` is added for the one unit
    that has another zero (degC).
    """

    words: str
    example: str
    si: str
    units: dict[str, float]


_PRESSURES = {"Pa": 1.0, "hPa": 1e2, "kPa": 1e3, "MPa": 1e6, "GPa": 1e9}
_CELSIUS_ZERO = Decimal("273.15")  # K, definition of the Celsius scale
_DEGREE = math.pi / 180.0

KINDS: dict[str, Kind] = {
    "length": Kind(
        "a length", "80 um", "m", {"nm": 1e-9, "um": 1e-6, "mm": 1e-3, "cm": 1e-2, "m": 1.0}
    ),
    "area": Kind("an area", "25 mm2", "m2", {"um2": 1e-12, "mm2": 1e-6, "cm2": 1e-4, "m2": 1.0}),
    "voltage": Kind("a voltage", "15 V", "V", {"mV": 1e-3, "V": 1.0, "kV": 1e3}),
    "frequency": Kind("a frequency", "100 kHz", "Hz", {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6}),
    "pressure": Kind("a pressure", "101.325 kPa", "Pa", {"mPa": 1e-3, **_PRESSURES}),
    "stress": Kind("a stress", "50 MPa", "Pa", _PRESSURES),
    "temperature": Kind("a temperature", "20 degC", "K", {"K": 1.0, "degC": 1.0}),
    "ratio": Kind("a number without unit", "0.65 or 65 %", "1", {"%": 1e-2}),
    "level": Kind("a level", "-6 dB", "dB", {"dB": 1.0}),
    "angle": Kind("an angle", "30 deg", "rad", {"deg": _DEGREE, "degree": _DEGREE, "rad": 1.0}),
    "density": Kind("a density", "2330 kg/m3", "kg/m3", {"kg/m3": 1.0, "g/cm3": 1e3}),
    "charge": Kind("a charge per area", "-1.02 C/m2", "C/m2", {"C/m2": 1.0}),
    "field": Kind(
        "an electric field",
        "300 kV/cm",
        "V/m",
        {"V/m": 1.0, "kV/mm": 1e6, "kV/cm": 1e5, "V/um": 1e6, "MV/m": 1e6, "MV/cm": 1e8},
    ),
    "time": Kind("a duration", "2 ms", "s", {"ns": 1e-9, "us": 1e-6, "ms": 1e-3, "s": 1.0}),
    "tension": Kind("a film tension", "5 N/m", "N/m", {"N/m": 1.0}),
    "exposure": Kind(
        "a sound energy per area", "2 uJ/m2", "J/m2", {"nJ/m2": 1e-9, "uJ/m2": 1e-6, "J/m2": 1.0}
    ),
    "slew": Kind("a slew rate", "30 V/us", "V/s", {"V/s": 1.0, "V/ms": 1e3, "V/us": 1e6}),
    "power": Kind("a power", "10 mW", "W", {"uW": 1e-6, "mW": 1e-3, "W": 1.0}),
    "resistance": Kind(
        "a resistance",
        "1 Mohm",
        "ohm",
        {"ohm": 1.0, "kohm": 1e3, "Mohm": 1e6, "Gohm": 1e9},
    ),
    "capacitance": Kind(
        "a capacitance", "20 pF", "F", {"fF": 1e-15, "pF": 1e-12, "nF": 1e-9, "uF": 1e-6, "F": 1.0}
    ),
    "voltage noise": Kind(
        "a density of voltage noise",
        "5 nV/rtHz",
        "V/rtHz",
        {"pV/rtHz": 1e-12, "nV/rtHz": 1e-9, "uV/rtHz": 1e-6, "V/rtHz": 1.0},
    ),
    "current noise": Kind(
        "a density of current noise",
        "10 fA/rtHz",
        "A/rtHz",
        {"fA/rtHz": 1e-15, "pA/rtHz": 1e-12, "nA/rtHz": 1e-9, "A/rtHz": 1.0},
    ),
}

# Understood, but not what messages and design files are written in.
_RARELY_WRITTEN = {"cm", "cm2", "hPa", "g/cm3", "kV/mm", "kV/cm", "MV/m", "MV/cm"}

# The Greek mu (U+03BC) and the micro sign (U+00B5) both come out of keyboards.
_MICRO = str.maketrans({"\u03bc": "u", "\u00b5": "u"})


class QuantityError(ValueError):
    """A value is not a quantity of the kind that is needed; the text says what is."""


@dataclass(frozen=True)
class Need:
    """A kind of quantity together with the SI range it must lie in.

    Call it with the raw value of a file (text with a unit, or a number where the kind has none).

    Parameters
    ----------
    kind : a key of ``KINDS``.
    above, at_least, below, at_most : SI limits, or None.
    """

    kind: str
    above: float | None = None
    at_least: float | None = None
    below: float | None = None
    at_most: float | None = None

    def __str__(self) -> str:
        kind = KINDS[self.kind]
        example = kind.example if self.kind == "ratio" else f'"{kind.example}"'
        return f"{kind.words} is needed, for example {example}"

    def __call__(self, value: object) -> float:
        """The SI value of ``value``.

        Raises
        ------
        QuantityError : not a quantity of this kind, or out of range; the text says which.
        """
        number = parse(value, self.kind)
        if (
            (self.above is not None and not number > self.above)
            or (self.at_least is not None and not number >= self.at_least)
            or (self.below is not None and not number < self.below)
            or (self.at_most is not None and not number <= self.at_most)
        ):
            raise QuantityError(f"{KINDS[self.kind].words} {self._range()} is needed")
        return number

    def _range(self) -> str:
        ends = (
            ("above", self.above),
            ("at least", self.at_least),
            ("below", self.below),
            ("at most", self.at_most),
        )
        return " and ".join(
            f"{words} {format_value(limit, self.kind)}"
            for words, limit in ends
            if limit is not None
        )


def parse(value: object, kind: str, unit: str = "") -> float:
    """The value of a unit string.

    Parameters
    ----------
    value : ``"350 um"``; a plain number only where ``kind`` is ``"ratio"``.
    kind : a key of ``KINDS``.
    unit : of the result, one of that kind's; SI if empty.

    Raises
    ------
    QuantityError : the value is not of that kind; its text names the kind and gives an example.
    """
    number = _read(value, kind, unit)
    if number is None or not math.isfinite(number):
        raise QuantityError(str(Need(kind)))
    return number


def _read(value: object, kind: str, into: str) -> float | None:
    units = KINDS[kind].units
    if isinstance(value, bool):
        return None
    if isinstance(value, int | float):
        return float(value) if kind == "ratio" else None
    if not isinstance(value, str):
        return None
    match = _NUMBER.fullmatch(value.translate(_MICRO))
    if match is None or match[2] not in units:
        return None
    # Decimal arithmetic: "350 um" must equal 350e-6 to the last bit, and so hash alike.
    number = Decimal(match[1]) * Decimal(repr(units[match[2]]))
    number = number + _CELSIUS_ZERO if match[2] == "degC" else number
    return float(number / Decimal(repr(units.get(into, 1.0))))


def kind_of(unit: str) -> str:
    """The first kind whose quantities come in a unit (pressure for Pa)."""
    return next(kind for kind, k in KINDS.items() if unit == k.si or unit in k.units)


def format_value(value: float, kind: str, digits: int = 15) -> str:
    """An SI value as a unit string that ``parse`` reads back, with a readable unit.

    Parameters
    ----------
    value : SI value.
    kind : a key of ``KINDS``.
    digits : significant ones; fewer for people.
    """
    if kind == "ratio":
        return f"{value:.{digits}g}"
    if kind == "temperature":
        return f"{float(Decimal(f'{value:.{digits}g}') - _CELSIUS_ZERO):.{digits}g} degC"
    units = KINDS[kind].units
    if value == 0.0 or kind == "level":
        return f"{value:.{digits}g} {KINDS[kind].si}"
    if kind == "angle":
        return f"{math.degrees(value):.{digits}g} deg"
    ladder = {unit: factor for unit, factor in units.items() if unit not in _RARELY_WRITTEN}
    fitting = [unit for unit, factor in ladder.items() if abs(value) >= 0.9999 * factor]
    choose = max if fitting else min
    unit = choose(fitting or ladder, key=ladder.__getitem__)
    return f"{value / units[unit]:.{digits}g} {unit}"
