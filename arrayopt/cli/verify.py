"""``arrayopt verify``: chosen designs at the highest fidelity."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from arrayopt.cli.say import say

if TYPE_CHECKING:
    from arrayopt.verify.run import VerifiedDesign


@click.command(
    epilog="\b\nExample:\n  arrayopt verify results/duct\n"
    "  arrayopt verify results/duct combined/1977"
)
@click.argument("directory", type=click.Path(path_type=Path))
@click.argument("designs", nargs=-1, metavar="[DESIGN]...")
def command(directory: Path, designs: tuple[str, ...]) -> None:
    """Compute DESIGNs of a run anew at the highest fidelity; without any, a spread of each front.

    Several modes and harmonics, and mutual radiation between all cells, in bursts, too. Prints the
    search's value, the verified value and their difference for each merit, flags designs that lose
    more than the study's tolerance, and stores everything with the front. Where the study has a
    calibration, the verified values come with the 95 % bands that it leaves.
    """
    from arrayopt.base.errors import ResultsError
    from arrayopt.verify.run import verify_run

    verified = verify_run(directory, designs or None)
    if not verified:
        raise ResultsError(
            f"{directory}: there is nothing to verify; no front has a member, or the study's "
            "verify.designs is 0: relax a limit or search longer, or name a DESIGN"
        )
    say(verification_text(verified))


def verification_text(verified: Sequence[VerifiedDesign]) -> str:
    """One line for each design and merit."""
    import numpy as np

    from arrayopt.base.glossary import heading, shown_change, shown_number
    from arrayopt.base.status import VerifyStatus
    from arrayopt.results.tables import text_table

    banded = any(design.found.lower for design in verified)
    parts = ("search", "one_mode", "several_modes", "mutual", "verified")
    rows = [["design", "merit", *(part.replace("_", " ") for part in parts), "change"]]
    rows[0] += ["95 % band"] if banded else []
    for design in verified:
        found = design.found
        for k, name in enumerate(found.verified):
            values = [
                float(getattr(found, part)[name][0]) if name in getattr(found, part) else np.nan
                for part in parts
            ]
            rows.append(
                [
                    design.identifier if k == 0 else "",
                    heading(name),
                    *(shown_number(name, value) for value in values),
                    shown_change(name, values[-1], values[0]),
                ]
            )
            if banded:
                both = [end for end in (found.lower, found.upper) if name in end]
                ends = [shown_number(name, float(end[name][0])) for end in both]
                rows[-1].append(" to ".join(ends))
        alone, array = float(found.onset_alone[0]), float(found.onset[0])
        rows.append(["", "onset of the array [V]"])
        rows[-1] += [shown_number("onset_voltage", x) for x in (alone, alone, np.nan, array, array)]
        rows[-1].append(shown_change("onset_voltage", array, alone))
        rows[-1] += [""] if banded else []
    notes = []
    for design in verified:
        status = int(design.found.status[0])
        if status:
            reasons = VerifyStatus.sentences(status)
            notes += [f"{design.identifier}: not verified: {reason}" for reason in reasons]
        elif design.flagged:
            notes.append(f"{design.identifier}: loses more than the study's tolerance")
    return "\n".join([text_table(rows), *notes])
