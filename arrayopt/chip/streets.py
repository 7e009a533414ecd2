"""Streets between rows of cells: how many traces fit, where they run, and how cells reach them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.errors import ArrayoptError
from arrayopt.base.units import format_value
from arrayopt.chip.geometry import height_at, offset_path, rectangle, street_path
from arrayopt.chip.process import Process

_SAME_ROW = 0.3
"""Cells whose heights differ by less than this share of the nearest distance are one row."""


class RoutingError(ArrayoptError):
    """Electrodes cannot be led to pads on this die with this process; the text says what to do."""


@dataclass(frozen=True)
class Shape:
    """A polygon of the layout: layer role, corners (vertex, 2) [m], electrical net or empty."""

    role: str
    points: Floats
    net: str


@dataclass(frozen=True)
class RoutedCells:
    """What routing needs to know of the cells, each (cell,) or (cell, 2); lengths [m]."""

    position: Floats
    radius: Floats
    """What traces keep off from."""
    electrode_radius: Floats
    """Outer radius of the top electrode, as drawn."""
    bottom_radius: Floats
    """Of the bottom electrode, as drawn."""
    channel: Ints

    def transposed(self) -> RoutedCells:
        """The same with x and y exchanged."""
        return replace(self, position=self.position[:, ::-1])


@dataclass(frozen=True)
class Stub:
    """How one cell reaches its trace: cell, +1 up or -1 down, where lead and trace meet."""

    cell: int
    direction: int
    x: float
    y: float


@dataclass(frozen=True)
class Track:
    """One trace along a street: its middle line, width, channel and the cells on it."""

    path: Floats
    width: float
    channel: int
    stubs: tuple[Stub, ...]


@dataclass(frozen=True)
class LeadRules:
    """Widths of leads on the first level and of traces on theirs; lengths [m], multiples of 2 grid.

    Parameters
    ----------
    lead_width, lead_space : of the leads from electrodes.
    track_least, track_space : of the traces.
    landing : extent of metal around a via on the first level and on the second; 0 on one level.
    """

    lead_width: float
    lead_space: float
    track_least: float
    track_space: float
    landing: float


def net_of(channel: int) -> str:
    """Name of a drive channel's net."""
    return f"CH{channel}"


def even(value: float, grid: float) -> float:
    """The next multiple of two grid steps, so that halves stay on the grid."""
    return float(np.ceil(value / (2.0 * grid) - 1e-9) * 2.0 * grid)


def lead_rules(process: Process, second: bool) -> LeadRules:
    """Lead and trace rules of a process, on one level or on two."""
    top, grid = process.layers["top-electrode"], process.grid
    if not second:
        width = even(top.min_width, grid)
        return LeadRules(width, top.min_space, width, top.min_space, 0.0)
    via, wiring = float(process.traces.via_size or 0.0), process.layers["wiring"]
    on_top = via + 2.0 * process.enclosed("top-electrode", "via")
    on_wiring = via + 2.0 * process.enclosed("wiring", "via")
    return LeadRules(
        lead_width=even(max(top.min_width, on_top), grid),
        lead_space=top.min_space,
        track_least=even(max(wiring.min_width, on_wiring), grid),
        track_space=wiring.min_space,
        landing=even(max(on_top, on_wiring), grid),
    )


def rows_of(position: Floats, nearest: float) -> list[Ints]:
    """Cells by rows from the lowest, each row in the direction of x.

    Parameters
    ----------
    position : (cell, 2) [m].
    nearest : smallest distance of two cells [m]; infinite for a single one.
    """
    order = np.argsort(position[:, 1], kind="stable")
    rows: list[list[int]] = []
    for cell in order:
        if rows and position[cell, 1] - position[rows[-1][0], 1] < _SAME_ROW * nearest:
            rows[-1].append(int(cell))
        else:
            rows.append([int(cell)])
    return [np.array(sorted(row, key=lambda c: position[c, 0]), dtype=np.int64) for row in rows]


