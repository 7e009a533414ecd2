"""``arrayopt show``: stored fronts, or one design, as tables."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.say import say


@click.command(
    epilog="\b\nExample:\n  arrayopt show results/duct\n  arrayopt show results/duct combined/1977"
)
@click.argument("directory", type=click.Path(path_type=Path))
@click.argument("design", required=False)
@click.option("--rows", type=click.IntRange(1), default=12, show_default=True, help="Of a front.")
def command(directory: Path, design: str | None, rows: int) -> None:
    """Print the fronts stored in DIRECTORY, or one DESIGN of them (STRATEGY/NUMBER).

    Of a run that goes on, or that was killed, the generations saved so far are shown.
    """
    from arrayopt.base.status import trouble
    from arrayopt.design.stored import find_design
    from arrayopt.results.read import current_results
    from arrayopt.results.tables import front_table, group_rows, merit_table, text_table

    tree = current_results(directory)
    if design is None:
        say(
            "\n\n".join(
                front_table(name, node.to_dataset(), rows=rows)
                for name, node in tree.children.items()
            )
        )
        say(f"\nOne design in full: arrayopt show {directory} DESIGN")
        return
    found = find_design(tree, design)
    front = tree[found.strategy.name].to_dataset()
    number = int(found.identifier.rpartition("/")[2])
    member = front.isel(design=int((front["evaluation"].values == number).argmax()))
    say(f"{design}\n")
    say(merit_table(member))
    say()
    say(text_table(group_rows(member)))
    for sentence in trouble(member):
        say(f"\n{sentence}")
