"""`hil simulate`: serve a virtual robot on a port until Ctrl-C, with its person at the keyboard."""

from __future__ import annotations

import os
import select
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import click

from hil.errors import BenchError, HilError, UsageError

if TYPE_CHECKING:
    from hil.catalogue import Catalogue
    from hil.cli.simulated_person import SimulatedPerson
    from hil.engine.virtual import VirtualProcess, VirtualRobotOrder
    from hil.measure.model import Course
    from hil.spec.robot_values import Program, RobotFile

_HELP = """Serve a virtual robot on a port until Ctrl-C.

The port to open is printed: a pseudo-terminal, or with --socket a TCP port of this machine. Any program
can speak to it as to a real robot; `hil run --robot virtual --port PORT --calibration FILE` does. The robot
runs in real time unless --unpaced is given, and stands at the start of the course.

\b
While it is served, the person's part can be typed, a line each:
{keyboard}

The calibration of its sensors, fitted to a noisy jig run, is written to --calibration.
"""

_AT_ONCE = 4096  # bytes: as much as a terminal gives in one piece
_LOOK_S = 0.2  # how often the process is looked at while nobody types


class _SimulateCommand(click.Command):
    """A command whose help lists what can be typed; the list loads only when the help is asked for."""

    def get_help(self, ctx: click.Context) -> str:
        from hil.cli.simulated_person import HELP

        self.help = _HELP.format(keyboard=HELP)
        return super().get_help(ctx)


@click.command(cls=_SimulateCommand, help=_HELP)
@click.option("--robot", default="virtual", show_default=True, metavar="FILE_OR_NAME", help="The robot file.")
@click.option(
    "--course", default="corridor-six", show_default=True, metavar="FILE_OR_NAME", help="The course it is on."
)
@click.option("--program", default="", metavar="NAME", help="The program that is loaded first.  [default: its first]")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Seed of all its noise.")
@click.option("--fault", "faults", multiple=True, metavar="NAME=VALUE", help="A fault, as for 'hil run'.")
@click.option("--socket", "is_socket", is_flag=True, help="Serve on a TCP port of the loopback.")
@click.option("--unpaced", is_flag=True, help="Drive as fast as the machine can.")
@click.option(
    "--link",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="Keep a symbolic link that leads to the pseudo-terminal, whatever that is called at the moment.",
)
@click.option(
    "--calibration",
    type=click.Path(path_type=Path),
    default=Path("virtual.calibration.json"),
    show_default=True,
    metavar="FILE",
    help="Where the calibration of its sensors is written.",
)
def simulate(
    robot: str,
    course: str,
    program: str,
    seed: int,
    faults: tuple[str, ...],
    is_socket: bool,
    unpaced: bool,
    link: Path | None,
    calibration: Path,
) -> int:
    """Start the process, say where the port is, and pass on what is typed."""
    from hil.catalogue import Catalogue
    from hil.simulator.faults import parse_faults
    from hil.spec.kinds import Kind
    from hil.spec.loading import load_course, load_robot

    parse_faults(faults)
    _refuse_a_taken_name(link, is_socket=is_socket)
    catalogue = Catalogue()
    robot_file, course_file = catalogue.find(Kind.ROBOT, robot), catalogue.find(Kind.COURSE, course)
    loaded, on = load_robot(robot_file), load_course(course_file)
    if not loaded.virtual:
        raise UsageError("this robot file is of a real robot", where=str(robot_file), expected="'virtual: yes' in it")
    chosen = _program_of(loaded, program)
    order = _order(catalogue, loaded, chosen, course_file)
    serve = "socket" if is_socket else "pty"
    order = replace(order, link=link, seed=seed, faults=faults, paced=not unpaced, serve=serve)
    _serve_order(order, loaded, on, calibration)
    return 0


