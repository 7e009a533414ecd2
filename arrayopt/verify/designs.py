"""Chosen designs computed anew at the highest fidelity, beside what the search promised."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntFlag

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from arrayopt.base.glossary import attrs
from arrayopt.design.designs import Designs
from arrayopt.merits.figures import compute_merits, merits_of_band
from arrayopt.merits.uncertainty import merit_bands
from arrayopt.models.burst_merits import BURST_FIGURES, burst_merits
from arrayopt.models.cells import Cells, build_cells
from arrayopt.models.coupled.burst import CoupledRows
from arrayopt.models.coupled.onset import array_onset
from arrayopt.models.coupled.response import find_coupled_band, pack_coupled
from arrayopt.models.coupled.states import CoupledPacked
from arrayopt.models.excitation import excitation_band
from arrayopt.models.loop import coupled_band, necks_unstable
from arrayopt.models.one_mode.band import Band, find_band
from arrayopt.models.one_mode.burst import Rows, burst_rows
from arrayopt.models.one_mode.response import SWEEPS, Packed, pack
from arrayopt.models.several_modes.burst import ModesRows
from arrayopt.models.several_modes.sweep import SweepSettings, multimode_response
from arrayopt.study.model import Study

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

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

DIFFERENCES = ("peak_level", "ripple")
"""Merits in dB: effects add; those of the others multiply."""

GUARDED = ("fractional_bandwidth", "peak_pressure")
"""Merits whose loss beyond the study's tolerance flags a design."""


class VerifyStatus(IntFlag):
    """What is wrong with a verification; 0 is good."""

    OK = 0
    SEVERAL_MODES = 1
    """The multi-mode sweep gave no band: the motion may be modulated, or its grid too coarse."""
    MUTUAL = 2
    """The coupled response gave no band: a jump did not settle, or ka is out of range."""
    SEARCH = 4
    """The one-mode model itself gives no band."""
    NECK = 8
    """With the necks' own motion a state of the sweep is unstable: the motion is modulated."""


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
    cells = build_cells(designs, study, n_modes=FINEST.modes)
    packed = pack(cells, designs, study)
    coupled = pack_coupled(cells, designs, study)
    target = study.target
    bursts: dict[VerifyStatus, tuple[Band, dict[str, Floats]]] = {}
    if target.burst_length is not None:
        models: dict[VerifyStatus, Rows] = {
            VerifyStatus.SEARCH: burst_rows,
            VerifyStatus.MUTUAL: CoupledRows(coupled, study.air_state),
        }
        if study.cell.mode == 1:
            models[VerifyStatus.SEVERAL_MODES] = ModesRows(cells, study, FINEST.modes)
        for flag, rows in models.items():
            bursts[flag] = burst_merits(cells, packed, study, compute=rows)
    if target.excitation == "burst":
        found = {flag: band for flag, (band, _) in bursts.items()}
    else:
        found = _swept(packed, coupled, designs, study)
    status = np.zeros(len(designs), dtype=np.int64)
    for flag, band in found.items():
        status |= np.where(band.status != 0, int(flag), 0)
    one, mutual, *rest = (_compared(cells, band, designs, study) for band in found.values())
    modes = rest[0] if rest else {}
    if target.excitation == "chirp":
        band = excitation_band(cells, packed, study)
        status |= np.where(band.status != 0, int(VerifyStatus.SEARCH), 0)
        own = _compared(cells, band, designs, study)
        modes, mutual = (
            {name: _moved(name, own[name], value[name], one[name]) for name in COMPARED}
            for value in (modes, mutual)
        )
        one = own
    # a chirp's pulse is no burst's
    beside = BURST_FIGURES[:1] if target.excitation == "chirp" else BURST_FIGURES
    for merits, (_, figures) in zip((one, mutual, modes), bursts.values(), strict=False):
        merits |= {name: figures[name] for name in beside}
    verified = {
        name: _moved(name, modes[name], value, one[name]) if name in modes else value.copy()
        for name, value in mutual.items()
    }
    bands = merit_bands(designs, study)
    # the study's model may have mutual radiation or, for strong drive, several modes: no `one`
    wanted = frozenset(verified) - frozenset(COMPARED)
    promised = compute_merits(designs, study, wanted=wanted).values
    search = {name: promised[name] for name in verified}
    lower, upper = (
        {
            name: _moved(name, bands[name + end], verified[name], search[name])
            for name in COMPARED
            if bands
        }
        for end in ("_lower", "_upper")
    )
    for value in (*verified.values(), *lower.values(), *upper.values()):
        value[status != 0] = np.nan
    status |= np.where(necks_unstable(cells, designs, study), int(VerifyStatus.NECK), 0)
    for value in (*verified.values(), *lower.values(), *upper.values()):
        value[status != 0] = np.nan
    onsets = _onsets(cells, coupled, designs)
    return Verification(search, one, modes, mutual, verified, lower, upper, *onsets, status)


def _onsets(cells: Cells, coupled: CoupledPacked, designs: Designs) -> tuple[Floats, Floats]:
    """Onset of the first cell on its own and of the array, (design,) [V]; NaN: none driven."""
    drive = designs.drive_amplitude
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = np.where(drive > 0.0, cells.onset / drive, np.inf).min(axis=1)
    largest = np.where((drive > 0.0).any(axis=1), drive.max(axis=1), np.nan)
    return alone * largest, array_onset(coupled, alone) * largest


def _swept(
    packed: Packed, coupled: CoupledPacked, designs: Designs, study: Study
) -> dict[VerifyStatus, Band]:
    """Bands of the slow sweep: cells on their own, coupled, and with several modes."""
    sweep = SWEEPS[study.target.sweep]
    level = 10.0 ** (study.target.level / 20.0)
    strong = multimode_response(designs, study, sweep=sweep, settings=FINEST)
    several = Band(
        strong.band.peak_pressure,
        strong.band.peak_frequency,
        strong.band.lower_edge,
        strong.band.upper_edge,
        strong.band.ripple,
        strong.power,
        strong.deflection,
        strong.status,
    )
    return {
        VerifyStatus.SEARCH: _alone(packed, designs, study),
        VerifyStatus.MUTUAL: find_coupled_band(coupled, level=level, sweep=sweep),
        VerifyStatus.SEVERAL_MODES: several,
    }


def _alone(packed: Packed, designs: Designs, study: Study) -> Band:
    """The slow sweep's band with one mode, cells on their own."""
    sweep = SWEEPS[study.target.sweep]
    if study.cell.back == "necked":
        return coupled_band(build_cells(designs, study), designs, study, sweep, mutual=False)
    return find_band(packed, level=10.0 ** (study.target.level / 20.0), sweep=sweep)


def _compared(cells: Cells, band: Band, designs: Designs, study: Study) -> dict[str, Floats]:
    merits = merits_of_band(cells, band, designs, study)
    return {name: merits[name] for name in COMPARED}


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
