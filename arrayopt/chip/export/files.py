"""The files of an export: stamp, tables as CSV, manifest and digests; loads no model."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from arrayopt.base.errors import ArrayoptError, ExportError
from arrayopt.base.files import read_text
from arrayopt.base.output import FileSet, in_the_way
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
        lines = read_text(path).splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise TableError(f"{path} cannot be read: {error}") from None
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def digest_of(study: str, process: str, design: str) -> str:
    """Digest (SHA-256) of an export from the digests of study and process and the design's text."""
    return hashlib.sha256("\n".join((study, process, design)).encode()).hexdigest()


def manifest_content(found: FoundDesign, process: Process, stamp: Stamp) -> dict[str, Any]:
    """What the manifest says besides the list of files."""
    return {
        "format": FORMAT,
        "design": stamp.identifier,
        "strategy": found.strategy.name,
        "digest": stamp.digest,
        "study_digest": found.study.digest,
        "process_digest": process.digest,
    }


def _exported(content: Mapping[str, Any]) -> bool:
    digests = (content[key] for key in ("digest", "study_digest", "process_digest"))
    return all(re.fullmatch("[0-9a-f]{64}", str(digest)) for digest in digests)


def export_files(folder: Path, *, replace: bool) -> FileSet:
    """Where an export is to go, checked before any work.

    Parameters
    ----------
    folder : new or empty; with `replace`, one that holds an export, whose files then go.
    replace : see `folder`.

    Raises
    ------
    ResultsError : it is no folder, or cannot be written.
    ExportError : it holds something else, or files of the export were changed since.
    """
    files = FileSet(folder, MANIFEST, _exported)
    others = files.others()
    if files.listed is None:
        if others:
            few = ", ".join(others[:3]) + (", ..." if len(others) > 3 else "")
            raise ExportError(
                f"{folder} holds {few} and is not an export; name a new or an empty folder"
            )
    elif not replace:
        raise ExportError(
            f"{folder} holds an export; --replace replaces its files and leaves all others, or "
            "name another folder"
        )
    elif changed := files.changed(files.listed):
        raise in_the_way(folder, changed)
    return files


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of an export.

    Raises
    ------
    ExportError : there is none, or it is of a newer format.
    """
    try:
        content: dict[str, Any] = json.loads(read_text(folder / MANIFEST))
        newer = int(content["format"]) > FORMAT
        content["design"], content["digest"]
        _ = [told["sha256"] for told in content["files"].values()]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
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
