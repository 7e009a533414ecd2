"""Kernels of a search compiled before it starts, side by side; needed once per installation."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.merits.figures import compute_merits
from arrayopt.models.array import SWEEPS
from arrayopt.models.choose import model_of
from arrayopt.physics.steady.harmonic_sweep import sweep_rows
from arrayopt.runs.power.workers import inherited_by_workers, leave_with_parent
from arrayopt.search.seeds import seed_vectors
from arrayopt.study.model import ModelSettings, Study
from arrayopt.study.read import read_study_text


def compile_kernels(
    study: Study, note: Callable[[str], None], *, limit: float | None = None
) -> None:
    """Fill the cache of compiled kernels if it is empty.

    Two processes compile different kernels, where workers would all compile the same. No result
    changes, and what is missing afterwards is compiled when it is used.

    Parameters
    ----------
    study : Study
    note : told that it takes a while, if it does
    limit : seconds after which it is left to those who need the rest; None for no limit
    """
    cache = sweep_rows.stats.cache_path
    if cache is None or any(Path(cache).glob("harmonic_sweep.sweep_rows-*.nbi")):
        return
    note("Compiling, once per installation: a minute or two.")
    # Spawned as workers are: only then is it certain that the same installation fills its cache.
    start = multiprocessing.get_context("spawn").Process
    processes = [start(target=_compile, args=(part, study.text), daemon=True) for part in PARTS]
    try:
        with inherited_by_workers():
            for process in processes:
                process.start()
        end = None if limit is None else time.monotonic() + limit
        for process in processes:
            process.join(None if end is None else max(end - time.monotonic(), 0.0))
    finally:
        for process in processes:
            if process.is_alive():
                process.kill()


def _with(study: Study, **changes: object) -> Study:
    model: ModelSettings = replace(study.model, escalate=False, **changes)  # type: ignore[arg-type]
    return replace(study, model=model)


def _search(designs: Designs, study: Study) -> None:
    """One mode as the study couples it: what the first generation needs."""
    wanted = frozenset(objective.name for objective in study.objectives)
    compute_merits(designs, _with(study), wanted=wanted)


def _others(designs: Designs, study: Study) -> None:
    """Several modes, and the merits and the response that only stored designs have."""
    for kind in ("multi-mode", "one-mode"):
        compute_merits(designs, _with(study, kind=kind, mutual_radiation="none"))
    model = model_of(designs, study)
    model.response(model.cells.natural_frequency[:, :1], SWEEPS[study.target.sweep])


PARTS = {"search": _search, "others": _others}


def _compile(part: str, text: str) -> None:
    leave_with_parent()
    with suppress(Exception):  # the run meets it again, and is the one to report it
        study = read_study_text(text)
        strategy = study.strategies[-1]
        designs = DesignSpace(study, strategy).decode(seed_vectors(study, strategy, 1)[:1])
        PARTS[part](designs, study.of(strategy))
