"""Which run a directory holds, and whether another one is the same."""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.errors import ResultsError
from arrayopt.base.files import FORMAT, PROGRAM, other_format, read_bytes

RUN = "run.json"


@dataclass(frozen=True)
class RunIdentity:
    """What must agree before a run goes on: the same study, seed, settings and versions.

    Parameters
    ----------
    study : str
        Text of the study file.
    digest : str
        Digest of its meaning.
    seed : int
    strategies : tuple of str
        Names, letters, digits, "-" and "_".
    settings : mapping
        Search settings, of JSON values.
    versions : mapping of str to str
        Packages whose change may change numbers.
    start : mapping
        Empty, or ``from`` (which run the search started from) and ``vectors`` by strategy.
    """

    study: str
    digest: str
    seed: int
    strategies: tuple[str, ...]
    settings: Mapping[str, Any]
    versions: Mapping[str, str]
    start: Mapping[str, Any] = field(default_factory=dict)

    def start_vectors(self, strategy: str) -> NDArray[np.float64] | None:
        """Designs (design, variable) a strategy starts from instead of its own; None: its own."""
        rows = self.start.get("vectors", {}).get(strategy)
        return None if rows is None else np.array(rows, dtype=np.float64)

    def attributes(self) -> dict[str, Any]:
        """Attributes for result files; the versions and settings as JSON."""
        return {
            "study": self.study,
            "digest": self.digest,
            "seed": str(self.seed),
            "settings": json.dumps(dict(self.settings), sort_keys=True),
            "versions": json.dumps(dict(self.versions), sort_keys=True),
            **({"started_from": str(self.start["from"])} if self.start else {}),
        }

    def to_json(self) -> bytes:
        """Content of the run file; equal identities give equal bytes."""
        content = {"program": PROGRAM, "format": FORMAT, **asdict(self)}
        if not self.start:
            del content["start"]
        return json.dumps(content, indent=1, sort_keys=True).encode()


def read_identity(directory: Path) -> RunIdentity:
    """Which run a directory holds.

    Raises
    ------
    ResultsError
        If it holds none that this version can read.
    """
    path = Path(directory) / RUN
    try:
        content = read_bytes(path)
    except FileNotFoundError:
        raise ResultsError(f"{directory} holds no run ({RUN} is missing)") from None
    except OSError as error:
        raise ResultsError(f"{path} could not be read: {error.strerror}") from error
    return parsed_identity(content, path)


def parsed_identity(text: bytes, path: Path) -> RunIdentity:
    """Which run the content of a run file means; ``path`` is named where it cannot be read.

    Raises
    ------
    ResultsError
        If it is damaged, foreign or of another format.
    """
    try:
        content = json.loads(text)
        if not isinstance(content, dict) or content.pop("program") != PROGRAM:
            raise KeyError
        if (version := content.pop("format")) != FORMAT:
            raise ResultsError(f"{path} {other_format(version)}")
        content["strategies"] = tuple(content["strategies"])
        if not all(isinstance(name, str) for name in content["strategies"]):
            raise TypeError
        return RunIdentity(**content)
    except (ValueError, KeyError, TypeError, RecursionError):
        raise ResultsError(f"{path} is damaged or was not written by {PROGRAM}") from None


def differing(there: RunIdentity, here: RunIdentity) -> list[str]:
    """Why a run cannot go on bit for bit, a phrase each; empty where it can."""
    out = []
    if there.digest != here.digest:
        lines = _changed_lines(there.study, here.study)
        out.append("the study was changed" + (f" ({lines})" if lines else ""))
    out += [
        f"{key} {old or 'none'} there, {new or 'none'} here"
        for key in sorted({*there.versions, *here.versions})
        if (old := there.versions.get(key)) != (new := here.versions.get(key))
    ]
    if there.seed != here.seed:
        out.append(f"seed {there.seed} there, {here.seed} here")
    if there.strategies != here.strategies:
        out.append(f"strategies {', '.join(there.strategies)} there")
    settings = [
        f"{key} {json.dumps(there.settings.get(key))} there, "
        f"{json.dumps(here.settings.get(key))} here"
        for key in sorted({*there.settings, *here.settings})
        if json.dumps(there.settings.get(key)) != json.dumps(here.settings.get(key))
    ]
    if settings:
        out.append(f"the search settings were changed ({', '.join(settings)})")
    return out


def _changed_lines(there: str, here: str, most: int = 3) -> str:
    """The first lines that differ between two study texts."""
    old, new = there.splitlines(), here.splitlines()
    changed = [
        line[2:].strip()
        for line in difflib.ndiff(old, new)
        if line.startswith("+ ") and line[2:].strip()
    ]
    removed = [
        line[2:].strip()
        for line in difflib.ndiff(old, new)
        if line.startswith("- ") and line[2:].strip()
    ]
    words = [f"now: {line}" for line in changed[:most]] or [f"gone: {x}" for x in removed[:most]]
    rest = max(len(changed), len(removed)) - len(words)
    return ", ".join(words) + (f", and {rest} more lines" if words and rest > 0 else "")