class Streets:
    """Plans the traces of every street between neighbouring rows.

    Parameters
    ----------
    cells : RoutedCells
    rows : from `rows_of`.
    process : Process
    second : True when traces run on the second level and may cross leads.
    x_range : how far traces may reach to either side [m].

    Raises
    ------
    RoutingError : a street is too narrow; it names the cells.
    """

    def __init__(
        self,
        cells: RoutedCells,
        rows: Sequence[Ints],
        process: Process,
        *,
        second: bool,
        x_range: tuple[float, float],
    ) -> None:
        self.cells, self.rows, self.process, self.second = cells, rows, process, second
        self.rules = lead_rules(process, second)
        self.x_range = x_range
        self.tracks: list[Track] = []
        for street in range(len(rows) + 1):
            self.tracks += self._plan(street)

    def leads(self, track: Track) -> Iterable[Shape]:
        """First-level metal from the electrodes to their trace."""
        grid, rules, cells = self.process.grid, self.rules, self.cells
        # the electrode is a polygon, up to the tolerance inside its circle
        overlap = self.process.layers["top-electrode"].min_overlap + self.process.curve_tolerance
        half, net = 0.5 * rules.lead_width, net_of(track.channel)
        for stub in track.stubs:
            centre, radius = cells.position[stub.cell], cells.electrode_radius[stub.cell]
            aside = abs(stub.x - centre[0])
            rim = np.sqrt(max(radius**2 - (aside + half) ** 2, 0.0))
            inner = np.floor((rim - overlap) / grid) * grid
            tip = stub.y + stub.direction * 0.5 * max(rules.landing, track.width)
            start = centre[1] + stub.direction * inner
            yield Shape("top-electrode", rectangle(stub.x - half, start, stub.x + half, tip), net)
            if aside > 0.0:
                # A lead beside the middle would meet the disc at an acute angle; a foot that is
                # symmetric about the middle does not.
                foot = np.ceil((radius + rules.lead_width) / grid) * grid
                reach, end = aside + half, centre[1] + stub.direction * foot
                corners = rectangle(centre[0] - reach, start, centre[0] + reach, end)
                yield Shape("top-electrode", corners, net)

    def _plan(self, street: int) -> list[Track]:
        members = self._members(street)
        if not members:
            return []
        channels = sorted({int(self.cells.channel[cell]) for cell, _ in members})
        path, width, pitch = self._line(street, len(channels))
        placed: list[tuple[float, float, float, int]] = []
        tracks = []
        for k, channel in enumerate(channels):
            line = offset_path(path, (k - 0.5 * (len(channels) - 1)) * pitch)
            stubs = tuple(
                self._stub(cell, direction, line, width, placed)
                for cell, direction in members
                if self.cells.channel[cell] == channel
            )
            tracks.append(Track(line, width, channel, stubs))
        return tracks

    def _members(self, street: int) -> list[tuple[int, int]]:
        """Cells that reach this street, with direction.

        On one level every row uses the street above it. On two, channels of even and of odd rank
        use opposite sides in alternating rows, so that a street carries half of the channels.
        """
        found = []
        for row, direction in ((street - 1, 1), (street, -1)):
            if 0 <= row < len(self.rows):
                for cell in self.rows[row]:
                    odd = (row + int(self.cells.channel[cell])) % 2 if self.second else 0
                    if (direction == 1) == (odd == 0):
                        found.append((int(cell), direction))
        return found

    def _line(self, street: int, count: int) -> tuple[Floats, float, float]:
        """Middle line of a street, width of its traces and their pitch."""
        low, high = self._circles(street - 1), self._circles(street)
        keep, grid = self.process.traces.keep_off, self.process.grid
        if low is None or high is None:
            width, pitch = self._share(np.inf, count, slanted=False)
            side = 1.0 if high is None else -1.0
            centre, radius = (low or high) if high is None else high  # type: ignore[misc]
            rim = float((side * centre[:, 1] + radius).max())
            out = even(rim + keep + 0.5 * ((count - 1) * pitch + width), grid)
            return self._straight(side * out), width, pitch
        floor = float((low[0][:, 1] + low[1]).max()) + keep
        ceiling = float((high[0][:, 1] - high[1]).min()) - keep
        width, pitch = self._share(ceiling - floor - 4.0 * grid, count, slanted=False)
        if width > 0.0:
            middle = round(0.5 * (floor + ceiling) / (2.0 * grid)) * 2.0 * grid
            return self._straight(middle), width, pitch
        gaps = np.hypot(*(low[0][:, None] - high[0][None]).transpose(2, 0, 1))
        gaps = gaps - low[1][:, None] - high[1]
        width, pitch = self._share(float(gaps.min()) - 2.0 * keep - 4.0 * grid, count, slanted=True)
        if width > 0.0:
            inflate = keep + 0.5 * ((count - 1) * pitch + width) + grid
            path = street_path(
                (low[0], low[1] + inflate),
                (high[0], high[1] + inflate),
                x_range=self.x_range,
                y_ends=0.5 * (floor + ceiling),
            )
            if path is not None:
                return path, width, pitch
        worst = np.unravel_index(int(np.argmin(gaps)), gaps.shape)
        first, second = (
            int(self.rows[row][index])
            for row, index in zip((street - 1, street), worst, strict=True)
        )
        raise RoutingError(self._too_narrow(first, second, float(gaps.min()), count))

    def _too_narrow(self, first: int, second: int, gap: float, count: int) -> str:
        rules, keep = self.rules, self.process.traces.keep_off
        need = count * rules.track_least + (count - 1) * rules.track_space + 2.0 * keep
        return (
            f"rule street: cells {first} and {second} leave {format_value(gap, 'length')} between "
            f"their rims; {count} trace{'s' * (count > 1)} and keep_off need "
            f"{format_value(need, 'length')} or more. Use fewer channels, a larger pitch or "
            "narrower traces"
        )

    def _share(self, room: float, count: int, *, slanted: bool) -> tuple[float, float]:
        """Width and pitch of some traces in a street; width 0 where they do not fit."""
        grid = self.process.grid
        least, space = self.rules.track_least, self.rules.track_space
        if slanted:
            # a square via turned by 45 degrees in its trace, and corners rounded to the grid
            least *= np.sqrt(2.0) if self.second else 1.0
            space += 2.0 * grid
        space = even(space, grid)
        fits = np.floor((room - (count - 1) * space) / count / (2.0 * grid) + 1e-9) * 2.0 * grid
        width = float(min(fits, self.process.traces.width))
        return (width, width + space) if width >= even(least, grid) else (0.0, 0.0)

    def _circles(self, row: int) -> tuple[Floats, Floats] | None:
        if not 0 <= row < len(self.rows):
            return None
        chosen = self.rows[row]
        return self.cells.position[chosen], self.cells.radius[chosen]

    def _straight(self, y: float) -> Floats:
        return np.array([[self.x_range[0], y], [self.x_range[1], y]])

    def _stub(
        self,
        cell: int,
        direction: int,
        line: Floats,
        width: float,
        placed: list[tuple[float, float, float, int]],
    ) -> Stub:
        """A lead that keeps clear of those already in the street; it may stand aside."""
        rules, grid = self.rules, self.process.grid
        step = even(rules.lead_width + rules.lead_space, grid)
        centre, channel = self.cells.position[cell], int(self.cells.channel[cell])
        for aside in (0.0, step, -step, 2.0 * step, -2.0 * step):
            x = float(centre[0] + aside)
            y = round(height_at(line, x) / grid) * grid
            tip = y + direction * 0.5 * max(rules.landing, width)
            low, high = sorted((float(centre[1]), tip))
            clear = all(
                high + rules.lead_space <= other_low
                or other_high + rules.lead_space <= low
                or abs(x - other_x) >= step - 0.5 * grid
                or (abs(x - other_x) < 0.5 * grid and channel == other)
                for other_x, other_low, other_high, other in placed
            )
            if clear:
                placed.append((x, low, high, channel))
                return Stub(cell, direction, x, y)
        raise RoutingError(
            f"rule lead: the lead of cell {cell} meets those of cells across its street on every "
            "side; use a larger pitch or fewer channels"
        )
