"""A signal that ends a command is not lost where Python drops exceptions."""

from __future__ import annotations

import signal
import subprocess
import sys

SCRIPT = """
import os, signal, sys, time, weakref
from arrayopt.cli import main as cli

class Thing: pass

def ends(*_):  # dropped by Python: a callback of a weak reference
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(0.2)

def work(**_):
    thing = Thing()
    ref = weakref.ref(thing, ends)
    del thing
    time.sleep(20)
    print("went on")

cli.group = work
cli.main()
"""


def test_signal_in_a_callback_ends_the_command() -> None:
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 128 + signal.SIGTERM
    assert done.stderr == ""
    assert done.stdout == ""
