"""Stored quantities as labelled data sets."""

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
        Glossary quantities and the names in ``OWN``, axes as listed there.

    Raises
    ------
    UnknownQuantityError
        If a name is not in the glossary.
    """
    variables: dict[str, xr.Variable] = {}
    for name, values in columns.items():
        if name in OWN:
            dims, meaning = OWN[name]
            attributes = {"units": "1", "long_name": meaning}
        else:
            dims, attributes = quantity(name).dims, attrs(name)
        variables[name] = xr.Variable(dims, np.asarray(values), attributes)
    return xr.Dataset(variables)
