"""``arrayopt calibrate``: from lab files to a model to trust, or a chip against its prediction."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from arrayopt.base.errors import ArrayoptError

if TYPE_CHECKING:
    from arrayopt.lab.read.files import Trace
    from arrayopt.study.model import Study

PICTURES = (".png", ".svg", ".pdf")


@click.command(
    epilog="\b\nExamples:\n  arrayopt calibrate studies/calibration-tutorial "
    "studies/calibration-tutorial/lab/*.csv --out calibration.toml\n"
    "  arrayopt calibrate studies/duct-flow-meter chip/*.csv --against what-if.nc"
)
@click.argument("study", type=click.Path(path_type=Path))
@click.argument("measured", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Calibration file (TOML) to write.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    help="Also draw sweeps and fits (.png, .svg, .pdf).",
)
@click.option(
    "--against", type=click.Path(path_type=Path), help="Results (netCDF) to compare the chip with."
)
@click.option("--strategy", help="Group of --against; its first if not given.")
@click.option("--design", default=0, type=click.IntRange(0), help="Design of --against, from 0.")
@click.option("--limits", type=click.Path(path_type=Path), help="Test plan's limits (limits.csv).")
@click.option("--seed", default=0, type=click.IntRange(0), help="Of starts and draws.")
def command(
    study: Path,
    measured: tuple[Path, ...],
    out: Path | None,
    picture: Path | None,
    against: Path | None,
    strategy: str | None,
    design: int,
    limits: Path | None,
    seed: int,
) -> None:
    """Fit STUDY's model to MEASURED sweeps and bursts (CSV), or judge a chip.

    Everything read into the files is stated; what the data cannot tell apart is said. With
    --against, the measured chip is compared with a stored prediction instead; the exit code is 1
    where a limit is missed.
    """
    from arrayopt.lab.file import check_writable
    from arrayopt.lab.read.files import read_measured
    from arrayopt.study.read import read_study

    if (out is None) == (against is None):
        raise ArrayoptError("give --out FILE to calibrate, or --against RESULTS to compare")
    for target in (out, picture):
        if target is not None:
            check_writable(target)
    if picture is not None and picture.suffix not in PICTURES:
        raise ArrayoptError(f"{picture}: a picture ends in {', '.join(PICTURES)}")
    nominal = read_study(study, calibrated=against is not None)
    traces, readings = read_measured(measured)
    for reading in readings:
        click.echo(f"read: {reading}")
    if against is not None:
        _compare(nominal, traces, against, strategy, design, limits, seed)
        return
    from arrayopt.lab.calibrate import calibrate
    from arrayopt.lab.file import calibration_text, summary, write_whole

    outcome = calibrate(nominal, traces, readings=readings, seed=seed)
    click.echo(summary(outcome))
    assert out is not None
    write_whole(out, calibration_text(outcome, nominal, title=nominal.title).encode())
    click.echo(f"\nCalibration: {out}")
    if picture is not None:
        from arrayopt.lab.pictures import pictures
        from arrayopt.lab.plot import draw_calibration

        drawn = draw_calibration(*pictures(nominal, outcome), form=picture.suffix[1:])
        write_whole(picture, drawn)
        click.echo(f"Picture: {picture}")
    click.echo(f'To use it, add to the study:\n  [calibration]\n  file = "{out.name}"')


def _compare(
    study: Study,
    traces: tuple[Trace, ...],
    against: Path,
    strategy: str | None,
    design: int,
    limits: Path | None,
    seed: int,
) -> None:
    from arrayopt.lab.against import compare_chip, read_limits, verdict_table
    from arrayopt.runs.store import open_fronts

    tree = open_fronts(against)
    name = strategy or next(iter(tree.children), "")
    if name not in tree.children:
        raise ArrayoptError(f"{against} holds {', '.join(tree.children)}; not {name!r}")
    verdict = compare_chip(
        study,
        traces,
        tree[name].to_dataset(),
        design=design,
        limits=read_limits(limits),
        seed=seed,
    )
    click.echo(verdict_table(verdict))
    if not verdict.passed:
        raise click.exceptions.Exit(1)
