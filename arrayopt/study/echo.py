"""Checks of a study's echo: what its path needs, and merits that need it."""

from __future__ import annotations

from arrayopt.base.glossary import ECHO_MERITS
from arrayopt.base.problems import Reporter
from arrayopt.study.excitation import named_merits
from arrayopt.study.schema import StudyFile


def check_echo(form: StudyFile, report: Reporter) -> None:
    """Report keys of ``[echo]`` that are missing or idle, and merits without it."""
    echo = form.echo
    lacking = [f"[{name}]" for name in ("waveform", "echo") if getattr(form, name) is None]
    if echo is None:
        for name, path in named_merits(form):
            if name in ECHO_MERITS:
                report.add(path, f"{name} needs {' and '.join(lacking)}", show_value=False)
        return
    if form.waveform is None:
        need = "needs [waveform]: the echo is that of the study's waveform"
        report.add(("echo",), need, show_value=False)
    if (echo.path == "point") != (echo.target_strength is not None):
        need = f'does nothing with path = "{echo.path}"'
        if echo.path == "point":
            need = 'is missing; path = "point" needs it, for example "-40 dB"'
        report.add(("echo", "target_strength"), need, show_value=False)
