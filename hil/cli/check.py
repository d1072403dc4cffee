"""`hil check`: files held against everything they must be, and what would be done, without a robot."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from hil.catalogue import Catalogue
    from hil.spec.loading import Loaded
    from hil.spec.robot_values import RobotFile
    from hil.spec.suite_values import Suite
    from hil.wire.dialect import Dialect

_HELP = """Check files and show what would be done, without a robot.

FILES are protocol, robot, course and suite files in any mix (told by .protocol.yaml, .robot.yaml, .course.yaml,
.suite.yaml), or names of shipped suites, or one case of such a suite (straight-line/tracked-legs). Every mistake in
every file is shown, one a line, with its place, what was found and what was expected. Where there are none, the plan of
the suites follows: steps, the person's part, times, what each assertion can resolve on the robot, and which records
of the bench a run would go by.

\b
  hil check my.suite.yaml mine.robot.yaml
  hil check straight-line --robot mine --route operator

\b
A battery that is used below what its kind can take, or whose kind is not known, and a load resistor that would get
more than 20 W of it are warned of, which does not change the exit status.

\b
Exit status: 0 no mistakes, 2 mistakes in the files, or a suite that the robot cannot run.
"""


@click.command(help=_HELP, short_help="Check files and show the plan, without a robot.")
@click.argument("files", nargs=-1, required=True, metavar="FILES...")
@click.option(
    "--robot", metavar="FILE_OR_NAME", help="Plan for this robot.  [default: a robot among FILES, or virtual]"
)
@click.option(
    "--route",
    type=click.Choice(["telemetry", "operator", "both"]),
    help="Who measures: the robot's reports, a person with marks, ruler and stopwatch, or both, one after the other."
    "  [default: as of hil run: the robot, where it reports its counts, else the person]",
)
@click.option(
    "--class",
    "robot_class",
    type=click.Choice(["entry", "fast"]),
    help="Tolerances to plan for.  [default: the robot's]",
)
@click.option(
    "--records",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("records"),
    show_default=True,
    metavar="DIR",
    help="The bench's records, of which is said which would be used.",
)
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Of a virtual robot.")
def check(
    files: tuple[str, ...], robot: str | None, route: str | None, robot_class: str | None, records: Path, seed: int
) -> None:
    """Check files and print the plan; the text a user sees is `_HELP`."""
    from hil.catalogue import Catalogue
    from hil.plan import build_plan
    from hil.plan.bench_problems import leave_out
    from hil.plan.lines import plan_lines
    from hil.plan.route import chosen_route, needed_programs, why_not_by_telemetry
    from hil.quantities import counted
    from hil.results import Route
    from hil.spec.kinds import Kind

    catalogue = Catalogue()
    asked = [_asked(catalogue, name) for name in files]
    paths = [path for path, _ in asked]
    if robot is not None:
        paths.append(catalogue.find(Kind.ROBOT, robot))
    loaded = _load(catalogue, paths)
    if not loaded.suites:
        _tell_doubts(loaded.robots)
        click.echo(f"No mistakes in {counted(len(dict.fromkeys(paths)), 'file')}.")
        return
    suites = _suites(loaded, asked)
    chosen = loaded.robots[-1] if loaded.robots else _load(catalogue, [catalogue.find(Kind.ROBOT, "virtual")]).robots[0]
    dialects = _dialects(catalogue, chosen)
    fitting, left_out = leave_out(suites, chosen.robot)
    suites = list(fitting)
    by_program = {name: dialects[program.protocol] for name, program in chosen.programs.items()}
    needed = needed_programs(suites, chosen)
    taken = chosen_route(Route(route) if route else None, chosen, needed, by_program)
    why_not = why_not_by_telemetry(chosen, needed, by_program)
    plan = build_plan(suites, chosen, dialects, route=taken, robot_class=robot_class or "")
    click.echo("\n".join((*plan_lines(plan), *left_out)))
    _tell_doubts([chosen])
    _tell_heat(suites, chosen)
    if taken is not Route.OPERATOR:
        _tell_records(records, suites, chosen, seed)
    problems = dict.fromkeys(plan.problems)
    if taken is not Route.OPERATOR and why_not is not None and not problems:
        problems[str(why_not).rstrip(".")] = None
    for problem in problems:
        click.echo(f"hil check: {problem}.", err=True)
    if problems:
        sys.exit(2)


def _tell_doubts(robots: Sequence[RobotFile]) -> None:
    """Say what in robot files is no mistake and yet not as it should be."""
    from hil.measure.chemistry import doubts_of_battery

    for robot in robots:
        for doubt in doubts_of_battery(robot.supply):
            click.echo(f"hil check: warning: robot {robot.robot.name}: {doubt}.", err=True)


def _tell_heat(suites: list[Suite], robot: RobotFile) -> None:
    """Say what load resistors must stand, and warn of those that get too hot for a bench."""
    from hil.plan.bench_problems import heat_of_resistors

    cases = [case for suite in suites for case in suite.cases]
    steps = [step for case in cases for step in (*case.setup, *case.sequence, *case.operator_sequence)]
    for sentence, is_too_hot in heat_of_resistors(steps, robot.robot):
        click.echo(f"hil check: {'warning: ' if is_too_hot else ''}{sentence}.", err=True)


def _tell_records(records: Path, suites: list[Suite], robot: RobotFile, seed: int) -> None:
    """Say which of the bench's records a run would go by."""
    from hil.engine.run_records import foreseen_lines
    from hil.timing import SystemClock

    lines = foreseen_lines(records, suites, robot, SystemClock().now(), seed if robot.virtual else None)
    if lines:
        click.echo("\n".join(["", *lines]))


def _asked(catalogue: Catalogue, name: str) -> tuple[Path, str]:
    """Return the file of an argument and the case asked for, "" for all.

    An argument is a path, the name of a shipped or own suite, or one case of it (`straight-line/tracked-legs`).
    """
    from hil.errors import UsageError
    from hil.spec.kinds import Kind

    path = Path(name)
    if path.is_file():
        return path, ""
    if path.exists():
        raise UsageError("this is no file", where=name, expected="a protocol, robot, course or suite file")
    suite, _, case = name.rpartition("/")
    if name.endswith(".yaml") or set(suite) & set("./"):
        raise UsageError("no such file", where=name, todo="Check the path")
    return catalogue.find(Kind.SUITE, suite or name), case if suite else ""


def _suites(loaded: Loaded, asked: list[tuple[Path, str]]) -> list[Suite]:
    """Return the suites to plan, those asked for by case with that case only, which then needs no other."""
    from dataclasses import replace

    from hil.errors import UsageError

    cases = {path.resolve(): case for path, case in asked if case}
    chosen = []
    for suite in loaded.suites:
        name = cases.get(suite.file.resolve(), "")
        case = suite.case(name) if name else None
        if name and case is None:
            known = ", ".join(one.name for one in suite.cases)
            raise UsageError(
                f"the suite {suite.name} has no case '{name}'", where=str(suite.file), expected=f"one of {known}"
            )
        chosen.append(suite if case is None else replace(suite, cases=(replace(case, needs=()),)))
    return chosen


def _load(catalogue: Catalogue, paths: list[Path]) -> Loaded:
    from hil.spec.loading import load_many

    return load_many(paths, catalogue)


def _dialects(catalogue: Catalogue, robot: RobotFile) -> dict[str, Dialect]:
    from hil.spec.kinds import Kind
    from hil.spec.loading import load_protocol

    names = {program.protocol for program in robot.programs.values()}
    return {name: load_protocol(catalogue.find(Kind.PROTOCOL, name, robot.file)) for name in sorted(names)}
