"""Where the cells of an array are, and which of them share a radius class or a drive channel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from arrayopt.base.arrays import Floats, Ints

MOST_CELLS = 4096
"""Cells of one array: every one is paired with every other one."""
ROWS = 256
"""Cells whose distances to all others are held at once."""


class GroupingError(ValueError):
    """Cells cannot be grouped as asked; the text says why."""


@dataclass(frozen=True)
class ArrayLayout:
    """The part of a design that a search never changes; centred on the origin.

    A group is the set of cells that share radius class and drive channel: cells of one group are
    alike and are computed once.

    Parameters
    ----------
    unit_position : (cell, 2), in pitches for lattices; in metres, with pitch 1, if ``explicit``.
    class_of_cell, channel_of_cell, group_of_cell : (cell,) numbers from 0.
    group_class, group_channel : (group,) class and channel of each group.
    group_count : (group,) number of cells.
    group_distance : (group, group) smallest distance between two different cells of the two
        groups, in units of ``unit_position``; infinite where there is no such pair.
    group_extent : (group, 2) largest abs(x) and abs(y) of the group's cell centres, same units.
    explicit : True when ``unit_position`` is in metres.
    """

    unit_position: Floats
    class_of_cell: Ints
    channel_of_cell: Ints
    group_of_cell: Ints
    group_class: Ints
    group_channel: Ints
    group_count: Ints
    group_distance: Floats
    group_extent: Floats
    explicit: bool

    @property
    def n_cells(self) -> int:
        """Number of cells."""
        return len(self.unit_position)

    @property
    def n_groups(self) -> int:
        """Number of groups."""
        return len(self.group_count)

    @property
    def n_classes(self) -> int:
        """Number of radius classes."""
        return int(self.class_of_cell.max()) + 1

    @property
    def n_channels(self) -> int:
        """Number of drive channels."""
        return int(self.channel_of_cell.max()) + 1

    @property
    def nearest_distance(self) -> float:
        """Smallest distance between two cells, in units of ``unit_position``."""
        return float(self.group_distance.min())


def array_layout(
    unit_position: Floats, *, class_of_cell: Ints, channel_of_cell: Ints, explicit: bool
) -> ArrayLayout:
    """Derive groups, distances and extents from positions and memberships.

    Parameters
    ----------
    unit_position : (cell, 2), in pitches, or in metres if ``explicit``; moved to the middle.
    class_of_cell, channel_of_cell : (cell,) numbers from 0 without gaps.
    explicit : True when positions are metres.
    """
    position = np.asarray(unit_position, dtype=np.float64)
    position = position - 0.5 * (position.min(axis=0) + position.max(axis=0))
    members = np.stack([class_of_cell, channel_of_cell], axis=1).astype(np.int64)
    pairs, group_of_cell, count = np.unique(
        members, axis=0, return_inverse=True, return_counts=True
    )
    group_of_cell = group_of_cell.reshape(-1).astype(np.int64)
    n = len(pairs)
    distance = _group_distances(position, group_of_cell, n)
    extent = np.zeros((n, 2))
    np.maximum.at(extent, group_of_cell, np.abs(position))
    return ArrayLayout(
        unit_position=position,
        class_of_cell=members[:, 0],
        channel_of_cell=members[:, 1],
        group_of_cell=group_of_cell,
        group_class=pairs[:, 0],
        group_channel=pairs[:, 1],
        group_count=count.astype(np.int64),
        group_distance=distance,
        group_extent=extent,
        explicit=explicit,
    )


def _group_distances(position: Floats, group_of_cell: Ints, n: int) -> Floats:
    """Smallest distance between cells of two groups, (group, group); some rows at a time."""
    order = np.argsort(group_of_cell, kind="stable")
    place, owner = position[order], group_of_cell[order]
    first = np.searchsorted(owner, np.arange(n))
    nearest = np.full((n, n), np.inf)
    for start in range(0, len(place), ROWS):
        rows = slice(start, start + ROWS)
        step = place[rows, None, :] - place[None, :, :]
        apart = np.hypot(step[..., 0], step[..., 1])
        apart[np.arange(len(apart)), np.arange(start, start + len(apart))] = np.inf
        groups, begin = np.unique(owner[rows], return_index=True)
        by_group = np.minimum.reduceat(np.minimum.reduceat(apart, begin, axis=0), first, axis=1)
        nearest[groups] = np.minimum(nearest[groups], by_group)
    return nearest


@dataclass(frozen=True)
class Sites:
    """Cell sites before grouping.

    Parameters
    ----------
    position : (cell, 2), row by row from the lowest; pitches, or metres if ``lattice`` is
        ``"explicit"``.
    row, column : (cell,) lattice indices; empty for explicit positions.
    lattice : ``"square"``, ``"hexagonal"`` or ``"explicit"``.
    """

    position: Floats
    row: Ints
    column: Ints
    lattice: str


def lattice_sites(lattice: str, *, rows: int, columns: int) -> Sites:
    """Sites of a square lattice, or a hexagonal one whose odd rows are shifted by half a pitch.

    Parameters
    ----------
    lattice : ``"square"`` or ``"hexagonal"``.
    rows, columns : numbers of rows (along y) and of cells in each row (along x).
    """
    row, column = np.divmod(np.arange(rows * columns, dtype=np.int64), columns)
    if lattice == "hexagonal":
        x, y = column + 0.5 * (row % 2), row * (0.5 * np.sqrt(3.0))
    else:
        x, y = column.astype(np.float64), row.astype(np.float64)
    position = np.stack([x, y], axis=1)
    return Sites(position, row, column, lattice)


def explicit_sites(position: Floats) -> Sites:
    """Sites at given centres, (cell, 2) [m]."""
    none = np.empty(0, dtype=np.int64)
    return Sites(np.asarray(position, dtype=np.float64), none, none, "explicit")


def group_cells(
    sites: Sites, *, scheme: str, count: int | None = None, table: Sequence[int] | None = None
) -> Ints:
    """Number of the class (or channel) of each cell.

    Parameters
    ----------
    sites : where the cells are.
    scheme : ``one`` for all; ``each`` its own; ``rings`` by distance from the middle; ``rows`` and
        ``columns`` of the lattice, in ``count`` neighbouring blocks; ``interleaved`` in ``count``
        classes so that neighbours differ; ``table`` as listed.
    count : number of classes; by default every ring, row or column is one, and 2 for interleaved.
    table : class of each cell.

    Returns
    -------
    (cell,) numbers from 0 without gaps.

    Raises
    ------
    GroupingError : the scheme does not fit these sites.
    """
    n = len(sites.position)
    if scheme not in ("rings", "rows", "columns", "interleaved") and count is not None:
        raise GroupingError(f'scheme "{scheme}" takes no count')
    if (scheme == "table") != (table is not None):
        raise GroupingError('table and scheme = "table" belong together')
    if count is not None and count > n:
        raise GroupingError(f"count is {count}, but there are {n} cells")
    if scheme == "one":
        return np.zeros(n, dtype=np.int64)
    if scheme == "each":
        return np.arange(n, dtype=np.int64)
    if table is not None:
        return _from_table(table, n)
    if scheme == "interleaved":
        return _interleaved(sites, 2 if count is None else count)
    if scheme == "rings":
        return _rings(sites, count)
    line = sites.row if scheme == "rows" else sites.column
    if not len(line):
        raise GroupingError(f'scheme "{scheme}" needs a lattice; positions are explicit')
    n_lines = int(line.max()) + 1
    if count is not None and count > n_lines:
        raise GroupingError(f"count is {count}, but there are {n_lines} {scheme}")
    return line * (n_lines if count is None else count) // n_lines


def _from_table(table: Sequence[int], n: int) -> Ints:
    if len(table) != n:
        raise GroupingError(f"table has {len(table)} entries, but there are {n} cells")
    used = set(table)
    missing = next((k for k in range(n) if k not in used), n)
    if max(table) > missing:
        raise GroupingError(f"table uses numbers up to {max(table)} but not {missing}")
    return np.asarray(table, dtype=np.int64)


def _rings(sites: Sites, count: int | None) -> Ints:
    middle = 0.5 * (sites.position.min(axis=0) + sites.position.max(axis=0))
    x, y = (sites.position - middle).T
    # Rounding joins cells that symmetry puts at the same distance.
    squared = (x * x + y * y) / max(float((x * x + y * y).max()), np.finfo(float).tiny)
    shell = np.unique(np.round(squared, 9), return_inverse=True)[1].reshape(-1).astype(np.int64)
    n_shells = int(shell.max()) + 1
    if count is None:
        return shell
    if count > n_shells:
        raise GroupingError(f"count is {count}, but cells lie at {n_shells} distances")
    return shell * count // n_shells


def _interleaved(sites: Sites, count: int) -> Ints:
    if not len(sites.row):
        return _spread(sites.position, count)
    # Diagonal striping: class = (column + s row) mod count along the lattice's own axes, with the
    # stride s that keeps neighbours apart, sizes even, and equal cells far from one another.
    hexagonal = sites.lattice == "hexagonal"
    axis = sites.column - (sites.row // 2 if hexagonal else 0)
    along, up, distance, pairs = _offsets(sites, axis)
    touching = distance < 1.0 + 1e-9

    def quality(stride: int) -> tuple[int, int, float]:
        alike = (along + stride * up) % count == 0
        sizes = np.bincount((axis + stride * sites.row) % count, minlength=count)
        nearest = float(distance[alike].min(initial=np.inf))
        return -int(pairs[alike & touching].sum()), int(sizes.min() - sizes.max()), nearest

    return np.asarray((axis + max(range(count), key=quality) * sites.row) % count)


def _offsets(sites: Sites, axis: Ints) -> tuple[Ints, Ints, Floats, Ints]:
    """Steps between two cells along the axes, each once: (along, up), length, pairs of cells."""
    steps: dict[tuple[int, int], int] = {}
    columns, rows = int(sites.column.max()) + 1, int(sites.row.max()) + 1
    for low in range(min(2, rows)):  # rows of either parity stand for all
        start = axis[sites.row == low][0]
        for up in range(rows - low):
            shift = int(axis[sites.row == low + up][0] - start)
            like = len(range(low, rows - up, 2))
            for step in range(1 - columns if up else 1, columns):
                key = (step + shift, up)
                steps[key] = steps.get(key, 0) + like * (columns - abs(step))
    x, y = np.array(list(steps), dtype=np.int64).reshape(-1, 2).T
    both = x * y if sites.lattice == "hexagonal" else 0 * x
    distance = np.sqrt((x**2 + y**2 + both).astype(np.float64))  # so that ties are exact
    return x, y, distance, np.array(list(steps.values()), dtype=np.int64)


def _spread(position: Floats, count: int) -> Ints:
    # Each cell, from the lowest row up, takes the class with room left whose nearest member is
    # farthest away; ties go to the lowest number.
    n = len(position)
    nearest = np.full((n, count), np.inf)
    result = np.full(n, -1, dtype=np.int64)
    sizes = np.zeros(count, dtype=np.int64)
    for cell in np.lexsort((position[:, 0], position[:, 1])):
        room = np.flatnonzero(sizes == sizes.min())
        best = int(room[np.argmax(nearest[cell, room])])
        result[cell] = best
        sizes[best] += 1
        apart = np.hypot(*(position - position[cell]).T)
        apart[cell] = np.inf
        nearest[:, best] = np.minimum(nearest[:, best], apart)
    return result
