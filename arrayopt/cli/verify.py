"""``arrayopt verify``: chosen designs on other chips, with several modes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from arrayopt.cli.say import say

if TYPE_CHECKING:
    from arrayopt.verify.run import VerifiedDesign, VerifiedFront


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
    """Compute DESIGNs of a run anew on other chips; without any, every member of every front.

    Three modes a cell, every cell apart, finer in time, and chips that the search did not choose
    by. Prints what the search promised, what the study's share of these chips reaches, the lowest,
    median and highest chip, the array's onset, and how many chips keep each limit; says in words
    what does not hold, and stores everything with the front. Of whole fronts, members that break a
    limit fall out, others of the archive take their place, and what is dominated in verified values
    goes.
    """
    from arrayopt.base.errors import ResultsError
    from arrayopt.verify.run import verify_run

    if designs:
        say(verification_text(verify_run(directory, designs, chips=chips, note=noted)))
        return
    found = verifying(directory, chips)
    if not any(front.tried for front in found):
        raise ResultsError(
            f"{directory}: there is nothing to verify; no front has a member: relax a limit or "
            "search longer"
        )
    say(fronts_text(found))


def verifying(directory: Path, chips: int | None) -> list[VerifiedFront]:
    """Every member of every front, with a sign of life after each batch."""
    from arrayopt.verify.run import verify_fronts

    done: dict[str, int] = {}

    def told(strategy: str, count: int) -> None:
        done[strategy] = done.get(strategy, 0) + count
        say(f"{strategy}: {done[strategy]} designs verified", err=True)

    return verify_fronts(directory, chips=chips, told=told, note=noted)


def noted(text: str) -> None:
    """Say it beside the results."""
    say(text, err=True)


def fronts_text(found: Sequence[VerifiedFront]) -> str:
    """What became of every front, a sentence each."""
    lines = []
    for one in found:
        members = one.front.sizes["design"]
        lines.append(
            f"{one.strategy}: {one.tried} designs verified on {one.chips} chips each; {one.fallen} "
            f"fell out and were replaced where there were others, {one.dominated} are dominated in "
            f"verified values; {members} make the front, hypervolume "
            f"{float(one.front.attrs['verified_hypervolume']):.5f}."
        )
    return "\n".join(lines)


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
