"""Which rows of a straight a corridor fit may use, and what each sensor has in them.

A row counts where the wheels moved since the one before and a calibrated sensor looks at wall, away from ends and
posts, below the converter's full scale. A wall seen over a short way only tells no more than its own intercept, and
that way may be of its end, so it is left out where the other wall is seen for longer. How short is a matter of the way
and not of the number of lines: a robot that prints seldom has few of them in the same way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.course_walls import Flags, Integers
from hil.measure.evidence import Floats
from hil.measure.straight_data import StraightData
from hil.measure.values import CannotMeasureError

_SEEN_MM = 30.0  # the way over which a wall must be seen
_FEWEST_ROWS, _DENSE_ROWS = 3, 12  # of that wall, at the least and at the most
_SPARE_ROWS = 2  # more than there are parameters, so that residuals tell something of their scatter
_STANDING_MM = 1e-6  # rows in which the wheels did not move say nothing new


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows of a stretch that a fit may use; `left` and `right` say which sensors count in each.

    The fit has a line for the mean of each row's readings, then one for half the difference of each pair of them.
    """

    chosen: Integers
    left: Flags
    right: Flags

    @property
    def sides(self) -> Floats:
        """How many readings a row has."""
        sides: Floats = self.left.astype(float) + self.right.astype(float)
        return sides

    @property
    def pairs(self) -> Integers:
        """The rows that see both walls."""
        return np.nonzero(self.left & self.right)[0]

    @property
    def of_line(self) -> Integers:
        """The row that each line of the fit belongs to."""
        return np.concatenate((np.arange(self.chosen.size), self.pairs))

    @property
    def readings(self) -> Floats:
        """How many readings each line of the fit is made of: its weight."""
        return self.sides[self.of_line]

    def share(self, is_left: bool) -> Floats:
        """Return how much of that side's reading is in each line of the fit."""
        used, sign = (self.left, 0.5) if is_left else (self.right, -0.5)
        return np.concatenate((used / self.sides, np.full(self.pairs.size, sign)))

    def free(self, curvature_is_given: bool) -> Integers:
        """Return which of y0, theta0, kappa and delta are fitted."""
        two_walls = bool(self.left.any() and self.right.any())
        return np.nonzero([True, True, not curvature_is_given, two_walls])[0]


def usable_rows(
    data: StraightData, s_from_mm: float, s_to_mm: float, *, is_curvature_given: bool, both_walls: bool
) -> Rows:
    """Return the rows that see a wall (both, with `both_walls`); raise `CannotMeasureError` where there are too few."""
    inside = (data.s_mm >= s_from_mm) & (data.s_mm <= s_to_mm)
    inside &= np.diff(data.s_mm, prepend=data.s_mm[0] - 1.0) > _STANDING_MM
    half = data.course.free_width_mm / 2
    fewest = _rows_of_a_wall(data.s_mm[inside])
    seen = []
    for side in (data.left, data.right):
        near = np.zeros(inside.shape, dtype=bool)
        if side is not None:
            across = side.distance_mm * math.sin(abs(side.sensor.angle_rad)) + abs(side.sensor.y_mm)
            near = side.wall & side.usable & np.isfinite(across) & (side.distance_mm > 0) & (across < 2 * half)
        seen.append(near)
    left, right = (inside & near for near in seen)
    if not both_walls:
        # A wall seen in a few rows tells no more than its own intercept, and those rows may be of its end.
        few = left.sum() < fewest, right.sum() < fewest
        left, right = left & (few[1] or not few[0]), right & (few[0] or not few[1])
    inside &= (left & right) if both_walls else (left | right)
    chosen = np.nonzero(inside)[0]
    rows = Rows(chosen, left[chosen], right[chosen])
    needed = max(fewest, rows.free(is_curvature_given).size + _SPARE_ROWS)
    if chosen.size < needed:
        raise CannotMeasureError(
            f"drive {data.drive.name}: from {s_from_mm:.0f} to {s_to_mm:.0f} mm of the straight only {chosen.size} "
            f"samples see {'both walls' if both_walls else 'a wall'} with a calibrated sensor that is "
            f"not at full scale; at least {needed} are needed"
        )
    return rows


def _rows_of_a_wall(s_mm: Floats) -> int:
    """Return in how many rows a wall must be seen, at their usual spacing."""
    if s_mm.size < 2:
        return _DENSE_ROWS
    spacing = float(np.median(np.diff(s_mm)))
    return max(_FEWEST_ROWS, min(_DENSE_ROWS, round(_SEEN_MM / spacing))) if spacing > 0 else _DENSE_ROWS
