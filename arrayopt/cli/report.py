"""``arrayopt report``: one page about a run."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.say import say


@click.command(
    epilog="\b\nExample:\n  arrayopt report results/duct\n"
    "  arrayopt report results/duct --design combined/1977 --out duct.html"
)
@click.argument("directory", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="The file; DIRECTORY/report.html.")
@click.option(
    "--design",
    "designs",
    multiple=True,
    metavar="STRATEGY/NUMBER",
    help="Show this design in full; may be repeated. Each strategy's knee if not given.",
)
@click.option("--overwrite", is_flag=True, help="Replace a file of another origin, too.")
def command(directory: Path, out: Path | None, designs: tuple[str, ...], overwrite: bool) -> None:
    """Write one self-contained HTML page about the run in DIRECTORY.

    It holds the answer, the fronts, chosen designs with responses, maps and margins, a page to
    explore every front member, cautions, and how to reproduce it; it needs no network and prints
    well. A run that is unfinished is shown as far as it came.
    """
    from arrayopt.results.read import read_run
    from arrayopt.results.report.page import write_report
    from arrayopt.results.report.text import answer

    path = write_report(directory, out, designs=designs, overwrite=overwrite)
    say(answer(read_run(directory)))
    say(f"Report: {path}")
