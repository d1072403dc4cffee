"""The programs of a robot file: how each is talked to, loaded, driven and stopped, held against its protocol."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from hil.spec.checking import Document, Expectation, FilePart, Key, wrong
from hil.spec.kinds import Finder, Kind, UnknownReferenceError
from hil.spec.protocol_compile import compile_protocol
from hil.spec.robot_values import Choice, Drives, MazeLogic, Program
from hil.spec.texts import InUnit, Name, Reference, Text, YesNo
from hil.spec.wording import one_of, quoted
from hil.wire.dialect import Dialect

JOBS = ("driving", "sensing")

Seconds = Annotated[float, InUnit("s", "500 ms", above=0)]

_URL = re.compile(r"[A-Za-z0-9_./:@?&=%+\-\[\]\\]{1,200}")


def is_port(text: str) -> bool:
    """Whether a robot file takes this text for a port."""
    return _URL.fullmatch(text) is not None


def _port(value: Any) -> Any:
    if not isinstance(value, str) or not is_port(value):
        raise wrong("a port such as '/dev/ttyUSB0' or 'socket://127.0.0.1:4000'")
    return value


Port = Annotated[str, BeforeValidator(_port), Expectation("a port"), WithJsonSchema({"type": "string"})]


class TrackingPart(FilePart):
    """The setting that chooses the walls the maze logic steers by, and its values."""

    setting: Name
    none: float | None = None
    left: float | None = None
    right: float | None = None
    both: float | None = None


class FrontPart(FilePart):
    """The setting that chooses what ends a straight of the maze logic, and its values."""

    setting: Name
    wall: float | None = None
    counts: float | None = None


class MazeLogicPart(FilePart):
    """How a robot that is given goal cells drives to them."""

    about: Literal["left", "right"] = "left"
    own_tracking: Literal["none", "left", "right", "both"] = "both"
    own_front: Literal["wall", "counts"] = "wall"
    tracking: TrackingPart | None = None
    front: FrontPart | None = None


class ProgramPart(FilePart):
    """A firmware image."""

    protocol: Reference
    port: Port = ""
    can: Annotated[
        list[Literal["driving", "sensing"]],
        Field(default_factory=lambda: ["driving", "sensing"], max_length=2),
    ]
    load: Text = ""
    load_wait: Seconds = 30.0
    cable: YesNo = True
    drives_by: Literal["command", "goal", "operator"] = "command"
    maze_logic: MazeLogicPart | None = None


class StopPart(FilePart):
    """The stop path."""

    by: Literal["command", "dead man", "operator"]
    dead_man: Seconds = 0.0


class SettingPart(FilePart):
    """A setting of the firmware."""

    unit: Text = ""
    range: Annotated[list[float], Field(min_length=2, max_length=2)]
    trims: Text = ""
    meaning: Text = ""


def compile_program(name: str, part: ProgramPart) -> Program:
    """Return a program as plain values; one that cannot drive is driven by nothing that the tool could send."""
    drives = Drives(part.drives_by) if "driving" in part.can else Drives.OPERATOR
    return Program(
        name=name,
        protocol=part.protocol,
        port=part.port,
        drives_by=drives,
        can=tuple(part.can),
        load=part.load,
        load_s=part.load_wait,
        cable=part.cable,
        maze_logic=_maze_logic(part.maze_logic),
    )


def _maze_logic(part: MazeLogicPart | None) -> MazeLogic:
    if part is None:
        return MazeLogic()
    return MazeLogic(
        about=part.about,
        own_tracking=part.own_tracking,
        own_front=part.own_front,
        tracking=None
        if part.tracking is None
        else Choice(setting=part.tracking.setting, values=_values(part.tracking)),
        front=None if part.front is None else Choice(setting=part.front.setting, values=_values(part.front)),
    )


def _values(part: TrackingPart | FrontPart) -> dict[str, float]:
    names = [name for name in type(part).model_fields if name != "setting"]
    return {name: float(getattr(part, name)) for name in names if getattr(part, name) is not None}


def find_dialects(document: Document, programs: Mapping[str, ProgramPart], finder: Finder | None) -> dict[str, Dialect]:
    """Return the protocols of the programs by the program's name, where they can be found and read.

    Mistakes in a protocol file are reported beside those of the robot's.
    """
    found: dict[str, Dialect] = {}
    read: dict[Path, Dialect | None] = {}
    if finder is None:
        return found
    for name, part in programs.items():
        try:
            path = finder.find(Kind.PROTOCOL, part.protocol, document.path)
        except UnknownReferenceError as error:
            document.report_name(("programs", name, "protocol"), "a protocol", part.protocol, error.known)
            continue
        if path not in read:
            protocol = Document(path)
            read[path] = compile_protocol(protocol)
            document.source.mistakes += protocol.mistakes
        dialect = read[path]
        if dialect is not None:
            found[name] = dialect
    return found


def check_programs(
    document: Document,
    programs: Mapping[str, ProgramPart],
    settings: Mapping[str, SettingPart],
    dialects: Mapping[str, Dialect],
) -> None:
    """Check every program by itself, beside the others, and against its protocol."""
    if not programs:
        document.report(("programs",), expected="one program at least")
    for name, part in programs.items():
        at: Key = ("programs", name)
        _check_name(document, at, name, programs)
        if len(programs) > 1 and not part.load:
            document.report(
                at,
                found="nothing",
                expected="what the person does to load it, since there are several programs",
                member="load",
            )
        if len(set(part.can)) != len(part.can):
            document.report((*at, "can"), expected="each job once")
        if not part.can:
            _check_no_job(document, at)
        elif "driving" in part.can:
            _check_driving(document, at, part, dialects.get(name))
        else:
            for key in ("drives_by", "cable", "maze_logic"):
                if document.node((*at, key)) is not None:
                    document.report(
                        (*at, key), found=f"'{key}'", expected="it only for a program that can drive", key=True
                    )
        if part.maze_logic is not None:
            _check_maze_logic(document, at, part, part.maze_logic, settings)


def _check_name(document: Document, at: Key, name: str, programs: Mapping[str, ProgramPart]) -> None:
    """Check that a program called like a job is the only one for it, since suites ask for programs by both."""
    if name not in JOBS:
        return
    able = [other for other, part in programs.items() if name in part.can]
    if able != [name]:
        document.report(
            at,
            found=f"{quoted(name)}, which is a job that {one_of(able)} can do" if able else f"{quoted(name)}, a job",
            expected=f"another name, since a suite that asks for {name} means any program that can do that",
            key=True,
        )


def _check_no_job(document: Document, at: Key) -> None:
    """Report an empty list of jobs, unless it is empty because what stood in it was wrong."""
    jobs = document.node((*at, "can"))
    if jobs is None or not jobs.items:
        document.report((*at, "can"), expected="driving, sensing or both")


def _check_driving(document: Document, at: Key, part: ProgramPart, dialect: Dialect | None) -> None:
    written = document.node((*at, "drives_by")) is not None
    if document.has(at, "drives_by") and not written:
        return  # it is wrong, and nobody knows what was meant
    where: Key = (*at, "drives_by") if written else (*at, "protocol")
    if not part.cable and part.drives_by != "operator":
        document.report((*at, "cable"), expected="yes, unless the operator drives it (drives_by: operator)")
    if dialect is None:
        return
    if part.drives_by == "command" and "drive" not in dialect.commands:
        document.report(
            where,
            found="" if written else "'command', which is the default",
            expected=f"goal or operator, since the protocol {dialect.name} has no command 'drive'",
        )
    if part.drives_by == "goal" and "goal" not in dialect.commands:
        document.report(where, expected=f"command or operator, since the protocol {dialect.name} has no command 'goal'")


def _check_maze_logic(
    document: Document, at: Key, part: ProgramPart, logic: MazeLogicPart, settings: Mapping[str, SettingPart]
) -> None:
    is_wrong = document.has(at, "drives_by") and document.node((*at, "drives_by")) is None
    if "driving" in part.can and part.drives_by != "goal" and not is_wrong:
        document.report((*at, "maze_logic"), found="'maze_logic'", expected="it only with drives_by: goal", key=True)
    for key, choice in (("tracking", logic.tracking), ("front", logic.front)):
        if choice is None:
            continue
        here: Key = (*at, "maze_logic", key)
        if document.node((*at, "maze_logic", f"own_{key}")) is not None:
            document.report(
                (*at, "maze_logic", f"own_{key}"),
                found=f"'own_{key}' beside '{key}'",
                expected="one of the two: the firmware decides, or a setting does",
                key=True,
            )
        values = _values(choice)
        if not values:
            document.report(here, expected="the setting's value for one choice at least")
        if choice.setting not in settings:
            if not document.has(("settings",), choice.setting):
                document.report_name((*here, "setting"), "a setting of this robot", choice.setting, settings)
            continue
        lowest, highest = settings[choice.setting].range
        for name, value in values.items():
            if not lowest <= value <= highest:
                document.report((*here, name), expected=f"{lowest:g} to {highest:g}, the range of {choice.setting}")
        if len(set(values.values())) != len(values):
            document.report(here, expected="another value for every choice")


def check_stop(
    document: Document, stop: StopPart, programs: Mapping[str, ProgramPart], dialects: Mapping[str, Dialect]
) -> None:
    """Check that every program that drives by what it is sent can be stopped as the file says, and kept going."""
    for name, part in programs.items():
        dialect = dialects.get(name)
        if dialect is None or "driving" not in part.can:
            continue
        if stop.by == "command" and "stop" not in dialect.commands:
            document.report(
                ("stop", "by"),
                expected=f"dead man or operator, since the protocol {dialect.name} of {name} has no command 'stop'",
            )
        if not stop.dead_man or part.drives_by == "operator":
            continue
        if not dialect.keep_alive_s:
            document.report(
                ("stop", "dead_man"),
                expected=f"none, since the protocol {dialect.name} has no keep_alive and every drive would stop",
            )
        elif stop.dead_man < 2 * dialect.keep_alive_s:
            document.report(
                ("stop", "dead_man"),
                expected=f"{2000 * dialect.keep_alive_s:g} ms at least, twice the keep_alive of {dialect.name}",
            )
