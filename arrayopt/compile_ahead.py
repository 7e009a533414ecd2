"""Kernels of the final verification, compiled while the search runs; needed once per installation."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from arrayopt.design import DesignSpace
from arrayopt.multimode import multimode_response
from arrayopt.physics.harmonic_sweep import sweep_rows
from arrayopt.response import SWEEPS
from arrayopt.seeds import seed_vectors
from arrayopt.study import read_study_text
from arrayopt.study_model import Study
from arrayopt.verify import FINEST, verify_designs


@contextmanager
def verification_compiled_beside(study: Study) -> Iterator[None]:
    """Let another process fill the cache of compiled kernels, if it is empty, during the block.

    It saves a minute or two of the first run after an installation and changes no result. It is
    stopped at the end of the block; whatever is missing then is compiled when it is used.
    """
    cache = Path(sweep_rows.stats.cache_path)
    if any(cache.glob("harmonic_sweep.sweep_rows-*.nbi")):
        yield
        return
    other = subprocess.Popen(
        [sys.executable, "-m", "arrayopt.compile_ahead"],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert other.stdin is not None
        with other.stdin as pipe:
            pipe.write(study.text)
        yield
    finally:
        other.terminate()
        other.wait()


def _compile(study: Study) -> None:
    """Use every kernel of a verification once, first those that the search starts without."""
    strategy = study.strategies[-1]
    space = DesignSpace(study, strategy)
    designs = space.decode(seed_vectors(study, strategy, 1)[:1])
    own = study.of(strategy)
    multimode_response(designs, own, sweep=SWEEPS[own.target.sweep], settings=FINEST)
    verify_designs(designs, own)


if __name__ == "__main__":
    _compile(read_study_text(sys.stdin.read()))
