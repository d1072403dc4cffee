"""The virtual person at the virtual robot: sets it down, puts up courses, lays boards, and reads by ruler and watch.

What the person reads is the truth with the instrument's noise, rounded to what its scale shows; hands are not exact
either. Axes of a reading are those of the pose asked about: forward along its heading, left positive. An angle is
read as two offsets from the centre line, a body length apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from hil.errors import UsageError
from hil.measure.model import CellPose, Course, Heading
from hil.simulator.device import VirtualRobot
from hil.simulator.hand import HandTurning
from hil.simulator.jig_board import before_board
from hil.simulator.meter import Meter, check_unit
from hil.simulator.parameters import Truth
from hil.simulator.streams import Source, stream
from hil.simulator.trail import bow_mm
from hil.simulator.world import World

_RULER_MM = 0.5  # half a millimetre is told apart on a ruler
_WATCH_S = 0.1  # nobody presses more exactly
_DISPLAY_V = 0.01
_REMEMBERED_S = 3.0  # of the robot's clock, for which what a meter showed in a spin is what is told of it


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonReading:
    """One observation: `value` in `unit`, with the standard uncertainty that the person states for the instrument."""

    value: float
    unit: str
    u: float
    parts: tuple[float, ...] = ()  # what it was computed from: the offsets at the front and at the rear [mm]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """How something is looked at. Zeros and "" leave it to the person.

    `resolution` is the smallest step that is told apart, in the unit of what is read; `apart_mm` the distance of the
    two places of an angle; `half` which of them an offset is read at ("front" or "rear"); `over_mm` the length of a
    bow; `unit` that of a display's number ("V": the battery's voltage, else the number of the cell) or of what a meter
    shows that is held `at` supply.motor, supply.battery or supply.current.
    """

    resolution: float = 0.0
    apart_mm: float = 0.0
    half: str = ""
    over_mm: float = 0.0
    unit: str = ""
    at: str = ""


_USUAL = Look()


class VirtualPerson:
    """Hands and eyes at the bench of `device`. Raises `UsageError` for what cannot be done or read.

    `unseen` is the share of what it could not see when asked.
    """

    def __init__(self, *, truth: Truth, device: VirtualRobot, unseen: float = 0.0) -> None:
        if not 0 <= unseen <= 1:
            raise UsageError(f"{unseen} is no share of what is not seen", expected="0 to 1")
        self._truth = truth
        self.device = device
        self._unseen = unseen
        self._misses = stream(truth.seed, Source.UNSEEN)
        self._hands = stream(truth.seed, Source.PLACEMENT)
        self._turning_hands = stream(truth.seed, Source.HANDS_ON_WHEELS)
        self._eyes = stream(truth.seed, Source.PERSON)
        self._jig = stream(truth.seed, Source.JIG_BOARDS)
        self._meter = Meter(truth.seed)
        self._contacts_before = 0

    def put_up(self, course: Course) -> None:
        """Put up a course; the same course stands as it stood before."""
        plant = self.device.plant
        if plant.world.course != course:
            plant.enter(World(course, self._truth.noises, self._truth.seed))
        self.device.maze.course = course

    def place(self, pose: CellPose) -> None:
        """Set the robot down in the centre of a cell, as well as hands can."""
        if self.device.driving:
            raise UsageError("the robot is driving and cannot be placed", expected="a robot at rest")
        plant, noises = self.device.plant, self._truth.noises
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
        self.device.maze.pose = pose

    def lay_board(self, cell: tuple[int, int], side: Heading, thickness_mm: float) -> None:
        """Lay a board on the face of a wall; a thickness of zero takes it away."""
        self.device.plant.world.set_board(cell, side, thickness_mm)

    def stand(self) -> None:
        """Put the robot on a stand, its wheels free; `place` takes it off again."""
        if self.device.is_moving:
            raise UsageError("the robot is driving and cannot be put on a stand", expected="a robot at rest")
        self.device.plant.put_on_stand()
        self.device.maze.pose = None

    def turn_wheel(self, wheel: str, turns: float, *, turns_per_s: float = 1.0, unevenness: float = 0.3) -> None:
        """Begin to turn a wheel forward by hand; the device's `hand` is None when it is done."""
        device = self.device
        if not device.plant.on_stand:
            raise UsageError("the robot stands on its wheels", expected="a robot on a stand, its wheels free")
        if device.is_moving:
            raise UsageError("the wheels are turning", expected="a robot at rest")
        hand = HandTurning(wheel, turns, turns_per_s=turns_per_s, unevenness=unevenness, chance=self._turning_hands)
        device.drive_begun_s = device.drive_ended_s = device.now_s
        device.ended_by = ""
        device.hand = None if hand.is_done else hand

    def clip_resistor(self, ohm: float | None) -> None:
        """Clip a resistor across the battery (ohm), or take it off (None)."""
        if ohm is not None and not 0.5 <= ohm <= 100_000:
            raise UsageError(f"a resistor of {ohm:g} ohm is not at hand", expected="0.5 to 100000 ohm")
        self.device.plant.clip_resistor(ohm)

    def set_lamps(self, *, are_on: bool) -> None:
        """Switch the room's lamps on or off."""
        self.device.plant.sight.lamps_on = are_on

    def set_jig(self, channel: str, surface: str, distance_mm: float, angle_rad: float = 0.0) -> None:
        """Put the robot on the jig and set a board of a surface before a sensor, as well as hands can.

        The distance is along the sensor's beam; an infinite one takes the board away.
        """
        if self.device.driving:
            raise UsageError("the robot is driving and cannot be put on the jig", expected="a robot at rest")
        plant = self.device.plant
        plant.sight.scene = before_board(self._truth, channel, surface, distance_mm, angle_rad, self._jig)
        plant.put_on_stand()  # a jig holds the robot by its body

    def observe(self, what: str, pose: CellPose, look: Look = _USUAL) -> PersonReading | None:
        """Read something of the robot, which should stand in `pose`; None where it was not seen.

        offset, along, clearance left, clearance right and bow in mm, angle in deg, lap time (of the latest drive) in s,
        contacts (since the robot was placed) and display as numbers, light (lit while it stands ready) as 1 or 0.
        meter in the unit asked for: it is read while the wheels spin on the stand, which is told when asked just after.
        """
        if self._unseen and self._misses.random() < self._unseen:
            return None
        readers: dict[str, Callable[[CellPose, Look], PersonReading]] = {
            "offset": self._offset,
            "offset front": lambda pose, look: self._offset(pose, replace(look, half="front")),
            "offset rear": lambda pose, look: self._offset(pose, replace(look, half="rear")),
            "along": lambda pose, look: self._ruler(self._relative(pose)[0], look),
            "clearance left": lambda pose, look: self._ruler(self._clearance(pose, math.pi / 2), look),
            "clearance right": lambda pose, look: self._ruler(self._clearance(pose, -math.pi / 2), look),
            "angle": self._angle,
            "bow": self._bow,
            "lap time": self._lap_time,
            "contacts": lambda *_: _counted(self.device.plant.contacts - self._contacts_before),
            "light": lambda *_: _counted(int(self.device.is_on and not self.device.driving)),
            "display": self._display,
            "meter": self._show,
        }
        if what not in readers:
            *most, last = readers
            raise UsageError(f"{what!r} is nothing that the person can read", expected=f"{', '.join(most)} or {last}")
        return readers[what](pose, look)

    def _centre(self, pose: CellPose) -> tuple[float, float]:
        pitch = self.device.plant.world.course.pitch_mm
        return pose.x * pitch, pose.y * pitch

    def _relative(self, pose: CellPose) -> tuple[float, float, float]:
        """Return the true place relative to a pose: forward and left [mm], angle [rad] in -pi to pi."""
        plant = self.device.plant
        if plant.on_stand:
            raise UsageError("the robot is on the stand and in no cell", expected="a robot that was placed")
        x, y = self._centre(pose)
        dx, dy, angle = plant.x_mm - x, plant.y_mm - y, pose.heading.angle_rad
        c, s = math.cos(angle), math.sin(angle)
        return dx * c + dy * s, dy * c - dx * s, math.remainder(plant.theta_rad - angle, 2 * math.pi)

    def _read(self, true: float, unit: str, sd: float, step: float) -> PersonReading:
        seen = true + sd * float(self._eyes.standard_normal())
        return PersonReading(value=round(round(seen / step) * step, 4), unit=unit, u=math.hypot(sd, step / 12**0.5))

    def _ruler(self, true_mm: float, look: Look) -> PersonReading:
        return self._read(true_mm, "mm", self._truth.noises.ruler_sd_mm, look.resolution or _RULER_MM)

    def _offset(self, pose: CellPose, look: Look) -> PersonReading:
        _, left, angle = self._relative(pose)
        ahead = {"": 0.0, "front": look.apart_mm / 2, "rear": -look.apart_mm / 2}.get(look.half)
        if ahead is None or (look.half and not look.apart_mm > 0):
            raise UsageError(
                "it is not said where the offset is read", expected="front or rear, and how far apart the two are"
            )
        return self._ruler(left + ahead * math.sin(angle), look)

    def _angle(self, pose: CellPose, look: Look) -> PersonReading:
        chassis = self._truth.chassis
        _, left, angle = self._relative(pose)
        half = look.apart_mm / 2
        reaches = (half, -half) if half > 0 else (chassis.body_front_mm, -chassis.body_rear_mm)
        length = reaches[0] - reaches[1]
        ruler = replace(look, resolution=_RULER_MM)  # the resolution asked for is that of the angle
        ends = [self._ruler(left + reach * math.sin(angle), ruler) for reach in reaches]
        sine = (ends[0].value - ends[1].value) / length
        if abs(sine) > 0.9:
            raise UsageError("the robot stands across the passage; its angle cannot be read from two offsets")
        u_rad = math.hypot(ends[0].u, ends[1].u) / length
        value, step = math.degrees(math.asin(sine)), look.resolution
        return PersonReading(
            value=round(value / step) * step if step else value,
            unit="deg",
            u=math.hypot(math.degrees(u_rad), step / 12**0.5),
            parts=(ends[0].value, ends[1].value),
        )

    def _bow(self, _: CellPose, look: Look) -> PersonReading:
        trail = self.device.trail
        over_mm = look.over_mm or trail.length_mm
        marks = trail.marks(over_mm) if over_mm > 0 else None
        if marks is None:
            raise UsageError(
                f"the last straight was {trail.length_mm:.0f} mm long",
                expected=f"one of {over_mm:g} mm, to see the bow over it",
            )
        # The three marks are read against one line; the bow has the middle one whole and half of each other.
        readings = [self._ruler(true, look) for true in (0.0, bow_mm(marks), 0.0)]
        value = readings[1].value - (readings[0].value + readings[2].value) / 2
        return PersonReading(value=round(value, 4), unit="mm", u=readings[1].u * math.sqrt(1.5))

    def _lap_time(self, _: CellPose, look: Look) -> PersonReading:
        lap_s = self.device.drive_ended_s - self.device.drive_begun_s
        if lap_s <= 0:
            raise UsageError("no drive has ended yet, so there is no lap time")
        return self._read(lap_s, "s", self._truth.noises.stopwatch_sd_s, look.resolution or _WATCH_S)

    def _display(self, _: CellPose, look: Look) -> PersonReading:
        device = self.device
        if not device.is_on:
            raise UsageError("the robot is switched off, and its display is dark")
        if look.unit == "V":
            step = look.resolution or _DISPLAY_V
            volts = round(round(device.plant.battery_v / step) * step, 4)
            return PersonReading(value=volts, unit="V", u=step / 12**0.5)
        pose = device.maze.pose
        if look.unit or pose is None:
            raise UsageError(
                f"the display shows no number in {look.unit!r}" if look.unit else "the robot does not know its cell",
                expected="V (the battery), or no unit (the number of the cell)",
            )
        return _counted(pose.x + pose.y * device.maze.course.columns)

    def _show(self, _: CellPose, look: Look) -> PersonReading:
        device = self.device
        plant = device.plant
        just_spun = not device.driving and device.now_s - device.drive_ended_s < _REMEMBERED_S
        supply = plant.under_load if just_spun and plant.under_load else plant.supply
        found = {
            "supply.motor": supply.rail_v,
            "supply.battery": supply.battery_v,
            "supply.current": supply.current_a,
        }
        if look.at not in found:
            raise UsageError(f"a meter cannot be held to {look.at!r}", expected=f"one of {', '.join(found)}")
        check_unit(look.at, look.unit)
        shown = self._meter.show(found[look.at], look.unit, look.resolution)
        return PersonReading(value=shown.value, unit=look.unit, u=shown.u)

    def _clearance(self, pose: CellPose, side_rad: float) -> float:
        """Return the gap between the middle of the body's side and the wall, square to the passage [mm]."""
        plant, chassis = self.device.plant, self._truth.chassis
        _, _, angle = self._relative(pose)
        half_mm = chassis.body_width_mm / 2
        turned = plant.theta_rad + side_rad
        from_x = plant.x_mm + half_mm * math.cos(turned)
        from_y = plant.y_mm + half_mm * math.sin(turned)
        gap_mm = plant.world.distance_mm(from_x, from_y, pose.heading.angle_rad + side_rad)
        if not math.isfinite(gap_mm) or abs(angle) > math.pi / 4:
            raise UsageError("there is no wall beside the robot to read a clearance to")
        return gap_mm


def _counted(number: int) -> PersonReading:
    """Return a reading that has no noise."""
    return PersonReading(value=number, unit="", u=0.0)
