"""Leads every drive channel and the ground to bond pads without crossings on one metal level.

One level suffices where each row (or each column) of cells belongs to one channel and equal ones
are neighbours. Otherwise the second level carries all traces along the streets, and the first all
leads and trunks across them, so that nothing crosses on its own level. The ground runs on the
bottom electrode, below the film.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.units import format_value
from arrayopt.chip.geometry import height_at, rectangle, square, strip
from arrayopt.chip.process import Process
from arrayopt.chip.streets import (
    RoutedCells,
    RoutingError,
    Shape,
    Streets,
    Track,
    even,
    net_of,
    rows_of,
)

GROUND = "GND"


@dataclass(frozen=True)
class Pad:
    """A bond pad: net and centre [m]."""

    net: str
    x: float
    y: float


@dataclass(frozen=True)
class Routing:
    """Everything that leads from electrodes to pads.

    Parameters
    ----------
    shapes : polygons with layer role and net.
    pads : one for each channel and one for the ground.
    levels : metal levels above the film that carry traces, 1 or 2.
    tracks : traces along streets, for the rule check.
    """

    shapes: tuple[Shape, ...]
    pads: tuple[Pad, ...]
    levels: int
    tracks: tuple[Track, ...]

    def transposed(self) -> Routing:
        """The same with x and y exchanged."""
        return Routing(
            tuple(replace(s, points=s.points[::-1, ::-1]) for s in self.shapes),
            tuple(Pad(p.net, p.y, p.x) for p in self.pads),
            self.levels,
            tuple(replace(t, path=t.path[:, ::-1]) for t in self.tracks),
        )


def route(
    cells: RoutedCells, *, die: tuple[float, float], corner: float, process: Process
) -> Routing:
    """Lead every top electrode to its channel's pad, and every bottom electrode to the ground pad.

    Parameters
    ----------
    cells : RoutedCells
        Centred on the die.
    die : sides along x and y [m].
    corner : length along each side that pads leave free at the die's corners [m].
    process : Process

    Raises
    ------
    RoutingError : no room, or a second level would be needed; the text names cells or channels.
    """
    nearest = _nearest(cells.position)
    rows = rows_of(cells.position, nearest)
    if _one_level(cells, rows, process):
        return _Router(cells, rows, die, corner, process, second=False).build()
    turned = cells.transposed()
    columns = rows_of(turned.position, nearest)
    if _one_level(turned, columns, process):
        router = _Router(turned, columns, die[::-1], corner, process, second=False)
        return router.build().transposed()
    if not process.second_level:
        raise RoutingError(
            f"rule crossing: {int(cells.channel.max()) + 1} channels share rows and columns, so "
            "their traces cross; a process with a second level ([layers.via], [layers.wiring]) is "
            "needed, or channels by rows or by columns"
        )
    return _Router(cells, rows, die, corner, process, second=True).build()


def _nearest(position: Floats) -> float:
    step = position[:, None] - position[None]
    distance = np.hypot(step[..., 0], step[..., 1])
    np.fill_diagonal(distance, np.inf)
    return float(distance.min())


def _one_level(cells: RoutedCells, rows: Sequence[Ints], process: Process) -> bool:
    """Does each row belong to one channel, equal ones side by side, with room for the pads?"""
    owners = [set(cells.channel[row].tolist()) for row in rows]
    if any(len(owner) > 1 for owner in owners):
        return False
    order = [owner.pop() for owner in owners]
    starts = [k for k in range(len(order)) if k == 0 or order[k] != order[k - 1]]
    if len(starts) > len(set(order)):
        return False
    heights = np.array([cells.position[row, 1].mean() for row in rows])
    blocks = np.split(np.arange(len(order)), starts[1:])
    middles = np.array([heights[block[len(block) // 2]] for block in blocks])
    return bool(np.all(np.diff(middles) >= process.pads.size + process.pads.space))


class _Router:
    """Builds the routing of cells in rows, pads on the left and right sides."""

    def __init__(
        self,
        cells: RoutedCells,
        rows: Sequence[Ints],
        die: tuple[float, float],
        corner: float,
        process: Process,
        *,
        second: bool,
    ) -> None:
        self.cells, self.rows, self.process, self.second = cells, rows, process, second
        self.die, self.corner = die, corner
        self.shapes: list[Shape] = []
        self.pads: list[Pad] = []
        reach = 0.5 * die[0]
        self.streets = Streets(cells, rows, process, second=second, x_range=(-reach, reach))
        self.pad_x = 0.5 * die[0] - process.sawing_street - 0.5 * process.pads.size
        self.rim = {
            -1: float((cells.position[:, 0] - cells.radius).min()),
            1: float((cells.position[:, 0] + cells.radius).max()),
        }

    def build(self) -> Routing:
        for track in self.streets.tracks:
            self.shapes += self.streets.leads(track)
            if self.second:
                net = net_of(track.channel)
                self.shapes += [self._via(stub.x, stub.y, net) for stub in track.stubs]
        if self.second:
            self._two_levels()
        else:
            self._one_level()
        self._ground()
        return Routing(
            tuple(self.shapes),
            tuple(self.pads),
            2 if self.second else 1,
            tuple(self.streets.tracks),
        )

    def _via(self, x: float, y: float, net: str) -> Shape:
        return Shape("via", square(x, y, float(self.process.traces.via_size or 0.0)), net)

    def _one_level(self) -> None:
        """Each channel's traces join one trunk on the left; its middle one goes on to the pad."""
        width = self.process.traces.width
        trunk = self._snapped(self.rim[-1] - self.process.traces.keep_off - 0.5 * width, -1)
        self._need_room(-1, -self.pad_x + 0.5 * self.process.pads.size, trunk - 0.5 * width, 1)
        by_channel: dict[int, list[Track]] = {}
        for track in self.streets.tracks:
            by_channel.setdefault(track.channel, []).append(track)
        for channel, tracks in by_channel.items():
            net = net_of(channel)
            # a straight trace ends at the trunk; one that winds is level there, too
            heights = [self._grid(height_at(track.path, trunk)) for track in tracks]
            chosen = len(tracks) // 2
            for k, track in enumerate(tracks):
                start = -self.pad_x if k == chosen else trunk - 0.5 * width
                stop = max(stub.x for stub in track.stubs) + 0.5 * self.streets.rules.lead_width
                points = strip(track.path, width=track.width, start=start, stop=stop)
                self.shapes.append(Shape("top-electrode", points, net))
            if len(tracks) > 1:
                ends = [
                    y + sign * 0.5 * t.width
                    for y, t in zip(heights, tracks, strict=True)
                    for sign in (-1, 1)
                ]
                points = rectangle(trunk - 0.5 * width, min(ends), trunk + 0.5 * width, max(ends))
                self.shapes.append(Shape("top-electrode", points, net))
            y = self._grid(height_at(tracks[chosen].path, -self.pad_x))
            self._drive_pad(net, -self.pad_x, y)

    def _two_levels(self) -> None:
        """Traces meet a trunk of their channel at the side; another trace leads on to the pad."""
        channels = sorted({track.channel for track in self.streets.tracks})
        for side, chosen in self._sides(channels):
            width, pitch = self._trunk_width(side, len(chosen))
            first = self.rim[side] + side * (self.process.traces.keep_off + 0.5 * width)
            trunks = {
                c: self._snapped(first + side * k * pitch, side) for k, c in enumerate(chosen)
            }
            tracks = [track for track in self.streets.tracks if track.channel in trunks]
            taken = [
                (height_at(track.path, x), track.width) for track in tracks for x in trunks.values()
            ]
            middle = {
                c: float(np.mean([height_at(t.path, x) for t in tracks if t.channel == c]))
                for c, x in trunks.items()
            }
            slots = self._slots(side, len(chosen) + (side == 1))[: len(chosen)]
            for slot, channel in zip(slots, sorted(chosen, key=lambda c: middle[c]), strict=True):
                mine = [track for track in tracks if track.channel == channel]
                self._trunk(side, channel, trunks[channel], width, mine, (slot, taken))

    def _trunk(
        self,
        side: int,
        channel: int,
        x: float,
        width: float,
        tracks: Sequence[Track],
        pad: tuple[float, list[tuple[float, float]]],
    ) -> None:
        slot, taken = pad
        net, rules = net_of(channel), self.streets.rules
        half = 0.5 * rules.landing
        heights = []
        for track in tracks:
            ends = [stub.x - side * half for stub in track.stubs]
            start, stop = sorted((x + side * half, min(ends) if side > 0 else max(ends)))
            points = strip(track.path, width=track.width, start=start, stop=stop)
            self.shapes.append(Shape("wiring", points, net))
            heights.append(self._grid(height_at(track.path, x)))
            self.shapes.append(self._via(x, heights[-1], net))
        link_width = min(self.process.traces.width, self.process.pads.size)
        y = self._free_height(slot, link_width, taken, self.process.layers["wiring"].min_space)
        points = rectangle(
            side * self.pad_x, y - 0.5 * link_width, x - side * half, y + 0.5 * link_width
        )
        self.shapes += [Shape("wiring", points, net), self._via(x, y, net)]
        low, high = min(*heights, y) - half, max(*heights, y) + half
        points = rectangle(x - 0.5 * width, low, x + 0.5 * width, high)
        self.shapes.append(Shape("top-electrode", points, net))
        self._drive_pad(net, side * self.pad_x, slot)

    def _sides(self, channels: list[int]) -> list[tuple[int, list[int]]]:
        """All channels on the left where they fit, else half of them on the right."""
        if self._fits(-1, len(channels), len(channels)):
            return [(-1, channels)]
        left, right = channels[0::2], channels[1::2]
        for side, chosen in ((-1, left), (1, right)):
            count = len(chosen) + (side == 1)
            if not self._fits(side, len(chosen), count):
                pads = self._pad_capacity()
                if count > pads:
                    side_length = format_value(self._column(), "length")
                    raise RoutingError(
                        f"rule pads: {count} pads are needed on one side of the die, whose free "
                        f"{side_length} hold {pads}; use fewer channels, smaller pads or a larger "
                        "die"
                    )
                self._trunk_width(side, len(chosen))
        return [(-1, left), (1, right)]

    def _fits(self, side: int, trunks: int, pads: int) -> bool:
        if pads > self._pad_capacity():
            return False
        try:
            self._trunk_width(side, trunks)
        except RoutingError:
            return False
        return True

    def _trunk_width(self, side: int, count: int) -> tuple[float, float]:
        """Width and pitch of the trunks between the array and the pads of one side."""
        rules, grid = self.streets.rules, self.process.grid
        space = even(rules.lead_space, grid)
        room = self.pad_x - 0.5 * self.process.pads.size - abs(self.rim[side])
        room -= self.process.traces.keep_off + count * space + 2.0 * grid
        width = min(np.floor(room / count / (2.0 * grid)) * 2.0 * grid, self.process.traces.width)
        least = even(max(rules.lead_width, rules.landing), grid)
        if width < least:
            have = self.pad_x - 0.5 * self.process.pads.size - abs(self.rim[side])
            need = have - room + count * least
            self._no_room(side, have, need, count)
        return float(width), float(width) + space

    def _need_room(self, side: int, pads_end: float, trunk_end: float, count: int) -> None:
        have, need = abs(self.rim[side]), self.process.layers["top-electrode"].min_space
        if trunk_end - pads_end < need:
            width = abs(have - abs(trunk_end)) + need
            self._no_room(side, abs(pads_end) - have, width, count)

    def _no_room(self, side: int, have: float, need: float, count: int) -> None:
        word = "first" if side < 0 else "last"
        raise RoutingError(
            f"rule margin: between the {word} column of cells and its pads there are "
            f"{format_value(have, 'length')}; {count} trunk{'s' * (count > 1)} need "
            f"{format_value(need, 'length')}. Use a larger die, a smaller pitch, smaller pads or "
            "narrower traces"
        )

    def _column(self) -> float:
        return self.die[1] - 2.0 * (self.process.sawing_street + self.corner)

    def _pad_capacity(self) -> int:
        pitch = self.process.pads.size + self.process.pads.space
        return int((self._column() + self.process.pads.space) / pitch + 1e-9)

    def _slots(self, side: int, count: int) -> list[float]:
        """Heights of the pads of one side, from the lowest."""
        pitch = even(self.process.pads.size + self.process.pads.space, self.process.grid)
        return [(k - 0.5 * (count - 1)) * pitch for k in range(count)]

    def _free_height(
        self, slot: float, width: float, taken: Sequence[tuple[float, float]], space: float
    ) -> float:
        """A height within a pad at which a trace of some width meets no other trace."""
        reach = 0.5 * (self.process.pads.size - width)
        for aside in sorted(np.linspace(-reach, reach, 49), key=abs):
            y = self._grid(slot + aside)
            if all(abs(y - other) >= 0.5 * (width + w) + space for other, w in taken):
                return y
        raise RoutingError(
            f"rule pads: the traces along the streets leave no way to the pad at y = "
            f"{format_value(slot, 'length')}; use a larger pitch, larger pads or narrower traces"
        )

    def _drive_pad(self, net: str, x: float, y: float) -> None:
        process, size = self.process, self.process.pads.size
        self.pads.append(Pad(net, x, y))
        self.shapes.append(Shape("top-electrode", square(x, y, size), net))
        if self.second:
            inside = max(process.enclosed(metal, "via") for metal in ("top-electrode", "wiring"))
            self.shapes.append(Shape("wiring", square(x, y, size), net))
            self.shapes.append(Shape("via", square(x, y, size - 2.0 * inside), net))
        self._pad_opening(x, y)

    def _pad_opening(self, x: float, y: float) -> None:
        if "pad-opening" in self.process.layers:
            inside = self.process.enclosed("top-electrode", "pad-opening")
            points = square(x, y, self.process.pads.size - 2.0 * inside)
            self.shapes.append(Shape("pad-opening", points, ""))

    def _ground_width(self) -> float:
        least = self.process.layers["bottom-electrode"].min_width
        return even(max(2.0 * self.process.traces.width, least), self.process.grid)

    def _ground(self) -> None:
        """Bars join the bottom electrodes of each row to a rail on the right, and that to a pad."""
        process, width = self.process, self._ground_width()
        bottom = process.layers["bottom-electrode"]
        discs = float((self.cells.position[:, 0] + self.cells.bottom_radius).max())
        reach = max(self.rim[1] + process.traces.keep_off, discs + process.curve_tolerance)
        rail = self._snapped(reach + bottom.min_space + 0.5 * width, 1)
        limit = self.pad_x - 0.5 * process.pads.size - bottom.min_space
        if rail + 0.5 * width > limit:
            need = rail + 0.5 * width - self.rim[1] + bottom.min_space
            self._no_room(1, limit + bottom.min_space - self.rim[1], need, 1)
        heights = []
        for row in self.rows:
            path = self.cells.position[row]
            path = np.concatenate([path, [[rail + width, path[-1, 1]]]])
            start, stop = float(path[0, 0]), rail + 0.5 * width
            heights.append(float(path[-1, 1]))
            points = strip(path, width=width, start=start, stop=stop)
            self.shapes.append(Shape("bottom-electrode", points, GROUND))
        channel_pads = sum(pad.x > 0.0 for pad in self.pads)
        slot = self._slots(1, channel_pads + 1)[-1]
        within = [y for y in heights if abs(y - slot) <= 0.5 * (process.pads.size - width)]
        taken = [(y, width) for y in heights]
        link = within[0] if within else self._free_height(slot, width, taken, bottom.min_space)
        for points in (
            rectangle(
                rail - 0.5 * width,
                min(*heights, link) - 0.5 * width,
                rail + 0.5 * width,
                max(*heights, link) + 0.5 * width,
            ),
            rectangle(rail, link - 0.5 * width, self.pad_x, link + 0.5 * width),
        ):
            self.shapes.append(Shape("bottom-electrode", points, GROUND))
        self.shapes += ground_pad(self.pad_x, slot, process)
        self.pads.append(Pad(GROUND, self.pad_x, slot))
        self._pad_opening(self.pad_x, slot)

    def _grid(self, value: float) -> float:
        return float(round(value / self.process.grid) * self.process.grid)

    def _snapped(self, value: float, side: int) -> float:
        """Away from the array to the next multiple of two grid steps."""
        return side * even(abs(value), self.process.grid)


def ground_pad(x: float, y: float, process: Process) -> list[Shape]:
    """A pad on the first level that reaches the bottom electrode through the film."""
    size = process.pads.size
    opening = size - 2.0 * process.enclosed("top-electrode", "film-opening")
    below = max(size, opening + 2.0 * process.enclosed("bottom-electrode", "film-opening"))
    return [
        Shape("bottom-electrode", square(x, y, below), GROUND),
        Shape("film-opening", square(x, y, opening), GROUND),
        Shape("top-electrode", square(x, y, size), GROUND),
    ]
