"""Wall ends as distance marks: where along a straight a side sensor saw a wall begin or stop.

The end is where the reading passes half of the just-seen wall's reading, interpolated between samples, so the gain of
the surface falls out. The axle's position at that instant follows from the end's place on the course, the sensor's
place on the body, and the offset and heading fitted there: a turned robot looks ahead or behind. Ends of the same kind
(rising or falling) share the footprint's bias, which a difference of two of them does not carry.

Where samples lie far apart the end is somewhere between two of them. A fall that lies whole in the gap may lie anywhere
in it: gap / sqrt(12). Of one that lies in it by a share f, interpolation leaves that times f^4, for a bell-shaped
footprint and samples at random places (computed; the tests hold it). Samples too far apart to read the wall beside an
end show no end.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from hil.measure.corridor import CorridorFit, Pose, pose_at
from hil.measure.course_walls import ExpectedEnd, Side
from hil.measure.evidence import Floats
from hil.measure.straight_data import SideData, StraightData

EDGE_BIAS_MM = 1.0  # standard uncertainty of one kind of end for one sensor, calibrated or not; common practice
# Wheels that drive a robot run ahead of it and fall back when it brakes: at speed it stands m v/(2 C) short of its
# count, C the slip stiffness of a tyre. 150 g and 25 N s/m make 3 ms of travel, good to half of itself (derived). Ends
# are passed at speed, so where they tell of a robot at rest this is added.
SLIP_S, SLIP_U_S = 0.003, 0.0015
_REACH_MM = 60.0  # an end is looked for this far around its expected place, plus what the wall before it tells
_WALL_FROM_MM, _WALL_TO_MM = 12.0, 50.0  # how far from the end the just-seen wall is read
_SHARE = 0.5
_FEWEST, _MOST = 2, 4  # samples that tell the wall beside an end, sparse and dense
WIDEST_SPACING_MM = (_WALL_TO_MM - _WALL_FROM_MM) / _FEWEST  # of samples that tell it wherever they fall


@dataclass(frozen=True, slots=True, kw_only=True)
class WallEnd:
    """A wall end that was seen.

    `seen_s_mm` is the odometric distance at which it was seen, `x_mm` the axle's true distance from the centre of the
    straight's first cell then, by the course; `x_mm - seen_s_mm` is how much further along the robot is than it
    believes, its start included. `course_mm` is the end's place on the course along the heading. `sampled_mm` is the
    standard uncertainty of `seen_s_mm` that the gap between two samples leaves.
    """

    side: Side
    rising: bool
    at_mm: float
    course_mm: float
    seen_s_mm: float
    x_mm: float
    sampled_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Crossing:
    """Where a reading passes its threshold, and how well the samples around it tell that."""

    s_mm: float
    sampled_mm: float


def sampled_u_mm(ends: Iterable[WallEnd]) -> float:
    """Return the root mean square of what the gaps between samples leave of where the ends were seen [mm]."""
    squares = [end.sampled_mm**2 for end in ends]
    return math.sqrt(math.fsum(squares) / len(squares)) if squares else 0.0


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
            pose = pose_at(data, fit, seen.s_mm) if fit else Pose(y_mm=0.0, theta_rad=0.0, covariance=np.zeros((2, 2)))
            found.append(
                WallEnd(
                    side=end.side,
                    rising=end.rising,
                    at_mm=end.at_mm,
                    course_mm=data.along_mm + end.at_mm,
                    seen_s_mm=seen.s_mm,
                    x_mm=end.at_mm - _ahead(data, side, pose),
                    sampled_mm=seen.sampled_mm,
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


def _crossing(data: StraightData, side: SideData, end: ExpectedEnd) -> _Crossing | None:
    """Return where along odometry the reading passes half of the wall's, nearest to the expected place."""
    moving = np.diff(data.s_mm, prepend=data.s_mm[0] - 1.0) > 0
    s, reading = data.s_mm[moving], side.reading[moving]
    expected = end.at_mm - side.look_ahead_mm
    near = np.abs(s - expected) <= _REACH_MM
    fewest = _samples_beside(s[near])
    if near.sum() < 2 * fewest or s[near][0] > expected or s[near][-1] < expected:
        return None
    level = _level(s, reading, expected, end.rising, fewest)
    crossed: _Crossing | None = None
    for _ in range(2):  # the second time from the end itself, so that a robot off its count reads the wall beside it
        if level is None:
            return None
        crossed = _nearest_crossing(s[near], reading[near], level, end.rising, expected, fewest)
        if crossed is None:
            return None
        level = _level(s, reading, crossed.s_mm, end.rising, fewest)
    return crossed


def _samples_beside(s: Floats) -> int:
    """Return how many samples must tell the wall beside an end: as many as always lie there at their spacing."""
    if s.size < 2:
        return _MOST
    spacing = float(np.median(np.diff(s)))
    return max(_FEWEST, min(_MOST, int((_WALL_TO_MM - _WALL_FROM_MM) / spacing)))


def _level(s: Floats, reading: Floats, at: float, rising: bool, fewest: int) -> float | None:
    past = (s - at) * (1 if rising else -1)
    wall = (past >= _WALL_FROM_MM) & (past <= _WALL_TO_MM)
    if wall.sum() < fewest:
        return None
    level = float(np.median(reading[wall]))
    return level if level > 0 else None


def _nearest_crossing(
    s: Floats, reading: Floats, level: float, rising: bool, expected: float, fewest: int
) -> _Crossing | None:
    """Return where the reading passes half of `level` for good, nearest to `expected`.

    One sample of noise across the threshold and back does not make an end: the means of a few samples on either side
    must lie on their sides of it.
    """
    threshold = _SHARE * level
    above = reading >= threshold
    steps = np.nonzero(above[1:] != above[:-1])[0]
    best: _Crossing | None = None
    for step in map(int, steps):
        if bool(above[step + 1]) is not rising:
            continue
        before = float(np.mean(reading[max(0, step - fewest + 1) : step + 1])) >= threshold
        after = float(np.mean(reading[step + 1 : step + 1 + fewest])) >= threshold
        if before is rising or after is not rising:
            continue
        change, gap = float(reading[step + 1] - reading[step]), float(s[step + 1] - s[step])
        at = float(s[step]) + (threshold - float(reading[step])) / change * gap
        if best is None or abs(at - expected) < abs(best.s_mm - expected):
            best = _Crossing(s_mm=at, sampled_mm=min(1.0, abs(change) / level) ** 4 * gap / math.sqrt(12))
    return best
