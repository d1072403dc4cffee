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
    WORD = "word"  # letters, digits, and . _ + : , - / (no blank), at least one
    TEXT = "text"  # printable characters and blanks to the end of the message; may be empty


class Role(Enum):
    """What a message from the robot is."""

    TELEMETRY = "telemetry"  # unsolicited values of channels
    EVENT = "event"  # unsolicited, something happened at an instant
    REPLY = "reply"  # the answer to a request, told by its tag


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
    """

    name: str
    type: FieldType
    scale: float = 1.0
    offset: float = 0.0
    modulus: int = 0
    choices: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageSpec:
    """One message from the robot; `template` both parses and formats, `{name}` standing for a field."""

    name: str
    role: Role
    template: str
    fields: tuple[FieldSpec, ...] = ()
    verdict: Verdict | None = None  # of replies


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandSpec:
    """One request to the robot.

    `action` is the canonical action; `template` may hold `{tag}` (the request's number) and the arguments in
    `fields`. With `replied` false nothing comes back (keep-alive). After `tries` sendings, each waited for
    `deadline_s`, the request has failed. A robot that gets the same tag again answers again and does nothing.
    """

    action: str
    template: str
    fields: tuple[FieldSpec, ...] = ()
    replied: bool = True
    deadline_s: float = 0.5
    tries: int = 3


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
    (0: never). `banner` is a regular expression for text sent at boot, which is skipped.
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

    @property
    def channels(self) -> frozenset[str]:
        """The canonical channels its telemetry carries."""
        return frozenset(
            spec.name for message in self.messages if message.role is Role.TELEMETRY for spec in message.fields
        )

    @property
    def has_events(self) -> bool:
        """Whether any message reports events."""
        return any(message.role is Role.EVENT for message in self.messages)
