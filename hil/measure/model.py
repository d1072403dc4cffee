"""The robot, its sensors and the course, as plain values that measurements and the simulator work with.

Frames and signs: corridor x forward, y to the left, theta counter-clockwise; the robot's reference point is the
middle of the wheel axle; body frame likewise. Maze cells: (0, 0) in the corner of the start, x east, y north.
Lengths mm, angles rad.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, IntEnum


class Heading(IntEnum):
    """A direction of the maze; adding 1 turns right."""

    NORTH = 0
    EAST = 1
    SOUTH = 2
    WEST = 3

    @property
    def step(self) -> tuple[int, int]:
        """The neighbouring cell's offset (dx, dy)."""
        return ((0, 1), (1, 0), (0, -1), (-1, 0))[self]

    @property
    def angle_rad(self) -> float:
        """The direction in maze axes, counter-clockwise from east."""
        return math.pi / 2 - self * math.pi / 2

    def turned(self, quarters_right: int) -> Heading:
        """Return the heading after so many quarter turns to the right (negative: left)."""
        return Heading((self + quarters_right) % 4)


class ElementKind(Enum):
    """The words a path is spelled in."""

    AHEAD = "ahead"
    LEFT = "left"
    RIGHT = "right"
    ABOUT_LEFT = "about left"
    ABOUT_RIGHT = "about right"

    @property
    def angle_rad(self) -> float:
        """The commanded turn, counter-clockwise positive; 0 for a straight."""
        return {"left": math.pi / 2, "right": -math.pi / 2, "about left": math.pi, "about right": -math.pi}.get(
            self.value, 0.0
        )

    @property
    def quarters_right(self) -> int:
        """The commanded turn in quarter turns to the right."""
        return {"left": -1, "right": 1, "about left": -2, "about right": 2}.get(self.value, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PathElement:
    """One word of a path: a straight of `cells` cells under `tracking` (none, left, right, both), or a turn."""

    kind: ElementKind
    cells: int = 0
    tracking: str = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class CellPose:
    """A cell's centre and a heading."""

    x: int
    y: int
    heading: Heading


@dataclass(frozen=True, slots=True, kw_only=True)
class WallSensor:
    """A wall sensor at (`x_mm`, `y_mm`) of the body, its beam at `angle_rad` from the body's x axis.

    `wall_mm` is its distance from the wall where the firmware decides whether there is one, `beyond_mm` from what it
    sees there where there is none; 0: not said.
    """

    channel: str
    x_mm: float
    y_mm: float
    angle_rad: float
    wall_mm: float = 0.0
    beyond_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoder:
    """The encoder of a wheel, the same left and right.

    `channels` is 1 (one output, no direction) or 2 (quadrature). `cycles_per_turn` counts the cycles of one output in
    a turn of the disc, and the disc turns `gear` times in a turn of the wheel (1: it sits on the wheel). `edges` is how
    many edges of a cycle the firmware counts: 1, 2 or 4.
    """

    channels: int
    cycles_per_turn: float
    gear: float = 1.0
    edges: int = 4

    @property
    def counts_per_wheel_turn(self) -> float:
        """Counts in a turn of the wheel."""
        return self.cycles_per_turn * self.gear * self.edges


@dataclass(frozen=True, slots=True, kw_only=True)
class Regulator:
    """A linear adjustable regulator of the motor rail, set by two resistors: V = Vref (1 + R2/R1) + Iadj R2.

    `resistor_share` and `reference_share` are the tolerances of its parts (bounds, shares). `dropout_v` is the least
    headroom it regulates with.
    """

    r1_ohm: float
    r2_ohm: float
    adjust_a: float = 50e-6
    reference_v: float = 1.25
    dropout_v: float = 2.0
    resistor_share: float = 0.01
    reference_share: float = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """The battery; below `lowest_v` no run begins.

    `motor_v` is what the motor rail is set to; without it and without a `regulator` the motors run on the battery.
    """

    chemistry: str
    cells: int
    lowest_v: float
    motor_v: float | None = None
    regulator: Regulator | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorCalibration:
    """reading = gain / (distance + offset)^exponent on one surface; reading is lit minus dark, distance in mm.

    `covariance` is 3 x 3 for (ln gain, exponent, offset_mm). `noise` is the standard deviation of one reading as a
    share of it, `span_mm` the distances it was taken over, `residual_mm` the standard deviation of the fit.
    """

    channel: str
    surface: str
    gain: float
    exponent: float
    offset_mm: float
    covariance: tuple[tuple[float, float, float], ...]
    noise: float
    residual_mm: float
    span_mm: tuple[float, float]
    n: int
    source: str = ""

    def distance_mm(self, reading: float) -> float:
        """Return the distance for a reading (lit minus dark); infinite where the reading is not positive."""
        if reading <= 0:
            return math.inf
        return float((self.gain / reading) ** (1 / self.exponent) - self.offset_mm)

    def reading(self, distance_mm: float) -> float:
        """Return the reading expected at a distance."""
        return float(self.gain / (distance_mm + self.offset_mm) ** self.exponent)


class FrontStop(Enum):
    """What ends a straight in front of a wall: counts, the wall, or whichever comes first."""

    COUNTS = "counts"
    WALL = "wall"
    FIRST = "first"


@dataclass(frozen=True, slots=True, kw_only=True)
class Robot:
    """What the tool knows of a robot; the numbers are those its firmware works with, not the truth.

    `body_front_mm` and `body_rear_mm` are distances of the body's ends from the axle. `front_stop_mm` is the distance
    from the axle to a front wall's face at which the robot stops by that wall (a cell centre: 84 mm). `front_window_mm`
    is how far around the counted end the wall may move the stop. `calibrations` are those in use, one a sensor, `home`
    those on record, of every sensor and surface.
    """

    name: str
    serial: str
    robot_class: str  # entry or fast
    body_width_mm: float
    body_front_mm: float
    body_rear_mm: float
    wheel_diameter_left_mm: float
    wheel_diameter_right_mm: float
    wheel_base_mm: float
    counts_per_turn: float
    sensors: tuple[WallSensor, ...]
    adc_full_scale: int
    front_stop: FrontStop = FrontStop.WALL
    front_stop_mm: float = 84.0
    front_window_mm: float = 20.0
    speed_mm_s: float = 300.0
    calibrations: Mapping[str, SensorCalibration] = field(default_factory=dict)
    home: tuple[SensorCalibration, ...] = ()
    encoder: Encoder | None = None
    supply: Supply | None = None

    @property
    def mm_per_count_left(self) -> float:
        """Travel of the left wheel for one count."""
        return math.pi * self.wheel_diameter_left_mm / self.counts_per_turn

    @property
    def mm_per_count_right(self) -> float:
        """Travel of the right wheel for one count."""
        return math.pi * self.wheel_diameter_right_mm / self.counts_per_turn

    def sensor(self, channel: str) -> WallSensor | None:
        """Return the sensor of a channel, or None where the robot has none."""
        return next((sensor for sensor in self.sensors if sensor.channel == channel), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The walls of a course.

    `walls` holds (x, y, side) with side NORTH or EAST only: every wall once, the outer south and west walls as the
    NORTH side of row -1 and the EAST side of column -1. `posts` holds lattice points (i, j) that carry a post, (0, 0)
    at the south-west corner of cell (0, 0). `marks` are named points (x_mm, y_mm) from the centre of cell (0, 0).
    """

    name: str
    pitch_mm: float
    wall_mm: float
    columns: int
    rows: int
    walls: frozenset[tuple[int, int, Heading]]
    posts: frozenset[tuple[int, int]]
    surface: str
    start: CellPose
    marks: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def free_width_mm(self) -> float:
        """The free width of a passage."""
        return self.pitch_mm - self.wall_mm

    def has_wall(self, x: int, y: int, side: Heading) -> bool:
        """Tell whether the cell (x, y) has a wall on that side."""
        if side in (Heading.NORTH, Heading.EAST):
            return (x, y, side) in self.walls
        dx, dy = side.step
        return (x + dx, y + dy, side.turned(2)) in self.walls

    def after(self, pose: CellPose, element: PathElement) -> CellPose:
        """Return the pose after one element of a path, walls not regarded."""
        heading = pose.heading.turned(element.kind.quarters_right)
        dx, dy = pose.heading.step if element.kind is ElementKind.AHEAD else (0, 0)
        return CellPose(x=pose.x + dx * element.cells, y=pose.y + dy * element.cells, heading=heading)
