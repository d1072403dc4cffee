"""The firmware's view of the walls during a straight: both sides, their ends, the front, and the steering on top."""

from __future__ import annotations

from collections.abc import Mapping

from hil.measure.model import Robot
from hil.simulator.firmware.front import FrontStop
from hil.simulator.firmware.settings import Settings
from hil.simulator.firmware.steering import Steering
from hil.simulator.firmware.walls import Linearised, SideWall, WallEnds

_NOTHING = (0, 0)  # what a channel reads that the robot does not have
_SATURATED = 0.97  # of the full scale

Readings = Mapping[str, tuple[int, int]]


class Senses:
    """Looks at the walls once a tick; `left_end_s` and `right_end_s` hold the time of a wall's end just found."""

    def __init__(self, robot: Robot, settings: Settings, trigger_late_mm: float) -> None:
        half = settings.mm("passage") / 2

        def side(channel: str, setting: str) -> tuple[SideWall, WallEnds]:
            sensor, calibration = robot.sensor(channel), robot.calibrations.get(channel)
            nominal = half - (abs(sensor.y_mm) if sensor else 0.0) + settings.mm(setting)
            typical = calibration.reading(nominal) if calibration else robot.adc_full_scale / 2
            return SideWall(calibration, nominal), WallEnds(typical)

        self._left, self._left_ends = side("wall.left", "track-left")
        self._right, self._right_ends = side("wall.right", "track-right")
        sensor = robot.sensor("wall.left") or robot.sensor("wall.right")
        self.steering = Steering(self._left, self._right, sensor.x_mm if sensor else 0.0)
        front, calibration = robot.sensor("wall.front"), robot.calibrations.get("wall.front")
        trigger = settings.mm("front-trigger")
        self.front = FrontStop(
            Linearised(calibration) if calibration and front else None,
            trigger_mm=trigger,
            remaining_mm=trigger + (front.x_mm if front else 0.0) - settings.mm("front-stop"),
            window_mm=settings.mm("front-window"),
            late_mm=trigger_late_mm,
        )
        self._saturated = _SATURATED * robot.adc_full_scale
        self.left_end_s: float | None = None
        self.right_end_s: float | None = None

    def restart(self, readings: Readings) -> None:
        """Begin a straight: forget what was seen of other walls."""
        self.steering.restart()
        self.front.restart()
        for channel, wall, ends in (
            ("wall.left", self._left, self._left_ends),
            ("wall.right", self._right, self._right_ends),
        ):
            lit, dark = readings.get(channel, _NOTHING)
            wall.restart(lit - dark if lit < self._saturated else 0)
            ends.restart(lit - dark)

    def look(self, readings: Readings, travel_mm: float, now_s: float) -> None:
        """Take one tick's readings of the sides after `travel_mm` since the last."""
        sway_mm = self.steering.sway_mm(travel_mm)
        lit, dark = readings.get("wall.left", _NOTHING)
        reading = lit - dark
        self._left.look(reading if lit < self._saturated else 0, travel_mm, -sway_mm)
        self.left_end_s = self._left_ends.look(reading, now_s)
        lit, dark = readings.get("wall.right", _NOTHING)
        reading = lit - dark
        self._right.look(reading if lit < self._saturated else 0, travel_mm, sway_mm)
        self.right_end_s = self._right_ends.look(reading, now_s)

    def wall_ahead(self, readings: Readings, counted_remaining_mm: float, speed_mm_s: float) -> float | None:
        """Return the travel left to the stop where the front wall acts in this tick, else None."""
        lit, dark = readings.get("wall.front", _NOTHING)
        return self.front.look(lit - dark, counted_remaining_mm, speed_mm_s)
