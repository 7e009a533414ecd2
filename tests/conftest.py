"""Outside reference values, and the record of how close the models came to them."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

REFERENCE = Path(__file__).parent / "reference" / "reference_values.csv"


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


_DEVIATIONS: dict[str, Deviation] = {}


def read_references() -> dict[str, Reference]:
    """All numeric rows of the reference table, by id."""
    rows: dict[str, Reference] = {}
    with REFERENCE.open(newline="", encoding="utf-8") as stream:
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


@pytest.fixture(scope="session")
def references() -> dict[str, Reference]:
    """The outside values by id."""
    return read_references()


@pytest.fixture(scope="session")
def check_outside(references: dict[str, Reference]) -> Callable[..., None]:
    """``check_outside(id, computed, "M2.4", rel_tol=None)``: compare with the table and record it.

    The tolerance is the source's own; a wider one must be passed with a reason beside the call.
    """

    def check(id_: str, computed: float, equation: str, rel_tol: float | None = None) -> None:
        row = references[id_]
        allowed = row.rel_tol if rel_tol is None else rel_tol
        relative = abs(computed / row.value - 1.0)
        _DEVIATIONS[id_] = Deviation(row, equation, relative, allowed)
        assert relative <= allowed, (
            f"{id_}: computed {computed!r}, {row.source} gives {row.value!r} "
            f"({row.inputs}); off by {relative:.2e}, allowed {allowed:.1e}"
        )

    return check


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--validation-table",
        metavar="FILE",
        help="write how close each model came to its outside values (docs/validation.md)",
    )


@pytest.fixture(scope="session", autouse=True)
def _validation_table(request: pytest.FixtureRequest) -> Iterator[None]:
    yield
    target = request.config.getoption("--validation-table")
    if not target:
        return
    lines = [
        "| equation | outside value | inputs | source | status | allowed | came within |",
        "|---|---|---|---|---|---|---|",
    ]
    for key in sorted(_DEVIATIONS, key=lambda k: (_DEVIATIONS[k].equation, k)):
        d = _DEVIATIONS[key]
        decade = 10.0 ** math.ceil(math.log10(max(d.relative, 1e-12)))
        r = d.reference
        lines.append(
            f"| {d.equation} | `{r.id}` {r.quantity} | {r.inputs} | {r.source} | {r.status} "
            f"| {d.allowed:.0e} | {decade:.0e} |"
        )
    Path(target).write_text("\n".join(lines) + "\n", encoding="utf-8")
