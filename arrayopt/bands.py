"""Bands on merits: what a calibration leaves open, carried through the model."""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from arrayopt.design import Designs
from arrayopt.merits import QUICK, compute_merits
from arrayopt.quantities import attrs
from arrayopt.study_calibration import with_correction
from arrayopt.study_model import Study

Floats = NDArray[np.float64]

DRAWS = 24
"""Parameter sets evaluated for a band; each needs its own plate table (a fraction of a second)."""
COVERAGE = 0.95


def merit_bands(
    designs: Designs,
    study: Study,
    *,
    draws: int = DRAWS,
    wanted: frozenset[str] = frozenset(),
) -> xr.Dataset:
    """95 % bands of merits from a study's calibration.

    Parameters
    ----------
    designs : Designs
        (design, group).
    study : with a calibration; without one there is nothing to carry and the result is empty.
    draws : how many of the calibration's parameter sets are evaluated, from its first.
    wanted : merits beyond the quick ones.

    Returns
    -------
    xarray.Dataset
        ``NAME_lower`` and ``NAME_upper`` (design,), 2.5 and 97.5 % quantiles of the merit over the
        draws, widened to hold the calibrated value; ``draws_lost`` (design,): share of draws in
        which the design has no merits (buckled, say), over which the band says nothing.
        The draws are stored in the calibration, so that the same study gives the same bands.
    """
    if study.calibration is None or not study.calibration.draws:
        return xr.Dataset()
    chosen = study.calibration.draws[:draws]
    centre = compute_merits(designs, study, wanted=wanted)
    tables = [
        compute_merits(designs, with_correction(study, draw), wanted=wanted) for draw in chosen
    ]
    lost = np.mean([table.status != 0 for table in tables], axis=0)
    out: dict[str, xr.Variable] = {}
    for name in sorted(QUICK | wanted):
        if name not in centre.values:
            continue
        values = np.stack([table.values[name] for table in tables])
        low, high = _quantiles(values)
        at = centre.values[name]
        for end, bound in (("lower", np.fmin(low, at)), ("upper", np.fmax(high, at))):
            about = attrs(name)
            about["long_name"] += f", {end} end of the 95 % band of the calibration"
            bound = np.where(centre.status != 0, np.nan, bound)
            out[f"{name}_{end}"] = xr.Variable(("design",), bound, about)
    out["draws_lost"] = xr.Variable(
        ("design",),
        lost,
        {"units": "1", "long_name": "share of the calibration's draws without merits"},
    )
    return xr.Dataset(out)


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


def band_text(member: xr.Dataset) -> str:
    """The bands of one design as lines for a terminal, in stored units."""
    lines = []
    for name in sorted(str(key) for key in member.data_vars if str(key).endswith("_lower")):
        merit = name.removesuffix("_lower")
        low, high = float(member[name]), float(member[f"{merit}_upper"])
        unit = member[name].attrs["units"]
        lines.append(f"{merit:24}{low:12.5g} to {high:<12.5g} {'' if unit == '1' else unit}")
    lost = float(member["draws_lost"])
    if lost > 0.0:
        lines.append(f"{lost:.0%} of the parameter sets give no merits: the bands leave them out")
    return "\n".join(lines)
