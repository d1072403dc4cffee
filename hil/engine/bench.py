"""What a run works with, once everything is open: the robot, its session, the person, the clock."""

from __future__ import annotations

from dataclasses import dataclass

from hil.engine.operator import Operator
from hil.engine.recorder import Recorder
from hil.engine.session import RobotSession
from hil.measure.model import Robot
from hil.results import Route
from hil.spec.robot_values import RobotFile
from hil.timing import Clock


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """An open bench. `robot` is the robot file's with the calibrations that belong to the course's surface."""

    robot_file: RobotFile
    robot: Robot
    session: RobotSession
    operator: Operator
    recorder: Recorder
    clock: Clock
    route: Route
    host_is_real: bool = True  # false where a virtual robot drives faster than the host's clock
