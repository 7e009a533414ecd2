"""Result files: written so that a kill cannot hurt them, read so that what is wrong is said."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import xarray as xr
from numpy.typing import NDArray
from xarray.backends import NetCDF4DataStore

from arrayopt.base.errors import ResultsError
from arrayopt.base.files import (
    FORMAT,
    PROGRAM,
    add_trailer,
    check_trailer,
    full_disk,
    hdf_size,
    publish,
    temporary_file,
    unwritable,
    with_trailer,
)
from arrayopt.base.labelled import labelled

FRONTS = "fronts.nc"
_ROWS_PER_CHUNK = 1024


def _root(attributes: Mapping[str, Any]) -> dict[str, Any]:
    return {"Conventions": "CF-1.11", "source": PROGRAM, "format": np.int32(FORMAT), **attributes}


def encoded(dataset: xr.Dataset, attributes: Mapping[str, Any]) -> bytes:
    """A netCDF-4 file with trailer, made in memory: every call that changes the disk is our own.

    Written without xarray, which takes twice as long, and this is done after each generation; the
    data set has numbers and truth values only and no coordinates. Reads back as it was.
    """
    file: Any = netCDF4.Dataset("encoded.nc", mode="w", format="NETCDF4", memory=1 << 16)
    for dim, size in dataset.sizes.items():
        file.createDimension(dim, size)
    for name, variable in dataset.variables.items():
        values, described = variable.values, dict(variable.attrs)
        if values.dtype == np.bool_:  # as xarray stores it
            values, described["dtype"] = values.astype(np.int8), "bool"
        target = file.createVariable(name, values.dtype, variable.dims)
        target.set_auto_maskandscale(False)
        target.setncatts(described)
        target[...] = values
    file.setncatts(_root(attributes))
    content = bytes(file.close())
    return with_trailer(content[: hdf_size(content)])  # memory is handed out in blocks


@contextmanager
def _new_file(
    path: Path, attributes: Mapping[str, Any], *, replace: bool = True, resumable: bool = False
) -> Iterator[Any]:
    """An open netCDF-4 file that gets its trailer and takes its name only when it is complete."""
    try:
        with temporary_file(path.parent) as place:
            try:
                with netCDF4.Dataset(place, "w", format="NETCDF4") as file:
                    file.setncatts(_root(attributes))
                    yield file
                add_trailer(place)
            except (OSError, RuntimeError) as error:  # netCDF reports a full disk as either
                raise full_disk(place) or error from error
            publish(place, path, replace=replace)
    except (OSError, RuntimeError) as error:
        raise unwritable(path, error, resumable=resumable) from error


def write_results(
    path: Path,
    groups: Mapping[str, xr.Dataset],
    attributes: Mapping[str, Any],
    *,
    replace: bool = True,
    resumable: bool = False,
) -> None:
    """Write a result file with one group per strategy; see ``open_results``.

    Parameters
    ----------
    path, groups, attributes : the file, its groups, and its attributes.
    replace, resumable : as `write_file` has them.

    Raises
    ------
    ResultsError
        If it cannot be written; an old file is then untouched.
    """
    with _new_file(path, attributes, replace=replace, resumable=resumable) as file:
        for name, dataset in groups.items():
            target = NetCDF4DataStore(file.createGroup(name))  # type: ignore[no-untyped-call]
            if not all(dataset.sizes.values()):  # chunks of the file it came from do not fit
                dataset = dataset.drop_encoding()
            dataset.dump_to_store(target)


def join_files(
    path: Path, groups: Mapping[str, tuple[Iterable[Path], int]], attributes: Mapping[str, Any]
) -> None:
    """Join files along the design axis into one result file, reading one at a time.

    Parameters
    ----------
    path : Path
    groups : mapping of group name to files and their total number of designs
    attributes : mapping
        Attributes of the file.

    Raises
    ------
    ResultsError
        If it cannot be written; an old file is then untouched, and the run can go on.
    """
    with _new_file(path, attributes, resumable=True) as file:
        for name, (files, total) in groups.items():
            _append(file.createGroup(name), files, total)


@dataclass(frozen=True)
class _Stored:
    """One variable as it lies in a file, neither scaled nor masked."""

    dims: tuple[str, ...]
    kind: Any
    attributes: dict[str, Any]
    values: NDArray[Any]


def _read(file: Path) -> dict[str, _Stored]:
    check_trailer(file)
    with netCDF4.Dataset(file) as source:
        source.set_auto_maskandscale(False)
        return {
            name: _Stored(v.dimensions, v.dtype, {k: v.getncattr(k) for k in v.ncattrs()}, v[:])
            for name, v in source.variables.items()
        }


def _append(group: Any, files: Iterable[Path], total: int) -> None:
    """Copy the design axis of one file after another into a group of `total` designs."""
    start = 0
    for file in files:
        stop = start
        for name, stored in _read(file).items():
            if stored.dims[:1] != ("design",):
                continue  # the front so far
            if start == 0:
                _declare(group, name, stored, total)
            stop = start + len(stored.values)
            group.variables[name][start:stop] = stored.values
        start = stop


def _declare(group: Any, name: str, stored: _Stored, total: int) -> None:
    shape = (total, *stored.values.shape[1:])
    for dim, size in zip(stored.dims, shape, strict=True):
        if dim not in group.dimensions:
            group.createDimension(dim, size)
    attributes = dict(stored.attributes)
    packed = stored.kind is not str
    chunks = (min(_ROWS_PER_CHUNK, total), *shape[1:])
    variable = group.createVariable(
        name,
        stored.kind,
        stored.dims,
        fill_value=attributes.pop("_FillValue", None),
        zlib=packed,
        complevel=1,
        chunksizes=chunks if packed else None,
    )
    if packed:  # rows come in order: two chunks are enough, where the default keeps 16 MB of each
        two = 2 * math.prod(chunks) * stored.values.dtype.itemsize
        variable.set_var_chunk_cache(size=max(two, 1), nelems=11, preemption=1.0)
    variable.set_auto_maskandscale(False)
    variable.setncatts(attributes)


def open_results(path: str | os.PathLike[str]) -> xr.DataTree:
    """Open stored results, a result file or a run directory holding one.

    Parameters
    ----------
    path : path of ``fronts.nc``, ``history.nc`` or of a run directory.

    Returns
    -------
    xarray.DataTree
        One group per strategy, loaded into memory; study text, digest, seed and versions in its
        attributes.

    Raises
    ------
    ResultsError
        If there is no such file, or it is truncated, damaged, foreign or of a newer format.
    """
    file = Path(path)
    if file.is_dir():
        file = file / FRONTS
        if not file.exists():
            raise ResultsError(f"{path} holds no results yet ({FRONTS} is missing)")
    check_trailer(file)
    try:
        with xr.open_datatree(file, engine="netcdf4") as tree:
            return tree.load()
    except (ValueError, KeyError, TypeError) as error:  # sealed, but put together otherwise
        raise ResultsError(f"{file} does not hold groups of designs: {error}") from None


_GROUP: dict[str, Callable[[Any], object]] = {
    "objectives": str, "senses": str, "references": float, "scales": float,
    "hypervolume": float, "evaluations": int,
}  # fmt: skip


def _versions(text: str) -> None:
    if not all(isinstance(value, str) for value in dict(json.loads(text).items()).values()):
        raise TypeError


def _text(value: object) -> None:
    if not isinstance(value, str):
        raise TypeError


_FILE: dict[str, Callable[[Any], object]] = {
    "study": _text,
    "digest": _text,
    "seed": int,
    "versions": _versions,
    "complete": int,
}


def open_fronts(path: str | os.PathLike[str]) -> xr.DataTree:
    """Open a fronts file, or a run directory holding one, and make sure that it holds fronts.

    Returns
    -------
    xarray.DataTree
        As ``open_results``; attributes and groups are those that every reader of fronts needs.

    Raises
    ------
    ResultsError
        As ``open_results``, or if a group is no front or an attribute is missing; all are named.
    """
    tree = open_results(path)
    wrong = _lacking(tree.attrs, _FILE, "the file")
    for name, node in tree.children.items():
        front = node.to_dataset()
        lacking = _lacking(front.attrs, _GROUP, f"group {name}")
        if not lacking:
            wanted = ("vector", "evaluation", *np.atleast_1d(front.attrs["objectives"]))
            absent = [n for n in map(str, wanted) if "design" not in front.get(n, _NOTHING).dims]
            if absent:
                lacking = [f"group {name} holds no {', '.join(absent)} of its designs"]
            elif len({np.size(front.attrs[key]) for key in list(_GROUP)[:4]}) > 1:
                lacking = [f"group {name} has objectives, senses and scales of unequal number"]
        wrong += lacking
    if wrong:
        raise ResultsError(f"{path} does not hold fronts as {PROGRAM} writes them: "
                           f"{'; '.join(wrong)}; use a copy")  # fmt: skip
    return tree


_NOTHING = xr.DataArray(0.0)


def _lacking(
    attributes: Mapping[Any, Any], needed: Mapping[str, Callable[[Any], object]], where: str
) -> list[str]:
    missing = [key for key in needed if key not in attributes]
    out = [f"{where} has no attribute {', '.join(missing)}"] if missing else []
    for key, kind in needed.items():
        try:
            for value in np.atleast_1d(attributes[key]) if key in attributes else ():
                kind(value)
        except (ValueError, TypeError, AttributeError, OverflowError, RecursionError):
            out.append(f"{where} has an attribute {key} that means nothing")
    return out


def load(
    file: Path, *, group: str | None = None, designs: NDArray[np.int64] | None = None
) -> xr.Dataset:
    """One dataset of a file, or some of its designs (every variable has them), in memory.

    Raises
    ------
    ResultsError
        As ``open_results``.
    """
    check_trailer(file)
    with xr.open_dataset(file, engine="netcdf4", group=group, cache=False) as dataset:
        if designs is None:
            return dataset.load()
        # One whole variable after another: netCDF takes seconds to gather thousands of rows.
        return dataset.map(lambda array: array.compute().isel(design=designs), keep_attrs=True)


def generation_dataset(
    columns: Mapping[str, NDArray[Any]],
    *,
    objectives: Mapping[str, NDArray[np.float64]],
    own: Mapping[str, NDArray[Any]],
) -> xr.Dataset:
    """One generation as stored: evaluated quantities, objectives, and the search's own view.

    Parameters
    ----------
    columns : mapping of glossary name to array, shape (design, ...)
    objectives : mapping of glossary name to array, shape (design,)
        Stored unless `columns` already has them.
    own : mapping
        Names of ``OWN``.
    """
    return labelled({**objectives, **columns, **own})
