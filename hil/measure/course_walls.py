"""Which walls lie beside a straight: stretches of wall, their panels, and their ends along the way.

Positions along a straight are millimetres from the centre of its first cell, in the direction of travel. A wall reaches
half its thickness past the cell boundary on either end, since a post stands there (12 mm posts: ends lie 6 mm past or
before the boundary). A wall end is where a sensor sees a wall begin or stop; the corner of a closed end is none.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from hil.measure.evidence import Floats
from hil.measure.model import CellPose, Course, Heading

Flags = NDArray[np.bool_]
Integers = NDArray[np.int64]

EDGE_MARGIN_MM = 25.0  # half a beam's footprint and the error of the counted position
POST_MARGIN_MM = 10.0  # half a post and half a beam's footprint
PANEL_PLACEMENT_MM = 0.5  # standard deviation of a panel across its line; common practice, no source
# The same as a side sensor sees it: 2 % of reflectance from panel to panel read as another 0.5 mm at 49 mm.
PANEL_SEEN_MM = 0.7
PANEL_GAP_MM = 0.3  # standard deviation of a gap of 0 to 1 mm beside a post


class Side(Enum):
    """A side of the robot."""

    LEFT = "left"
    RIGHT = "right"

    @property
    def quarters_right(self) -> int:
        """Quarter turns to the right from the heading to this side."""
        return -1 if self is Side.LEFT else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Wall without a break on one side, from `begin_mm` to `end_mm`; flags say whether an end can be seen as one."""

    begin_mm: float
    end_mm: float
    begin_is_end: bool
    end_is_end: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedEnd:
    """Where a wall should begin (`rising`) or stop along a straight."""

    side: Side
    rising: bool
    at_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What lies beside a straight on one side.

    `panels` maps each cell of the lane (counted from the straight's first cell) to the number of its panel, unique in
    the course; a cell without a wall is absent.
    """

    side: Side
    stretches: tuple[Stretch, ...]
    panels: dict[int, int]
    pitch_mm: float

    def wall_at(self, spot_mm: Floats, edge_margin_mm: float = EDGE_MARGIN_MM) -> Flags:
        """Tell for each spot whether it lies on wall, away from wall ends and posts."""
        inside = np.zeros(spot_mm.shape, dtype=bool)
        for stretch in self.stretches:
            begin = stretch.begin_mm + (edge_margin_mm if stretch.begin_is_end else 0.0)
            end = stretch.end_mm - (edge_margin_mm if stretch.end_is_end else 0.0)
            inside |= (spot_mm >= begin) & (spot_mm <= end)
        to_post = np.abs((spot_mm + self.pitch_mm / 2) / self.pitch_mm % 1.0 - 0.5)  # 0.5 at a lattice line
        clear: Flags = inside & ((0.5 - to_post) * self.pitch_mm > POST_MARGIN_MM)
        return clear

    def panel_at(self, spot_mm: Floats) -> Integers:
        """Return the number of the panel at each spot, -1 where there is none."""
        cells = np.floor(spot_mm / self.pitch_mm + 0.5).astype(np.int64)
        numbers = np.full(cells.shape, -1, dtype=np.int64)
        for cell, panel in self.panels.items():
            numbers[cells == cell] = panel
        return numbers

    def ends(self) -> tuple[ExpectedEnd, ...]:
        """Return the wall ends along the way, in order."""
        found = [
            ExpectedEnd(side=self.side, rising=rising, at_mm=at_mm)
            for stretch in self.stretches
            for rising, at_mm, seen in (
                (True, stretch.begin_mm, stretch.begin_is_end),
                (False, stretch.end_mm, stretch.end_is_end),
            )
            if seen
        ]
        return tuple(sorted(found, key=lambda end: end.at_mm))


def along_mm(course: Course, pose: CellPose) -> float:
    """Return the centre of the pose's cell along its heading, from the centre of cell (0, 0)."""
    dx, dy = pose.heading.step
    return (pose.x * dx + pose.y * dy) * course.pitch_mm


def beside(course: Course, start: CellPose, cells: int, side: Side) -> Beside:
    """Return what lies on one side of a straight of `cells` cells from `start`.

    One cell before and one after are looked at too, where no wall stands across the way, since a sensor that looks
    ahead of the axle, or a robot past its stop, sees them.
    """
    facing = start.heading.turned(side.quarters_right)
    first = 0 if _blocked(course, start, 0, start.heading.turned(2)) else -1
    last = cells if _blocked(course, start, cells, start.heading) else cells + 1
    walled = [n for n in range(first, last + 1) if course.has_wall(*_cell(start, n), facing)]
    half, post = course.pitch_mm / 2, course.wall_mm / 2
    stretches: list[Stretch] = []
    for n in walled:
        begin, end = n * course.pitch_mm - half - post, n * course.pitch_mm + half + post
        begin_is_end, end_is_end = n > first, n < last
        if stretches and n - 1 in walled:
            joined = stretches.pop()
            begin, begin_is_end = joined.begin_mm, joined.begin_is_end
        stretches.append(Stretch(begin_mm=begin, end_mm=end, begin_is_end=begin_is_end, end_is_end=end_is_end))
    numbers = {wall: index for index, wall in enumerate(sorted(course.walls))}
    panels = {n: numbers[_wall(*_cell(start, n), facing)] for n in walled}
    return Beside(side=side, stretches=tuple(stretches), panels=panels, pitch_mm=course.pitch_mm)


def _cell(start: CellPose, n: int) -> tuple[int, int]:
    dx, dy = start.heading.step
    return start.x + dx * n, start.y + dy * n


def _blocked(course: Course, start: CellPose, n: int, facing: Heading) -> bool:
    return course.has_wall(*_cell(start, n), facing)


def _wall(x: int, y: int, side: Heading) -> tuple[int, int, Heading]:
    """Return a wall by the one name it has in `Course.walls`."""
    if side in (Heading.NORTH, Heading.EAST):
        return x, y, side
    dx, dy = side.step
    return x + dx, y + dy, side.turned(2)
