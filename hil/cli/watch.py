"""`hil watch`: a live display of encoders, walls, supply or loop timing, while a hand is on the screwdriver."""

from __future__ import annotations

import os
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.catalogue import Catalogue
    from hil.engine.virtual import VirtualProcess
    from hil.engine.watch_subjects import Subject
    from hil.engine.watching import Watcher
    from hil.spec.robot_values import Program, RobotFile
    from hil.timing import Clock
    from hil.wire.dialect import Dialect

_HELP = """Show what a robot's senses say, live, while you adjust them: encoder, walls, supply or timing.

One number is drawn large enough to be read from two metres, the rest as bars with the band where they should be and
the least and most seen. The line at the bottom says what to do. Nothing is sent that turns a wheel.

\b
Keys:
  h   hold the picture, and let it go on
  r   reset what was gathered: peaks, turns, gaps
  n   next: another wheel or sensor is shown large
  d   done (Ctrl-C too)

\b
  hil watch encoder --robot mine --port /dev/ttyUSB0
  hil watch walls --robot mine --port /dev/ttyUSB0 --plain
  hil watch supply --virtual

With --plain, or where the terminal cannot be drawn on, lines are printed instead, the verdict first, and only when
something has changed: for a screen reader, or a file.
"""

SUBJECTS = ("encoder", "walls", "supply", "timing")
_MOST_HZ = 20.0
_REST_S = 1.0  # between two places of the board
_NEEDS = {
    "encoder": ("encoder.left.levels", "encoder.right.levels", "encoder.left", "encoder.right"),
    "walls": ("wall.",),
    "supply": ("supply.", "duty."),
    "timing": ("loop.period", "loop.periods"),
}


# Outputs as sampled tell more than counts do, and the motor rail is what a trimmer turns: a program that reports them
# comes first.
_BEST = {"encoder": ".levels", "supply": "supply.motor"}
_WHY_NOT = {
    "timing": ": when lines arrive here tells of the cable and this computer, not of the robot's control loop",
}


@click.command(help=_HELP)
@click.argument("subject", metavar="encoder|walls|supply|timing", type=click.Choice(SUBJECTS))
@click.option("--robot", metavar="FILE_OR_NAME", help="The robot file.  [default: with --virtual, the virtual robot]")
@click.option("--port", default="", metavar="PORT", help="Its port.  [default: the robot file's]")
@click.option("--program", default="", metavar="NAME", help="The program it carries.  [default: one that can sense]")
@click.option("--virtual", is_flag=True, help="Watch a virtual robot, whose person turns wheels and holds up boards.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Of the virtual robot.")
@click.option("--fault", "faults", multiple=True, metavar="NAME=VALUE", help="A fault of the virtual robot.")
@click.option(
    "--rate", type=click.FloatRange(0.2, _MOST_HZ), default=10.0, show_default=True, help="Pictures a second."
)
@click.option("--surface", default="", metavar="NAME", help="Walls: hold the readings against this surface's record.")
@click.option(
    "--records",
    type=click.Path(path_type=Path),
    default=Path("records"),
    show_default=True,
    metavar="DIR",
    help="The bench's records.",
)
@click.option("--plain", is_flag=True, help="Lines instead of a picture.")
@click.option("--for", "for_s", type=click.FloatRange(0.1), default=None, metavar="SECONDS", help="End after so long.")
def watch(
    subject: str,
    robot: str | None,
    port: str,
    program: str,
    virtual: bool,
    seed: int,
    faults: tuple[str, ...],
    rate: float,
    surface: str,
    records: Path,
    plain: bool,
    for_s: float | None,
) -> None:
    """Open the port, feed the subject, draw; the text a user sees is `_HELP`."""
    from hil.catalogue import Catalogue
    from hil.cli.watch_showing import show
    from hil.engine.watching import Watcher
    from hil.spec.kinds import Kind
    from hil.spec.loading import load_robot
    from hil.timing import SystemClock

    _check_asked(subject, robot, faults, seed, surface, virtual=virtual)
    catalogue, clock = Catalogue(), SystemClock()
    loaded = load_robot(catalogue.find(Kind.ROBOT, robot or "virtual"), catalogue)
    if loaded.virtual and not virtual and not port:
        raise UsageError(
            "this robot file is of a virtual robot", where=str(loaded.file), expected="--virtual, or --port"
        )
    set_points = _set_points(loaded, records, surface, seed if virtual else None, clock) if surface else {}
    chosen = _program(loaded, program, subject, catalogue)
    dialect = _dialect(loaded, chosen, catalogue)
    with ExitStack() as stack:
        process = _virtual(loaded, chosen, catalogue, seed, faults, stack) if virtual else None
        url = process.port if process else port or chosen.port
        if not url:
            raise UsageError(
                "it is not said which port the robot is on", where=str(loaded.file), expected="--port PORT"
            )
        watcher = Watcher(
            port=url, dialect=dialect, clock=clock, subject=_subject(subject, loaded, dialect, set_points),
            samples=subject == "encoder", where=process.where if process else None,
        )  # fmt: skip
        if process is not None:
            watcher.meanwhile = _hand(process, subject, loaded, watcher)
        stack.enter_context(watcher)
        show(watcher, rate, for_s, is_plain=plain or not _can_draw())
    for note in watcher.notes:
        click.echo(f"hil: {note}", err=True)


