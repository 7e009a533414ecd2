"""``arrayopt compare``: strategies on equal footing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from arrayopt.base.glossary import stored
from arrayopt.base.units import QuantityError
from arrayopt.cli.say import say


class Wanted(click.ParamType):  # type: ignore[type-arg]
    """A value with its unit, as in study files."""

    name = "value"

    def __init__(self, quantity: str) -> None:
        self.quantity = quantity

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The value in the unit in which it is stored."""
        try:
            return stored(self.quantity, value)
        except QuantityError as error:
            self.fail(str(error), param, ctx)


@click.command(
    epilog="\b\nExample:\n  arrayopt compare results/seed-1 results/seed-2 results/seed-3 "
    "--to results/comparison\n"
    '  arrayopt compare results/duct --level "100 dB" --onset "3 V"'
)
@click.argument("directories", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--to", type=click.Path(path_type=Path), help="Folder for text, JSON and pictures.")
@click.option("--level", type=Wanted("peak_level"), help='Required peak level, "100 dB".')
@click.option("--onset", type=Wanted("onset_voltage"), help='Largest onset voltage, "3 V".')
@click.option(
    "--bandwidth",
    type=Wanted("fractional_bandwidth"),
    help='Required fractional bandwidth, "20 %".',
)
@click.option("--yield", "yielding", type=Wanted("yield"), help='Required yield, "80 %".')
@click.option("--anyway", is_flag=True, help="Warn of unequal conditions instead of refusing.")
@click.option("--overwrite", is_flag=True, help="Replace files of another origin, too.")
def command(
    directories: tuple[Path, ...],
    to: Path | None,
    level: float | None,
    onset: float | None,
    bandwidth: float | None,
    yielding: float | None,
    anyway: bool,
    overwrite: bool,
) -> None:
    """Compare the strategies of the runs in DIRECTORIES.

    Give runs of one study with several seeds to learn whether a difference is more than chance.
    All are compared after the same number of evaluations and against the same reference point.
    Runs before and after a calibration are shown side by side, as two states of one study.
    Requirements that are not given are what half of every front reaches.
    """
    from arrayopt.results.compare.comparison import compare
    from arrayopt.results.compare.output import (
        comparison_files,
        comparison_text,
        write_comparison,
    )

    files = None if to is None else comparison_files(to, overwrite=overwrite)
    found = compare(
        directories,
        level=level,
        onset=onset,
        bandwidth=bandwidth,
        yielding=yielding,
        anyway=anyway,
    )
    say(comparison_text(found))
    if files is not None:
        written = write_comparison(found, files)
        say(f"\nWritten to {to}: {', '.join(path.name for path in written)}")
