"""A whole virtual bench: a robot drawn from a seed with its faults, its jig session, a course, and a person.

The firmware's calibrations come from the jig session by the tool's own fit, as those of a real robot would; nothing
of the truth reaches the firmware.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from hil.measure.model import Course, Robot, SensorCalibration
from hil.measure.values import CannotMeasureError
from hil.measure.wall_sensor import calibrate_from_jig
from hil.simulator.device import VirtualRobot
from hil.simulator.faults import Fault, apply_faults
from hil.simulator.jig import JigRow, jig_readings
from hil.simulator.parameters import Truth, nominal_truth
from hil.simulator.person import VirtualPerson
from hil.simulator.plant import Plant
from hil.simulator.world import World
from hil.wire.dialect import Dialect


class VirtualBench:
    """Everything that stands on a virtual bench. `jig` holds rows of (distance [mm], lit, dark) by channel."""

    def __init__(
        self,
        *,
        robot: Robot,
        dialect: Dialect,
        course: Course,
        seed: int,
        faults: Iterable[Fault] = (),
        dead_man_s: float = 0.5,
        truth: Truth | None = None,
        unseen: float = 0.0,
    ) -> None:
        """Build the bench; `truth`, where given, stands in place of the one drawn from the seed."""
        self.truth = apply_faults(nominal_truth(robot, seed) if truth is None else truth, faults)
        self.jig = jig_readings(self.truth, self.truth.seed)
        self.plant = Plant(self.truth, World(course, self.truth.noises, self.truth.seed), self.truth.seed)
        self._robot = replace(robot, calibrations=_calibrations(robot, self.jig, course.surface))
        self._dead_man_s = dead_man_s
        self.device = self._booted(dialect)
        self.person = VirtualPerson(truth=self.truth, device=self.device, unseen=unseen)

    def boot(self, dialect: Dialect) -> None:
        """Start the robot anew with a program that speaks `dialect`; what it has not saved is lost."""
        before = self.device
        self.device = self._booted(dialect)
        self.device.take_over(before)
        self.person.device = self.device

    def wake(self) -> None:
        """Switch the robot on where it is off."""
        if not self.device.is_on:
            self.boot(self.device.dialect)

    def _booted(self, dialect: Dialect) -> VirtualRobot:
        return VirtualRobot(
            truth=self.truth, robot=self._robot, plant=self.plant, dialect=dialect, dead_man_s=self._dead_man_s
        )


def _calibrations(robot: Robot, jig: dict[str, list[JigRow]], surface: str) -> dict[str, SensorCalibration]:
    """Return what the owner's calibration gives; a sensor that cannot be calibrated stays without."""
    found: dict[str, SensorCalibration] = {}
    for channel, rows in jig.items():
        try:
            found[channel] = calibrate_from_jig(channel, surface, rows, robot.adc_full_scale)
        except CannotMeasureError:
            continue
    return found
