"""What stands against running a case on a robot by a route, as sentences, told before anything moves."""

from __future__ import annotations

from collections.abc import Sequence

from hil.plan.bench_problems import bench_problems, unsaid_on_bench, why_no_rail
from hil.plan.cable import why_not_without_cable
from hil.plan.programs import reported_channels
from hil.plan.route import COUNTS
from hil.spec.robot_values import Drives, Program, RobotFile
from hil.spec.suite_values import Case, ChangeSettings, Do, DriveStep, Load
from hil.spec.wording import near
from hil.wire.dialect import Dialect

JOBS = ("driving", "sensing")


def problems_of(
    case: Case, robot: RobotFile, program: Program | None, dialect: Dialect | None, *, by_person: bool
) -> list[str]:
    """Return what stands against a case on the program that it would run on (None: the robot has none)."""
    if program is None:
        return [_no_program(case.program, robot)]
    if dialect is None:
        return []
    problems = _unset(case, robot, by_person=by_person)
    steps = [*case.setup, *case.steps(by_person=by_person)]
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
    problems += bench_problems(steps, robot.robot, dialect)
    problems += [reason for reason in (why_no_rail(case, robot.robot),) if reason]
    problems += unsaid_on_bench(case, robot.robot, steps)
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
    for step in (*case.setup, *case.steps(by_person=by_person)):
        for name in step.values if isinstance(step, ChangeSettings) else ():
            if name not in robot.settings:
                like = near(name, robot.settings)
                hint = f" (did you mean {like}?)" if like else ""
                problems.append(f"the robot {robot.robot.name} has no setting '{name}'{hint}")
    return problems
