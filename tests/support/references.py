"""Outside reference values, and the record of how close the models came to them."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass, replace
from pathlib import Path

from tests.support.paths import REFERENCE


@dataclass(frozen=True)
class Reference:
    """One row of tests/reference/reference_values.csv."""

    id: str
    quantity: str
    inputs: str
    value: float
    units: str
    rel_tol: float
    source: str
    status: str


@dataclass(frozen=True)
class Deviation:
    """How one model value compared with its outside value."""

    reference: Reference
    equation: str
    relative: float
    allowed: float


Key = tuple[str, str]
"""Id of the outside value and equation: several models may be compared with one value."""

DEVIATIONS: dict[Key, Deviation] = {}


def record(found: Deviation) -> None:
    """Keep the worst of several comparisons, so that their order changes nothing."""
    key = found.reference.id, found.equation
    known = DEVIATIONS.get(key, found)
    DEVIATIONS[key] = replace(
        found,
        relative=max(found.relative, known.relative),
        allowed=max(found.allowed, known.allowed),
    )


def read_references() -> dict[str, Reference]:
    """All numeric rows of the reference table, by id."""
    rows: dict[str, Reference] = {}
    with (REFERENCE / "reference_values.csv").open(newline="", encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            if not row["value"] or not row["rel_tol"]:
                continue
            rows[row["id"]] = Reference(
                row["id"],
                row["quantity"],
                row["inputs"],
                float(row["value"]),
                row["units"],
                float(row["rel_tol"]),
                row["source"],
                row["status"],
            )
    return rows


TABLE_HEAD = """\
# How close the models came to their outside values

Written by `pytest --validation-table=docs/validation.md`; `pytest
--validation-check=docs/validation.md` fails where it is no longer true. Sources and values:
`tests/reference/reference_values.csv`. Rows of that table that no test compares, with the reasons:
`tests/test_reference_coverage.py`. *Status* is how the value came here: READ in the source or a
page that quotes it, COMPUTED independently of this project, from MEMORY. *Came within*: next power
of ten above the relative deviation, 1e-12 at the least.

"""
COLUMNS = ("equation", "outside value", "inputs", "source", "status", "allowed", "came within")


def table_rows() -> dict[Key, tuple[str, ...]]:
    """Row of every value compared so far, in the order of the table."""
    rows = {}
    for key, d in DEVIATIONS.items():
        r = d.reference
        decade = 10.0 ** math.ceil(math.log10(max(d.relative, 1e-12)))
        cells = (d.equation, f"`{r.id}` {r.quantity}", r.inputs, r.source, r.status)
        rows[key] = (*(c.replace("|", "/") for c in cells), f"{d.allowed:.0e}", f"{decade:.0e}")
    return dict(sorted(rows.items(), key=lambda item: (item[1][0], item[0])))


def read_table(path: Path) -> dict[Key, tuple[str, ...]]:
    """Rows of a written table, by id and equation."""
    rows = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        cells = tuple(cell.strip() for cell in line.strip().strip("|").split("|"))
        if len(cells) == len(COLUMNS) and cells[1].startswith("`"):
            rows[cells[1].split("`")[1], cells[0]] = cells
    return rows


def differences(written: dict[Key, tuple[str, ...]], now: dict[Key, tuple[str, ...]]) -> list[str]:
    """What makes a written table untrue, a sentence each.

    A decade is allowed to move by one: rounding differs between machines.
    """
    gone, new = written.keys() - now.keys(), now.keys() - written.keys()
    out = [f"{id_} ({equation}) is in the table but was not compared" for id_, equation in gone]
    out += [f"{id_} ({equation}) was compared but is not in the table" for id_, equation in new]
    for key in written.keys() & now.keys():
        before, after = written[key], now[key]
        if tuple(c.strip() for c in after[:-1]) != before[:-1]:
            out.append(f"{key[0]} ({key[1]}): source or allowance changed")
        elif not 0.05 < float(after[-1]) / float(before[-1]) < 20.0:
            out.append(f"{key[0]} ({key[1]}): came within {after[-1]}, table says {before[-1]}")
    return sorted(out)
