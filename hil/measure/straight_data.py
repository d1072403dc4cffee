"""A straight as numbers: odometry, distances to both walls and where the course has a wall to measure by.

Frames: s along the straight from its first row, y to the left, theta counter-clockwise; odometry starts at zero and
knows neither where the robot truly stood nor how it truly headed: `hil.measure.corridor` fits that. Readings are lit
minus dark where dark levels are reported, lit alone where not. A dark level told seldom is carried to the drives
that were too short to hear it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.course_walls import Beside, Flags, Integers, Side, along_mm, beside
from hil.measure.evidence import DARK, Drive, Floats
from hil.measure.model import Course, ElementKind, Robot, WallSensor
from hil.measure.segments import Span, wheel_rows
from hil.measure.values import CannotMeasureError
from hil.measure.wall_sensor import distances_mm

_FRONT = "wall.front"
_SATURATED = 0.95  # share of full scale from which a lit reading may be clipped; common practice
# A running median over so much of the way decides, so that noise alone neither keeps nor drops a row.
_SATURATED_MM = 17.0
_FEWEST_SATURATED, _MOST_SATURATED = 3, 7


@dataclass(frozen=True, slots=True, kw_only=True)
class SideData:
    """What one side sensor saw, row by row.

    `usable` is false where the converter is at full scale, so that the distance reads too long. `reading` is lit
    minus dark, `distance_mm` by the calibration (inf where nothing is seen, nan without one), `wall` whether the
    course has a wall at the spot, away from ends and posts, `panel` that panel's number or -1.
    """

    sensor: WallSensor
    look_ahead_mm: float  # of the spot on the wall, robot on the centre line
    reading: Floats
    distance_mm: Floats
    wall: Flags
    usable: Flags
    panel: Integers
    beside: Beside


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightData:
    """One straight, in arrays of equal length. `along_mm` is the course position of its first cell's centre."""

    drive: Drive
    span: Span
    robot: Robot
    course: Course
    along_mm: float
    time_s: Floats
    s_mm: Floats
    y_odo_mm: Floats
    theta_odo_rad: Floats
    left: SideData | None
    right: SideData | None
    front_mm: Floats

    @property
    def left_mm(self) -> Floats:
        """Distances of the left sensor; nan where the robot has none."""
        return self.left.distance_mm if self.left else np.full(self.s_mm.shape, math.nan)

    @property
    def right_mm(self) -> Floats:
        """Distances of the right sensor; nan where the robot has none."""
        return self.right.distance_mm if self.right else np.full(self.s_mm.shape, math.nan)

    @property
    def left_wall(self) -> Flags:
        """Rows in which the left sensor looks at wall, away from ends and posts."""
        return self.left.wall if self.left else np.zeros(self.s_mm.shape, dtype=bool)

    @property
    def right_wall(self) -> Flags:
        """Rows in which the right sensor looks at wall, away from ends and posts."""
        return self.right.wall if self.right else np.zeros(self.s_mm.shape, dtype=bool)

    @property
    def length_mm(self) -> float:
        """The counted length of the straight."""
        return self.span.end_mm - self.span.begin_mm

    @property
    def look_ahead_mm(self) -> float:
        """The mean look-ahead of the side sensors."""
        return float(np.mean([side.look_ahead_mm for side in (self.left, self.right) if side]))

    def stretches(self, tracking: str) -> tuple[tuple[float, float], ...]:
        """Return the (from, to) distances of the path's elements under that tracking, neighbours joined."""
        found: list[tuple[float, float]] = []
        at = 0.0
        for index in self.span.elements:
            element = self.drive.path[index]
            end = at + element.cells * self.course.pitch_mm
            if element.tracking == tracking:
                begin = found.pop()[0] if found and found[-1][1] == at else at
                found.append((begin, end))
            at = end
        return tuple(found)


def straight_data(drive: Drive, span: Span, robot: Robot, course: Course) -> StraightData:
    """Return the straight's numbers; refuse a turn, and a drive with no counts or no side reading."""
    if span.kind is not ElementKind.AHEAD:
        raise CannotMeasureError(f"drive {drive.name}: a turn is no straight")
    rows = wheel_rows(drive, robot)
    chosen = slice(span.begin_row, span.end_row)
    time_s = rows.time_s[chosen]
    s_mm = rows.distance_mm[chosen] - span.begin_mm
    theta = rows.theta_rad[chosen] - rows.theta_rad[span.begin_row]
    sides = [_side(drive, span, robot, course, side, time_s, s_mm) for side in (Side.LEFT, Side.RIGHT)]
    if sides == [None, None]:
        raise CannotMeasureError(f"drive {drive.name} carries no reading of a side wall sensor")
    return StraightData(
        drive=drive,
        span=span,
        robot=robot,
        course=course,
        along_mm=along_mm(course, span.start),
        time_s=time_s,
        s_mm=s_mm,
        y_odo_mm=integrated(s_mm, theta),
        theta_odo_rad=theta,
        left=sides[0],
        right=sides[1],
        front_mm=_distances(robot, _FRONT, _readings(drive, _FRONT, time_s), s_mm),
    )


def integrated(s_mm: Floats, theta_rad: Floats) -> Floats:
    """Return the sideways travel for headings along the way, by the midpoint rule (differential drive, textbook)."""
    middle = (theta_rad[1:] + theta_rad[:-1]) / 2
    return np.concatenate(([0.0], np.cumsum(np.sin(middle) * np.diff(s_mm))))


def _side(
    drive: Drive, span: Span, robot: Robot, course: Course, side: Side, time_s: Floats, s_mm: Floats
) -> SideData | None:
    channel = f"wall.{side.value}"
    sensor, reading = robot.sensor(channel), _readings(drive, channel, time_s)
    if sensor is None or reading is None:
        return None
    angle = abs(sensor.angle_rad)
    reach = (course.free_width_mm / 2 - abs(sensor.y_mm)) / math.sin(angle)
    look_ahead = sensor.x_mm + reach * math.cos(angle)
    walls = beside(course, span.start, span.cells, side)
    spots = s_mm + look_ahead
    return SideData(
        sensor=sensor,
        look_ahead_mm=look_ahead,
        reading=reading,
        distance_mm=_distances(robot, channel, reading, s_mm),
        wall=walls.wall_at(spots),
        usable=_unclipped(drive, channel, robot.adc_full_scale, time_s, s_mm),
        panel=walls.panel_at(spots),
        beside=walls,
    )


def _readings(drive: Drive, channel: str, time_s: Floats) -> Floats | None:
    """Return lit minus dark at the given times, or None where the channel was not reported."""
    lit = drive.channel(channel)
    if lit is None:
        return None
    readings = np.interp(time_s, *lit)
    dark = drive.level(f"{channel}{DARK}")
    return readings if dark is None else readings - dark


def _unclipped(drive: Drive, channel: str, full_scale: int, time_s: Floats, s_mm: Floats) -> Flags:
    lit = drive.channel(channel)
    if lit is None:
        return np.zeros(time_s.shape, dtype=bool)
    steps = np.diff(s_mm)
    spacing = float(np.median(steps[steps > 0])) if np.any(steps > 0) else _SATURATED_MM
    half = max(_FEWEST_SATURATED, min(_MOST_SATURATED, round(_SATURATED_MM / spacing))) // 2
    around = np.pad(np.interp(time_s, *lit), half, mode="edge")
    medians = np.median(np.lib.stride_tricks.sliding_window_view(around, 2 * half + 1), axis=1)
    unclipped: Flags = medians < _SATURATED * full_scale
    return unclipped


def _distances(robot: Robot, channel: str, readings: Floats | None, s_mm: Floats) -> Floats:
    calibration = robot.calibrations.get(channel)
    if readings is None or calibration is None:
        return np.full(s_mm.shape, math.nan)
    return distances_mm(calibration, readings)
