"""Result files: what is written comes back, and what is wrong is said in one sentence."""

from __future__ import annotations

import errno
import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import xarray as xr

from arrayopt.base.errors import ArrayoptError, ResultsError
from arrayopt.base.files import hdf_size, write_file
from arrayopt.base.labelled import labelled
from arrayopt.runs.kept.store import encoded, open_results, write_results


def sample() -> xr.Dataset:
    random = np.random.default_rng(4)
    return labelled(
        {
            "radius": random.random((6, 9)),
            "peak_pressure": random.random(6),
            "pressure": random.random((6, 40)),
            "feasible": np.array([True, False] * 3),
            "status": np.arange(6),
            "margin_film_stress": random.random(6),
        }
    )


@pytest.fixture
def results(tmp_path: Path) -> Path:
    path = tmp_path / "fronts.nc"
    root = {"study": "a = 1\nb = 'µ'", "digest": "ab"}
    write_results(path, {"one": sample(), "two": sample()[["radius"]]}, root)
    return path


def test_written_is_read(results: Path) -> None:
    tree = open_results(results)
    assert list(tree.children) == ["one", "two"]
    xr.testing.assert_identical(tree["one"].to_dataset(), sample())
    assert tree.attrs["study"] == "a = 1\nb = 'µ'"
    assert int(tree.attrs["format"]) == 2
    # open_datatree by itself is all another program needs
    with xr.open_datatree(results, engine="netcdf4") as plain:
        assert plain["one"]["feasible"].dtype == bool


def test_encoded_in_memory_is_a_complete_file(tmp_path: Path) -> None:
    content = encoded(sample(), {"strategy": "one"})
    (tmp_path / "a.nc").write_bytes(content)
    with xr.open_dataset(tmp_path / "a.nc", engine="netcdf4") as there:
        xr.testing.assert_identical(there.load().drop_attrs(deep=False), sample())
    # The size that the file itself states is that of what HDF5 wrote, and the trailer follows.
    stated = hdf_size(content)
    assert stated is not None
    assert content[stated:].startswith(b"\narrayopt format 0002 sha256 ")
    (tmp_path / "a.nc").write_bytes(content[: stated - 1])
    with pytest.raises(OSError, match="HDF error"):
        netCDF4.Dataset(tmp_path / "a.nc")


def test_units_come_from_the_glossary(results: Path) -> None:
    one = open_results(results)["one"]
    assert one["radius"].attrs["units"] == "m"
    assert one["margin_film_stress"].attrs["units"] == "Pa"
    assert all("units" in v.attrs and "long_name" in v.attrs for v in one.data_vars.values())
    with pytest.raises(ArrayoptError, match="raduis"):
        labelled({"raduis": np.zeros((1, 1))})


def test_truncated_anywhere_is_refused(results: Path) -> None:
    content = results.read_bytes()
    for size in [8, 9, 40, 100, 1000, *range(2000, len(content) - 200, 7919)]:
        results.write_bytes(content[:size])
        with pytest.raises(ResultsError, match=r"fronts\.nc is truncated"):
            open_results(results)
    for size in range(len(content) - 100, len(content)):
        results.write_bytes(content[:size])
        with pytest.raises(ResultsError, match=r"is truncated|cut or changed since"):
            open_results(results)


def test_any_damaged_byte_is_noticed_before_hdf5_sees_it(
    results: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = results.read_bytes()
    monkeypatch.setattr(netCDF4, "Dataset", None)
    random = np.random.default_rng(5)
    positions = [*random.integers(0, len(content), 300), *range(60)]
    for position in [*positions, *range(len(content) - 100, len(content))]:
        flipped = bytearray(content)
        flipped[position] ^= 1 << random.integers(0, 8)
        results.write_bytes(bytes(flipped))
        with pytest.raises(
            ResultsError, match=r"damaged|not a netCDF|changed since|truncated|format"
        ):
            open_results(results)


def test_foreign_newer_and_missing_files(tmp_path: Path, results: Path) -> None:
    def refused(path: Path, match: str) -> None:
        with pytest.raises(ResultsError, match=match) as caught:
            open_results(path)
        assert "\n" not in str(caught.value)
        assert str(path) in str(caught.value)

    refused(tmp_path / "no.nc", "No such file")
    (tmp_path / "text.nc").write_text("frequency,pressure\n")
    refused(tmp_path / "text.nc", "not a netCDF-4 file")
    (tmp_path / "empty.nc").write_bytes(b"")
    refused(tmp_path / "empty.nc", "not a netCDF-4 file")
    sample().to_netcdf(tmp_path / "foreign.nc", engine="netcdf4")
    refused(tmp_path / "foreign.nc", "not written by arrayopt")
    content = results.read_bytes()
    (tmp_path / "newer.nc").write_bytes(content.replace(b" format 0002 ", b" format 0003 "))
    refused(tmp_path / "newer.nc", "format 3, and this version reads 2; update")
    with netCDF4.Dataset(results, "a") as file:  # still an ordinary file
        file.setncattr("remark", "checked")
    refused(results, "changed since")
    (tmp_path / "run").mkdir()
    refused(tmp_path / "run", "no results yet")


@pytest.mark.parametrize("call", ["open", "write", "fsync", "replace"])
def test_a_failing_disk_leaves_the_old_file(
    results: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    before = results.read_bytes()

    def full(*args: object, **kwargs: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, call, full)
        with pytest.raises(ResultsError, match="No space left on device; everything saved before"):
            write_file(results, b"new", resumable=True)
    assert results.read_bytes() == before
    assert [p.name for p in results.parent.iterdir()] == ["fronts.nc"]


def test_a_full_disk_is_told_where_netcdf_meets_it(tmp_path: Path) -> None:
    """The library speaks of permissions, or of an HDF error."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, hard))
    try:
        with pytest.raises(ResultsError, match="File too large; free space and give") as told:
            write_results(tmp_path / "a.nc", {"one": sample()}, {})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert "resume" not in str(told.value)
    assert list(tmp_path.iterdir()) == []


def test_short_writes_are_completed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write: Callable[..., int] = os.write
    monkeypatch.setattr(os, "write", lambda fd, view: write(fd, bytes(view)[:1000]))
    write_file(tmp_path / "a", bytes(range(256)) * 20)
    assert (tmp_path / "a").read_bytes() == bytes(range(256)) * 20


def test_store_does_not_import_pymoo() -> None:
    code = "import sys, arrayopt.runs.kept.directory; sys.exit('pymoo' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
