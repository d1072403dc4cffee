"""`hil simulate`: serve a virtual robot on a port until Ctrl-C, with its person at the keyboard."""

from __future__ import annotations

import os
import select
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.errors import BenchError, HilError, UsageError

if TYPE_CHECKING:
    from hil.cli.simulated_person import SimulatedPerson
    from hil.engine.virtual import VirtualProcess
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

_LONGEST_LINE = 4096  # of what is typed at once
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
    from hil.cli.simulated_person import SimulatedPerson
    from hil.engine.calibrating import jig_calibrations
    from hil.engine.virtual import VirtualProcess, VirtualRobotOrder
    from hil.simulator.faults import parse_faults
    from hil.spec.kinds import Kind
    from hil.spec.loading import load_course, load_robot
    from hil.store.calibrations import write_calibrations
    from hil.timing import SystemClock

    parse_faults(faults)
    _refuse_a_taken_name(link, is_socket=is_socket)
    catalogue = Catalogue()
    robot_file, course_file = catalogue.find(Kind.ROBOT, robot), catalogue.find(Kind.COURSE, course)
    loaded, on = load_robot(robot_file), load_course(course_file)
    if not loaded.virtual:
        raise UsageError("this robot file is of a real robot", where=str(robot_file), expected="'virtual: yes' in it")
    chosen = _program_of(loaded, program)
    protocols = {
        name: catalogue.find(Kind.PROTOCOL, one.protocol, beside=robot_file) for name, one in loaded.programs.items()
    }
    order = VirtualRobotOrder(
        robot_file=robot_file,
        protocol_file=protocols[chosen.name],
        protocols=protocols,
        program=chosen.name,
        link=link,
        course_file=course_file,
        seed=seed,
        faults=faults,
        paced=not unpaced,
        serve="socket" if is_socket else "pty",
    )
    with VirtualProcess(order, SystemClock()) as process:
        start = [on.start.x, on.start.y, int(on.start.heading)]
        process.ask({"do": "place", "course_file": str(course_file), "pose": start})
        write_calibrations(calibration, jig_calibrations(process.hello["jig"], on.surface, loaded.robot))
        _say_what_is_served(process.port, chosen.protocol, on.name, calibration)
        try:
            _serve(process, SimulatedPerson(process.ask, str(course_file), start, loaded.robot.speed_mm_s))
        except KeyboardInterrupt:
            click.echo("ended.", err=True)
    return 0


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
    click.echo("Ctrl-C ends it.")
    sys.stdout.flush()


def _serve(process: VirtualProcess, person: SimulatedPerson) -> None:
    """Pass typed lines on until the process or the user ends it; a closed input leaves it served."""
    listened, unread = [sys.stdin.fileno()], b""
    while not process.has_ended:
        if not select.select(listened, [], [], _LOOK_S)[0]:
            continue
        # Not by readline, which would take several lines at once and hide the rest from select.
        data = os.read(listened[0], _LONGEST_LINE)
        *lines, unread = (unread + data).split(b"\n")
        if not data:
            listened, lines, unread = [], [unread], b""
        for line in lines:
            _obey(person, line.decode(errors="replace"))
    raise BenchError("the virtual robot's process ended by itself", where=process.port, todo="Start it again")


def _obey(person: SimulatedPerson, line: str) -> None:
    try:
        click.echo(person.obey(line))
    except (HilError, ValueError) as error:
        click.echo(f"{error}", err=True)
    sys.stdout.flush()
