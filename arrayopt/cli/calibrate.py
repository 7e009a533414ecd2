"""``arrayopt calibrate``: from lab files to a model to trust, or a chip against its prediction."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from arrayopt.base.errors import ArrayoptError
from arrayopt.base.files import OutputError, read_bytes, read_text
from arrayopt.base.output import Kind, Output
from arrayopt.cli.say import say

if TYPE_CHECKING:
    from arrayopt.lab.read.files import Trace
    from arrayopt.study.model import Study


def _calibration(path: Path) -> bool:
    from arrayopt.study.calibration import is_calibration

    return is_calibration(read_text(path))


def _picture(path: Path) -> bool:
    from arrayopt.lab.plot import MARK

    return MARK.encode() in read_bytes(path)


CALIBRATION = Kind("a calibration file", (".toml",), _calibration)
PICTURE = Kind("a picture", (".png", ".svg", ".pdf"), _picture)


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
@click.option("--overwrite", is_flag=True, help="Replace files of another origin, too.")
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
    overwrite: bool,
) -> None:
    """Fit STUDY's model to MEASURED sweeps and bursts (CSV), or judge a chip.

    Everything read into the files is stated; what the data cannot tell apart is said. With
    --against, the measured chip is compared with a stored prediction instead; the exit code is 1
    where a limit is missed.
    """
    from arrayopt.lab.read.files import read_measured
    from arrayopt.study.read import read_study, study_file

    if (out is None) == (against is None):
        raise ArrayoptError("give --out FILE to calibrate, or --against RESULTS to compare")
    file, drawing = _targets(out, picture, study_file(study), measured, overwrite=overwrite)
    nominal = read_study(study, calibrated=against is not None)
    traces, readings = read_measured(measured)
    for reading in readings:
        say(f"read: {reading}")
    if against is not None:
        _compare(nominal, traces, against, strategy, design, limits, seed)
        return
    from arrayopt.lab.calibrate import calibrate
    from arrayopt.lab.file import calibration_text, summary

    outcome = calibrate(nominal, traces, readings=readings, seed=seed)
    say(summary(outcome))
    assert file is not None
    file.write(calibration_text(outcome, nominal, title=nominal.title).encode())
    say(f"\nCalibration: {file.path}")
    if drawing is not None:
        from arrayopt.lab.pictures import pictures
        from arrayopt.lab.plot import draw_calibration

        drawn = draw_calibration(*pictures(nominal, outcome), form=drawing.path.suffix[1:].lower())
        drawing.write(drawn)
        say(f"Picture: {drawing.path}")
    say(f'To use it, add to the study:\n  [calibration]\n  file = "{file.path.name}"')


def _targets(
    out: Path | None,
    picture: Path | None,
    study: Path,
    measured: tuple[Path, ...],
    *,
    overwrite: bool,
) -> tuple[Output | None, Output | None]:
    """Calibration file and picture; no name may make one the header of a measurement."""
    inputs = (study, *measured)
    file = None if out is None else Output(out, CALIBRATION, inputs, overwrite)
    if out is not None and out.resolve() in {m.with_suffix(".toml").resolve() for m in measured}:
        raise OutputError(f"{out} is where the header of a measurement belongs; name another file")
    return file, None if picture is None else Output(picture, PICTURE, inputs, overwrite)


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
    from arrayopt.runs.kept.store import open_results

    tree = open_results(against)
    name = strategy or next(iter(tree.children), "")
    if name not in tree.children:
        raise ArrayoptError(f"{against} holds {', '.join(tree.children)}; not {name!r}")
    mine = next((one for one in study.strategies if one.name == name), None)
    verdict = compare_chip(
        study if mine is None else study.of(mine),
        traces,
        tree[name].to_dataset(),
        design=design,
        limits=read_limits(limits),
        seed=seed,
    )
    say(verdict_table(verdict))
    if not verdict.passed:
        raise click.exceptions.Exit(1)
