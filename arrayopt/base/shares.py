"""What some values have in common: their spread, and what a share of them reaches (M11.5)."""

from __future__ import annotations

from math import ceil

import numpy as np

from arrayopt.base.arrays import Floats


def spread(value: Floats) -> tuple[Floats, Floats, Floats]:
    """Lowest, median and highest over the last axis of what is a number; NaN where nothing is."""
    none = np.asarray(np.isnan(value).all(axis=-1))
    shown = np.where(none[..., None], 0.0, value)
    found = (np.nanmin(shown, axis=-1), np.nanmedian(shown, axis=-1), np.nanmax(shown, axis=-1))
    low, middle, high = (np.where(none, np.nan, x) for x in found)
    return low, middle, high


def reached(value: Floats, sense: str | None, share: float) -> Floats:
    """What a share of chips reaches, (design, chip) -> (design,) (M11.5).

    ``sense`` "max": they have at least this; "min": at most; None: the median. Chips without a
    value reach nothing; NaN where too few have any.
    """
    if sense is None:
        return spread(value)[1]
    sign = -1.0 if sense == "max" else 1.0
    ordered = np.sort(sign * value, axis=1)  # NaN last
    return np.asarray(sign * ordered[:, at_share(share, value.shape[1])])


def at_share(share: float, chips: int) -> int:
    """Place of the chip, the best first, at which so large a share of all is reached."""
    return max(ceil(share * chips - 1e-9), 1) - 1
