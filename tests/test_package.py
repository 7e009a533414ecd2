"""Public names: each is what it says, whichever module was imported first."""

from __future__ import annotations

import subprocess
import sys

import pytest

import arrayopt


def test_every_public_name_loads() -> None:
    for name in arrayopt.__all__:
        assert getattr(arrayopt, name) is not None
    assert callable(arrayopt.evaluate)
    assert callable(arrayopt.calibrate)


slow = pytest.mark.slow  # each loads everything


@pytest.mark.parametrize(
    "before",
    [
        "pass",
        pytest.param("import arrayopt.evaluate, arrayopt.calibrate", marks=slow),
        "from arrayopt.evaluate import margins; from arrayopt.calibrate import fit_cell",
        pytest.param("import arrayopt.study_run, arrayopt.commands.calibrate", marks=slow),
        pytest.param("import importlib; importlib.import_module('arrayopt.calibrate')", marks=slow),
    ],
)
def test_functions_win_over_modules_of_their_name(before: str) -> None:
    program = (
        f"{before}\n"
        "from arrayopt import calibrate, evaluate\n"
        "import arrayopt.evaluate, arrayopt.calibrate, sys, types\n"
        "for f in (calibrate, evaluate, arrayopt.evaluate, arrayopt.calibrate):\n"
        "    assert isinstance(f, types.FunctionType), f\n"
        "assert sys.modules['arrayopt.evaluate'].evaluate is evaluate\n"
        "from arrayopt.evaluate import margins\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
