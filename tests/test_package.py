"""Public names: each is what it says, and its module loads only when it is asked for."""

from __future__ import annotations

import subprocess
import sys

import arrayopt


def test_every_public_name_loads() -> None:
    for name in arrayopt.__all__:
        assert getattr(arrayopt, name) is not None
    assert callable(arrayopt.evaluate)
    assert callable(arrayopt.calibrate)


def test_importing_the_package_loads_none_of_its_rooms() -> None:
    program = "import arrayopt, sys; print(*(m for m in sys.modules if m.startswith('arrayopt.')))"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == []
