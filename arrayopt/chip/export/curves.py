"""Predicted curves of an export and their files, netCDF and CSV."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.chip.export.files import Stamp, csv_text


@dataclass(frozen=True)
class Curve:
    """Values along an axis, which is the curve of that name, with CF attributes."""

    along: str
    values: NDArray[np.float64]
    attributes: Mapping[str, str]


Curves = dict[str, Curve]


def curve_text(stamp: Stamp, curves: Curves, along: str) -> str:
    """All curves along one axis as CSV, the axis first."""
    names = [name for name, curve in curves.items() if curve.along == along]
    names.sort(key=lambda name: name != along)
    rows = [
        dict(zip(names, (float(v) for v in row), strict=True))
        for row in np.stack([curves[name].values for name in names], axis=1)
    ]
    unit = curves[along].attributes["units"]
    return csv_text(stamp, rows, [f"pressures [Pa], {along} [{unit}]"])


def write_curves(path: Path, curves: Curves, stamp: Stamp) -> None:
    """All curves as a netCDF file in the classic format (64-bit offsets).

    That format holds no times of writing, so the bytes repeat. It is written without xarray, whose
    loading takes longer than everything else here.
    """
    from scipy.io import netcdf_file

    with netcdf_file(path, "w", version=2) as file:
        _describe(
            file, {"design": stamp.identifier, "digest": stamp.digest, "Conventions": "CF-1.11"}
        )
        for along in dict.fromkeys(curve.along for curve in curves.values()):
            file.createDimension(along, len(curves[along].values))
        for name, curve in curves.items():
            variable = file.createVariable(name, np.dtype("f8"), (curve.along,))
            _describe(variable, {**curve.attributes, "_FillValue": np.array([np.nan])})
            variable[:] = curve.values


def _describe(target: Any, attributes: Mapping[str, Any]) -> None:
    for key, value in attributes.items():
        setattr(target, key, value.encode() if isinstance(value, str) else value)
