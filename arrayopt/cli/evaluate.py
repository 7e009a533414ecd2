"""``arrayopt evaluate``: what if? Merits and responses of one hand-written design."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from arrayopt.base.output import Kind, Output
from arrayopt.cli.say import say

if TYPE_CHECKING:
    import xarray as xr

    from arrayopt.design.designs import Designs
    from arrayopt.study.model import Strategy, Study

ORIGIN = "evaluate"


def _evaluated(path: Path) -> bool:
    from arrayopt.runs.kept.store import open_results

    return open_results(path).attrs.get("origin") == ORIGIN


EVALUATED = Kind("a result file", (".nc",), _evaluated)


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
@click.option(
    "--chips",
    type=click.IntRange(1, 10_000),
    help="Also compute this many chips as they are made ([fabrication] of the study).",
)
@click.option("--overwrite", is_flag=True, help="Replace a file of another origin, too.")
def command(
    study: Path, design: Path, out: Path | None, draws: int, chips: int | None, overwrite: bool
) -> None:
    """Merits and responses of one DESIGN under the conditions of STUDY.

    Responses are on the study's sweep, the sweep the other way, and at small signal. Bounds of the
    search do not apply; limits are reported, not enforced. A study with a calibration also gives
    the 95 % bands that its intervals leave. With --chips, what chips made with the study's scatter
    do under its slow sweep, and how many of them keep its limits. Exit code 2 where the design
    lies outside the model's range.
    """
    from arrayopt.base.errors import ArrayoptError
    from arrayopt.base.status import trouble
    from arrayopt.design.file import read_design
    from arrayopt.merits.evaluate import evaluate
    from arrayopt.results.tables import group_rows, merit_table, text_table
    from arrayopt.runs.kept.store import write_results
    from arrayopt.study.read import read_study, study_file
    from arrayopt.study.supported import chips_refused

    target = None if out is None else Output(out, EVALUATED, (study_file(study), design), overwrite)
    checked = read_study(study)
    strategy, designs = read_design(design, checked)
    if chips is not None and (refusal := chips_refused(checked.of(strategy))) is not None:
        raise ArrayoptError(f"{checked.path}: {refusal}")
    dataset = evaluate(designs, checked, strategy, draws=draws)
    member = dataset.isel(design=0)
    say(f"{design} as {strategy.name} in {checked.path}\n")
    say(merit_table(member))
    say()
    say(text_table(group_rows(member)))
    if target is not None:
        origin = {"study": checked.text, "digest": checked.digest, "origin": ORIGIN}
        write_results(target.path, {strategy.name: dataset}, origin, replace=target.check())
        say(f"\nWritten: {target.path}")
    if chips is not None:
        say()
        say(_made(designs, member, checked, strategy, chips))
    if told := trouble(member):
        raise ArrayoptError(f"{design}: {' '.join(told)}")


def _made(
    designs: Designs, design: xr.Dataset, study: Study, strategy: Strategy, count: int
) -> str:
    """What chips of the design do, with a progress bar on a terminal."""
    from arrayopt.merits.chips import merits_of_chips
    from arrayopt.results.chips import chip_report

    with click.progressbar(length=count, label=f"{count} chips", file=sys.stderr) as bar:
        made = merits_of_chips(designs, study, strategy, chips=count, told=bar.update)
    return chip_report(made, design, study, strategy)
