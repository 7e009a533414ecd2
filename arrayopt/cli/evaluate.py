"""``arrayopt evaluate``: what if? Merits and responses of one hand-written design."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(
    epilog="\b\nExample:\n  arrayopt evaluate studies/duct-flow-meter "
    "--design studies/duct-flow-meter/what-if.toml"
)
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--design", required=True, type=click.Path(path_type=Path), help="Design file (TOML)."
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="Also write everything to this netCDF."
)
@click.option(
    "--draws",
    default=24,
    type=click.IntRange(0),
    help="Parameter sets of the study's calibration behind the bands; 0 for none.",
)
def command(study: Path, design: Path, out: Path | None, draws: int) -> None:
    """Merits and responses of one DESIGN under the conditions of STUDY.

    Responses are on the study's sweep, the sweep the other way, and at small signal. Bounds of the
    search do not apply; limits are reported, not enforced. A study with a calibration also gives
    the 95 % bands that its intervals leave. Exit code 2 where the design lies outside the model's
    range.
    """
    from arrayopt.base.errors import ArrayoptError
    from arrayopt.design.file import read_design
    from arrayopt.merits.evaluate import evaluate
    from arrayopt.merits.figures import MeritStatus
    from arrayopt.results.tables import group_rows, merit_table, text_table
    from arrayopt.runs.store import write_results
    from arrayopt.study.read import read_study

    checked = read_study(study)
    strategy, designs = read_design(design, checked)
    dataset = evaluate(designs, checked, strategy, draws=draws)
    member = dataset.isel(design=0)
    click.echo(f"{design} as {strategy.name} in {checked.path}\n")
    click.echo(merit_table(member))
    click.echo()
    click.echo(text_table(group_rows(member)))
    if out is not None:
        write_results(
            out, {strategy.name: dataset}, {"study": checked.text, "digest": checked.digest}
        )
        click.echo(f"\nWritten: {out}")
    status = int(member["status"])
    if status != 0:
        reasons = [
            str(flag.name).lower().replace("_", " ") for flag in MeritStatus if status & flag
        ]
        raise ArrayoptError(f"{design} has no merits: {', '.join(reasons)}")
