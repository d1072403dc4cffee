"""Protocol files: the models of how a debug port speaks; `hil.spec.protocol_compile` makes dialects of them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from hil.spec.checking import FilePart
from hil.spec.texts import LONGEST_LINE, InUnit, Name, RawText, Text, YesNo

Seconds = Annotated[float, InUnit("s", "300 ms", above=0)]
Latency = Annotated[float, InUnit("s", "16 ms", least=0)]
Settling = Annotated[float, InUnit("s", "50 ms", least=0)]

Lines = Literal["keep", "on", "off", "pulse"]


class OnOpenPart(FilePart):
    """What is done with the modem lines at opening."""

    dtr: Lines = "on"
    rts: Lines = "on"


class PortPart(FilePart):
    """How the port is opened."""

    baud: Annotated[int, Field(ge=50, le=20_000_000)]
    data_bits: Annotated[int, Field(ge=5, le=8)] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Annotated[int, Field(ge=1, le=2)] = 1
    write_timeout: Seconds = 0.5
    settle: Settling = 0.0
    on_open: OnOpenPart = OnOpenPart()


class FramingPart(FilePart):
    """How messages are told apart."""

    kind: Literal["lines"]
    ending: Literal["crlf", "lf", "cr"] = "crlf"
    max_length: Annotated[int, Field(ge=8, le=LONGEST_LINE)] = 160


class CheckPart(FilePart):
    """The check at the end of every line."""

    name: Text
    separator: RawText = " #"
    digits: Annotated[int, Field(ge=1, le=16)]


class TagsPart(FilePart):
    """How many different request numbers there are before they repeat."""

    modulus: Annotated[int, Field(ge=2, le=2**32)] = 1000


class FieldNamePart(FilePart):
    """The field that numbers the messages, or tells the robot's time."""

    field: Text


class KeepAlivePart(FilePart):
    """How often the robot is told during a drive that somebody is still there."""

    every: Seconds


class BootPart(FilePart):
    """What a board does when its port is opened or its program starts."""

    resets_on_open: YesNo = False
    banner: RawText = ""
    timeout: Seconds = 3.0


class HostClockPart(FilePart):
    """How late a line may come, and what holds it back, where the robot tells no time of its own."""

    latency: Latency = 0.016
    adapter: Text = "latency timer of a USB serial bridge"


class FieldPart(FilePart):
    """A field of a message or a command."""

    type: Literal["unsigned", "signed", "hex", "decimal", "word", "text"]
    unit: Text = ""
    scale: Annotated[float, Field(gt=0)] = 1.0
    offset: float = 0.0
    modulus: Annotated[int, Field(ge=0, le=2**64)] = 0
    choices: Annotated[dict[str, str], Field(default_factory=dict)]
    places: Annotated[int, Field(ge=0, le=9)] = 0
    key: RawText = ""
    optional: YesNo = False
    repeated: RawText = ""


class PairsPart(FilePart):
    """A message of pairs in any order: a head, then keys and values."""

    head: RawText = ""
    equals: RawText = "="
    between: RawText = " "


class MessagePart(FilePart):
    """A message from the robot: a template, or pairs."""

    role: Literal["telemetry", "event", "reply", "row"]
    template: RawText = ""
    pairs: PairsPart | None = None
    every: Seconds = 0.0
    asked_by: Name = ""
    sampled_every: Seconds = 0.0
    fields: Annotated[dict[str, FieldPart], Field(default_factory=dict)]
    verdict: Literal["accepted", "refused"] | None = None


class BlockPart(FilePart):
    """A message of many lines."""

    header: RawText
    rows: Annotated[list[Name], Field(min_length=1, max_length=16)]
    end: RawText = ""
    timeout: Seconds = 2.0


class MenuPart(FilePart):
    """A menu of a console."""

    enter: RawText
    leave: RawText
    prompt: RawText = ""


class ConsolePart(FilePart):
    """What a port made for people adds to its lines."""

    echo: YesNo = False
    prompt: RawText = ""
    colours: YesNo = False
    key_by_key: YesNo = False
    menus: Annotated[dict[Name, MenuPart], Field(default_factory=dict)]


class CommandPart(FilePart):
    """A request to the robot."""

    template: RawText
    fields: Annotated[dict[str, FieldPart], Field(default_factory=dict)]
    replied: YesNo = True
    deadline: Seconds = 0.5
    tries: Annotated[int, Field(ge=1, le=20)] = 3
    answers: Annotated[list[Name], Field(default_factory=list, max_length=16)]
    menu: Name = ""


class PathPart(FilePart):
    """How a path is written in the argument of `drive`."""

    ahead: RawText
    trackings: dict[str, RawText]
    left: RawText
    right: RawText
    about_left: RawText
    about_right: RawText
    joiner: RawText = ","


class ProtocolFile(FilePart):
    """A protocol file."""

    protocol: Name
    title: Text
    port: PortPart
    framing: FramingPart
    check: CheckPart | None = None
    tags: TagsPart = TagsPart()
    sequence: FieldNamePart | None = None
    clock: FieldNamePart | None = None
    keep_alive: KeepAlivePart | None = None
    banner: RawText = ""
    boot: BootPart | None = None
    host_clock: HostClockPart | None = None
    console: ConsolePart | None = None
    messages: dict[Name, MessagePart]
    blocks: Annotated[dict[str, BlockPart], Field(default_factory=dict)]
    commands: Annotated[dict[str, CommandPart], Field(default_factory=dict)]
    path: PathPart | None = None
