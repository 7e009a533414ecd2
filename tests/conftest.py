"""Fixtures and hooks of the whole suite: outside values, the validation table, compiled kernels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import pytest

from arrayopt.runs.power.warm import compile_kernels
from arrayopt.study.read import read_study
from tests.support.paths import STUDIES
from tests.support.references import (
    COLUMNS,
    DEVIATIONS,
    TABLE_HEAD,
    Deviation,
    Reference,
    differences,
    read_references,
    read_table,
    record,
    table_rows,
)


def pytest_sessionstart(session: pytest.Session) -> None:
    """Before several processes test at once, compile what they would all compile for themselves."""
    several = getattr(session.config.option, "numprocesses", None)
    if several and not hasattr(session.config, "workerinput"):
        compile_kernels(read_study(STUDIES / "duct-flow-meter"), lambda text: None)


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
        allowed = row.rel_tol if rel_tol is None else float(rel_tol)
        relative = float(abs(computed / row.value - 1.0))  # workers send plain floats only
        record(Deviation(row, equation, relative, allowed))
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


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: object) -> None:
    """With several processes: take over what one of them compared."""
    for row in getattr(node, "workeroutput", {}).get("compared", []):
        record(Deviation(Reference(**row.pop("reference")), **row))


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    if hasattr(session.config, "workerinput"):
        session.config.workeroutput["compared"] = [asdict(d) for d in DEVIATIONS.values()]
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
