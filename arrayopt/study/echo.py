"""Checks of a study's echo: what its path needs, and that there is a waveform to be heard."""

from __future__ import annotations

from collections.abc import Sequence

from arrayopt.base.problems import Reporter
from arrayopt.study.model import Strategy
from arrayopt.study.schema import StudyFile


def check_echo(form: StudyFile, strategies: Sequence[Strategy], report: Reporter) -> None:
    """Report keys of ``[echo]`` that are missing or idle."""
    echo = form.echo
    if echo is None:
        return
    if all(strategy.waveform is None for strategy in strategies):
        need = "needs [waveform]: the echo is that of the study's waveform"
        report.add(("echo",), need, show_value=False)
    if echo.path == "point" and echo.target_strength is None:
        need = 'is missing; path = "point" needs it, for example "-40 dB"'
        report.add(("echo", "target_strength"), need, show_value=False)
    if echo.path != "point" and echo.target_strength is not None:
        need = f'does nothing with path = "{echo.path}"'
        report.add(("echo", "target_strength"), need, show_value=False)
