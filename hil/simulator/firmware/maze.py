"""The maze logic: where the firmware believes to be, which walls it knows, and the way to a cell.

It knows the walls as after a search of the whole course, and the cell and heading that it was placed in; from there on
it goes by what it drove. After a drive that was cut short it does not know where it is until it is placed again. The
way is the one with the fewest cells, among those the one with the fewest turns, and among those the one that goes
straight, left, right before it turns about, at the first place where they differ. Where the way leads back the robot
turns about to the left.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence

from hil.measure.model import CellPose, Course, ElementKind, Heading, PathElement
from hil.simulator.firmware.settings import Refusal

Cell = tuple[int, int]
_Rank = tuple[int, int, tuple[int, ...]]

# In the order of preference: the turn, and what it is called; its place here is what ways are told apart by.
_TURNS = (
    (0, None),
    (-1, ElementKind.LEFT),
    (1, ElementKind.RIGHT),
    (2, ElementKind.ABOUT_LEFT),
)


class MazeLogic:
    """Knows `course` and believes to stand in `pose` (None: it is lost)."""

    def __init__(self, course: Course, pose: CellPose | None) -> None:
        self.course = course
        self.pose = pose
        self._path: tuple[PathElement, ...] = ()
        self._done = 0

    def walls(self, x: int, y: int) -> int:
        """Return the walls around a cell, added up: 1 north, 2 east, 4 south, 8 west."""
        return sum(1 << side for side in Heading if self.course.has_wall(x, y, side))

    def begin(self, path: Sequence[PathElement]) -> None:
        """Take note that a drive begins."""
        self._path = tuple(path)
        self._done = 0

    def reached(self, index: int) -> None:
        """Take note that the path is driven up to its element `index`."""
        while self._done <= index < len(self._path):
            if self.pose is not None:
                self.pose = self.course.after(self.pose, self._path[self._done])
            self._done += 1

    def ended(self) -> None:
        """Take note that the drive is over; it is lost where that was not at the path's end."""
        if self._done < len(self._path):
            self.pose = None

    def way_to(self, cell: Cell, tracking: str) -> tuple[PathElement, ...]:
        """Return the path to a cell; raise `Refusal` where there is none."""
        if self.pose is None:
            raise Refusal("lost")
        if not (0 <= cell[0] < self.course.columns and 0 <= cell[1] < self.course.rows):
            raise Refusal("unknown-cell")
        if (self.pose.x, self.pose.y) == cell:
            raise Refusal("here")
        return _in_elements(self._search(self.pose, cell), tracking)

    def _search(self, start: CellPose, cell: Cell) -> tuple[int, ...]:
        """Return the turn before each cell of the best way, by its place in the table of turns."""
        first: _Rank = (0, 0, ())
        waiting = [(first, start.x, start.y, start.heading)]
        best: dict[CellPose, _Rank] = {}
        while waiting:
            (cells, turns, way), x, y, looks = heapq.heappop(waiting)
            pose = CellPose(x=x, y=y, heading=looks)
            if (pose.x, pose.y) == cell:
                return way
            for number, (quarters, kind) in enumerate(_TURNS):
                heading = pose.heading.turned(quarters)
                if self.course.has_wall(pose.x, pose.y, heading):
                    continue
                dx, dy = heading.step
                there = CellPose(x=pose.x + dx, y=pose.y + dy, heading=heading)
                if not (0 <= there.x < self.course.columns and 0 <= there.y < self.course.rows):
                    continue
                rank = (cells + 1, turns + (kind is not None), (*way, number))
                if there not in best or rank < best[there]:
                    best[there] = rank
                    heapq.heappush(waiting, (rank, there.x, there.y, heading))
        raise Refusal("no-way")


def _in_elements(way: tuple[int, ...], tracking: str) -> tuple[PathElement, ...]:
    elements: list[PathElement] = []
    cells = 0
    for number in way:
        kind = _TURNS[number][1]
        if kind is not None:
            if cells:
                elements.append(PathElement(kind=ElementKind.AHEAD, cells=cells, tracking=tracking))
            elements.append(PathElement(kind=kind))
            cells = 0
        cells += 1
    elements.append(PathElement(kind=ElementKind.AHEAD, cells=cells, tracking=tracking))
    return tuple(elements)
