"""The chosen designs of a report: which they are, and their beam patterns recomputed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from arrayopt.base.errors import ResultsError, nearest_name
from arrayopt.design.chips import NOMINAL
from arrayopt.design.designs import DesignSpace
from arrayopt.models.array import SWEEPS
from arrayopt.models.beam import beam_patterns, pattern_angles
from arrayopt.models.chips import Chips
from arrayopt.results.read import Reading, identifier, knee, ranked


@dataclass(frozen=True)
class Chosen:
    """A front member to show in full: its strategy, row in the front, and why it is shown."""

    strategy: str
    row: int
    reason: str


def choose(reading: Reading, wanted: Sequence[str] = ()) -> tuple[Chosen, ...]:
    """The designs asked for, else each strategy's knee, that of the leading strategy first.

    Parameters
    ----------
    reading : Reading
    wanted : identifiers, STRATEGY/NUMBER.

    Raises
    ------
    ResultsError
        An identifier is not on a stored front.
    """
    if wanted:
        return tuple(_find(reading, name) for name in wanted)
    if not reading.objectives:
        return ()
    chosen = []
    for place, name in enumerate(ranked(reading)):
        reason = f"knee of {name} among designs of high yield: the single design that gains most"
        if place == 0:
            reason = f"recommended: {reason}"
        chosen.append(Chosen(name, knee(reading.fronts[name]), reason))
    return tuple(chosen)


def _find(reading: Reading, name: str) -> Chosen:
    known = {
        f"{strategy}/{int(number)}": (strategy, row)
        for strategy, front in reading.fronts.items()
        for row, number in enumerate(np.asarray(front["evaluation"]))
    }
    if name not in known:
        nearest = nearest_name(name, known)
        hint = f"; did you mean {nearest}?" if nearest else ""
        raise ResultsError(f"design {name!r} is not on a front stored in {reading.path}{hint}")
    return Chosen(*known[name], "asked for")


def design_of(reading: Reading, chosen: Chosen) -> xr.Dataset:
    """The stored design, told which sweep its search used."""
    design = reading.fronts[chosen.strategy].isel(design=chosen.row)
    if reading.study is None:
        return design
    return design.assign_attrs(excitation=reading.study.target.excitation)


def name_of(reading: Reading, chosen: Chosen) -> str:
    """STRATEGY/NUMBER."""
    return identifier(chosen.strategy, reading.fronts[chosen.strategy].isel(design=chosen.row))


def beam_of(reading: Reading, chosen: Chosen) -> xr.DataArray | None:
    """Beam pattern (plane, angle) at the centre frequency, recomputed; None without a study."""
    study, design = reading.study, design_of(reading, chosen)
    frequency = np.atleast_1d(np.asarray(design["centre_frequency"], dtype=np.float64))
    if study is None or not np.isfinite(frequency).all():
        return None
    strategy = study.strategy(chosen.strategy)
    study, space = study.of(strategy), DesignSpace(study, strategy)
    designs = space.decode(np.asarray(design["vector"])[None, :])
    model = Chips(designs, study, 1, use=NOMINAL)
    rows = beam_patterns(model, frequency, SWEEPS[study.target.sweep])[:, 0, 0]
    azimuth = float(np.degrees(study.target.azimuth))
    names = [f"plane at {azimuth:g}°", f"plane at {azimuth + 90.0:g}°"]
    return xr.DataArray(
        rows,
        dims=("plane", "angle"),
        coords={"plane": names, "angle": pattern_angles()},
    )
