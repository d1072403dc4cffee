"""Drives drawn from closed forms, for the tests of this floor: exact arcs, exact ranges, noise of known size.

Nothing here comes from the simulator. A straight follows a known curve between walls whose panels stand where the test
says; a turn ends where the test says. Odometry reports what the wheels would count on that way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from hil.measure.evidence import Drive, Event, Evidence, Samples
from hil.measure.model import (
    CellPose,
    Course,
    ElementKind,
    Heading,
    PathElement,
    Robot,
    SensorCalibration,
    WallSensor,
)

GAIN, EXPONENT, OFFSET_MM = 600.0 * 51.0**2, 2.0, 2.0


def _calibration(channel: str) -> SensorCalibration:
    return SensorCalibration(
        channel=channel, surface="white", gain=GAIN, exponent=EXPONENT, offset_mm=OFFSET_MM,
        covariance=((1e-6, 0.0, 0.0), (0.0, 1e-12, 0.0), (0.0, 0.0, 1e-4)),
        noise=0.01, residual_mm=0.1, span_mm=(30.0, 90.0), n=50,
    )  # fmt: skip


def _robot() -> Robot:
    channels = {"wall.left": (30.0, 35.0, 90.0), "wall.right": (30.0, -35.0, -90.0), "wall.front": (40.0, 0.0, 0.0)}
    return Robot(
        name="drawn", serial="D-1", robot_class="entry", body_width_mm=80.0, body_front_mm=50.0, body_rear_mm=50.0,
        wheel_diameter_left_mm=28.0, wheel_diameter_right_mm=28.0, wheel_base_mm=70.0, counts_per_turn=360.0,
        sensors=tuple(
            WallSensor(channel=name, x_mm=x, y_mm=y, angle_rad=math.radians(a)) for name, (x, y, a) in channels.items()
        ),
        adc_full_scale=1023,
        calibrations={name: _calibration(name) for name in channels},
    )  # fmt: skip


def _corridor() -> Course:
    """Six cells going north, closed at both ends, the west panels of the first and the fifth cell left out."""
    walls = {(0, -1, Heading.NORTH), (0, 5, Heading.NORTH)}
    walls |= {(0, y, Heading.EAST) for y in range(6)}
    walls |= {(-1, y, Heading.EAST) for y in (1, 2, 3, 5)}
    return Course(
        name="corridor", pitch_mm=180.0, wall_mm=12.0, columns=1, rows=6, walls=frozenset(walls),
        posts=frozenset((i, j) for i in (0, 1) for j in range(7)), surface="white",
        start=CellPose(x=0, y=0, heading=Heading.NORTH),
    )  # fmt: skip


def _corner() -> Course:
    """Three cells north, then three cells east, walls on both sides; one panel on the outside of each arm left out."""
    walls = {(0, -1, Heading.NORTH), (2, 2, Heading.EAST)}
    walls |= {(-1, y, Heading.EAST) for y in (0, 2)} | {(0, y, Heading.EAST) for y in (0, 1)}
    walls |= {(x, 2, Heading.NORTH) for x in (0, 2)} | {(x, 1, Heading.NORTH) for x in (1, 2)}
    return replace(_corridor(), name="corner", columns=3, rows=3, walls=frozenset(walls))


def parse_path(text: str) -> tuple[PathElement, ...]:
    """Read "ahead 3 blind, about left" as a path."""
    elements = []
    for part in text.split(","):
        words = part.split()
        if words[0] == "ahead":
            tracking = "none" if words[2] == "blind" else words[3]
            elements.append(PathElement(kind=ElementKind.AHEAD, cells=int(words[1]), tracking=tracking))
        else:
            elements.append(PathElement(kind=ElementKind(" ".join(words))))
    return tuple(elements)


@dataclass
class Drawing:
    """A robot that drives by closed forms. Its truth is what the attributes say; everything else follows."""

    course: Course
    robot: Robot = field(default_factory=_robot)
    seed: int = 1
    mismatch: float = 0.0  # (D_R - D_L)/D_mean
    diameter: float = 0.0  # relative error of the mean diameter
    over_rotation_rad: float = 0.0  # of turns, in the turn's own sense
    turn_sd_rad: float = 0.0
    one_sided_rad: float = 0.0  # counter-clockwise, whichever way the turn goes
    shift: tuple[float, float] = (0.0, 0.0)  # of the axle over a turn: along and to the left, before's frame
    walk: float = 0.0  # sqrt(mm) per wheel
    noise: float = 0.0  # share of a reading
    panel_sd_mm: float = 0.0
    slip_s: float = 0.0  # how much travel the robot stands short of its count at speed
    bow_per_mm: float = 0.0  # curvature of the column's centre line, to the left of the way north
    settle_mm: float = 80.0
    speed_mm_s: float = 300.0
    period_s: float = 0.008
    rest_rows: int = 8
    y_mm: float = 0.0
    theta_rad: float = 0.0
    along_mm: float = 0.0  # how far beyond the nominal place, along the heading
    settles_at_mm: dict[str, float] = field(default_factory=dict)  # offset by tracking word; 0 where not given
    gains: dict[str, float] = field(default_factory=dict)  # of side sensors against their calibration
    stops_mm: dict[tuple[int, int, Heading], float] = field(default_factory=dict)  # stop errors before a wall ahead

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        walls = sorted(self.course.walls)
        shifts = self.rng.normal(0.0, 1.0, len(walls)) * self.panel_sd_mm
        self.panels = dict(zip(walls, shifts, strict=True))  # positive: north or east
        self.time_s = 10.0

    def with_fine_counts(self) -> Drawing:
        """Let the wheels count a hundred times finer, where the steps of counts would hide what is looked for."""
        self.robot = replace(self.robot, counts_per_turn=36000.0)
        return self

    @property
    def kappa(self) -> float:
        return self.mismatch / self.robot.wheel_base_mm

    def drive(self, name: str, path: str, start: CellPose, events: bool = True, **more: object) -> Drive:
        """Return the drive of a path; the true pose goes on from where the last one ended."""
        elements = parse_path(path)
        rows: list[np.ndarray] = []
        happened: list[Event] = []
        pose, odometer = start, np.array([0.0, 0.0])
        index = 0
        while index < len(elements):
            end = index + 1
            if elements[index].kind is ElementKind.AHEAD:
                while end < len(elements) and elements[end].kind is ElementKind.AHEAD:
                    end += 1
                piece = self._straight(pose, elements[index:end])
                word = "move"
            else:
                piece = self._turn(elements[index], pose)
                word = "turn"
            begun = self.time_s
            piece[:, 1:3] += odometer
            odometer = piece[-1, 1:3].copy()
            piece[:, 0] = begun + self.period_s * np.arange(len(piece))
            self.time_s = float(piece[-1, 0]) + self.period_s
            rows.append(piece)
            for event, at in (("begin", begun), ("end", float(piece[-1, 0]))):
                detail = str(index if event == "begin" else end - 1)
                happened.append(Event(name=f"{word}.{event}", time_s=at, host_s=at, detail=detail))
            for element in elements[index:end]:
                pose = self.course.after(pose, element)
            index = end
        table = np.concatenate(rows)
        q = self.robot.mm_per_count_left
        values = {
            "time": table[:, 0],
            "encoder.left": np.floor(table[:, 1] / q),
            "encoder.right": np.floor(table[:, 2] / q),
            "wall.left": table[:, 3],
            "wall.right": table[:, 4],
        }
        return Drive(
            name=name, case="drawn", repeat=0, path=elements, front="counts", speed_mm_s=self.speed_mm_s, start=start,
            samples={"motion": Samples(host_s=table[:, 0], values=values)}, events=tuple(happened) if events else (),
            **more,  # type: ignore[arg-type]
        )  # fmt: skip

    def evidence(self, *drives: Drive) -> Evidence:
        return Evidence(robot=self.robot, course=self.course, drives=drives)

    def _straight(self, pose: CellPose, elements: Sequence[PathElement]) -> np.ndarray:
        """Blind: an exact arc. By walls: offset and heading fall off exponentially. Odometry knows all but kappa."""
        nominal = sum(element.cells for element in elements) * self.course.pitch_mm
        length = nominal
        dx, dy = pose.heading.step
        cells = sum(element.cells for element in elements)
        stop = self.stops_mm.get((pose.x + dx * cells, pose.y + dy * cells, pose.heading))
        if stop is not None:  # the wall ahead ends the straight, wherever it began
            length = (nominal + stop - self.along_mm) / (1 + self.diameter)
        step = self.speed_mm_s * self.period_s
        counted = np.concatenate((np.arange(0.0, length, step), [length]))
        ds = np.diff(counted, prepend=0.0)
        wander = np.cumsum(self.rng.normal(size=ds.size) * np.sqrt(2 * ds)) * self.walk / self.robot.wheel_base_mm
        unknown = self.kappa * counted + wander
        theta = np.empty(counted.size)
        y = np.empty(counted.size)
        y_now, theta_now, at = self.y_mm, self.theta_rad, 0.0
        done = np.zeros(counted.size, dtype=bool)
        for element in elements:
            end = length if element is elements[-1] else at + element.cells * self.course.pitch_mm
            part = (counted >= at - 1e-9) & (counted <= end + 1e-9)
            s = counted[part] - at
            if element.tracking == "none":
                theta[part] = theta_now + unknown[part] - unknown[part][0]
                middle = (theta[part][1:] + theta[part][:-1]) / 2
                y[part] = y_now + np.concatenate(([0.0], np.cumsum(np.sin(middle) * np.diff(s))))
            else:
                rate = 1 / self.settle_mm
                settled = self.settles_at_mm.get(element.tracking, 0.0)
                a = y_now - settled
                b = theta_now + rate * a
                y[part] = settled + (a + b * s) * np.exp(-rate * s)
                theta[part] = (b - rate * (a + b * s)) * np.exp(-rate * s)
            y_now, theta_now, at = float(y[part][-1]), float(theta[part][-1]), end
            done |= part
        assert done.all()
        odometry = theta - self.theta_rad - unknown
        true_along = self.along_mm + counted * (1 + self.diameter)
        true_along[1:-1] -= self.slip_s * self.speed_mm_s
        half = self.robot.wheel_base_mm / 2
        moving = np.column_stack(
            (
                np.zeros(counted.size),
                counted - half * odometry,
                counted + half * odometry,
                *(self._reading(pose, true_along, y, theta, left) for left in (True, False)),
            )
        )
        self.y_mm, self.theta_rad, self.along_mm = y_now, theta_now, float(true_along[-1] - nominal)
        rest = np.repeat(moving[[0, -1]], self.rest_rows, axis=0)
        return np.concatenate((rest[: self.rest_rows], moving, rest[self.rest_rows :]))

    def _turn(self, element: PathElement, pose: CellPose) -> np.ndarray:
        """A pivot that counts exactly what was commanded and truly turns by a little more."""
        angle = element.kind.angle_rad
        n = 2 + int(abs(angle) / (6.0 * self.period_s))
        counted = angle * (1 - np.cos(np.linspace(0, np.pi, n))) / 2
        error = self.over_rotation_rad + self.rng.normal() * self.turn_sd_rad
        half = self.robot.wheel_base_mm / 2
        rows = np.column_stack((np.zeros(n), -half * counted, half * counted, np.full((n, 2), 40.0)))
        along, across = self.along_mm + self.shift[0], self.y_mm + self.shift[1]
        quarters = element.kind.quarters_right % 4
        if quarters == 2:
            self.along_mm, self.y_mm = -along, -across
        elif quarters == 3:
            self.along_mm, self.y_mm = across, -along
        else:
            self.along_mm, self.y_mm = -across, along
        self.theta_rad += error * math.copysign(1.0, angle) + self.one_sided_rad
        rest = np.repeat(rows[[0, -1]], self.rest_rows, axis=0)
        return np.concatenate((rest[: self.rest_rows], rows, rest[self.rest_rows :]))

    def _reading(self, pose: CellPose, along: np.ndarray, y: np.ndarray, theta: np.ndarray, left: bool) -> np.ndarray:
        """The exact range of one beam across, faded over 8 mm at wall ends; behind an opening is the next wall."""
        side = pose.heading.turned(-1 if left else 1)
        sign = 1.0 if left else -1.0
        half = self.course.free_width_mm / 2
        spot = along + 30.0 * np.cos(theta) - sign * 35.0 * np.sin(theta)
        reach = (half - sign * y - sign * 30.0 * np.sin(theta) - 35.0 * np.cos(theta)) / np.cos(theta)
        spot = spot - sign * reach * np.sin(theta)
        cells = np.floor(spot / self.course.pitch_mm + 0.5).astype(int)
        shift, seen = np.zeros(spot.size), np.zeros(spot.size)
        outward = 1.0 if side in (Heading.NORTH, Heading.EAST) else -1.0
        dx, dy = pose.heading.step
        for cell in range(int(cells.min()) - 1, int(cells.max()) + 2):
            wall = _wall(pose.x + dx * cell, pose.y + dy * cell, side)
            if wall not in self.panels:
                continue
            middle = cell * self.course.pitch_mm
            reach_mm = self.course.pitch_mm / 2 + self.course.wall_mm / 2
            seen = np.maximum(seen, np.clip((reach_mm - np.abs(spot - middle)) / 8.0 + 0.5, 0.0, 1.0))
            shift[cells == cell] = outward * self.panels[wall]
        forward = 1.0 if pose.heading in (Heading.NORTH, Heading.EAST) else -1.0
        place = pose.y * self.course.pitch_mm + forward * spot
        shift += sign * forward * self.bow_per_mm * (place - 450.0) ** 2 / 2
        near = GAIN / (reach + shift / np.cos(theta) + OFFSET_MM) ** EXPONENT
        far = GAIN / (reach + self.course.pitch_mm + OFFSET_MM) ** EXPONENT
        clean = seen * near + (1 - seen) * far
        clean *= self.gains.get("wall.left" if left else "wall.right", 1.0)
        return clean * (1 + self.noise * self.rng.normal(size=clean.size))


def _wall(x: int, y: int, side: Heading) -> tuple[int, int, Heading]:
    if side in (Heading.NORTH, Heading.EAST):
        return x, y, side
    dx, dy = side.step
    return x + dx, y + dy, side.turned(2)


@pytest.fixture
def corridor() -> Course:
    return _corridor()


@pytest.fixture
def corner() -> Course:
    return _corner()


@pytest.fixture
def drawing() -> type[Drawing]:
    """The robot that drives by closed forms; build it with a course and its truth."""
    return Drawing
