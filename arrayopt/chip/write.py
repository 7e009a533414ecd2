"""Writes a layout as GDSII, OASIS and DXF; repeated writes give the same bytes."""

from __future__ import annotations

import datetime
import io
from pathlib import Path
from typing import Any

from arrayopt.base.arrays import Ints
from arrayopt.base.errors import ArrayoptError, ExportError
from arrayopt.base.files import fill, full_disk, read_bytes
from arrayopt.chip.layout import TOP, ChipLayout
from arrayopt.chip.process import NANOMETRE, Process

_MOMENT = datetime.datetime(2000, 1, 1)
_MOST_POINTS = 8190
"""GDSII holds at most 8191 points a polygon, the first repeated at the end."""

_GDS_END = b"\0\x04\x04\0"
"""Record ENDLIB, the last four bytes (GDSII Stream Format 6.0)."""

_OASIS_END, _OASIS_LAST = b"\x02", 256
"""Record END, of 256 bytes (SEMI P39)."""

_MICROMETRE = 1e-6
_UNITS = round(_MICROMETRE / NANOMETRE)  # database units in one user unit
_TEXT_HEIGHT = 40.0  # um, of labels in DXF
_DXF_MICRONS = 13  # $INSUNITS of the DXF reference


class LayoutLibraryError(ArrayoptError):
    """A library for writing layouts is not installed."""


def write_layouts(
    chip: ChipLayout, folder: Path, *, name: str, process: Process, note: str
) -> tuple[Path, ...]:
    """Write NAME.gds, NAME.oas and NAME.dxf.

    Parameters
    ----------
    chip : ChipLayout
    folder : an existing folder.
    name : of the files and of the library.
    process : gives layer numbers and names.
    note : identifier and digest for the DXF header; the labels hold them as well.

    Raises
    ------
    LayoutLibraryError : gdstk or ezdxf is missing; the text says how to install it.
    """
    paths = tuple(folder / f"{name}.{ending}" for ending in ("gds", "oas", "dxf"))
    _write_gdstk(chip, paths[0], paths[1], process)
    _write_dxf(chip, paths[2], process, note)
    return paths


def _missing(library: str) -> LayoutLibraryError:
    return LayoutLibraryError(
        f"{library} is needed to write layouts; install it with: pip install 'arrayopt[layout]'"
    )


def _write_gdstk(chip: ChipLayout, gds: Path, oasis: Path, process: Process) -> None:
    try:
        import gdstk
    except ImportError:
        raise _missing("gdstk") from None

    def corners(points: Ints) -> Any:
        return points / _UNITS  # an array, though the stubs want a list

    library = gdstk.Library("ARRAYOPT", unit=_MICROMETRE, precision=NANOMETRE)
    cells = {}
    for block in chip.blocks:
        cell = library.new_cell(block.name)
        for role, points in block.polygons:
            layer = process.layers[role]
            cell.add(gdstk.Polygon(corners(points), layer=layer.number, datatype=layer.datatype))
        cells[block.name] = cell
    top = library.new_cell(TOP)
    for role, points, _ in chip.polygons:
        layer = process.layers[role]
        top.add(gdstk.Polygon(corners(points), layer=layer.number, datatype=layer.datatype))
    for place in chip.placements:
        top.add(gdstk.Reference(cells[place.block], (place.x / _UNITS, place.y / _UNITS)))
    text = process.layers["label"]
    for label in chip.labels:
        origin = (label.x / _UNITS, label.y / _UNITS)
        top.add(gdstk.Label(label.text, origin, layer=text.number, texttype=text.datatype))
    library.write_gds(gds, max_points=_MOST_POINTS, timestamp=_MOMENT)
    library.write_oas(oasis, compression_level=6)
    for path, end, length in ((gds, _GDS_END, len(_GDS_END)), (oasis, _OASIS_END, _OASIS_LAST)):
        if not read_bytes(path)[-length:].startswith(end):  # the library tells of no full disk
            raise full_disk(path) or ExportError(f"{path.name} could not be completed")


def _write_dxf(chip: ChipLayout, path: Path, process: Process, note: str) -> None:
    try:
        import ezdxf
        from ezdxf._options import options
        from ezdxf.document import Drawing
        from ezdxf.sections.classes import REQ_R2004, REQUIRED_CLASSES
    except ImportError:
        raise _missing("ezdxf") from None
    # no creation time, no random identifiers
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        document: Drawing = ezdxf.new("R2010", setup=False)  # type: ignore[attr-defined]
        document.header["$INSUNITS"] = _DXF_MICRONS
        document.header["$MEASUREMENT"] = 1
        document.header.custom_vars.append("design", note)
        for colour, layer in enumerate(process.layers.values(), start=1):
            document.layers.add(layer.name, color=colour)
        _fill_dxf(document, chip, process)
        # the library itself takes those in use in the order of a set, another in each process
        used = sorted(document.entitydb.dxf_types_in_use())
        for kind in (*REQUIRED_CLASSES.get(document.dxfversion, REQ_R2004), *used):
            document.classes.add_class(kind)
        stream = io.StringIO()
        document.write(stream)
    finally:
        options.write_fixed_meta_data_for_testing = before
    fill(path, stream.getvalue().encode())


def _fill_dxf(document: object, chip: ChipLayout, process: Process) -> None:
    names = {role: layer.name for role, layer in process.layers.items()}
    for block in chip.blocks:
        target = document.blocks.new(block.name)  # type: ignore[attr-defined]
        for role, points in block.polygons:
            _add_polygon(target, points, names[role])
    space = document.modelspace()  # type: ignore[attr-defined]
    for role, points, _ in chip.polygons:
        _add_polygon(space, points, names[role])
    for place in chip.placements:
        space.add_blockref(place.block, (place.x / _UNITS, place.y / _UNITS))
    for label in chip.labels:
        attributes = {
            "layer": names["label"],
            "height": _TEXT_HEIGHT,
            "insert": (label.x / _UNITS, label.y / _UNITS),
        }
        space.add_text(label.text, dxfattribs=attributes)


class _Outline:
    """Writes a closed polyline in one go; the library's own way takes minutes for 1e6 corners."""

    def __init__(self, points: Ints, layer: str) -> None:
        self.points, self.layer = points, layer

    def __call__(self, writer: Any) -> None:
        """Group codes of the DXF reference: 8 layer, 90 corners, 70 closed, 10 and 20 x and y."""
        count = len(self.points)
        head = f"100\nAcDbEntity\n  8\n{self.layer}\n100\nAcDbPolyline\n 90\n{count}\n 70\n1\n"
        corners = " 10\n%.3f\n 20\n%.3f\n" * count  # um
        writer.write_str(head + corners % tuple((self.points / _UNITS).ravel().tolist()))


def _add_polygon(target: Any, points: Ints, layer: str) -> None:
    polyline = target.add_lwpolyline([], close=True, dxfattribs={"layer": layer})
    polyline.lwpoints = points  # empty ones are not written
    polyline.export_entity = _Outline(points, layer)
