"""Chosen designs computed anew at the highest fidelity, beside what the search promised."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.glossary import attrs
from arrayopt.base.status import VerifyStatus
from arrayopt.design.designs import Designs
from arrayopt.merits.figures import Asked, compute_merits
from arrayopt.merits.uncertainty import merit_bands
from arrayopt.models.array import SWEEPS
from arrayopt.models.cells import Cells
from arrayopt.models.choose import Fidelity, model_of
from arrayopt.models.coupled.necks import necks_unstable
from arrayopt.models.coupled.onset import array_onset
from arrayopt.models.coupled.response import pack_coupled
from arrayopt.models.coupled.states import CoupledPacked
from arrayopt.models.several_modes.sweep import SweepSettings
from arrayopt.study.model import Study
from arrayopt.study.supported import COUPLED, ONE_MODE, SEVERAL_MODES, SUPPORTED

FINEST = SweepSettings(modes=3, harmonics=5, checked=True)
"""Five harmonics, every frequency solved, Floquet multipliers watched (M7.14)."""

COMPARED = (
    "fractional_bandwidth",
    "centre_frequency",
    "peak_pressure",
    "peak_level",
    "ripple",
    "deflection_ratio",
)
"""Merits that verification computes anew; with ``target.burst_length`` also `BURST_FIGURES`."""

BURST_FIGURES = (
    "burst_bandwidth",
    "ring_down_time",
    "ring_down_time_40",
    "dead_zone",
    "pulse_bandwidth",
)
"""And those of a study with bursts."""

DIFFERENCES = ("peak_level", "ripple")
"""Merits in dB: effects add; those of the others multiply."""

GUARDED = ("fractional_bandwidth", "peak_pressure")
"""Merits whose loss beyond the study's tolerance flags a design."""


@dataclass(frozen=True)
class Verification:
    """Merits of a batch by model, each name -> (design,).

    ``search``: by the study's model, as the search had it; ``one_mode``: one mode, cells on their
    own; ``several_modes``: several modes and harmonics, cells on their own (in bursts modes only,
    and empty where the second is driven); ``mutual``: one mode, cells coupled by the sound they
    radiate; ``verified``: one mode changed by both effects; their interaction is not computed.
    Bursts are bursts throughout; on a chirp the effects are those that a slow sweep shows.
    ``lower``, ``upper``: 95 % band of ``verified`` that the study's calibration leaves, computed
    with the search's model and moved with the value; empty without a calibration.
    ``onset_alone``, ``onset``: drive amplitude (of the channel driven most, all scaled together) at
    which the first cell on its own, and the array of coupled cells, becomes bistable [V].
    """

    search: Mapping[str, Floats]
    one_mode: Mapping[str, Floats]
    several_modes: Mapping[str, Floats]
    mutual: Mapping[str, Floats]
    verified: Mapping[str, Floats]
    lower: Mapping[str, Floats]
    upper: Mapping[str, Floats]
    onset_alone: Floats
    onset: Floats
    status: Ints


def verify_designs(designs: Designs, study: Study) -> Verification:
    """Merits at the highest fidelity under the study's excitation.

    Parameters
    ----------
    designs : Designs
        (design, group); tens rather than thousands.
    study : Study

    Returns
    -------
    Verification
        NaN where ``status`` is not 0.
    """
    own = _asked(designs, study, ONE_MODE)
    names = frozenset(COMPARED)
    if study.target.burst_length is not None:
        names |= frozenset(BURST_FIGURES)
    one = own.values(names)
    status = _flag(own, VerifyStatus.SEARCH)
    told, plain, effects = study, one, names
    if study.target.excitation not in SUPPORTED[COUPLED, "vented"]:
        # the effects are those that a slow sweep shows, and its pulse is no burst's
        told = replace(study, target=replace(study.target, excitation=study.target.sweep))
        effects -= frozenset(BURST_FIGURES[1:])
        slow = _asked(designs, told, ONE_MODE)
        status |= _flag(slow, VerifyStatus.SEARCH)
        plain = slow.values(effects)
    coupled = _asked(designs, told, COUPLED)
    status |= _flag(coupled, VerifyStatus.MUTUAL)
    mutual = coupled.values(effects)
    modes: dict[str, Floats] = {}
    bursts = told.target.excitation not in SWEEPS
    if study.cell.mode == 1 or not bursts:
        several = _asked(designs, told, SEVERAL_MODES)
        status |= _flag(several, VerifyStatus.SEVERAL_MODES)
        # bursts of several modes are of cells driven at the first
        modes = several.values(effects if study.cell.mode == 1 else frozenset(COMPARED))
    if told is not study:
        modes, mutual = (
            {name: _moved(name, one[name], value[name], plain[name]) for name in value}
            for value in (modes, mutual)
        )
        one = {name: one[name] for name in effects}
    verified = {
        name: _moved(name, modes[name], value, one[name]) if name in modes else value.copy()
        for name, value in mutual.items()
    }
    bands = merit_bands(designs, study)
    # the study's model may have mutual radiation or, for strong drive, several modes: no `one`
    promised = compute_merits(designs, study, wanted=frozenset(verified)).values
    search = {name: promised[name] for name in verified}
    lower, upper = (
        {
            name: _moved(name, bands[name + end], verified[name], search[name])
            for name in COMPARED
            if bands
        }
        for end in ("_lower", "_upper")
    )
    status |= np.where(necks_unstable(designs, study), int(VerifyStatus.NECK), 0)
    for value in (*verified.values(), *lower.values(), *upper.values()):
        value[status != 0] = np.nan
    onsets = _onsets(own.cells, pack_coupled(own.cells, designs, study), designs)
    return Verification(search, one, modes, mutual, verified, lower, upper, *onsets, status)


