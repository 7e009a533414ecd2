"""Looking quantities up in the glossary: attributes for storing, merits, the generated page."""

from __future__ import annotations

from arrayopt.base.errors import ArrayoptError, nearest_name
from arrayopt.base.glossary import DESIGN, ROWS, Quantity

MARGIN_PREFIX = "margin_"
VERIFIED_PREFIXES = {
    "several_modes_": "with several modes and harmonics, cells on their own",
    "mutual_": "with one mode, cells coupled by the sound they radiate",
    "verified_": "of the search's model changed by several modes and by mutual radiation",
}
BAND_SUFFIXES = {"_lower": "lower", "_upper": "upper"}
"""Of merits with a calibration's band; ``band_lower`` itself is a plain quantity."""

GLOSSARY: dict[str, Quantity] = {row.name: row for row in ROWS}
MERITS: tuple[str, ...] = tuple(row.name for row in ROWS if row.merit)

BURST_MERITS = frozenset({"burst_bandwidth"})
"""Merits of a study with ``target.burst_length`` only."""

PULSE_MERITS = frozenset({"ring_down_time", "ring_down_time_40", "dead_zone", "pulse_bandwidth"})
"""Merits of a study with ``target.burst_length``, or with a chirp for excitation, only."""


class UnknownQuantityError(ArrayoptError):
    """A name is not in the glossary."""


def quantity(name: str) -> Quantity:
    """The glossary row of a name, of ``margin_NAME`` and of ``NAME_lower`` and ``NAME_upper``.

    Raises
    ------
    UnknownQuantityError : with the nearest known name.
    """
    if name in GLOSSARY:
        return GLOSSARY[name]
    limited = GLOSSARY.get(name.removeprefix(MARGIN_PREFIX))
    if name.startswith(MARGIN_PREFIX) and limited is not None:
        return Quantity(
            name,
            "",
            limited.units,
            DESIGN,
            f"distance of {limited.name} from its limit; negative is a violation",
        )
    for suffix, end in BAND_SUFFIXES.items():
        merit = name.removesuffix(suffix)
        if name.endswith(suffix) and merit.removeprefix("verified_") in MERITS:
            meaning = f"{end} end of the 95 % band that the study's calibration leaves on {merit}"
            return Quantity(name, "", quantity(merit).units, DESIGN, meaning)
    for prefix, model in VERIFIED_PREFIXES.items():
        plain = GLOSSARY.get(name.removeprefix(prefix))
        if name.startswith(prefix) and plain is not None:
            return Quantity(name, "", plain.units, DESIGN, f"{plain.name} {model}")
    nearest = nearest_name(name, GLOSSARY)
    hint = f"; did you mean {nearest}?" if nearest else ""
    raise UnknownQuantityError(f"quantity {name!r} is not in the glossary{hint}")


def attrs(name: str) -> dict[str, str]:
    """CF attributes (``units``, ``long_name``) for storing a quantity.

    Parameters
    ----------
    name : as `quantity` takes it.

    Raises
    ------
    UnknownQuantityError : with the nearest known name.
    """
    row = quantity(name)
    return {"units": row.units, "long_name": row.meaning}


def markdown() -> str:
    """The glossary as the text of docs/quantities.md."""
    lines = [
        "# Quantities",
        "",
        "Generated from the glossary: `python -m arrayopt.base.quantities > docs/quantities.md`.",
        "Objectives and limits may name the rows marked *merit*. `margin_NAME` stands beside a",
        "limited quantity NAME, in its unit: the distance from the limit, negative on violation.",
        "`verified_NAME`, `several_modes_NAME` and `mutual_NAME` are merits of verified designs.",
        "`NAME_lower` and `NAME_upper` stand beside the merits of a study with a calibration: the",
        "95 % band that its intervals leave.",
        "",
        "| name | symbol | unit | dimensions | merit | meaning |",
        "|---|---|---|---|---|---|",
    ]
    for row in ROWS:
        lines.append(
            f"| `{row.name}` | {row.symbol} | {row.units} | {', '.join(row.dims)} "
            f"| {'merit' if row.merit else ''} | {row.meaning} |"
        )
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(markdown(), end="")
