"""Wall ends as distance marks: where along a straight a side sensor saw a wall begin or stop.

The end is where the reading passes half of the just-seen wall's reading, interpolated between samples, so the gain of
the surface falls out. The axle's position at that instant follows from the end's place on the course, the sensor's
place on the body, and the offset and heading fitted there: a turned robot looks ahead or behind. Ends of the same kind
(rising or falling) share the footprint's bias, which a difference of two of them does not carry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.corridor import CorridorFit, Pose, pose_at
from hil.measure.course_walls import ExpectedEnd, Side
from hil.measure.evidence import Floats
from hil.measure.straight_data import SideData, StraightData

EDGE_BIAS_MM = 1.0  # standard uncertainty of one kind of end for one sensor, calibrated or not; common practice
_REACH_MM = 60.0  # an end is looked for this far around its expected place, plus what the wall before it tells
_WALL_FROM_MM, _WALL_TO_MM = 12.0, 50.0  # how far from the end the just-seen wall is read
_SHARE = 0.5
_FEWEST = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class WallEnd:
    """A wall end that was seen.

    `seen_s_mm` is the odometric distance at which it was seen, `x_mm` the axle's true distance from the centre of the
    straight's first cell then, by the course; `x_mm - seen_s_mm` is how much further along the robot is than it
    believes, its start included. `course_mm` is the end's place on the course along the heading.
    """

    side: Side
    rising: bool
    at_mm: float
    course_mm: float
    seen_s_mm: float
    x_mm: float


def wall_ends(data: StraightData, fit: CorridorFit | None = None) -> tuple[WallEnd, ...]:
    """Return the wall ends seen along the straight, in order; ends that were not seen are left out.

    Without a `fit` the robot is taken to be on the centre line and parallel to it.
    """
    found: list[WallEnd] = []
    for side in (data.left, data.right):
        if side is None:
            continue
        for end in side.beside.ends():
            seen = _crossing(data, side, end)
            if seen is None:
                continue
            pose = pose_at(data, fit, seen) if fit else Pose(y_mm=0.0, theta_rad=0.0, covariance=np.zeros((2, 2)))
            found.append(
                WallEnd(
                    side=end.side,
                    rising=end.rising,
                    at_mm=end.at_mm,
                    course_mm=data.along_mm + end.at_mm,
                    seen_s_mm=seen,
                    x_mm=end.at_mm - _ahead(data, side, pose),
                )
            )
    return tuple(sorted(found, key=lambda one: one.seen_s_mm))


def _ahead(data: StraightData, side: SideData, pose: Pose) -> float:
    """Return how far ahead of the axle the sensor's spot on the wall lies, exactly."""
    is_left = side is data.left
    x, y, phi = side.sensor.x_mm, abs(side.sensor.y_mm), abs(side.sensor.angle_rad)
    # A right sensor is a left one in the mirror: offset and heading change sign.
    offset, theta = (pose.y_mm, pose.theta_rad) if is_left else (-pose.y_mm, -pose.theta_rad)
    reach = data.course.free_width_mm / 2 - offset - x * math.sin(theta) - y * math.cos(theta)
    return x * math.cos(theta) - y * math.sin(theta) + reach / math.tan(phi + theta)


def _crossing(data: StraightData, side: SideData, end: ExpectedEnd) -> float | None:
    """Return the odometric distance at which the reading passes half of the wall's, nearest to the expected place."""
    moving = np.diff(data.s_mm, prepend=data.s_mm[0] - 1.0) > 0
    s, reading = data.s_mm[moving], side.reading[moving]
    expected = end.at_mm - side.look_ahead_mm
    near = np.abs(s - expected) <= _REACH_MM
    if near.sum() < 2 * _FEWEST or s[near][0] > expected or s[near][-1] < expected:
        return None
    level = _level(s, reading, expected, end.rising)
    for _ in range(2):  # the second time from the end itself, so that a robot off its count reads the wall beside it
        if level is None:
            return None
        crossed = _nearest_crossing(s[near], reading[near], _SHARE * level, end.rising, expected)
        if crossed is None:
            return None
        level = _level(s, reading, crossed, end.rising)
    return crossed


def _level(s: Floats, reading: Floats, at: float, rising: bool) -> float | None:
    past = (s - at) * (1 if rising else -1)
    wall = (past >= _WALL_FROM_MM) & (past <= _WALL_TO_MM)
    if wall.sum() < _FEWEST:
        return None
    level = float(np.median(reading[wall]))
    return level if level > 0 else None


def _nearest_crossing(s: Floats, reading: Floats, threshold: float, rising: bool, expected: float) -> float | None:
    """Return where the reading passes `threshold` for good, nearest to `expected`.

    One sample of noise across the threshold and back does not make an end: the means of a few samples on either side
    must lie on their sides of it.
    """
    above = reading >= threshold
    steps = np.nonzero(above[1:] != above[:-1])[0]
    best: float | None = None
    for step in map(int, steps):
        if bool(above[step + 1]) is not rising:
            continue
        before = float(np.mean(reading[max(0, step - _FEWEST + 1) : step + 1])) >= threshold
        after = float(np.mean(reading[step + 1 : step + 1 + _FEWEST])) >= threshold
        if before is rising or after is not rising:
            continue
        share = (threshold - reading[step]) / (reading[step + 1] - reading[step])
        at = float(s[step] + share * (s[step + 1] - s[step]))
        if best is None or abs(at - expected) < abs(best - expected):
            best = at
    return best