def _asked(designs: Designs, study: Study, model: str) -> Asked:
    return Asked(model_of(designs, study, fidelity=Fidelity(model, "symmetry", FINEST)))


def _flag(asked: Asked, flag: VerifyStatus) -> Ints:
    return np.where(asked.band.status != 0, int(flag), 0)


def _onsets(cells: Cells, coupled: CoupledPacked, designs: Designs) -> tuple[Floats, Floats]:
    """Onset of the first cell on its own and of the array, (design,) [V]; NaN: none driven."""
    drive = designs.drive_amplitude
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = np.where(drive > 0.0, cells.onset / drive, np.inf).min(axis=1)
    largest = np.where((drive > 0.0).any(axis=1), drive.max(axis=1), np.nan)
    return alone * largest, array_onset(coupled, alone) * largest


def _moved(name: str, value: Floats, changed: Floats, base: Floats) -> Floats:
    """A merit with the effect that turns ``base`` into ``changed`` added to it."""
    if name in DIFFERENCES:
        moved = np.asarray(value + changed - base)
        return np.maximum(moved, 0.0) if name == "ripple" else moved
    return np.asarray(value * changed / base)


def verification_dataset(found: Verification) -> xr.Dataset:
    """A verification as labelled variables along ``design``, as stored with a front."""
    variables = {
        f"{prefix}_{name}": xr.Variable("design", value, attrs(f"{prefix}_{name}"))
        for prefix in ("several_modes", "mutual", "verified")
        for name, value in getattr(found, prefix).items()
    }
    for end in ("lower", "upper"):
        for name, value in getattr(found, end).items():
            key = f"verified_{name}_{end}"
            variables[key] = xr.Variable("design", value, attrs(key))
    onset = xr.Variable("design", found.onset, attrs("verified_onset_voltage"))
    status = xr.Variable("design", found.status, attrs("verify_status"))
    return xr.Dataset({**variables, "verified_onset_voltage": onset, "verify_status": status})


def lost_too_much(found: Verification, tolerance: float) -> NDArray[np.bool_]:
    """Designs whose bandwidth or peak falls short of the search's by more than a share."""
    lost = np.zeros(found.status.shape, dtype=bool)
    for name in GUARDED:
        lost |= ~(found.verified[name] >= (1.0 - tolerance) * found.search[name])
    return lost


def spread(front: xr.Dataset, objectives: Sequence[str], count: int) -> Ints:
    """Members of a front that cover it: ends of every objective, then farthest from those chosen.

    Parameters
    ----------
    front : dataset with a ``design`` dimension and the objectives.
    objectives : names.
    count : how many at most.
    """
    F = np.stack([np.asarray(front[name].values, dtype=float) for name in objectives], axis=1)
    span = np.ptp(F, axis=0)
    unit = (F - F.min(axis=0)) / np.where(span > 0.0, span, 1.0)
    chosen: list[int] = []
    ends = [int(f(unit[:, k])) for k in range(unit.shape[1]) for f in (np.argmax, np.argmin)]
    for end in ends:
        if end not in chosen and len(chosen) < count:
            chosen.append(end)
    while len(chosen) < min(count, len(F)):
        distance = np.linalg.norm(unit[:, None] - unit[None, chosen], axis=2).min(axis=1)
        chosen.append(int(np.argmax(distance)))
    return np.array(sorted(chosen[:count]), dtype=np.int64)
