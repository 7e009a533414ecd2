"""The chosen designs of a report: which they are, and their beam patterns recomputed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from arrayopt.base.errors import ResultsError, nearest_name
from arrayopt.base.glossary import shown
from arrayopt.base.labelled import labelled
from arrayopt.base.shares import reached
from arrayopt.design.chips import NOMINAL
from arrayopt.design.designs import DesignSpace
from arrayopt.merits.chips import WANTED
from arrayopt.merits.curves import pulse_curves
from arrayopt.merits.figures import Asked
from arrayopt.models.array import SWEEPS
from arrayopt.models.beam import beam_patterns, pattern_angles
from arrayopt.models.chips import Chips
from arrayopt.results.read import Reading, identifier, knee, ranked
from arrayopt.study.model import Waveform
from arrayopt.study.supported import SUPPORTED
from arrayopt.study.waveform import WAVE_DEFAULTS, WAVE_KINDS

MOST_CYCLES = 400.0
"""Of the burst that shows a design's pulse: narrower bands send nothing short."""


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


def pulse_of(reading: Reading, chosen: Chosen) -> tuple[xr.Dataset, str] | None:
    """The pulse of a design whose study has no waveform, and the burst that makes it, in words.

    The burst is as short as the design's band bears: rising and falling over its whole length
    (Hann), whose spectrum is 2/T wide at half its peak (Harris, Proc. IEEE 66, 51 (1978)). None
    without a study or a band, and for backs whose pulses are not computed.
    """
    design = design_of(reading, chosen)
    names = ("centre_frequency", "fractional_bandwidth")
    centre, band = (float(np.asarray(design[name])) for name in names)
    if reading.study is None or not (np.isfinite(centre) and band > 0.0):
        return None
    strategy = reading.study.strategy(chosen.strategy)
    study = reading.study.of(strategy)
    if "waveform" not in SUPPORTED[study.cell.back]:
        return None
    cycles = float(np.clip(2.0 / band, 1.0, MOST_CYCLES))
    numbers = {**WAVE_DEFAULTS, "pulse_carrier": centre, "pulse_cycles": cycles, "pulse_taper": 1.0}
    designs = DesignSpace(study, strategy).decode(np.asarray(design["vector"])[None, :])
    shape = designs.radius.shape
    designs = replace(
        designs, waveform={n: np.full(shape, numbers[n]) for n in WAVE_KINDS["burst"]}
    )
    study = replace(study, waveform=Waveform("burst"))
    model = Chips(designs, study, study.fabrication.chips)
    share = study.fabrication.share
    merits = {
        name: reached(value, WANTED[name], share)
        for name, value in Asked(model).values(frozenset({"pulse_level", "pulse_length"})).items()
    }
    made = labelled({**pulse_curves(model), **merits}).isel(design=0)
    text = f"a burst of {cycles:.3g} cycles at {shown('pulse_carrier', centre)} (Hann)"
    return made, text


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
