"""Bands on merits: what a calibration leaves open, carried through the model."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.base.glossary import MERITS
from arrayopt.design.designs import Designs
from arrayopt.merits.figures import QUICK, compute_merits
from arrayopt.study.calibration import with_correction
from arrayopt.study.model import Study

if TYPE_CHECKING:
    import xarray as xr


DRAWS = 24
"""Parameter sets evaluated for a band; each needs its own plate table (a fraction of a second)."""
COVERAGE = 0.95


def merit_bands(
    designs: Designs,
    study: Study,
    *,
    draws: int = DRAWS,
    wanted: frozenset[str] = frozenset(),
    deflection_limit: float = np.inf,
) -> dict[str, Floats]:
    """95 % bands of merits from a study's calibration.

    Parameters
    ----------
    designs : Designs
        (design, group).
    study : with a calibration; without one there is nothing to carry and the result is empty.
    draws : how many of the calibration's parameter sets are evaluated, from its first.
    wanted : merits beyond the quick ones.
    deflection_limit : as `compute_merits` takes it.

    Returns
    -------
    dict
        ``NAME_lower`` and ``NAME_upper`` (design,), 2.5 and 97.5 % quantiles of the merit over the
        draws, widened to hold the calibrated value; ``draws_lost`` (design,): share of draws in
        which the design has no merits (buckled, say), over which the band says nothing.
        The draws are stored in the calibration, so that the same study gives the same bands.
    """
    chosen = study.calibration.draws[:draws] if study.calibration is not None else ()
    if not chosen:
        return {}
    centre, *tables = (
        compute_merits(designs, changed, wanted=wanted, deflection_limit=deflection_limit)
        for changed in (study, *(with_correction(study, draw) for draw in chosen))
    )
    out: dict[str, Floats] = {}
    for name in sorted((QUICK | wanted) & set(centre.values)):
        low, high = _quantiles(np.stack([table.values[name] for table in tables]))
        at = centre.values[name]
        bad = centre.status != 0
        out[f"{name}_lower"] = np.where(bad, np.nan, np.fmin(low, at))
        out[f"{name}_upper"] = np.where(bad, np.nan, np.fmax(high, at))
    out["draws_lost"] = np.mean([table.status != 0 for table in tables], axis=0)
    return out


def _quantiles(values: Floats) -> tuple[Floats, Floats]:
    """Ends of the band over draws (draw, design); nan where no draw has a value."""
    low = np.full(values.shape[1], np.nan)
    high = low.copy()
    tail = 0.5 * (1.0 - COVERAGE)
    for design in range(values.shape[1]):
        good = values[:, design][np.isfinite(values[:, design])]
        if good.size:
            low[design], high[design] = np.quantile(good, [tail, 1.0 - tail])
    return low, high


def banded(design: xr.Dataset) -> tuple[str, ...]:
    """Merits of which a design (a dataset without the design axis) has a band of some width."""
    return tuple(
        name
        for name in MERITS
        if f"{name}_lower" in design
        and float(design[f"{name}_upper"]) > float(design[f"{name}_lower"])
    )
