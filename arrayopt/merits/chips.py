"""What chips of a design do: their merits, what a share reaches, which limits they keep (M11)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING, cast

import numpy as np

from arrayopt.base.arrays import Bools, Floats, Ints
from arrayopt.base.errors import ArrayoptError
from arrayopt.base.status import Status
from arrayopt.design.designs import Designs
from arrayopt.merits.evaluate import limits_in_force
from arrayopt.merits.figures import Asked
from arrayopt.models.chips import Chips
from arrayopt.study.model import Limit, Strategy, Study
from arrayopt.study.supported import chips_refused

if TYPE_CHECKING:
    from arrayopt.models.array import ArrayModel


WANTED: Mapping[str, str | None] = {
    "fractional_bandwidth": "max",
    "centre_frequency": None,
    "peak_pressure": "max",
    "peak_level": "max",
    "ripple": "min",
    "range_resolution": "min",
    "drive_power": "min",
    "deflection_ratio": "min",
    "quadratic_ratio": "min",
    "model_range": "min",
}
"""Merits that chips have, and which direction is better where the study does not say."""


@dataclass(frozen=True)
class ChipMerits:
    """Merits of the chips of a batch of designs, under the study's sweep.

    Parameters
    ----------
    values : name -> (design, chip), as stored; NaN where a chip has none.
    status : (design, chip) `Status`; chips with `Status.CHIP_BEATS` alone keep their values.
    """

    values: Mapping[str, Floats]
    status: Ints

    def flagged(self, flag: Status) -> Ints:
        """Chips of each design with a flag, (design,)."""
        return np.asarray((self.status & int(flag) != 0).sum(axis=1))

    @property
    def lost(self) -> Ints:
        """Chips of each design without values, (design,)."""
        return np.asarray((self.status & ~int(Status.CHIP_BEATS) != 0).sum(axis=1))

    def spread(self, name: str) -> tuple[Floats, Floats, Floats]:
        """Lowest, median and highest of the chips that have a value, each (design,)."""
        value = self.values[name]
        some = np.asarray(np.isfinite(value).any(axis=1))
        shown = np.where(some[:, None], value, 0.0)
        found = (np.nanmin(shown, axis=1), np.nanmedian(shown, axis=1), np.nanmax(shown, axis=1))
        low, middle, high = (np.where(some, x, np.nan) for x in found)
        return low, middle, high

    def reached(self, name: str, sense: str, share: float) -> Floats:
        """What a share of all chips reaches, (design,); chips without a value reach nothing.

        ``sense`` "max": they have at least this; "min": at most. NaN where too few have any.
        """
        sign = -1.0 if sense == "max" else 1.0
        ordered = np.sort(sign * self.values[name], axis=1)  # NaN last
        chips = ordered.shape[1]
        return np.asarray(sign * ordered[:, max(ceil(share * chips - 1e-9), 1) - 1])

    def keeps(self, limit: Limit) -> Bools:
        """Chips that keep a limit, (design, chip)."""
        value = self.values[limit.name]
        low = -np.inf if limit.minimum is None else limit.minimum
        high = np.inf if limit.maximum is None else limit.maximum
        return np.asarray((value >= low) & (value <= high))


def merits_of_chips(
    designs: Designs,
    study: Study,
    strategy: Strategy,
    *,
    chips: int | None = None,
    use: str = "choose",
    told: Callable[[int], object] = lambda done: None,
) -> ChipMerits:
    """Merits of chips made after designs.

    Parameters
    ----------
    designs : Designs
        (design, group).
    study, strategy : the study's excitation is a slow sweep.
    chips : of each design; None for the study's.
    use, told : as in `Chips`.

    Raises
    ------
    ArrayoptError : for an excitation under which chips are not computed.
    """
    study = study.of(strategy)
    if (refusal := chips_refused(study)) is not None:
        raise ArrayoptError(f"{study.path}: {refusal}")
    count = study.fabrication.chips if chips is None else chips
    model = Chips(designs, study, count, use, told)
    asked = Asked(cast("ArrayModel", model))  # of its rows, merits of a band ask nothing else
    values = asked.values(frozenset(WANTED))
    status = asked.band.status | np.bitwise_or.reduce(
        np.where(asked.driven, model.made.nominal.status, 0), axis=1, keepdims=True
    )
    lost = status & ~int(Status.CHIP_BEATS) != 0
    return ChipMerits({name: np.where(lost, np.nan, x) for name, x in values.items()}, status)


def senses(study: Study) -> dict[str, str | None]:
    """Which direction of every merit of chips is better: as the objectives say, or as usual."""
    return {**WANTED, **{o.name: o.sense for o in study.objectives if o.name in WANTED}}


def checked_limits(study: Study, strategy: Strategy) -> tuple[Sequence[Limit], Sequence[Limit]]:
    """Limits in force that are checked on chips, and those on what chips do not have."""
    limits = limits_in_force(study, strategy)
    known = [limit for limit in limits if limit.name in WANTED]
    return known, [limit for limit in limits if limit.name not in WANTED]
