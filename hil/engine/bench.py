"""What a run works with, once everything is open: the robot, its line, the person, the clock."""

from __future__ import annotations

from dataclasses import dataclass, field

from hil.engine.calibrating import Calibrations
from hil.engine.operator import Operator
from hil.engine.recorder import Recorder
from hil.engine.robot_line import RobotLine
from hil.engine.session import RobotSession
from hil.measure.model import Robot
from hil.results import Route
from hil.spec.robot_values import Drives, Program, RobotFile
from hil.timing import Clock
from hil.wire.dialect import Dialect


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """An open bench. `robot` is the robot file's; `calibrations` are those of its sensors, by surface."""

    robot_file: RobotFile
    robot: Robot
    line: RobotLine
    operator: Operator
    recorder: Recorder
    clock: Clock
    route: Route
    calibrations: Calibrations = field(default_factory=Calibrations)
    host_is_real: bool = True  # false where a virtual robot drives faster than the host's clock

    def robot_on(self, surface: str) -> Robot:
        """Return the robot with the calibrations that hold on a surface."""
        return self.calibrations.robot_on(self.robot, surface)

    @property
    def session(self) -> RobotSession:
        """The session of the robot's open port; raises where there is none."""
        return self.line.session

    @property
    def drives_by(self) -> Drives:
        """How the loaded program is made to drive."""
        program = self.line.program
        return program.drives_by if program else Drives.COMMAND

    def dialect_of(self, program: Program) -> Dialect:
        """Return the protocol of one of the robot's programs."""
        return self.line.dialect_of(program)

    def program_for(self, wanted: str) -> Program | None:
        """Return the program a case runs on: the loaded one where it will do."""
        return self.robot_file.program_for(wanted, self.line.program.name if self.line.program else "")
