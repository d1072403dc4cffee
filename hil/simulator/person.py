"""The virtual person at the virtual robot: sets it down, puts up courses, lays boards, and reads by ruler and watch.

What the person reads is the truth with the instrument's noise, rounded to what its scale shows; hands are not exact
either. Axes of a reading are those of the pose asked about: forward along its heading, left positive. An angle is
read as two offsets from the centre line, a body length apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hil.errors import UsageError
from hil.measure.model import CellPose, Course, Heading
from hil.simulator.device import VirtualRobot
from hil.simulator.parameters import Truth
from hil.simulator.streams import Source, stream
from hil.simulator.world import World

_RULER_MM = 0.5  # half a millimetre is told apart on a ruler
_WATCH_S = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonReading:
    """One observation: `value` in `unit`, with the standard uncertainty that the person states for the instrument."""

    value: float
    unit: str
    u: float


class VirtualPerson:
    """Hands and eyes at the bench of `device`. Raises `UsageError` for what cannot be done or seen."""

    def __init__(self, *, truth: Truth, device: VirtualRobot) -> None:
        self._truth = truth
        self._device = device
        self._hands = stream(truth.seed, Source.PLACEMENT)
        self._eyes = stream(truth.seed, Source.PERSON)
        self._contacts_before = 0

    def put_up(self, course: Course) -> None:
        """Put up a course; the same course stands as it stood before."""
        plant = self._device.plant
        if plant.world.course != course:
            plant.enter(World(course, self._truth.noises, self._truth.seed))

    def place(self, pose: CellPose) -> None:
        """Set the robot down in the centre of a cell, as well as hands can."""
        if self._device.driving:
            raise UsageError("the robot is driving and cannot be placed", expected="a robot at rest")
        plant, noises = self._device.plant, self._truth.noises
        course = plant.world.course
        if not (0 <= pose.x < course.columns and 0 <= pose.y < course.rows):
            raise UsageError(
                f"there is no cell ({pose.x}, {pose.y})",
                where=f"course {course.name}",
                expected=f"columns 0 to {course.columns - 1}, rows 0 to {course.rows - 1}",
            )
        along, left, turn = self._hands.standard_normal(3).tolist()
        along *= noises.place_along_sd_mm
        left *= noises.place_lateral_sd_mm
        angle = pose.heading.angle_rad
        x, y = self._centre(pose)
        plant.place(
            x + along * math.cos(angle) - left * math.sin(angle),
            y + along * math.sin(angle) + left * math.cos(angle),
            angle + math.radians(turn * noises.place_angle_sd_deg),
        )
        self._contacts_before = plant.contacts

    def lay_board(self, cell: tuple[int, int], side: Heading, thickness_mm: float) -> None:
        """Lay a board on the face of a wall; a thickness of zero takes it away."""
        self._device.plant.world.set_board(cell, side, thickness_mm)

    def observe(self, what: str, pose: CellPose) -> PersonReading:
        """Read something of the robot, which should stand in `pose`.

        offset, along, clearance left and clearance right in mm, angle in deg, lap time (of the latest drive) in s,
        contacts (since the robot was placed) as a number.
        """
        noises = self._truth.noises
        if what == "contacts":
            return PersonReading(value=self._device.plant.contacts - self._contacts_before, unit="", u=0.0)
        if what == "lap time":
            lap_s = self._device.drive_ended_s - self._device.drive_begun_s
            if lap_s <= 0:
                raise UsageError("no drive has ended yet, so there is no lap time")
            return self._read(lap_s, "s", noises.stopwatch_sd_s, _WATCH_S)
        if what == "angle":
            return self._angle(pose)
        along, left, _ = self._relative(pose)
        if what == "offset":
            return self._read(left, "mm", noises.ruler_sd_mm, _RULER_MM)
        if what == "along":
            return self._read(along, "mm", noises.ruler_sd_mm, _RULER_MM)
        if what in ("clearance left", "clearance right"):
            gap_mm = self._clearance(pose, math.pi / 2 if what == "clearance left" else -math.pi / 2)
            return self._read(gap_mm, "mm", noises.ruler_sd_mm, _RULER_MM)
        raise UsageError(
            f"{what!r} is nothing that the person can read",
            expected="offset, angle, along, clearance left, clearance right, contacts or lap time",
        )

    def _centre(self, pose: CellPose) -> tuple[float, float]:
        pitch = self._device.plant.world.course.pitch_mm
        return pose.x * pitch, pose.y * pitch

    def _relative(self, pose: CellPose) -> tuple[float, float, float]:
        """Return the true place relative to a pose: forward and left [mm], angle [rad] in -pi to pi."""
        plant = self._device.plant
        x, y = self._centre(pose)
        dx, dy, angle = plant.x_mm - x, plant.y_mm - y, pose.heading.angle_rad
        c, s = math.cos(angle), math.sin(angle)
        return dx * c + dy * s, dy * c - dx * s, math.remainder(plant.theta_rad - angle, 2 * math.pi)

    def _read(self, true: float, unit: str, sd: float, step: float) -> PersonReading:
        seen = true + sd * float(self._eyes.standard_normal())
        return PersonReading(value=round(round(seen / step) * step, 3), unit=unit, u=math.hypot(sd, step / 12**0.5))

    def _angle(self, pose: CellPose) -> PersonReading:
        chassis, noises = self._truth.chassis, self._truth.noises
        _, left, angle = self._relative(pose)
        length = chassis.body_front_mm + chassis.body_rear_mm
        ends = [
            self._read(left + reach * math.sin(angle), "mm", noises.ruler_sd_mm, _RULER_MM)
            for reach in (chassis.body_front_mm, -chassis.body_rear_mm)
        ]
        sine = (ends[0].value - ends[1].value) / length
        if abs(sine) > 0.9:
            raise UsageError("the robot stands across the passage; its angle cannot be read from two offsets")
        u_rad = math.hypot(ends[0].u, ends[1].u) / length
        return PersonReading(value=math.degrees(math.asin(sine)), unit="deg", u=math.degrees(u_rad))

    def _clearance(self, pose: CellPose, side_rad: float) -> float:
        """Return the gap between the middle of the body's side and the wall, square to the passage [mm]."""
        plant, chassis = self._device.plant, self._truth.chassis
        _, _, angle = self._relative(pose)
        half_mm = chassis.body_width_mm / 2
        turned = plant.theta_rad + side_rad
        from_x = plant.x_mm + half_mm * math.cos(turned)
        from_y = plant.y_mm + half_mm * math.sin(turned)
        gap_mm = plant.world.distance_mm(from_x, from_y, pose.heading.angle_rad + side_rad)
        if not math.isfinite(gap_mm) or abs(angle) > math.pi / 4:
            raise UsageError("there is no wall beside the robot to read a clearance to")
        return gap_mm
