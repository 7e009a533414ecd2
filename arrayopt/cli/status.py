"""``arrayopt status``: how a run is doing."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.say import say


@click.command(epilog="\b\nExample:\n  arrayopt status results/duct")
@click.argument("directory", type=click.Path(path_type=Path))
def command(directory: Path) -> None:
    """Say how the run in DIRECTORY is doing: progress, best so far, time left, health.

    Works from any shell while the run goes on, and after it ended or died; it only reads.
    """
    from arrayopt.runs.status import read_status, status_text

    say(status_text(read_status(directory)))
