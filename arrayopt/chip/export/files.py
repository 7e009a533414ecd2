"""The files of an export: stamp, tables as CSV, manifest and digests; loads no model."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from arrayopt.base.errors import ArrayoptError, ExportError
from arrayopt.base.text import csv_cell, one_line
from arrayopt.chip.process import Process, read_process
from arrayopt.design.file import read_design
from arrayopt.design.stored import FoundDesign
from arrayopt.study.read import read_study

MANIFEST = "manifest.json"
FORMAT = 1

Arrays = Mapping[str, NDArray[Any]]
"""Figures of one design by glossary name, as `evaluate.evaluated` gives them for several."""

CELLS, DRIVE, LAYERS = "cells.csv", "drive.csv", "layers.csv"


class TableError(ArrayoptError):
    """An exported table cannot be read back."""


@dataclass(frozen=True)
class Stamp:
    """What every exported file carries: the design's identifier and the digest of the export."""

    identifier: str
    digest: str

    @property
    def text(self) -> str:
        """One line."""
        return f"design {self.identifier} digest {self.digest}"


def csv_text(stamp: Stamp, rows: Sequence[Mapping[str, Any]], notes: Iterable[str] = ()) -> str:
    """A table as CSV: comment lines with stamp and notes, a header, one line a row."""
    stream = io.StringIO()
    for line in (stamp.text, *notes):
        stream.write(f"# {one_line(line)}\n")
    writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows({key: _plain(value) for key, value in row.items()} for row in rows)
    return stream.getvalue()


def _plain(value: Any) -> Any:
    return repr(float(value)) if isinstance(value, float) else csv_cell(value)


def read_csv(path: Path) -> list[dict[str, str]]:
    """Rows of a table written by `csv_text`.

    Raises
    ------
    TableError : the file cannot be read.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise TableError(f"{path} cannot be read: {error}") from None
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def digest_of(study: str, process: str, design: str) -> str:
    """Digest (SHA-256) of an export from the digests of study and process and the design's text."""
    return hashlib.sha256("\n".join((study, process, design)).encode()).hexdigest()


def file_digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def write_manifest(folder: Path, found: FoundDesign, process: Process, stamp: Stamp) -> None:
    """List the files of a folder with their digests; written last."""
    files = {
        path.name: {"bytes": path.stat().st_size, "sha256": file_digest(path)}
        for path in sorted(folder.iterdir())
    }
    content: dict[str, Any] = {
        "format": FORMAT,
        "design": stamp.identifier,
        "strategy": found.strategy.name,
        "digest": stamp.digest,
        "study_digest": found.study.digest,
        "process_digest": process.digest,
        "files": files,
    }
    text = json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False)
    (folder / MANIFEST).write_text(text + "\n", encoding="utf-8")


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of an export.

    Raises
    ------
    ExportError : there is none, or it is of a newer format.
    """
    try:
        content: dict[str, Any] = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        newer = int(content["format"]) > FORMAT
        content["files"], content["design"], content["digest"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ExportError(f"{folder} is not an export: {MANIFEST} cannot be read") from error
    if newer:
        raise ExportError(f"{folder} has export format {content['format']}; update arrayopt")
    return content


def loaded(folder: Path, manifest: Mapping[str, Any]) -> tuple[FoundDesign, Process]:
    """Design and process of an export, from its own files."""
    study = read_study(folder / "study.toml")
    strategy, designs = read_design(folder / "design.toml", study)
    found = FoundDesign(str(manifest["design"]), study, strategy, designs)
    return found, read_process(folder / "process.toml")
