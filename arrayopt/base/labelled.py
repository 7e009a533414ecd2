"""Stored quantities as labelled data sets, and complex arrays in their two parts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from arrayopt.base.glossary import attrs, quantity

# What the store adds beside glossary quantities: dimensions and meaning; all dimensionless.
OWN = {
    "vector": (("design", "variable"), "design as the search sees it, scaled to 0..1"),
    "limit_value": (("design", "limit"), "limits as the search sees them, kept where <= 0"),
    "violation": (("design",), "sum of the broken limits, 0 where all are kept"),
    "feasible": (("design",), "all limits are kept and the values may be trusted"),
    "evaluation": (("design",), "number of the evaluation within the strategy, from 0"),
    "generation": (("design",), "number of the generation, from 1"),
    "front": (("front",), "evaluation numbers of the nondominated designs so far"),
}


def labelled(columns: Mapping[str, NDArray[Any]]) -> xr.Dataset:
    """Arrays under their glossary names as a dataset with CF attributes.

    Parameters
    ----------
    columns : mapping of name to array
        Glossary quantities and the names in ``OWN``, axes as listed there. A complex array NAME
        becomes NAME_real and NAME_imag.

    Raises
    ------
    UnknownQuantityError
        If a name is not in the glossary.
    """
    variables: dict[str, xr.Variable] = {}
    for name, values in columns.items():
        values = np.asarray(values)
        parts = {name: values}
        if np.iscomplexobj(values):
            parts = {f"{name}_real": values.real, f"{name}_imag": values.imag}
        for part, array in parts.items():
            if part in OWN:
                dims, meaning = OWN[part]
                attributes = {"units": "1", "long_name": meaning}
            else:
                dims, attributes = quantity(part).dims, attrs(part)
            variables[part] = xr.Variable(dims, array, attributes)
    return xr.Dataset(variables)


def complex_values(dataset: xr.Dataset, name: str) -> NDArray[np.complex128]:
    """The array that was stored as NAME_real and NAME_imag."""
    return np.asarray(dataset[f"{name}_real"].values + 1j * dataset[f"{name}_imag"].values)
