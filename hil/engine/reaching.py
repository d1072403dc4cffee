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
from hil.plan import order_cases, reported_channels
from hil.results import Route
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.spec.robot_values import Program, RobotFile
from hil.spec.suite_values import Load, Suite
from hil.wire.dialect import Dialect

_COUNTS = frozenset({"encoder.left", "encoder.right"})


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
    found: dict[str, Program] = {}
    loaded = ""
    for _, case in order_cases(suites, robot):
        program = robot.program_for(case.program, loaded)
        if program is not None:
            found[program.name], loaded = program, program.name
    return tuple(found.values())


def route_of(wanted: Route | None, robot: RobotFile, reached: Reached) -> Route:
    """Take the route asked for; else telemetry where what drives the robot reports its counts, else the person."""
    driving = [program for program in reached.needed if "driving" in program.can] or list(reached.needed)
    reported = {one.name: reported_channels(one, reached.reaches[one.name].dialect) for one in driving}
    silent = [one for one in driving if "driving" in one.can and not reported[one.name] >= _COUNTS]
    reports = not silent and all(reported.values())
    if wanted in (Route.TELEMETRY, Route.BOTH) and not reports:
        name = (silent or driving)[0].name
        raise UsageError(
            f"the protocol {reached.reaches[name].dialect.name} does not report wheel counts of a drive",
            where=f"robot {robot.robot.name}, program {name}",
            expected="encoder.left and encoder.right in its telemetry, or in its log where it drives without a cable",
            todo="Use --route operator",
        )
    return wanted or (Route.TELEMETRY if reports else Route.OPERATOR)
