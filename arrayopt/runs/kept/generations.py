"""What a run directory keeps of each strategy: its generations and the state of its search."""

from __future__ import annotations

import bisect
import hashlib
import json
import os
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.errors import ResultsError
from arrayopt.base.files import open_plain
from arrayopt.runs.kept.identity import RUN, RunIdentity, parsed_identity, read_identity
from arrayopt.runs.kept.store import load
from arrayopt.search.problem import Evaluation, Evaluator
from arrayopt.study.model import Objective

if TYPE_CHECKING:
    from arrayopt.search.population import SearchSettings

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


class UnusableStateError(ResultsError):
    """A search state that is damaged or foreign; the generations beside it are the record."""


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
    UnusableStateError
        Unless the file is of this user, belongs to the run and is undamaged. Only then may
        ``state`` be unpickled.
    ResultsError
        If it is no plain file or cannot be read.
    """
    try:
        with open_plain(path, follow=False) as stream:
            owner, content = os.fstat(stream.fileno()).st_uid, stream.read()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise ResultsError(f"{path} could not be read: {error.strerror}") from error
    if owner != os.geteuid():
        raise UnusableStateError(f"{path} belongs to another user and is not loaded")
    body, _, seal = content.rpartition(b"\n")
    if not content.startswith(STATE_MAGIC) or hashlib.sha256(body).hexdigest().encode() != seal:
        raise UnusableStateError(f"{path} is damaged (its checksum does not match)")
    line, _, state = body[len(STATE_MAGIC) :].partition(b"\n")
    try:
        header = json.loads(line)
        owner_run, saved = header.pop("run"), Saved(state=state, **header)
    except (ValueError, TypeError, KeyError, AttributeError):
        raise UnusableStateError(f"{path} is of another format") from None
    if owner_run != run:
        raise UnusableStateError(f"{path} belongs to another run and is not loaded")
    from arrayopt.search.loop import readable  # loads the search, which readers do without

    if not readable(state):
        raise UnusableStateError(f"{path} was written by another version")
    return saved


def read_progress(directory: Path, strategy: str) -> Saved | None:
    """Where a strategy of the run in a directory stands, by its last generation.

    Raises
    ------
    ResultsError
        If the last generation cannot be read or does not tell.
    """
    folder = Path(directory) / strategy
    files = generation_files(folder) if folder.is_dir() else {}
    if not files:
        return None
    last = files[max(files)]
    return progress_in(load(last).attrs, max(files), last)


def progress_in(attributes: Mapping[Any, Any], number: int, file: Path) -> Saved:
    """Where a strategy stood after a generation, by the attributes of its file.

    Raises
    ------
    ResultsError
        If the file was written by a version that did not say.
    """
    try:
        return Saved(
            number,
            int(attributes["evaluations"]),
            float(attributes["seconds"]),
            float(attributes["hypervolume"]),
            b"",
        )
    except (KeyError, TypeError, ValueError):
        raise ResultsError(f"{file} does not say where its search stood") from None


def kept_run_file(directory: Path) -> bytes | None:
    """Content of the run file that the saved generations belong to; None without generations.

    The first generation of each strategy holds it, under the checksum that all of them name.

    Raises
    ------
    ResultsError
        If a first generation is damaged or does not hold it, or they belong to different runs.
    """
    found: dict[str, bytes] = {}
    for file in sorted(Path(directory).glob(f"*/{generation_name(1)}")):
        attributes = load(file).attrs
        content = str(attributes.get("run_file", "")).encode()
        run = hashlib.sha256(content).hexdigest()
        if run != attributes.get("run"):
            raise ResultsError(f"{file} does not tell which run it belongs to")
        found[run] = content
        if len(found) > 1:
            raise ResultsError(f"{directory} holds generations of more than one run")
    return next(iter(found.values()), None)


def known_identity(directory: Path) -> RunIdentity:
    """Which run a directory holds, by its run file or else by its saved generations.

    Raises
    ------
    ResultsError
        If neither tells.
    """
    try:
        return read_identity(directory)
    except ResultsError:
        with suppress(ResultsError):
            if (kept := kept_run_file(directory)) is not None:
                return parsed_identity(kept, Path(directory) / RUN)
        raise


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


def generation_name(number: int) -> str:
    """Name of the file of a generation."""
    return f"generation-{number:06d}.nc"


def generation_files(folder: Path) -> dict[int, Path]:
    """Files of the saved generations by number."""
    matches = ((_GENERATION.fullmatch(p.name), p) for p in folder.iterdir())
    return {int(match[1]): path for match, path in matches if match}


class _Told:
    """A problem whose evaluations are those of saved generations, one file after the other."""

    def __init__(self, problem: Evaluator, files: Sequence[Path], run: str) -> None:
        self._problem, self._left, self._run = problem, list(files), run

    @property
    def n_variables(self) -> int:
        return self._problem.n_variables

    @property
    def families(self) -> Sequence[Ints]:
        return self._problem.families

    @property
    def objectives(self) -> Sequence[Objective]:
        return self._problem.objectives

    def repair(self, X: Floats) -> Floats:
        return self._problem.repair(X)

    def evaluate(self, X: Floats, front: Floats | None = None) -> Evaluation:
        self.file = self._left.pop(0)
        self.saved = load(self.file)
        if self.saved.attrs.get("run") != self._run:
            raise ResultsError(f"{self.file} belongs to another run")
        if not np.array_equal(X, self.saved["vector"].values):
            raise ResultsError(f"{self.file} does not hold the designs that its search asks for")
        F = np.stack([self.saved[o.name].values for o in self.objectives], axis=1)
        return Evaluation(
            F, self.saved["limit_value"].values, {}, self.saved["status"].values.astype(np.int64)
        )


def replayed(
    problem: Evaluator,
    settings: SearchSettings,
    files: Sequence[Path],
    *,
    run: str,
    seed: int,
    initial: Floats | None,
    saved: Saved | None,
) -> Saved:
    """Where a strategy stands after saved generations, without evaluating a design.

    The search asks for designs and is told what they are worth, and nothing else moves it. Told
    again what was saved, it comes to the same state, bit for bit. Asking for the saved designs
    shows that.

    Parameters
    ----------
    problem, settings, seed, initial
        As the search had them.
    files : generations after ``saved``, in order, at least one.
    run : SHA-256 of the run file they must belong to.
    saved : where to begin; None at the start.

    Raises
    ------
    ResultsError
        If a file is damaged or foreign, or is not what this search would have made.
    """
    told = _Told(problem, files, run)
    state = None if saved is None else saved.state
    from arrayopt.search.loop import search

    search_ = search(told, settings, seed=seed, initial=initial, state=state)
    there = saved
    for file in files:
        generation = next(search_, None)
        if generation is None or not (
            np.array_equal(generation.front, told.saved["front"].values)
            and np.array_equal(generation.violation, told.saved["violation"].values)
            and np.array_equal(generation.index, told.saved["evaluation"].values)
        ):
            raise ResultsError(f"{file} does not hold what its search came to")
        told_of = progress_in(told.saved.attrs, generation.number, file)
        there = replace(told_of, hypervolume=generation.hypervolume, state=generation.state)
    if there is None:
        raise ValueError("there are no generations to replay")
    return there
