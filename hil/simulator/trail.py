"""What can be seen of the path that a robot drove: the points it passed on its last straight, as on a dusty floor."""

from __future__ import annotations

import math
from itertools import pairwise

Point = tuple[float, float]

EVERY_TICKS = 10  # 3 mm at the usual speed; between two points the path is as good as straight
_SHORTER_MM = 5.0  # than asked for: a straight that ends so much early still counts as so long


class Trail:
    """The last straight of a robot, in maze axes [mm]."""

    def __init__(self) -> None:
        self._points: list[Point] = []
        self._is_open = False

    def begin(self, x_mm: float, y_mm: float) -> None:
        """Take note that a straight begins."""
        self._points = [(x_mm, y_mm)]
        self._is_open = True

    def passed(self, x_mm: float, y_mm: float) -> None:
        """Take note of where the robot is; nothing is kept outside a straight."""
        if self._is_open:
            self._points.append((x_mm, y_mm))

    def end(self, x_mm: float, y_mm: float) -> None:
        """Take note that the straight has ended."""
        self.passed(x_mm, y_mm)
        self._is_open = False

    @property
    def length_mm(self) -> float:
        """How long the last straight was."""
        return sum(math.dist(a, b) for a, b in pairwise(self._points))

    def marks(self, over_mm: float) -> tuple[Point, Point, Point] | None:
        """Return the path's places `over_mm` before its end, half of that, and at its end; None where it is shorter."""
        if not self._points or self.length_mm < over_mm - _SHORTER_MM:
            return None
        return self._before_end(over_mm), self._before_end(over_mm / 2), self._points[-1]

    def _before_end(self, way_mm: float) -> Point:
        for later, earlier in pairwise(reversed(self._points)):
            step_mm = math.dist(later, earlier)
            if step_mm >= way_mm > 0:
                share = way_mm / step_mm
                return later[0] + share * (earlier[0] - later[0]), later[1] + share * (earlier[1] - later[1])
            way_mm -= step_mm
        return self._points[0]


def bow_mm(marks: tuple[Point, Point, Point]) -> float:
    """Return by how much the middle mark lies to the left of the line from the first to the last."""
    (x0, y0), (x1, y1), (x2, y2) = marks
    length = math.hypot(x2 - x0, y2 - y0)
    return ((x2 - x0) * (y1 - y0) - (y2 - y0) * (x1 - x0)) / length if length > 0 else 0.0
