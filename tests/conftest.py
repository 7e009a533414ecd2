"""Outside reference values, and the record of how close the models came to them."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from arrayopt.compile_ahead import compile_kernels
from arrayopt.study import read_study

STUDIES = Path(__file__).parent.parent / "studies"
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
_FROM_WORKERS: dict[str, tuple[str, ...]] = {}
"""Rows of `table_rows` that other processes compared."""


def pytest_sessionstart(session: pytest.Session) -> None:
    """Before several processes test at once, compile what they would all compile for themselves."""
    several = getattr(session.config.option, "numprocesses", None)
    if several and not hasattr(session.config, "workerinput"):
        compile_kernels(read_study(STUDIES / "duct-flow-meter"), lambda text: None)


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
    parser.addoption(
        "--validation-check",
        metavar="FILE",
        help="fail where this run and a written table differ: other rows, or a decade less close",
    )


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


def table_rows() -> dict[str, tuple[str, ...]]:
    """Row of every value compared so far, by id, in the order of the table."""
    rows = dict(_FROM_WORKERS)
    for key, d in _DEVIATIONS.items():
        r = d.reference
        decade = 10.0 ** math.ceil(math.log10(max(d.relative, 1e-12)))
        cells = (d.equation, f"`{r.id}` {r.quantity}", r.inputs, r.source, r.status)
        rows[key] = (*(c.replace("|", "/") for c in cells), f"{d.allowed:.0e}", f"{decade:.0e}")
    return dict(sorted(rows.items(), key=lambda item: (item[1][0], item[0])))


def read_table(path: Path) -> dict[str, tuple[str, ...]]:
    """Rows of a written table, by id."""
    rows = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        cells = tuple(cell.strip() for cell in line.strip().strip("|").split("|"))
        if len(cells) == len(COLUMNS) and cells[1].startswith("`"):
            rows[cells[1].split("`")[1]] = cells
    return rows


def differences(written: dict[str, tuple[str, ...]], now: dict[str, tuple[str, ...]]) -> list[str]:
    """What makes a written table untrue, a sentence each.

    A decade is allowed to move by one: rounding differs between machines.
    """
    out = [f"{id_} is in the table but was not compared" for id_ in written.keys() - now.keys()]
    out += [f"{id_} was compared but is not in the table" for id_ in now.keys() - written.keys()]
    for id_ in written.keys() & now.keys():
        old, new = written[id_], now[id_]
        if tuple(c.strip() for c in new[:-1]) != old[:-1]:
            out.append(f"{id_}: equation, source or allowance changed")
        elif not 0.05 < float(new[-1]) / float(old[-1]) < 20.0:
            out.append(f"{id_}: came within {new[-1]}, the table says {old[-1]}")
    return sorted(out)


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: object) -> None:
    """With several processes: take over what one of them compared."""
    rows = getattr(node, "workeroutput", {}).get("compared", {})
    _FROM_WORKERS.update({key: tuple(row) for key, row in rows.items()})


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    if hasattr(session.config, "workerinput"):
        session.config.workeroutput["compared"] = {k: list(v) for k, v in table_rows().items()}
        return
    target = session.config.getoption("--validation-table")
    if target:
        lines = ["| " + " | ".join(COLUMNS) + " |", "|" + "---|" * len(COLUMNS)]
        lines += ["| " + " | ".join(row) + " |" for row in table_rows().values()]
        Path(target).write_text(TABLE_HEAD + "\n".join(lines) + "\n", encoding="utf-8")
    written = session.config.getoption("--validation-check")
    if written:
        found = differences(read_table(Path(written)), table_rows())
        for line in found:
            print(f"\n{written}: {line}", end="")
        if found:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED
