"""Which programs a run needs, at which ports and in which protocols they are reached, and who measures.

What cannot be is refused here, before anything is started: a case for which the robot has no program, a port that is
named for a program that it does not have, telemetry asked of a robot that reports no counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from hil.catalogue import Catalogue
from hil.engine.line_setting import Reach
from hil.errors import UsageError
from hil.plan.route import chosen_route, needed_programs, why_not_by_telemetry
from hil.results import Route
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.spec.robot_values import Program, RobotFile
from hil.spec.suite_values import Load, Suite
from hil.wire.dialect import Dialect


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached:
    """How a robot is reached in a run: all its programs, with their protocols' files, and the one it begins with."""

    reaches: Mapping[str, Reach]
    files: Mapping[str, Path]
    first: Program
    needed: tuple[Program, ...]

    @property
    def dialects(self) -> dict[str, Dialect]:
        """The protocols by program."""
        return {name: reach.dialect for name, reach in self.reaches.items()}


def reach_robot(
    robot: RobotFile, suites: Sequence[Suite], catalogue: Catalogue, port: str, ports: Mapping[str, str]
) -> Reached:
    """Find the programs that the suites need and how each is reached.

    `port` is the address of all of them, `ports` that of single ones, by program; both stand before the robot file's.
    """
    unknown = [name for name in ports if name not in robot.programs]
    if unknown:
        raise UsageError(
            f"a port is named for '{unknown[0]}', and the robot has no such program",
            where=str(robot.file),
            expected=f"one of {', '.join(robot.programs)}",
        )
    needed = _needed(robot, suites)
    files = {
        program.name: catalogue.find(Kind.PROTOCOL, program.protocol, beside=robot.file)
        for program in robot.programs.values()
    }
    loaded = {path: load_protocol(path) for path in dict.fromkeys(files.values())}
    reaches = {
        name: Reach(program=program, dialect=loaded[files[name]], url=ports.get(name) or port or program.port)
        for name, program in robot.programs.items()
    }
    return Reached(reaches=reaches, files=files, first=needed[0], needed=needed)


def _needed(robot: RobotFile, suites: Sequence[Suite]) -> tuple[Program, ...]:
    """Return the programs of the cases in the order in which they run, and of their load steps."""
    wanted: list[str] = []
    for suite in suites:
        for case in suite.cases:
            steps = (*case.setup, *case.sequence, *case.operator_sequence)
            wanted += [case.program, *(step.program for step in steps if isinstance(step, Load))]
    missing = [name for name in dict.fromkeys(wanted) if robot.program_for(name) is None]
    if missing:
        raise UsageError(
            f"the suites need the program '{missing[0]}' and the robot has none of that name",
            where=str(robot.file),
            expected=f"one of {', '.join(sorted(robot.programs))}",
            todo="Name the program in the suite as in the robot file, or add it there",
        )
    return needed_programs(suites, robot)


def route_of(wanted: Route | None, robot: RobotFile, reached: Reached) -> Route:
    """Return who measures (`hil.plan.route`); raise `UsageError` where the robot is asked for what it cannot report."""
    why_not = why_not_by_telemetry(robot, reached.needed, reached.dialects)
    if wanted in (Route.TELEMETRY, Route.BOTH) and why_not is not None:
        raise why_not
    return chosen_route(wanted, robot, reached.needed, reached.dialects)
