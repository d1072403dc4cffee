"""A dialect: one compiled protocol, as plain frozen values.

`hil.spec` reads a protocol file and builds these; `hil.wire` speaks them, at the host's end and at the
robot's. Nothing here parses text or touches a port. All times are seconds, all lengths bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum


class FieldType(Enum):
    """How a field is written in a text message."""

    UNSIGNED = "unsigned"  # decimal digits
    SIGNED = "signed"  # decimal digits with an optional minus sign
    HEX = "hex"  # upper-case hexadecimal digits, unsigned
    DECIMAL = "decimal"  # digits with an optional minus sign and an optional point with digits behind it
    WORD = "word"  # letters, digits, and . _ + : , - / (no blank), at least one
    TEXT = "text"  # printable characters and blanks to the end of the message; may be empty


class Role(Enum):
    """What a message from the robot is."""

    TELEMETRY = "telemetry"  # unsolicited values of channels
    EVENT = "event"  # unsolicited, something happened at an instant
    REPLY = "reply"  # the answer to a request, told by its tag or, without one, by coming next
    ROW = "row"  # a row of a block message: values of channels, or an event, as of an earlier moment


class Verdict(Enum):
    """What a reply says of its request."""

    ACCEPTED = "accepted"
    REFUSED = "refused"


class LineState(Enum):
    """What is done with a modem line at opening."""

    KEEP = "keep"
    ON = "on"
    OFF = "off"
    PULSE = "pulse"


@dataclass(frozen=True, slots=True, kw_only=True)
class PortSettings:
    """How the port is opened. `settle_s` is waited after opening before anything is sent."""

    baud: int
    data_bits: int = 8
    parity: str = "none"  # none, even, odd
    stop_bits: int = 1
    write_timeout_s: float = 0.5
    settle_s: float = 0.0
    dtr: LineState = LineState.ON
    rts: LineState = LineState.ON

    @property
    def bits_per_byte(self) -> int:
        """Bits on the wire for one byte, start and stop bits counted."""
        return 1 + self.data_bits + (0 if self.parity == "none" else 1) + self.stop_bits


@dataclass(frozen=True, slots=True, kw_only=True)
class BootSpec:
    """What a board does when its port is opened or its program starts.

    With `resets_on_open` the opening restarts it, and nothing is asked before `banner` (a regular expression for one
    line; "": the first good line) has come, within `timeout_s`.
    """

    resets_on_open: bool = False
    banner: str = ""
    timeout_s: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HostClock:
    """How well the host's time of a line stands for the robot's, where the robot tells no time of its own.

    A line may be held back for up to `latency_s` by what `adapter` names; the delay is taken as evenly distributed.
    """

    latency_s: float = 0.016
    adapter: str = "latency timer of a USB serial bridge"


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFraming:
    """Lines: each message ends with `ending`; a longer line than `max_length` (ending not counted) is noise.

    A receiver takes a bare line feed too when `ending` is carriage return and line feed.
    """

    ending: bytes = b"\r\n"
    max_length: int = 160


@dataclass(frozen=True, slots=True, kw_only=True)
class LineCheck:
    """A check in hex at the end of every line, after `separator`.

    The check is taken over all bytes of the line before the separator. `name` is the CRC catalogue's name, or
    `xor` or `sum8`; `digits` upper-case hexadecimal digits are written, most significant first.
    """

    name: str
    separator: bytes = b" #"
    digits: int = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldSpec:
    """One field of a message.

    `name` is the placeholder in the template; for telemetry it is the canonical channel. The decoded value of a
    number is `raw * scale + offset`, in the channel's unit. `modulus` (0: none) is where a counter or clock wraps.
    `choices`, for words, is the closed set of what may stand there, mapped to canonical words.

    `places` is how many digits behind the point a decimal is written with (any number is read). `key` is its word in a
    message of pairs. An `optional` field may be absent (in a template: inside square brackets). With `repeated_by` the
    field stands once or more, joined by that text, and its value is a tuple.
    """

    name: str
    type: FieldType
    scale: float = 1.0
    offset: float = 0.0
    modulus: int = 0
    choices: Mapping[str, str] = field(default_factory=dict)
    places: int = 0
    key: str = ""
    optional: bool = False
    repeated_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairsForm:
    """A message of pairs in any order: `head`, then key, `equals`, value, with `between` between the pairs."""

    head: str = ""
    equals: str = "="
    between: str = " "


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageSpec:
    """One message from the robot; `template` both parses and formats, `{name}` standing for a field.

    Text in square brackets is optional, with the fields in it. With `pairs` the message is pairs in any order and
    `template` is "". `period_s` is how often telemetry is sent unasked (0: only when `stream` asked for it).
    `sample_s` is the time between the values of a repeated field, the last of which is of the message's time (0: they
    are all of that time). With `asked_by` it is sent only after that action ("sample") asked for it.
    """

    name: str
    role: Role
    template: str
    fields: tuple[FieldSpec, ...] = ()
    verdict: Verdict | None = None  # of replies
    pairs: PairsForm | None = None
    period_s: float = 0.0
    sample_s: float = 0.0
    asked_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockSpec:
    """A message of many lines: a header, rows, and an end.

    `name` says what it holds ("log", "map", "edges", "ticks"). `header` is a template that may hold `{count}`, the
    number of rows. `rows` name messages of role ROW. The block ends with a line like `end`, or after the count of rows,
    or, where there is neither, after `timeout_s` of silence; silence before an end that was due cuts it short.
    """

    name: str
    header: str
    rows: tuple[str, ...]
    end: str = ""
    timeout_s: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MenuSpec:
    """A menu of a console: what is sent in the main menu to come to it, and in it to leave it; its prompt."""

    enter: str
    leave: str
    prompt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConsoleSpec:
    """A port made for people.

    With `echo` the firmware sends back what it is sent, `prompt` ("": none) stands at the beginning of a line that
    waits for input, with `colours` escape sequences (ECMA-48) may stand anywhere in its lines. `menus` are reached
    from the main menu and left to it. `key_by_key`: a command is one key and acts without a line ending.
    """

    echo: bool = False
    prompt: str = ""
    colours: bool = False
    menus: Mapping[str, MenuSpec] = field(default_factory=dict)
    key_by_key: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandSpec:
    """One request to the robot.

    `action` is the canonical action; `template` may hold `{tag}` (the request's number) and the arguments in
    `fields`. With `replied` false nothing comes back (keep-alive). After `tries` sendings, each waited for
    `deadline_s`, the request has failed. A robot that gets the same tag again answers again and does nothing.

    A request without `{tag}` that is replied to is sent alone: the next reply of a kind named in `answers` (any kind,
    where that is empty) answers it, and it is sent once only, since a robot cannot tell a repetition from a new one.
    `menu` is the console's menu that it belongs to ("": the main one).
    """

    action: str
    template: str
    fields: tuple[FieldSpec, ...] = ()
    replied: bool = True
    deadline_s: float = 0.5
    tries: int = 3
    answers: tuple[str, ...] = ()
    menu: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PathCoding:
    """How a path is written in the argument of `drive`.

    Elements are joined by `joiner`. `ahead` is a template with `{cells}` and `{tracking}`; `trackings` maps
    none, left, right, both to the firmware's words. The turns are plain words.
    """

    ahead: str
    trackings: Mapping[str, str]
    left: str
    right: str
    about_left: str
    about_right: str
    joiner: str = ","


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """A whole protocol.

    `tag_modulus` is how many different tags requests carry before they repeat. `sequence_field` and
    `clock_field` name the fields (in every message that carries them) that number lines and tell the robot's
    time; "" where the firmware has none. `keep_alive_s` is how often `alive` is sent while a drive is under way
    (0: never). `banner` is a regular expression for text sent at boot, which is skipped. Without a clock field the
    host's time of each line stands for the robot's, as well as `host_clock` says.
    """

    name: str
    title: str
    port: PortSettings
    framing: LineFraming
    check: LineCheck | None
    messages: tuple[MessageSpec, ...]
    commands: Mapping[str, CommandSpec]
    path: PathCoding | None = None
    tag_modulus: int = 1000
    sequence_field: str = ""
    clock_field: str = ""
    keep_alive_s: float = 0.0
    banner: str = ""
    digest: str = ""  # sha-256 of the file it was compiled from
    boot: BootSpec = BootSpec()
    host_clock: HostClock = HostClock()
    blocks: tuple[BlockSpec, ...] = ()
    console: ConsoleSpec | None = None

    @property
    def channels(self) -> frozenset[str]:
        """The canonical channels its telemetry carries."""
        return frozenset(
            spec.name for message in self.messages if message.role is Role.TELEMETRY for spec in message.fields
        )

    @property
    def prints_unasked(self) -> bool:
        """Whether telemetry comes without being asked for."""
        return any(message.period_s for message in self.messages)

    @property
    def logged_channels(self) -> frozenset[str]:
        """The canonical channels that rows of its log carry."""
        rows = {row for block in self.blocks if block.name == "log" for row in block.rows}
        return frozenset(spec.name for message in self.messages if message.name in rows for spec in message.fields)

    @property
    def taken_channels(self) -> frozenset[str]:
        """The canonical channels that it takes down for a while and sends as a block when asked."""
        taken = [block for block in self.blocks if f"record.{block.name}" in self.commands]
        rows = {row for block in taken for row in block.rows}
        return frozenset(spec.name for message in self.messages if message.name in rows for spec in message.fields)

    @property
    def has_events(self) -> bool:
        """Whether any message reports events."""
        return any(message.role is Role.EVENT for message in self.messages)
