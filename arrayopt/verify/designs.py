"""Chosen designs computed anew on other chips, with several modes, beside what was promised."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from arrayopt.base.arrays import Bools, Floats, Ints
from arrayopt.base.glossary import KEPT_PREFIX, SPREAD_SUFFIXES, VERIFIED_PREFIX, attrs, quantity
from arrayopt.base.shares import at_share
from arrayopt.base.status import Status, VerifyStatus
from arrayopt.design.designs import Designs
from arrayopt.merits.chips import MeritTable, compute_merits, limits_in_force, margins
from arrayopt.merits.figures import QUICK
from arrayopt.models.chips import Chips
from arrayopt.models.rows import FINE
from arrayopt.study.model import Objective, Strategy, Study

MODES = 3
"""Modes of every cell that is verified."""


@dataclass(frozen=True)
class Verification:
    """What other chips of a batch of designs do.

    Parameters
    ----------
    table : their merits, the array's onset among them.
    status : (design,) `VerifyStatus`.
    """

    table: MeritTable
    status: Ints


def verify_designs(
    designs: Designs,
    study: Study,
    strategy: Strategy,
    promised: dict[str, Floats],
    *,
    chips: int | None = None,
) -> Verification:
    """Merits of chips that the search did not choose by, under the study's excitation.

    Parameters
    ----------
    designs : Designs
        (design, group); tens rather than thousands.
    study, strategy : the strategy gives the limits, all of which are checked again.
    promised : objective -> (design,), as the search had it.
    chips : of each design; None for the study's ``verify.chips``.

    Returns
    -------
    Verification
        `MODES` modes a cell, at the pace `FINE`.
    """
    study = study.of(strategy)
    count = study.verify.chips if chips is None else chips
    model = Chips(designs, study, count, use="verify", modes=MODES, pace=FINE)
    objectives = study.objectives
    wanted = frozenset(o.name for o in objectives) | QUICK | {"onset_voltage"}
    table = compute_merits(model, limits=limits_in_force(study, strategy), wanted=wanted)
    few = at_share(study.fabrication.share, count)
    broken = (table.broken > 0.0).any(axis=0)
    lost = _lost(table, promised, objectives, study.verify.tolerance)
    status = np.zeros(len(designs), dtype=np.int64)
    for flag, rows in (
        (VerifyStatus.FEW_VALUES, (table.chip_status & ~int(Status.CHIP_BEATS) != 0)),
        (VerifyStatus.LIMIT, broken),
        (VerifyStatus.LOST, lost),
        (VerifyStatus.BEATS, table.beating > count - 1 - few),
    ):
        hit = rows.sum(axis=1) > count - 1 - few if rows.ndim == 2 else rows
        status |= np.where(hit, int(flag), 0)
    return Verification(table, status)


def _lost(
    table: MeritTable,
    promised: dict[str, Floats],
    objectives: Sequence[Objective],
    tolerance: float,
) -> Bools:
    """Designs of which an objective falls short of what was promised by more than a share."""
    out = np.zeros(len(table.status), dtype=bool)
    for o in objectives:
        value, before = table.values[o.name], promised[o.name]
        sign = 1.0 if o.sense == "max" else -1.0
        if quantity(o.name).units == "dB":
            short = sign * (before - value) > -20.0 * np.log10(1.0 - tolerance)
        else:
            short = sign * (before - value) > tolerance * np.abs(before)
        out |= short | np.isnan(value)
    return out


def verification_dataset(found: Verification) -> xr.Dataset:
    """A verification as labelled variables along ``design``, as stored with a front."""
    table = found.table
    values = {VERIFIED_PREFIX + name: value for name, value in table.values.items()}
    for name in table.chips:
        for suffix, value in zip(SPREAD_SUFFIXES, table.spread(name), strict=True):
            values[VERIFIED_PREFIX + name + suffix] = value
    for name, share in margins(table).items():
        if name.startswith(KEPT_PREFIX):
            values[VERIFIED_PREFIX + name] = share
    numbers: dict[str, Ints] = {
        "verify_chips": np.full(len(found.status), table.chip_status.shape[1]),
        "verify_status": found.status,
    }
    every: dict[str, Floats | Ints] = {**values, **numbers}
    return xr.Dataset({n: xr.Variable("design", x, attrs(n)) for n, x in every.items()})
