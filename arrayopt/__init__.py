"""Design studies for wide-band arrays of air-coupled piezoelectric ultrasonic cells.

A notebook needs no more than this::

    from arrayopt import open_results, plot_front
    plot_front(open_results("results/duct")).figure.savefig("fronts.svg")
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from arrayopt.base.errors import ArrayoptError, ResultsError, StudyError
    from arrayopt.base.glossary import GLOSSARY
    from arrayopt.design.designs import Designs, DesignSpace
    from arrayopt.design.file import read_design, write_design
    from arrayopt.lab.calibrate import calibrate
    from arrayopt.lab.read.files import read_measured
    from arrayopt.merits.evaluate import evaluate
    from arrayopt.results.compare.comparison import compare
    from arrayopt.results.plots.pictures import (
        plot_array,
        plot_beam,
        plot_convergence,
        plot_front,
        plot_pulse,
        plot_response,
    )
    from arrayopt.runs.kept.store import open_results
    from arrayopt.runs.study_run import RunOptions, run_study
    from arrayopt.study.materials import MATERIALS
    from arrayopt.study.model import Study
    from arrayopt.study.read import read_study

__version__ = "0.1.0"

_HOME = {
    "ArrayoptError": "base.errors",
    "DesignSpace": "design.designs",
    "Designs": "design.designs",
    "GLOSSARY": "base.glossary",
    "MATERIALS": "study.materials",
    "ResultsError": "base.errors",
    "RunOptions": "runs.study_run",
    "Study": "study.model",
    "StudyError": "base.errors",
    "calibrate": "lab.calibrate",
    "compare": "results.compare.comparison",
    "evaluate": "merits.evaluate",
    "open_results": "runs.kept.store",
    "plot_array": "results.plots.pictures",
    "plot_beam": "results.plots.pictures",
    "plot_convergence": "results.plots.pictures",
    "plot_front": "results.plots.pictures",
    "plot_pulse": "results.plots.pictures",
    "plot_response": "results.plots.pictures",
    "read_design": "design.file",
    "read_measured": "lab.read.files",
    "read_study": "study.read",
    "run_study": "runs.study_run",
    "write_design": "design.file",
}

__all__ = [
    "GLOSSARY",
    "MATERIALS",
    "ArrayoptError",
    "DesignSpace",
    "Designs",
    "ResultsError",
    "RunOptions",
    "Study",
    "StudyError",
    "calibrate",
    "compare",
    "evaluate",
    "open_results",
    "plot_array",
    "plot_beam",
    "plot_convergence",
    "plot_front",
    "plot_pulse",
    "plot_response",
    "read_design",
    "read_measured",
    "read_study",
    "run_study",
    "write_design",
]


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used, so that starting up stays quick."""
    if name in _HOME:
        value = getattr(import_module(f"arrayopt.{_HOME[name]}"), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'arrayopt' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
