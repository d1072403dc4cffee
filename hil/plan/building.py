"""The plan: suites, cases and steps in order, the robot's pose after each, times, the person's part, resolutions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Course, Heading
from hil.plan.cable import why_not_without_cable
from hil.plan.design import design_of
from hil.plan.durations import BUILDING_S, LOADING_S, person_time_s, robot_time_s, sequence_of
from hil.plan.programs import order_cases, reported_channels
from hil.plan.resolution import Resolution, resolution
from hil.plan.route import COUNTS
from hil.results import Route
from hil.spec.robot_values import Drives, Program, RobotFile
from hil.spec.suite_values import (
    Ask,
    Case,
    ChangeSettings,
    Do,
    DriveStep,
    Load,
    Observe,
    Place,
    Step,
    Suite,
    Tell,
)
from hil.spec.wording import near
from hil.wire.dialect import Dialect

JOBS = ("driving", "sensing")
Boards = Mapping[tuple[tuple[int, int], Heading], float]  # thickness in mm by cell and side


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """A step with the nominal pose before and after it (None: not placed yet), and the boards that lie meanwhile."""

    step: Step
    before: CellPose | None
    after: CellPose | None
    boards: Boards
    robot_s: float
    person_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCase:
    """A case: its set-up, one round of its sequence, how often that is gone through, and what stands against it.

    `program` is the one it runs on ("": none can), `loads` whether that is loaded before it in place of another.
    `problems` are sentences that say why this robot cannot run the case as it is planned.
    """

    suite: str
    case: Case
    setup: tuple[PlannedStep, ...]
    sequence: tuple[PlannedStep, ...]
    rounds: int
    builds_course: bool
    problems: tuple[str, ...]
    resolutions: tuple[Resolution, ...]
    program: str = ""
    loads: bool = False

    @property
    def steps(self) -> tuple[PlannedStep, ...]:
        """All steps in order, every round of the sequence counted."""
        return self.setup + self.sequence * self.rounds

    @property
    def robot_s(self) -> float:
        """How long the robot is busy."""
        return sum(planned.robot_s for planned in self.steps)

    @property
    def person_s(self) -> float:
        """How long the person is busy."""
        building_s = BUILDING_S if self.builds_course else 0.0
        return sum(planned.person_s for planned in self.steps) + building_s + (LOADING_S if self.loads else 0.0)

    def count(self, *kinds: type) -> int:
        """Return how many steps are of these kinds."""
        return sum(isinstance(planned.step, kinds) for planned in self.steps)

    @property
    def placements(self) -> int:
        """How often the robot is placed by hand."""
        return self.count(Place)

    @property
    def readings(self) -> int:
        """How many things the person reads or answers."""
        return self.count(Observe, Ask)

    @property
    def board_moves(self) -> int:
        """How often a board is laid on, changed or taken off."""
        return sum(isinstance(planned.step, Tell) and planned.step.board is not None for planned in self.steps)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A whole plan for one robot by one route and class of tolerances."""

    robot: RobotFile
    route: Route
    robot_class: str
    cases: tuple[PlannedCase, ...]

    @property
    def robot_s(self) -> float:
        """How long the robot is busy."""
        return sum(case.robot_s for case in self.cases)

    @property
    def person_s(self) -> float:
        """How long the person is busy."""
        return sum(case.person_s for case in self.cases)

    @property
    def loads(self) -> int:
        """How often a program is loaded in place of another."""
        return sum(case.loads for case in self.cases)

    @property
    def problems(self) -> tuple[str, ...]:
        """What stands against running it, a sentence each, with the case in front."""
        return tuple(f"{case.suite}/{case.case.name}: {text}" for case in self.cases for text in case.problems)


def build_plan(
    suites: Sequence[Suite],
    robot: RobotFile,
    dialects: Mapping[str, Dialect],
    *,
    route: Route = Route.TELEMETRY,
    robot_class: str = "",
) -> Plan:
    """Plan the cases of `suites` on a robot; `dialects` holds the protocols of its programs by protocol name.

    `robot_class` "" takes the robot's own. Problems are collected in the plan, not raised.
    """
    chosen = robot_class or robot.robot.robot_class
    cases: list[PlannedCase] = []
    course = loaded = ""
    for suite, case in order_cases(suites, robot):
        program = robot.program_for(case.program, loaded)
        planned = _planned(suite, case, robot, program, dialects, route, chosen, builds=case.course.name != course)
        course = case.course.name
        if program is not None and planned.program:
            planned = replace(planned, loads=loaded not in ("", program.name))
            loaded = program.name
        cases.append(planned)
    return Plan(robot=robot, route=route, robot_class=chosen, cases=tuple(cases))


def _planned(
    suite: Suite,
    case: Case,
    robot: RobotFile,
    program: Program | None,
    dialects: Mapping[str, Dialect],
    route: Route,
    robot_class: str,
    *,
    builds: bool,
) -> PlannedCase:
    by_person = route is Route.OPERATOR
    if by_person and not case.has_person_route:
        return PlannedCase(
            suite=suite.name,
            case=case,
            setup=(),
            sequence=(),
            rounds=0,
            builds_course=False,
            problems=(),
            resolutions=(),
        )
    dialect = dialects.get(program.protocol) if program else None
    button = program is not None and program.drives_by is Drives.OPERATOR
    setup, pose, boards = _follow(case.setup, case.course, robot, None, {}, by_button=button)
    steps = sequence_of(case, by_person=by_person)
    sequence, _, _ = _follow(steps, case.course, robot, pose, boards, by_button=button)
    return PlannedCase(
        suite=suite.name,
        case=case,
        setup=setup,
        sequence=sequence,
        rounds=case.rounds(by_person=by_person).at_most,
        builds_course=builds,
        problems=tuple(_problems(case, robot, program, dialect, by_person=by_person)),
        resolutions=tuple(_resolutions(case, robot, program, dialect, robot_class, by_person=by_person)),
        program=program.name if program else "",
    )


