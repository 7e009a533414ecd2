"""``arrayopt verify``: chosen designs on other chips, with several modes."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from arrayopt.cli.say import say

if TYPE_CHECKING:
    from arrayopt.verify.run import VerifiedDesign


@click.command(
    epilog="\b\nExample:\n  arrayopt verify results/duct\n"
    "  arrayopt verify results/duct combined/1977 --chips 256"
)
@click.argument("directory", type=click.Path(path_type=Path))
@click.argument("designs", nargs=-1, metavar="[DESIGN]...")
@click.option(
    "--chips",
    type=click.IntRange(1, 10_000),
    help="So many chips of each design in place of the study's ([verify]).",
)
def command(directory: Path, designs: tuple[str, ...], chips: int | None) -> None:
    """Compute DESIGNs of a run anew on other chips; without any, a spread of each front.

    Three modes a cell, every cell apart, finer in time, and chips that the search did not choose
    by. Prints what the search promised, what the study's share of these chips reaches, the lowest,
    median and highest chip, the array's onset, and how many chips keep each limit; says in words
    what does not hold, and stores everything with the front.
    """
    from arrayopt.base.errors import ResultsError
    from arrayopt.verify.run import verify_run

    def told(design: str, done: int) -> None:
        if sys.stderr.isatty():
            say(f"{design}: {done} more chips", err=True)

    verified = verify_run(directory, designs or None, chips=chips, told=told)
    if not verified:
        raise ResultsError(
            f"{directory}: there is nothing to verify; no front has a member, or the study's "
            "verify.designs is 0: relax a limit or search longer, or name a DESIGN"
        )
    say(verification_text(verified))


def verification_text(verified: Sequence[VerifiedDesign]) -> str:
    """One line for each design and merit, then what does not hold."""
    from arrayopt.base.glossary import KEPT_PREFIX, heading, shown_change, shown_number
    from arrayopt.base.status import VerifyStatus
    from arrayopt.merits.chips import margins
    from arrayopt.results.tables import text_table

    head = ["design", "merit", "search", "verified", "change", "lowest chip", "median", "highest"]
    rows, notes = [[*head, "chips that keep its limit"]], []
    for design in verified:
        table, first = design.found.table, design.identifier
        kept = margins(table)
        for name, value in table.values.items():
            if name not in design.promised:
                continue
            before, now = design.promised[name], float(value[0])
            spread = table.spread(name) if name in table.chips else ()
            share = kept.get(KEPT_PREFIX + name)
            rows.append(
                [
                    first,
                    heading(name),
                    shown_number(name, before),
                    shown_number(name, now),
                    shown_change(name, now, before),
                    *([shown_number(name, float(x[0])) for x in spread] or [""] * 3),
                    "" if share is None else f"{100.0 * float(share[0]):.4g} %",
                ]
            )
            first = ""
        sentences = VerifyStatus.sentences(int(design.found.status[0]))
        notes += [f"{design.identifier}: {sentence}." for sentence in sentences]
    count = verified[0].found.table.chip_status.shape[1] if verified else 0
    told = f"{count} chips of each design, other ones than the search chose by, three modes a cell."
    return "\n".join([text_table(rows), told, *notes])