def _check_asked(
    subject: str, robot: str | None, faults: tuple[str, ...], seed: int, surface: str, *, virtual: bool
) -> None:
    """Refuse options that mean nothing beside each other."""
    if robot is None and not virtual:
        raise UsageError("it is not said which robot is watched", expected="--robot FILE_OR_NAME, or --virtual")
    if (faults or seed != 1) and not virtual:
        raise UsageError("faults and seeds are for the virtual robot", expected="--virtual beside them")
    if surface and subject != "walls":
        raise UsageError(f"a surface means nothing to {subject}", expected="it for walls only")


def _virtual(
    robot: RobotFile, program: Program, catalogue: Catalogue, seed: int, faults: tuple[str, ...], stack: ExitStack
) -> VirtualProcess:
    """Start a virtual robot that runs in real time, and put it on the stand."""
    from hil.engine.virtual import VirtualProcess, VirtualRobotOrder
    from hil.simulator.faults import parse_faults
    from hil.spec.kinds import Kind
    from hil.timing import SystemClock

    if not robot.virtual:
        raise UsageError("this robot file is of a real robot", where=str(robot.file), expected="'virtual: yes' in it")
    parse_faults(faults)
    protocols = {
        name: catalogue.find(Kind.PROTOCOL, one.protocol, beside=robot.file) for name, one in robot.programs.items()
    }
    order = VirtualRobotOrder(
        robot_file=robot.file, protocol_file=protocols[program.name], protocols=protocols, program=program.name,
        course_file=catalogue.find(Kind.COURSE, "corridor-six"), seed=seed, faults=faults, paced=True,
    )  # fmt: skip
    return stack.enter_context(VirtualProcess(order, SystemClock()))


def _hand(process: VirtualProcess, subject: str, robot: RobotFile, watcher: Watcher) -> Callable[[], None]:
    """Return what lets the virtual person go on with what is to be seen."""
    from hil.engine.watch_virtual import VirtualHand, acts_of

    acts = acts_of(subject, [sensor.channel for sensor in robot.robot.sensors])
    if subject != "walls":
        process.ask({"do": "stand"})
    hand = VirtualHand(process=process, acts=acts, rest_s=_REST_S if subject == "walls" else 0.0)
    return lambda: hand.go_on(watcher.now_s())


def _program(robot: RobotFile, name: str, subject: str, catalogue: Catalogue) -> Program:
    """Return the program that is watched: the one named, or the first that reports the most of what is to be seen."""
    if name:
        found = robot.programs.get(name)
        if found is None:
            raise UsageError(
                f"the robot has no program '{name}'",
                where=str(robot.file),
                expected=f"one of {', '.join(robot.programs)}",
            )
        return found
    told = {name: _channels(_dialect(robot, one, catalogue), subject) for name, one in robot.programs.items()}
    best = _BEST.get(subject, "")
    ordered = sorted(told, key=lambda one: (not told[one], not any(name.endswith(best) for name in told[one])))
    return robot.programs[ordered[0]]


def _dialect(robot: RobotFile, program: Program, catalogue: Catalogue) -> Dialect:
    from hil.spec.kinds import Kind
    from hil.spec.loading import load_protocol

    return load_protocol(catalogue.find(Kind.PROTOCOL, program.protocol, beside=robot.file))


def _channels(dialect: Dialect, subject: str) -> list[str]:
    """Return the channels of a subject that a protocol reports, in the order of the vocabulary."""
    from hil.vocabulary import CHANNELS

    return [name for name in CHANNELS if name in dialect.channels and name.startswith(_NEEDS[subject])]


def _set_points(robot: RobotFile, records: Path, surface: str, seed: int | None, clock: Clock) -> dict[str, float]:
    """Return what each sensor reads at its set distance, by the record of a surface; refuse where none serves."""
    from hil.store.records import Circumstances, pick_record

    now = Circumstances(serial=robot.robot.serial, now=clock.now(), seed=seed, validity=robot.validity)
    picked = pick_record(records, surface, now)
    if picked.record is None:
        raise UsageError(picked.reason, where=str(picked.path), expected="a record that the suite wall-sensors wrote")
    ending = ".set"
    return {name.removesuffix(ending): value for name, value in picked.record.numbers.items() if name.endswith(ending)}


def _subject(subject: str, robot: RobotFile, dialect: Dialect, set_points: dict[str, float]) -> Subject:
    from hil.engine.watch_subjects import Power, Timing, Walls
    from hil.measure.evidence import DARK

    channels = _channels(dialect, subject)
    if not channels:
        raise UsageError(
            f"the protocol {dialect.name} reports nothing of {subject}" + _WHY_NOT.get(subject, ""),
            expected=f"channels such as {', '.join(_NEEDS[subject])}",
            todo="Name another program with --program, or add the channels to the firmware and its protocol file",
        )
    if subject == "walls":
        return Walls(robot.robot, [name for name in channels if not name.endswith(DARK)], set_points)
    if subject == "supply":
        return Power(robot.robot, channels)
    if subject == "timing":
        return Timing(channels)
    from hil.engine.watch_encoder import Wheels

    return Wheels(robot.robot, channels)


def _can_draw() -> bool:
    return sys.stdout.isatty() and os.environ.get("TERM", "") not in ("", "dumb")
