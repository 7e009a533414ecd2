"""``arrayopt check``: validate a study and say what would be run."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.say import say


@click.command(epilog="\b\nExample:\n  arrayopt check studies/duct-flow-meter")
@click.argument("study", type=click.Path(path_type=Path))
@click.option("--evaluations", type=click.IntRange(1), help="Total for each strategy.")
def command(study: Path, evaluations: int | None) -> None:
    """Validate STUDY and print what would be run: variables, evaluations, time and memory.

    Every problem of the file is reported at once, with its line; nothing is written.
    """
    from dataclasses import asdict

    from arrayopt.base.glossary import words
    from arrayopt.base.units import format_value
    from arrayopt.results.tables import text_table
    from arrayopt.runs.power.warm import compile_kernels
    from arrayopt.runs.predict import COMPILE_SECONDS, predict
    from arrayopt.study.model import Fabrication
    from arrayopt.study.read import read_study

    checked = read_study(study)
    compile_kernels(checked, lambda text: say(text, err=True), limit=COMPILE_SECONDS)
    total = evaluations or checked.search.evaluations
    forecast = predict(checked, evaluations=total)
    say(f"{checked.path}: {checked.title}")
    if checked.question:
        say(checked.question)
    rows = [["strategy", "cells", "groups", "variables", "evaluations"]]
    for strategy, plan in zip(checked.strategies, forecast.strategies, strict=True):
        layout = strategy.layout
        rows.append(
            [
                strategy.name,
                str(layout.n_cells),
                str(layout.n_groups),
                str(plan.variables),
                str(total),
            ]
        )
    say("\n" + text_table(rows) + "\n")
    rows = [["layers, bottom to top", "material", "thickness", "residual stress", ""]]
    for layer in checked.stack:
        notes = [word for word in ("patterned", "active") if getattr(layer, word)]
        thickness = format_value(layer.thickness, "length", 4)
        stress = format_value(layer.residual_stress, "stress", 4)
        rows.append([layer.role, layer.material, thickness, stress, " ".join(notes)])
    say(text_table(rows))
    if checked.fabrication != Fabrication():
        calibration = checked.calibration
        measured = {} if calibration is None else calibration.scatter
        rows = [["fabrication", "value", *(["from"] if measured else [])]]
        for key, value in asdict(checked.fabrication).items():
            text = f"{100.0 * value:.4g} %"
            if key == "chips" or key.endswith("tension"):
                text = str(value) if key == "chips" else format_value(value, "tension", 4)
            source = ["the calibration" if key in measured else ""] if measured else []
            rows.append([words(key), text, *source])
        say("\n" + text_table(rows))
    say(
        f"\nPredicted on this machine: {forecast.time_text} with {forecast.workers} workers, "
        f"{forecast.memory / 2**20:.0f} MiB of memory, {forecast.disk / 2**20:.0f} MiB of disk."
    )
    for sentence in forecast.grounds:
        say(sentence)
    for warning in forecast.warnings:
        say(f"Warning: {warning}")