def _follow(
    steps: Sequence[Step],
    course: Course,
    robot: RobotFile,
    pose: CellPose | None,
    boards: Boards,
    *,
    by_button: bool,
) -> tuple[tuple[PlannedStep, ...], CellPose | None, Boards]:
    """Follow the nominal pose and the boards through one sequence."""
    planned: list[PlannedStep] = []
    for step in steps:
        before = pose
        if isinstance(step, Place):
            pose = step.pose
        elif isinstance(step, DriveStep) and pose is not None:
            for element in step.path * step.times:
                pose = course.after(pose, element)
        elif isinstance(step, Tell) and step.board is not None:
            laid = {(step.board.cell, step.board.side): step.board.thickness_mm}
            boards = {where: thickness for where, thickness in {**boards, **laid}.items() if thickness > 0}
        planned.append(
            PlannedStep(
                step=step,
                before=before,
                after=pose,
                boards=boards,
                robot_s=robot_time_s(step, course.pitch_mm, robot.robot.speed_mm_s),
                person_s=person_time_s(step, by_button=by_button),
            )
        )
    return tuple(planned), pose, boards


def _problems(
    case: Case, robot: RobotFile, program: Program | None, dialect: Dialect | None, *, by_person: bool
) -> list[str]:
    if program is None:
        return [_no_program(case.program, robot)]
    if dialect is None:
        return []
    problems = _unset(case, robot, by_person=by_person)
    steps = [*case.setup, *sequence_of(case, by_person=by_person)]
    for action in dict.fromkeys(step.action for step in steps if isinstance(step, Do)):
        if action not in dialect.commands:
            problems.append(f"the protocol {dialect.name} has no command '{action}'")
    for wanted in dict.fromkeys(step.program for step in steps if isinstance(step, Load)):
        if robot.program_for(wanted) is None:
            problems.append(_no_program(wanted, robot))
    drives = [step for step in steps if isinstance(step, DriveStep)]
    if not by_person and drives:
        problems += _undriven(drives, program, dialect)
    if why_not := why_not_without_cable(steps, program, dialect):
        problems.append(why_not)
    return problems


def _no_program(wanted: str, robot: RobotFile) -> str:
    """Return the sentence for a program or a job that the robot file has none for."""
    if wanted in JOBS:
        known = ", ".join(f"{name} ({' and '.join(program.can)})" for name, program in robot.programs.items())
        return f"the robot {robot.robot.name} has no program for {wanted}; it has {known}"
    like = near(wanted, [*robot.programs, *JOBS])
    hint = f" (did you mean {like}?)" if like else ""
    return f"the robot {robot.robot.name} has no program '{wanted}'{hint}; it has {', '.join(robot.programs)}"


def _undriven(drives: Sequence[DriveStep], program: Program, dialect: Dialect) -> list[str]:
    """Return what stands against driving these by telemetry."""
    if "driving" not in program.can:
        return [f"the program '{program.name}' cannot drive; it is for {' and '.join(program.can)}"]
    if not reported_channels(program, dialect) >= COUNTS:
        where = "while it drives" if program.cable else "in its log"
        return [f"the program '{program.name}' reports no wheel counts {where}; plan it with the operator's route"]
    if program.drives_by is not Drives.COMMAND:
        return []
    if "drive" not in dialect.commands:
        return [f"the protocol {dialect.name} has no command 'drive'; plan it with the operator's route"]
    wanted = {element.tracking for step in drives for element in step.path if element.cells}
    unknown = sorted(wanted - set(dialect.path.trackings)) if dialect.path is not None else []
    return [f"the protocol {dialect.name} cannot drive by {' or '.join(unknown)}"] if unknown else []


def _unset(case: Case, robot: RobotFile, *, by_person: bool) -> list[str]:
    problems = []
    for step in (*case.setup, *sequence_of(case, by_person=by_person)):
        for name in step.values if isinstance(step, ChangeSettings) else ():
            if name not in robot.settings:
                like = near(name, robot.settings)
                hint = f" (did you mean {like}?)" if like else ""
                problems.append(f"the robot {robot.robot.name} has no setting '{name}'{hint}")
    return problems


def _resolutions(
    case: Case,
    robot: RobotFile,
    program: Program | None,
    dialect: Dialect | None,
    robot_class: str,
    *,
    by_person: bool,
) -> list[Resolution]:
    reported = frozenset(need for m in METHODS.values() for need in m.needs)
    if program is not None and dialect is not None:
        reported = reported_channels(program, dialect)
    measures = {measure.name: measure for measure in case.measures}
    found = []
    for assertion in case.asserted(by_person=by_person):
        measure, limit = measures.get(assertion.measurement), assertion.limits.get(robot_class)
        if measure is None or limit is None:
            continue
        parameters = measure.operator_parameters if by_person else measure.parameters
        design = design_of(case, robot.robot, parameters.of, by_person=by_person)
        found.append(resolution(measure, limit.tolerance, design, by_person=by_person, channels=reported))
    return found
