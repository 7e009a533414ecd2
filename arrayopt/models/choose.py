"""Which model and which excitation answer a study: the tables of both."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol, TypeVar

from arrayopt.base.arrays import Ints
from arrayopt.design.designs import Designs
from arrayopt.models.array import SWEEPS, ArrayModel, Band
from arrayopt.models.both import Both
from arrayopt.models.cells import Cells, build_cells
from arrayopt.models.coupled.model import Coupled
from arrayopt.models.coupled.response import Alike
from arrayopt.models.excitations.burst import Burst
from arrayopt.models.excitations.chirp import Chirped
from arrayopt.models.excitations.figures import PulseFigures
from arrayopt.models.excitations.sweep import Sweep
from arrayopt.models.one_mode.model import OneMode
from arrayopt.models.several_modes.model import SeveralModes
from arrayopt.models.several_modes.sweep import SweepSettings
from arrayopt.study.model import Study, Target
from arrayopt.study.supported import (
    BOTH,
    COUPLED,
    ONE_MODE,
    SEVERAL_MODES,
    excitations,
    model_name,
)

T = TypeVar("T")

ALIKE: dict[str, Alike] = {"none": "group", "group": "few", "full": "symmetry"}
"""What the study calls a treatment of mutual radiation, and which cells it takes to move alike."""


@dataclass(frozen=True)
class Fidelity:
    """A model, and how finely it is computed; ``alike``: see `coupled.response.pack_coupled`."""

    model: str
    alike: Alike = "symmetry"
    settings: SweepSettings = field(default_factory=SweepSettings)


def fidelity_of(study: Study) -> Fidelity:
    """What the study's search computes."""
    settings = SweepSettings(study.model.modes, study.model.harmonics)
    return Fidelity(model_name(study.model), ALIKE[study.model.mutual_radiation], settings)


def stronger(fidelity: Fidelity) -> Fidelity:
    """The same with several modes."""
    several = {ONE_MODE: SEVERAL_MODES, COUPLED: BOTH}
    return replace(fidelity, model=several.get(fidelity.model, fidelity.model))


def model_of(
    designs: Designs, study: Study, *, fidelity: Fidelity | None = None, cells: Cells | None = None
) -> ArrayModel:
    """The model that answers for a batch of designs.

    Parameters
    ----------
    designs, study : the batch.
    fidelity : None for the study's own.
    cells : of these designs in this study, with as many modes as the model has; None builds them.
    """
    wanted = fidelity or fidelity_of(study)
    return MODELS[wanted.model](designs, study, wanted, cells)


def strengthened(
    model: ArrayModel, rows: Ints, bands: Mapping[tuple[int, float], Band]
) -> ArrayModel:
    """The study's model of some designs with several modes beside it.

    ``bands``: of the whole batch, (sweep, level) -> what ``model`` has computed already.
    """
    fidelity = stronger(fidelity_of(model.study))
    found = model_of(model.designs.take(rows), model.study, fidelity=fidelity)
    if not isinstance(found, Both):
        return found
    return replace(
        found, known={key: band.map(lambda _, x: x[rows]) for key, band in bands.items()}
    )


def _one_mode(designs: Designs, study: Study, how: Fidelity, cells: Cells | None) -> ArrayModel:
    cells = cells or build_cells(designs, study)
    if cells.necked is not None:  # closed forms end where the back moves resonances
        return Coupled(designs, study, cells, "group", mutual=False)
    return OneMode(designs, study, cells)


def _coupled(designs: Designs, study: Study, how: Fidelity, cells: Cells | None) -> ArrayModel:
    return Coupled(designs, study, cells or build_cells(designs, study), how.alike)


def _several(designs: Designs, study: Study, how: Fidelity, cells: Cells | None) -> ArrayModel:
    modes = how.settings.modes
    if cells is None or cells.modes.mass.shape[-1] != modes:
        cells = build_cells(designs, study, n_modes=modes)
    return SeveralModes(designs, study, cells, how.settings)


def _both(designs: Designs, study: Study, how: Fidelity, cells: Cells | None) -> ArrayModel:
    one = cells or build_cells(designs, study)
    several = _several(designs, study, how, None)
    return Both(several, _coupled(designs, study, how, one), _one_mode(designs, study, how, one))


MODELS: Mapping[str, Callable[[Designs, Study, Fidelity, Cells | None], ArrayModel]] = {
    ONE_MODE: _one_mode,
    COUPLED: _coupled,
    SEVERAL_MODES: _several,
    BOTH: _both,
}


class Excitation(Protocol):
    """What drives an array, written once for every model."""

    def band(
        self, model: ArrayModel, level: float, *, small: bool = False, two_way: bool = False
    ) -> Band:
        """The band under it; ``small``: far below onset; ``two_way``: sent and received."""
        ...

    def pulse(self, model: ArrayModel, band: Band) -> PulseFigures | None:
        """What one pulse in that band is worth; None of what is no pulse."""
        ...


EXCITATIONS: Mapping[str, Callable[[Target], Excitation]] = {
    "up-sweep": lambda target: Sweep(SWEEPS["up-sweep"]),
    "down-sweep": lambda target: Sweep(SWEEPS["down-sweep"]),
    "burst": lambda target: Burst(_given(target.burst_length)),
    "chirp": lambda target: Chirped(_given(target.chirp)),
}


def _given(value: T | None) -> T:
    assert value is not None  # the study was checked
    return value


def excitation_of(study: Study, name: str | None = None) -> Excitation | None:
    """A study's excitation; of that name if it is among those that the study has, else None.

    Bursts may stand beside another excitation.
    """
    wanted = name or study.target.excitation
    has = wanted in excitations(study.target) or wanted in SWEEPS
    return EXCITATIONS[wanted](study.target) if has else None
