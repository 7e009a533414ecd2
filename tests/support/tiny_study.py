"""A study that takes about a second, and the installed command on it, for tests of faults."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Callable
from pathlib import Path

from tests.support.paths import STUDIES

STUDY = STUDIES / "duct-flow-meter" / "study.toml"


def tiny_text(*, population: int = 8, evaluations: int = 32) -> str:
    """The shipped duct study with four cells, two strategies, two small islands."""
    text = STUDY.read_text(encoding="utf-8")
    for old, new in (
        ("rows = 8", "rows = 2"),
        ("columns = 8", "columns = 2"),
        (
            "population = 50",
            f"population = {population // 2}\nislands = 2\nexchange_every = 2\nmigrants = 2\n"
            "seeded_designs = 4",
        ),
        ("evaluations = 1000", f"evaluations = {evaluations}"),
        ("count = 8", "count = 2"),
        ("front_size = 40", "front_size = 6"),
    ):
        assert old in text, old
        text = text.replace(old, new)
    head, _, rest = text.partition("[strategy.overlapping-radii]")
    return head + "[strategy.combined]" + rest.partition("[strategy.combined]")[2]


def command(*arguments: object) -> int:
    """Call the command's entry point in this process; its exit code."""
    from arrayopt.cli.main import main

    sys.argv = ["arrayopt", *map(str, arguments)]
    try:
        main()
    except SystemExit as end:
        return int(end.code or 0)
    return 0


def humble_command(*arguments: object) -> int:
    """`command` without the superuser's right to pass over file permissions: capabilities(7)."""
    system = ctypes.CDLL(None, use_errno=True)
    header = (ctypes.c_uint32 * 2)(0x20080522, 0)
    sets = (ctypes.c_uint32 * 6)()  # effective, permitted, inheritable; low then high
    if system.capget(header, sets) == 0:
        sets[0] &= ~0b110  # CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH
        system.capset(header, sets)
    return command(*arguments)


def forked(log: Path, *arguments: object, call: Callable[..., int] = command) -> int:
    """Start the command in a fork, which has everything loaded; its process id.

    ``call`` is given the arguments in the fork, and gives the exit code.
    """
    pid = os.fork()
    if pid == 0:
        stream = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(stream, 1)
        os.dup2(stream, 2)
        try:
            code = call(*arguments)
            sys.stdout.flush()
        except BaseException as error:  # a traceback is what the tests look for
            os.write(2, f"Traceback: {error!r}\n".encode())
            code = 99
        os._exit(code)
    return pid
