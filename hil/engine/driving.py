"""Having the robot drive a path: by command, by goal cells that its maze logic goes to, or started by a person.

What will really be driven is known before it is begun (`planned`), since the trace says it where the drive begins.
However it is driven, a drive that cannot have been driven is an error, and not a bad robot.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from hil.engine.bench import Bench
from hil.engine.goals import CannotBeDrivenError, Goal, GoalPlan, goals_of
from hil.engine.odometer import is_short, travelled_mm, way_mm
from hil.engine.operator import DriveOrder
from hil.engine.robot_line import RobotLine
from hil.errors import MoveUnfinished, UsageError
from hil.measure.model import CellPose, PathElement
from hil.plan import drive_time_s
from hil.results import Route
from hil.spec.robot_values import Choice, Drives, MazeLogic
from hil.spec.suite_values import Case, DriveStep, Place, Step
from hil.wire.dialect import Dialect
from hil.wire.fields import Value
from hil.wire.path import PathCodec

_TAKEN_IN_S = 0.05  # in which what a robot printed while the person was away is taken in, or its lost port noticed
_PERIODS = 3.0  # of a robot that prints: what it reports of its rest belongs to the drive
_STARTING_S = 5.0  # more than predicted, for a robot that thinks before it starts

SetSetting = Callable[[str, float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedDrive:
    """A drive before it begins: what will really be driven, where it ends, and the turns left to the next one."""

    step: DriveStep
    path: tuple[PathElement, ...]
    start: CellPose
    end: CellPose
    speed_mm_s: float
    goals: tuple[Goal, ...] = ()
    owed: int = 0


class Driving:
    """Drives of one case. `tick` is called while the robot drives; `set_setting` changes one for the case."""

    def __init__(self, bench: Bench, case: Case, tick: Callable[[], None], set_setting: SetSetting) -> None:
        self._bench = bench
        self._case = case
        self._tick = tick
        self._set_setting = set_setting
        self._chosen: dict[str, float] = {}

    def planned(self, step: DriveStep, start: CellPose, owed: int) -> PlannedDrive:
        """Return what a step will drive from `start`; raise `UsageError` where the robot cannot be made to."""
        bench, course = self._bench, self._case.course
        speed_mm_s = step.speed_mm_s or bench.robot.speed_mm_s
        if bench.drives_by is not Drives.GOAL:
            end = start
            for element in step.path:
                end = course.after(end, element)
            return PlannedDrive(step=step, path=step.path, start=start, end=end, speed_mm_s=speed_mm_s)
        try:
            plan = goals_of(step.path, start, course, self._logic, step.front, owed)
        except CannotBeDrivenError as error:
            raise UsageError(
                f"'{step.name}' ({step.path_text}) cannot be driven by goals: {error}",
                where=f"case {self._case.name}",
                expected="a path that the robot's maze logic takes (maze_logic in its robot file)",
            ) from None
        if not _tells_speed(bench.line.dialect):
            speed_mm_s = bench.robot.speed_mm_s
        return PlannedDrive(
            step=step,
            path=plan.path,
            start=start,
            end=plan.end,
            speed_mm_s=speed_mm_s,
            goals=plan.goals,
            owed=plan.owed,
        )

    @property
    def _logic(self) -> MazeLogic:
        program = self._bench.line.program
        return program.maze_logic if program else MazeLogic()

    def begin(self, drive: PlannedDrive) -> None:
        """Do what must be done before the drive begins: take the cable off, take in what has come."""
        line = self._bench.line
        program = line.program
        if program is not None and not program.cable:
            line.untether(by_itself=True)
        if not line.is_untethered:
            line.at_rest(lambda session: session.listen())

    def carry_out(self, drive: PlannedDrive) -> None:
        """Drive it, and come back when the robot stands."""
        how = self._bench.drives_by
        if how is Drives.OPERATOR:
            self._by_person(drive)
        elif self._bench.line.is_untethered:
            raise UsageError(
                f"'{drive.step.name}' is driven by {how.value}, and the robot hangs on no cable",
                where=f"case {self._case.name}",
                expected="a step 'retether' before it, or a program with 'drives_by: operator'",
            )
        elif how is Drives.GOAL:
            self._measured(drive, self._by_goals)
        else:
            self._measured(drive, self._by_command)

    def _by_person(self, drive: PlannedDrive) -> None:
        bench, step = self._bench, drive.step
        bench.operator.start_drive(
            DriveOrder(
                path=drive.path,
                path_text=step.path_text,
                front=step.front,
                speed_mm_s=drive.speed_mm_s,
                start=drive.start,
                untethered=bench.line.is_untethered,
            )
        )
        take_in(bench.line)

    def _by_command(self, drive: PlannedDrive) -> None:
        session, step = self._bench.session, drive.step
        if session.dialect.path is None:
            raise UsageError(
                f"the protocol {session.dialect.name} has no way to write a path",
                where=f"robot {self._bench.robot.name}, program {self._case.program}",
                expected="drives_by: operator in the robot file, or a protocol with a path coding",
            )
        words = [(element.kind.value, element.cells, element.tracking) for element in drive.path]
        path = PathCodec(session.dialect.path).encode(words)
        values: dict[str, Value] = {"speed": drive.speed_mm_s, "front": step.front, "path": path}
        session.drive("drive", values, self._predicted_s(drive.path, drive), self._tick)

    def _by_goals(self, drive: PlannedDrive) -> None:
        for goal in drive.goals:
            self._choose(self._logic.tracking, goal.tracking)
            self._choose(self._logic.front, drive.step.front)
            session = self._bench.session
            values: dict[str, Value] = {"x": goal.cell[0], "y": goal.cell[1]}
            if _tells_speed(session.dialect):
                values["speed"] = drive.speed_mm_s
            session.drive("goal", values, self._predicted_s(goal.way, drive) + _STARTING_S, self._tick)

    def _choose(self, choice: Choice | None, wanted: str) -> None:
        """Choose by a setting, where the choice is not made already in this case."""
        if choice is not None and self._chosen.get(choice.setting) != choice.values[wanted]:
            self._set_setting(choice.setting, choice.values[wanted])
            self._chosen[choice.setting] = choice.values[wanted]

    def _predicted_s(self, path: tuple[PathElement, ...], drive: PlannedDrive) -> float:
        return drive_time_s(path, self._case.course.pitch_mm, drive.speed_mm_s)

    def _measured(self, drive: PlannedDrive, go: Callable[[PlannedDrive], None]) -> None:
        """Drive, and see by its counts that the robot went about as far as the path."""
        bench, session = self._bench, self._bench.session
        before = dict(session.odometer.counts)
        go(drive)
        way = way_mm(drive.path, self._case.course.pitch_mm, bench.robot)
        travelled = travelled_mm(before, session.odometer.counts, bench.robot)
        if session.is_streaming and session.odometer.is_reported and is_short(travelled, way):
            raise MoveUnfinished(
                f"the robot said that it had driven '{drive.step.name}', and its wheels had turned {travelled:.0f} mm",
                where=f"case {self._case.name}",
                expected=f"about {way:.0f} mm by its counts",
                todo="Nothing more was driven. See where it stands, and whether motors and encoders work",
            )


def why_not_by_goals(case: Case, logic: MazeLogic, route: Route) -> str:
    """Return why a case cannot be driven by goals, "" where it can; every drive is planned from where it begins."""
    sequences = [case.steps(by_person=route is Route.OPERATOR)]
    if route is Route.BOTH and case.operator_sequence:
        sequences.append(case.operator_sequence)
    return next(filter(None, (_why_not_driven(case, logic, sequence) for sequence in sequences)), "")


def _why_not_driven(case: Case, logic: MazeLogic, sequence: Sequence[Step]) -> str:
    pose, owed = case.course.start, 0
    for step in (*case.setup, *sequence):
        if isinstance(step, Place):
            pose, owed = (case.course.start if step.at_start else step.pose), 0
        elif isinstance(step, DriveStep):
            for _ in range(min(step.times, 2)):
                try:
                    plan: GoalPlan = goals_of(step.path, pose, case.course, logic, step.front, owed)
                except CannotBeDrivenError as error:
                    return f"Not run: '{step.name}' ({step.path_text}) cannot be driven by goals: {error}."
                pose, owed = plan.end, plan.owed
    return ""


def take_in(line: RobotLine) -> None:
    """Wait until all has come that the robot said until now, so that what comes then is of what is done then."""
    if not line.is_untethered:
        periods = [message.period_s for message in line.dialect.messages if message.period_s]
        line.pause(max(_TAKEN_IN_S, _PERIODS * min(periods, default=0.0)))


def _tells_speed(dialect: Dialect) -> bool:
    command = dialect.commands.get("goal")
    return command is not None and any(field.name == "speed" for field in command.fields)
