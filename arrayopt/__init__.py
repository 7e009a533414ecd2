"""Design studies for wide-band arrays of air-coupled piezoelectric ultrasonic cells.

A notebook needs no more than this::

    from arrayopt import open_results, plot_front
    plot_front(open_results("results/duct")).figure.savefig("fronts.svg")
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from arrayopt.calibrate import calibrate
    from arrayopt.comparison import compare
    from arrayopt.design import Designs, DesignSpace
    from arrayopt.design_file import read_design, write_design
    from arrayopt.errors import ArrayoptError, ResultsError, StudyError
    from arrayopt.evaluate import evaluate
    from arrayopt.materials import MATERIALS
    from arrayopt.measured import read_measured
    from arrayopt.plot import (
        plot_array,
        plot_beam,
        plot_convergence,
        plot_front,
        plot_response,
    )
    from arrayopt.quantities import GLOSSARY
    from arrayopt.store import open_results
    from arrayopt.study import read_study
    from arrayopt.study_model import Study
    from arrayopt.study_run import RunOptions, run_study

__version__ = "0.1.0"

_HOME = {
    "ArrayoptError": "errors",
    "DesignSpace": "design",
    "Designs": "design",
    "GLOSSARY": "quantities",
    "MATERIALS": "materials",
    "ResultsError": "errors",
    "RunOptions": "study_run",
    "Study": "study_model",
    "StudyError": "errors",
    "calibrate": "calibrate",
    "compare": "comparison",
    "evaluate": "evaluate",
    "open_results": "store",
    "plot_array": "plot",
    "plot_beam": "plot",
    "plot_convergence": "plot",
    "plot_front": "plot",
    "plot_response": "plot",
    "read_design": "design_file",
    "read_measured": "measured",
    "read_study": "study",
    "run_study": "study_run",
    "write_design": "design_file",
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


class _Package(ModuleType):
    """The package, in which the functions `evaluate` and `calibrate` win over their modules."""

    def __setattr__(self, name: str, value: object) -> None:
        # The import system binds every submodule here once it is loaded, whoever asked for it.
        if isinstance(value, ModuleType) and _HOME.get(name) == name:
            value = getattr(value, name)
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
