"""Kernels of a search compiled before it starts; needed once per installation."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from arrayopt.design.designs import DesignSpace
from arrayopt.merits.evaluate import evaluate
from arrayopt.physics.intime.sweep_kernel import sweep_items
from arrayopt.runs.power.workers import inherited_by_workers, leave_with_parent
from arrayopt.search.seeds import seed_vectors
from arrayopt.study.model import Study
from arrayopt.study.read import read_study_text


def compile_kernels(
    study: Study, note: Callable[[str], None], *, limit: float | None = None
) -> None:
    """Fill the cache of compiled kernels if it is empty.

    One process compiles what workers would all compile. No result changes, and what is missing
    afterwards is compiled when it is used.

    Parameters
    ----------
    study : Study
    note : told that it takes a while, if it does
    limit : seconds after which it is left to those who need the rest; None for no limit
    """
    cache = sweep_items.stats.cache_path
    if cache is None or any(Path(cache).glob("sweep_kernel.sweep_items-*.nbi")):
        return
    note("Compiling, once per installation: about a minute.")
    # Spawned as workers are: only then is it certain that the same installation fills its cache.
    start = multiprocessing.get_context("spawn").Process
    process = start(target=_compile, args=(study.text,), daemon=True)
    try:
        with inherited_by_workers():
            process.start()
        process.join(limit)
    finally:
        if process.is_alive():
            process.kill()


def _compile(text: str) -> None:
    leave_with_parent()
    with suppress(Exception):  # the run meets it again, and is the one to report it
        study = read_study_text(text)
        strategy = study.strategies[-1]
        designs = DesignSpace(study, strategy).decode(seed_vectors(study, strategy, 1)[:1])
        evaluate(designs, study, strategy, chips=1)
