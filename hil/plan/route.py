"""Which programs a run needs and who measures in it: one choice, for what is planned and for what is run.

Where nobody says who measures, the robot does where all that it drives on reports its counts; else the person.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hil.errors import UsageError
from hil.plan.programs import order_cases, reported_channels
from hil.results import Route
from hil.spec.robot_values import Program, RobotFile
from hil.spec.suite_values import Suite
from hil.wire.dialect import Dialect

COUNTS = frozenset({"encoder.left", "encoder.right"})


def needed_programs(suites: Sequence[Suite], robot: RobotFile) -> tuple[Program, ...]:
    """Return the programs that the cases run on, in the order in which they are loaded; a case that has none, none."""
    found: dict[str, Program] = {}
    loaded = ""
    for _, case in order_cases(suites, robot):
        program = robot.program_for(case.program, loaded)
        if program is not None:
            found[program.name], loaded = program, program.name
    return tuple(found.values())


def why_not_by_telemetry(
    robot: RobotFile, needed: Sequence[Program], dialects: Mapping[str, Dialect]
) -> UsageError | None:
    """Return why the robot's reports cannot carry a run on the programs `needed`, None where they can.

    `dialects` are the protocols by program.
    """
    driving = [program for program in needed if "driving" in program.can] or list(needed)
    reported = {one.name: reported_channels(one, dialects[one.name]) for one in driving}
    silent = [one for one in driving if "driving" in one.can and not reported[one.name] >= COUNTS]
    if not silent and all(reported.values()):
        return None
    name = (silent or driving)[0].name
    return UsageError(
        f"the protocol {dialects[name].name} does not report wheel counts of a drive",
        where=f"robot {robot.robot.name}, program {name}",
        expected="encoder.left and encoder.right in its telemetry, or in its log where it drives without a cable",
        todo="Use --route operator",
    )


def chosen_route(
    wanted: Route | None, robot: RobotFile, needed: Sequence[Program], dialects: Mapping[str, Dialect]
) -> Route:
    """Return the route asked for, else telemetry where the robot reports, else the person's."""
    if wanted is not None:
        return wanted
    return Route.OPERATOR if why_not_by_telemetry(robot, needed, dialects) else Route.TELEMETRY
