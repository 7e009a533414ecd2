"""``arrayopt evaluate``: what if? Merits and responses of one hand-written design."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from arrayopt.base.files import read_bytes
from arrayopt.base.output import Kind, Output
from arrayopt.cli.say import say

ORIGIN = "evaluate"


def _evaluated(path: Path) -> bool:
    from arrayopt.runs.kept.store import open_results

    return open_results(path).attrs.get("origin") == ORIGIN


def _picture(path: Path) -> bool:
    from arrayopt.results.plots.file import MARK

    return MARK.encode() in read_bytes(path)


EVALUATED = Kind("a result file", (".nc",), _evaluated)
PICTURE = Kind("a picture", (".png", ".svg", ".pdf"), _picture)


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
    "--picture",
    type=click.Path(path_type=Path),
    help="Picture to write (PNG, SVG, PDF): the pulse, or the response without a waveform.",
)
@click.option(
    "--chips",
    type=click.IntRange(1, 10_000),
    help="So many chips in place of the study's ([fabrication]).",
)
@click.option("--overwrite", is_flag=True, help="Replace a file of another origin, too.")
def command(
    study: Path,
    design: Path,
    out: Path | None,
    picture: Path | None,
    chips: int | None,
    overwrite: bool,
) -> None:
    """Merits and responses of one DESIGN under the conditions of STUDY, on chips as made.

    What the study's share of chips reaches, the lowest, median and highest chip, and a chip made as
    drawn; how many chips keep each limit. Responses are on the study's sweep, the sweep the other
    way, and at small signal. Bounds of the search do not apply; limits are reported, not enforced.
    Exit code 2 where the design lies outside the model's range.
    """
    from arrayopt.base.errors import ArrayoptError
    from arrayopt.base.status import trouble
    from arrayopt.design.file import read_design
    from arrayopt.merits.evaluate import evaluate
    from arrayopt.results.tables import group_rows, merit_table, text_table
    from arrayopt.runs.kept.store import write_results
    from arrayopt.study.read import read_study, study_file

    inputs = (study_file(study), design)
    target = None if out is None else Output(out, EVALUATED, inputs, overwrite)
    drawing = None if picture is None else Output(picture, PICTURE, inputs, overwrite)
    checked = read_study(study)
    strategy, designs = read_design(design, checked)
    count = chips or checked.fabrication.chips
    with click.progressbar(length=count, label=f"{count} chips", file=sys.stderr) as bar:
        dataset = evaluate(designs, checked, strategy, chips=count, told=bar.update)
    member = dataset.isel(design=0)
    say(f"{design} as {strategy.name} in {checked.path}\n")
    say(merit_table(member))
    say()
    say(text_table(group_rows(member)))
    if target is not None:
        origin = {"study": checked.text, "digest": checked.digest, "origin": ORIGIN}
        write_results(target.path, {strategy.name: dataset}, origin, replace=target.check())
        say(f"\nWritten: {target.path}")
    if drawing is not None:
        from arrayopt.results.plots.file import draw_design

        shown = member.assign_attrs(excitation=checked.target.excitation)
        form = drawing.path.suffix[1:].lower()
        drawing.write(draw_design(shown, form=form, title=f"{design.stem} as {strategy.name}"))
        say(f"\nPicture: {drawing.path}")
    if told := trouble(member):
        raise ArrayoptError(f"{design}: {' '.join(told)}")