def _order(catalogue: Catalogue, robot: RobotFile, program: Program, course_file: Path) -> VirtualRobotOrder:
    """Return the order of a robot that carries `program`, with the protocol of each that it may carry."""
    from hil.engine.virtual import VirtualRobotOrder
    from hil.spec.kinds import Kind

    protocols = {
        name: catalogue.find(Kind.PROTOCOL, one.protocol, beside=robot.file) for name, one in robot.programs.items()
    }
    return VirtualRobotOrder(
        robot_file=robot.file,
        protocol_file=protocols[program.name],
        protocols=protocols,
        program=program.name,
        course_file=course_file,
        seed=1,
    )


def _serve_order(order: VirtualRobotOrder, robot: RobotFile, course: Course, calibration: Path) -> None:
    """Start the process, write its calibration, and serve until it ends or Ctrl-C is pressed."""
    from hil.cli.simulated_person import SimulatedPerson
    from hil.engine.calibrating import jig_calibrations
    from hil.engine.virtual import VirtualProcess
    from hil.store.calibrations import write_calibrations
    from hil.timing import SystemClock

    with VirtualProcess(order, SystemClock()) as process:
        start = [course.start.x, course.start.y, int(course.start.heading)]
        process.ask({"do": "place", "course_file": str(order.course_file), "pose": start})
        write_calibrations(calibration, jig_calibrations(process.hello["jig"], course.surface, robot.robot))
        _say_what_is_served(process.port, robot.programs[order.program].protocol, course.name, calibration)
        try:
            person = SimulatedPerson(process.ask, str(order.course_file), start, robot.robot.speed_mm_s)
            _serve(process, person, sys.stdin)
        except KeyboardInterrupt:
            click.echo("ended.", err=True)


def _refuse_a_taken_name(link: Path | None, *, is_socket: bool) -> None:
    """Refuse a name for the link that something else has; an old link is replaced."""
    if link is None:
        return
    if is_socket:
        raise UsageError("a TCP port has no name that a link could lead to", where="--link", expected="no --socket")
    what = "a folder" if link.is_dir() else "a file"
    if link.exists() and not link.is_symlink():
        raise UsageError(
            f"there is {what} of that name, which a link would replace",
            where=f"--link {link}",
            expected="a name not in use, or an old link",
            todo="Choose another name; nothing was started",
        )
    if not link.parent.is_dir():
        raise UsageError(
            f"there is no folder {link.parent}", where=f"--link {link}", expected="a name in a folder that exists"
        )


def _program_of(robot: RobotFile, name: str) -> Program:
    """Return a program of the robot, its first where none is named."""
    program = robot.programs.get(name) if name else next(iter(robot.programs.values()))
    if program is None:
        raise UsageError(
            f"the robot has no program {name!r}",
            where=str(robot.file),
            expected=f"one of {', '.join(robot.programs)}",
        )
    return program


def _say_what_is_served(port: str, protocol: str, course: str, calibration: Path) -> None:
    click.echo(f"virtual robot, protocol {protocol}, on the course {course}")
    click.echo(f"port: {port}")
    click.echo(f"calibration: {calibration}")
    click.echo("Ctrl-C ends it. Type 'help' for what the person can do.")
    sys.stdout.flush()


def _serve(process: VirtualProcess, person: SimulatedPerson, keyboard: TextIO | None) -> None:
    """Pass typed lines on until the process or the user ends it; a closed input leaves it served."""
    from hil.cli.typed_lines import TypedLines

    listened, typed = [keyboard.fileno()] if keyboard is not None else [], TypedLines()
    while not process.has_ended:
        if not select.select(listened, [], [], _LOOK_S)[0]:
            continue
        # Not by readline, which would take several lines at once and hide the rest from select.
        data = os.read(listened[0], _AT_ONCE)
        lines = typed.receive(data)
        if not data:
            listened, lines = [], typed.end()
        for line in lines:
            _obey(person, line)
        if not data:
            click.echo("no more is read here; the robot is served until Ctrl-C.", err=True)
    raise BenchError("the virtual robot's process ended by itself", where=process.port, todo="Start it again")


def _obey(person: SimulatedPerson, line: str) -> None:
    try:
        click.echo(person.obey(line))
    except HilError as error:
        click.echo(f"{error}", err=True)
    sys.stdout.flush()
