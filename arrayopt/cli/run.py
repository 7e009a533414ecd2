"""``arrayopt run``: search a study."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import click

from arrayopt.base.errors import ArrayoptError
from arrayopt.cli.say import say


@click.command(
    epilog="\b\nExample:\n  arrayopt run studies/duct-flow-meter --out results/duct "
    "--evaluations 600"
)
@click.argument("study", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Run directory.")
@click.option("--evaluations", type=click.IntRange(1, 10**12), help="Total for each strategy.")
@click.option(
    "--hours", type=click.FloatRange(0, 1e6, min_open=True), help="Total hours of running."
)
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), help="Instead of the study's.")
@click.option(
    "--workers", type=click.IntRange(1, 1000), help="Processes; one per processor if not given."
)
@click.option("--resume", is_flag=True, help="Go on with the run in the directory, to the total.")
@click.option("--fresh", is_flag=True, help="Discard the run in the directory and start again.")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Evaluate on a dask cluster: tcp://host:8786, or a scheduler file.",
)
@click.option(
    "--start-from",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Start from the population of another run, of a changed study or version too.",
)
@click.option(
    "--verify/--no-verify",
    default=True,
    help="End with every member of the fronts verified on other chips.",
)
def command(
    study: Path,
    out: Path,
    evaluations: int | None,
    hours: float | None,
    seed: int | None,
    workers: int | None,
    resume: bool,
    fresh: bool,
    scheduler: str | None,
    start_from: Path | None,
    verify: bool,
) -> None:
    """Search every strategy of STUDY and store the fronts.

    Writes fronts.nc and history.nc into the run directory. Ctrl-C finishes the generation, saves
    and says how to go on. The same study and seed give the same fronts, also after an
    interruption and for any number of workers. `arrayopt status DIR` tells from any shell how a
    run is doing; run.log in the directory keeps what is shown here.
    """
    if hours is not None and math.isnan(hours):
        raise click.BadParameter("nan is no number of hours", param_hint="--hours")
    if resume and fresh:
        raise ArrayoptError("--resume and --fresh exclude each other; give one of them")
    from arrayopt.runs.power.warm import compile_kernels
    from arrayopt.runs.progress import progress_on
    from arrayopt.runs.study_run import RunOptions, run_study
    from arrayopt.study.read import read_study

    options = RunOptions(evaluations, hours, seed, workers, resume, fresh, start_from, scheduler)
    asked, progress = read_study(study), progress_on(sys.stderr)
    outcome = run_study(
        asked,
        out,
        options=options,
        progress=progress,
        prepare=lambda: compile_kernels(asked, progress.note),
    )
    say(outcome.message)
    for name, size in outcome.hypervolume.items():
        say(f"{name}: hypervolume {size:.5f} after {outcome.evaluations[name]} evaluations")
    if verify and outcome.complete:
        from arrayopt.cli.verify import fronts_text, verifying

        say("\nVerifying every member of the fronts on other chips.")
        say(fronts_text(verifying(out, None)) + "\n")
    say(f"Fronts: {outcome.fronts}\nHistory: {outcome.history}")
    say(f"To read them: arrayopt show {out}")
