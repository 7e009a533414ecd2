"""``arrayopt export``: a design as layout files, tables, drawing and test plan."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.say import say


@click.command(
    epilog="\b\nExamples:\n"
    "  arrayopt export results/duct combined/1977 --to tapeout\n"
    "  arrayopt export studies/duct-flow-meter design.toml --to tapeout --process our-fab.toml\n"
    "  arrayopt export --check tapeout"
)
@click.argument("directory", type=click.Path(path_type=Path), required=False)
@click.argument("design", required=False)
@click.option("--to", "target", type=click.Path(path_type=Path), help="Folder, new or empty.")
@click.option(
    "--process", type=click.Path(path_type=Path), help="Process file; a neutral example if absent."
)
@click.option("--replace", is_flag=True, help="Replace the files of an earlier export there.")
@click.option("--check", type=click.Path(path_type=Path), help="Check an exported folder instead.")
def command(
    directory: Path | None,
    design: str | None,
    target: Path | None,
    process: Path | None,
    replace: bool,
    check: Path | None,
) -> None:
    """Write DESIGN of DIRECTORY for mask shop and test lab.

    DESIGN is STRATEGY/NUMBER of a run directory, or a design file with DIRECTORY a study. Rules of
    the process are checked first; where one is broken nothing is written. The folder must be new or
    empty; with --replace it may hold an export, and all that is not of that export is left.
    """
    if check is not None:
        if directory or design or target or process or replace:
            raise click.UsageError("--check takes a folder and nothing else")
        from arrayopt.chip.export.check import check_export

        for line in check_export(check):
            say(line)
        return
    if directory is None or design is None or target is None:
        raise click.UsageError("DIRECTORY, DESIGN and --to are needed (or --check FOLDER)")
    from arrayopt.chip.export.pipeline import export_design, load_design
    from arrayopt.chip.process import read_process

    rules = read_process(process)
    done = export_design(load_design(directory, design), target, process=rules, replace=replace)
    say(f"{done.stamp.identifier} -> {done.folder}: {', '.join(done.files)}")
    say(f"digest {done.stamp.digest}; {done.levels} metal level{'s' * (done.levels > 1)}")
    if done.kept:
        say(f"Left as they were: {', '.join(done.kept)}")
    for note in done.notes:
        say(f"Mind: {note}")
    say(f"To check the files: arrayopt export --check {done.folder}")
