"""`hil check`: files held against everything they must be, and what would be done, without a robot."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from hil.catalogue import Catalogue
    from hil.spec.loading import Loaded
    from hil.spec.robot_values import RobotFile
    from hil.wire.dialect import Dialect

_HELP = """Check files and show what would be done, without a robot.

FILES are protocol, robot, course and suite files in any mix (told by .protocol.yaml, .robot.yaml, .course.yaml,
.suite.yaml), or names of shipped suites. Every mistake in every file is shown, one a line, with its place, what was
found and what was expected. Where there are none, the plan of the suites follows: steps, the person's part, times, and
what each assertion can resolve on the robot.

\b
  hil check my.suite.yaml mine.robot.yaml
  hil check straight-line --robot mine --route operator

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
    default="telemetry",
    show_default=True,
    help="Who measures: the robot's reports, a person with marks, ruler and stopwatch, or both, one after the other.",
)
@click.option(
    "--class",
    "robot_class",
    type=click.Choice(["entry", "fast"]),
    help="Tolerances to plan for.  [default: the robot's]",
)
def check(files: tuple[str, ...], robot: str | None, route: str, robot_class: str | None) -> None:
    """Check files and print the plan; the text a user sees is `_HELP`."""
    from hil.catalogue import Catalogue
    from hil.plan import build_plan
    from hil.plan.lines import counted, plan_lines
    from hil.results import Route
    from hil.spec.kinds import Kind

    catalogue = Catalogue()
    paths = [_path(catalogue, name) for name in files]
    if robot is not None:
        paths.append(catalogue.find(Kind.ROBOT, robot))
    loaded = _load(catalogue, paths)
    if not loaded.suites:
        click.echo(f"No mistakes in {counted(len(dict.fromkeys(paths)), 'file')}.")
        return
    chosen = loaded.robots[-1] if loaded.robots else _load(catalogue, [catalogue.find(Kind.ROBOT, "virtual")]).robots[0]
    dialects = _dialects(catalogue, chosen)
    # By both routes a case goes through the robot's sequence and then the person's; each is planned by itself.
    routes = (Route.TELEMETRY, Route.OPERATOR) if route == Route.BOTH.value else (Route(route),)
    problems: dict[str, None] = {}
    for number, one in enumerate(routes):
        plan = build_plan(loaded.suites, chosen, dialects, route=one, robot_class=robot_class or "")
        click.echo(("\n" if number else "") + "\n".join(plan_lines(plan)))
        problems |= dict.fromkeys(plan.problems)
    for problem in problems:
        click.echo(f"hil check: {problem}.", err=True)
    if problems:
        sys.exit(2)


def _path(catalogue: Catalogue, name: str) -> Path:
    """Return the file of an argument: a path, or the name of a shipped or own suite."""
    from hil.errors import UsageError
    from hil.spec.kinds import Kind

    if "/" in name or name.endswith(".yaml") or Path(name).is_file():
        if not Path(name).is_file():
            raise UsageError("no such file", where=name, todo="Check the path")
        return Path(name)
    return catalogue.find(Kind.SUITE, name)


def _load(catalogue: Catalogue, paths: list[Path]) -> Loaded:
    from hil.spec.loading import load_many

    return load_many(paths, catalogue)


def _dialects(catalogue: Catalogue, robot: RobotFile) -> dict[str, Dialect]:
    from hil.spec.kinds import Kind
    from hil.spec.loading import load_protocol

    names = {program.protocol for program in robot.programs.values()}
    return {name: load_protocol(catalogue.find(Kind.PROTOCOL, name, robot.file)) for name in sorted(names)}
