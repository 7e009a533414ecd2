"""What a run directory keeps of each strategy: its generations and the state of its search."""

from __future__ import annotations

import bisect
import hashlib
import json
import os
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from arrayopt.base.errors import ResultsError
from arrayopt.runs.identity import RUN
from arrayopt.runs.store import load

STATE = "state"
STATE_MAGIC = b"arrayopt search state 1\n"
_GENERATION = re.compile(r"generation-(\d{6,})\.nc")


@dataclass(frozen=True)
class Saved:
    """Where one strategy stands: its last complete generation and, apart from it, the state."""

    generation: int
    evaluations: int
    seconds: float
    hypervolume: float
    state: bytes


def read_state(path: Path, run: str) -> Saved | None:
    """The saved search of one strategy, or None where nothing was saved yet.

    Parameters
    ----------
    path : Path
        The state file.
    run : str
        SHA-256 of the run file it must belong to.

    Raises
    ------
    ResultsError
        Unless the file is a plain file of this user, belongs to the run and is undamaged. Only then
        may ``state`` be unpickled.
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise ResultsError(f"{path} could not be read: {error.strerror}") from error
    with os.fdopen(descriptor, "rb") as stream:
        owner, content = os.fstat(descriptor).st_uid, stream.read()
    if owner != os.geteuid():
        raise ResultsError(
            f"{path} belongs to another user and is not loaded; copy the run directory first"
        )
    body, _, seal = content.rpartition(b"\n")
    if not content.startswith(STATE_MAGIC) or hashlib.sha256(body).hexdigest().encode() != seal:
        raise ResultsError(
            f"{path} is damaged (its checksum does not match); the generations beside it are "
            "readable, and --fresh starts again"
        )
    line, _, state = body[len(STATE_MAGIC) :].partition(b"\n")
    header = json.loads(line)
    if header.pop("run") != run:
        raise ResultsError(f"{path} belongs to another run and is not loaded")
    return Saved(state=state, **header)


def read_progress(directory: Path, strategy: str) -> Saved | None:
    """Where a strategy of the run in a directory stands, without holding the directory.

    Raises
    ------
    ResultsError
        As ``read_state``, or if there is no run.
    """
    try:
        run = hashlib.sha256((Path(directory) / RUN).read_bytes()).hexdigest()
    except OSError as error:
        raise ResultsError(f"{directory} holds no run: {error.strerror}") from error
    return read_state(Path(directory) / strategy / STATE, run)


def stored_designs(folder: Path, evaluations: NDArray[np.int64]) -> xr.Dataset:
    """Some evaluations, ascending, from the generations saved in a strategy's folder.

    Raises
    ------
    ResultsError
        If a generation is missing or damaged.
    """
    files = [file for _, file in sorted(generation_files(folder).items())]
    cache: dict[int, xr.Dataset] = {}

    def generation(index: int) -> xr.Dataset:
        if index not in cache:
            # without the file's own attributes, as the history has it
            cache[index] = load(files[index]).drop_vars("front").drop_attrs(deep=False)
        return cache[index]

    def first(index: int) -> int:
        return int(generation(index)["evaluation"].values[0])

    parts, position = [], 0
    while position < len(evaluations):
        wanted = int(evaluations[position])
        index = bisect.bisect_right(range(len(files)), wanted, key=first) - 1
        numbers = generation(index)["evaluation"].values
        stop = int(np.searchsorted(evaluations, numbers[-1], side="right"))
        rows = evaluations[position:stop] - numbers[0]
        if stop == position:
            raise ResultsError(f"{folder} lacks evaluation {wanted}; restore its files")
        parts.append(generation(index).isel(design=rows))
        position = stop
    if not parts:
        return generation(0).isel(design=slice(0, 0))
    return xr.concat(parts, "design", data_vars="all", combine_attrs="override")


def generation_files(folder: Path) -> dict[int, Path]:
    """Files of the saved generations by number."""
    matches = ((_GENERATION.fullmatch(p.name), p) for p in folder.iterdir())
    return {int(match[1]): path for match, path in matches if match}
