"""Kernels of a search compiled before it starts, side by side; needed once per installation."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from arrayopt.design import Designs, DesignSpace
from arrayopt.merits import compute_merits
from arrayopt.multimode import multimode_response
from arrayopt.physics.harmonic_sweep import sweep_rows
from arrayopt.response import SWEEPS
from arrayopt.seeds import seed_vectors
from arrayopt.study import read_study_text
from arrayopt.study_model import ModelSettings, Study


def compile_kernels(study: Study, note: Callable[[str], None]) -> None:
    """Fill the cache of compiled kernels if it is empty.

    Two processes compile different kernels, where workers would all compile the same. No result
    changes, and what is missing afterwards is compiled when it is used.

    Parameters
    ----------
    study : Study
    note : told that it takes a while, if it does
    """
    cache = sweep_rows.stats.cache_path
    if cache is None or any(Path(cache).glob("harmonic_sweep.sweep_rows-*.nbi")):
        return
    note("Compiling, once per installation: a minute or two.")
    processes = [
        subprocess.Popen(
            [sys.executable, "-m", "arrayopt.compile_ahead", part],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        for part in PARTS
    ]
    try:
        for process in processes:
            assert process.stdin is not None
            with process.stdin as pipe:
                pipe.write(study.text)
        for process in processes:
            process.wait()
    finally:
        for process in processes:
            process.terminate()


def _with(study: Study, **changes: object) -> Study:
    model: ModelSettings = replace(study.model, escalate=False, **changes)  # type: ignore[arg-type]
    return replace(study, model=model)


def _search(designs: Designs, study: Study) -> None:
    """One mode as the study couples it: what the first generation needs."""
    wanted = frozenset(objective.name for objective in study.objectives)
    compute_merits(designs, _with(study), wanted=wanted)


def _others(designs: Designs, study: Study) -> None:
    """Several modes, and the merits that only stored designs have."""
    multimode_response(designs, study, sweep=SWEEPS[study.target.sweep])
    compute_merits(designs, _with(study, mutual_radiation="none"))


PARTS = {"search": _search, "others": _others}


def _compile(part: str, study: Study) -> None:
    strategy = study.strategies[-1]
    designs = DesignSpace(study, strategy).decode(seed_vectors(study, strategy, 1)[:1])
    PARTS[part](designs, study.of(strategy))


if __name__ == "__main__":
    _compile(sys.argv[1], read_study_text(sys.stdin.read()))
