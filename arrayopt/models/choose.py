"""Which excitation drives a study's arrays: the table of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol, TypeVar

from arrayopt.models.array import SWEEPS, ArrayModel, Band
from arrayopt.models.excitations.burst import Burst
from arrayopt.models.excitations.chirp import Chirped
from arrayopt.models.excitations.figures import PulseFigures
from arrayopt.models.excitations.sweep import Sweep
from arrayopt.models.excitations.waveform import Sent
from arrayopt.study.model import Study, Target
from arrayopt.study.supported import excitations

T = TypeVar("T")


class Excitation(Protocol):
    """What drives an array, written over what an array model answers."""

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
    "waveform": lambda target: Sent(),
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
