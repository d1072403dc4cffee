"""One end of a link: bytes in, events out; requests, answers and telemetry in, bytes out.

The same class plays both ends, the host's and the robot's; golden lines beside the protocol file keep the pair
honest. A link does no I/O and knows no time: the caller reads and writes the port and says what time it is. It
never raises on what comes from the wire; it raises `WireError` for values that the dialect cannot carry and
`InternalError` where a method is called at the wrong end.

It refuses dialects in which an answer cannot be told from another's: requests that are answered carry `{tag}`, and so
does every reply, or else none does, and then one request waits at a time (`hil.wire.alone`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from enum import Enum
from typing import TypeVar

from hil.errors import InternalError, WireError
from hil.wire.alone import Alone
from hil.wire.codec import Codec, Envelope, NoiseReason
from hil.wire.compiled import TAG as TAG
from hil.wire.compiled import command_template, refuse_long_keys, refuse_untold_answers
from hil.wire.console import MOST_TRIMMINGS, HostConsole
from hil.wire.dialect import CommandSpec, Dialect, Verdict
from hil.wire.fields import Value
from hil.wire.hearing import Hearing
from hil.wire.lines import LineFramer, Overlong
from hil.wire.received import Counters, Received
from hil.wire.requests import Expired, Pending, Requests, Resend
from hil.wire.robot_end import RobotEnd
from hil.wire.tally import Tally

KEEP_ALIVE = "alive"

T = TypeVar("T", Resend, Expired, Resend | Expired)


class End(Enum):
    """Which end of the cable a link plays."""

    HOST = "host"
    ROBOT = "robot"


class Link:
    """One end of a conversation in `dialect`.

    `first_tag` is the number of the host's first request. A host gives another one each time it starts, so that a
    robot that still remembers the requests of the host before does not take the new ones for repetitions.
    """

    def __init__(self, dialect: Dialect, end: End, *, first_tag: int = 0) -> None:
        refuse_untold_answers(dialect)
        refuse_long_keys(dialect)
        self.dialect = dialect
        self.end = end
        console, ending = dialect.console, dialect.framing.ending
        envelope = Envelope(dialect.framing, dialect.check)
        self._tally = Tally()
        self._commands = Codec(envelope, {name: command_template(c, dialect) for name, c in dialect.commands.items()})
        self._by_key = console is not None and console.key_by_key
        self._console = HostConsole(console) if console and end is End.HOST else None
        self._alone = Alone(self._console, b"" if self._by_key else ending, ending)
        self._requests = Requests(dialect.tag_modulus, first_tag)
        self._hearing = Hearing(
            dialect,
            envelope,
            tally=self._tally,
            console=self._console,
            requests=self._requests,
            alone=self._alone,
        )
        self._robot_end = RobotEnd(dialect, envelope, self._tally) if end is End.ROBOT else None
        framing = dialect.framing
        if self._console is not None:
            framing = replace(framing, max_length=framing.max_length + MOST_TRIMMINGS)
        self._framer = LineFramer(framing, keeps_empty=self._robot_end is not None and console is not None)
        self._last_sent_s: float | None = None

    # Both ends

    def receive(self, data: bytes, now_s: float | None = None) -> list[Received]:
        """Take in bytes from the port and return what they mean, in order.

        `now_s` is when they came. With it, a block message that has been silent for too long is ended, also by no
        bytes at all.
        """
        found: list[Received] = []
        if self._robot_end is not None:
            self._obey(self._robot_end, data, found)
            return found
        hearing = self._hearing
        take = hearing.take
        for line in self._framer.feed(data):
            if isinstance(line, Overlong):
                hearing.take_overlong(line, now_s, found)
            else:
                take(line, now_s, found)
        if self._console is not None:
            self._console.look_at_unfinished(self._framer.unfinished)
        if now_s is not None and hearing.blocks.open_block:
            found += hearing.blocks.due(now_s)
        return found

    def forget_line(self) -> None:
        """Drop the unfinished line, as when the port was closed."""
        self._framer.forget()
        if self._console is not None:
            self._console.forget_line()

    @property
    def counters(self) -> Counters:
        """What has passed so far."""
        return self._tally.counters(self._hearing.numbering)

    @property
    def kept_bytes(self) -> int:
        """How many bytes of an unfinished line are held."""
        return self._framer.kept_bytes

    # The host's end: requests

    def start(self, action: str, values: Mapping[str, Value], now_s: float) -> Pending:
        """Make the request `action`; the caller sends `data` of what is returned.

        On a console with menus that may be the first key on the way; `due` gives the next ones, as `Resend`, and the
        request itself at last. Raise `WireError` where the dialect has no such action, its message cannot carry
        `values`, or a request without a number waits already.
        """
        self._only_at(End.HOST)
        spec = self.dialect.commands.get(action)
        if spec is None:
            raise WireError(
                f"the protocol {self.dialect.name!r} has no command for {action!r}",
                expected=f"one of {', '.join(self.dialect.commands)}",
            )
        numbered = TAG in self._commands.names(action)
        if numbered or not spec.replied:
            pending = self._begin(spec, values, now_s, numbered=numbered)
        else:
            pending = self._alone.begin(spec, self._line_of(action, values), now_s)
        self._last_sent_s = now_s
        return pending

    def due(self, now_s: float) -> list[Resend | Expired]:
        """Return the requests to send again and those to give up; call it whenever `next_due_s` has come."""
        self._only_at(End.HOST)
        found = [self._led(item) for item in self._requests.due(now_s)] + self._alone.due(now_s)
        if any(isinstance(item, Resend) for item in found):
            self._last_sent_s = now_s
        return found

    @property
    def next_due_s(self) -> float | None:
        """When a request or a block is to be looked at next, `None` while nothing waits."""
        times = (self._requests.next_due_s, self._alone.next_due_s, self._hearing.blocks.next_due_s)
        return min((time for time in times if time is not None), default=None)

    @property
    def waiting(self) -> tuple[Pending, ...]:
        """The requests that wait for their answers, the oldest first."""
        alone = self._alone.waiting
        return self._requests.waiting + (() if alone is None else (alone,))

    @property
    def is_unsettled(self) -> bool:
        """Whether the late answer to a request without a number may still come.

        Until `settle` is called the next answer of its kind is taken for that one, and so told as stale.
        """
        return self._alone.is_unsettled

    def settle(self) -> None:
        """Wait for no late answer any more: the line has been quiet for as long as an answer takes."""
        self._alone.settle()

    def overhear(self, data: bytes) -> None:
        """Take in what another host sent on this line, as a trace holds it, so that its echo is known for one."""
        if self._console is not None:
            lines = [bytes([key]) for key in data if key not in b"\r\n"] if self._by_key else data.splitlines()
            for line in lines:
                self._console.sent(line)

    def keep_alive(self, now_s: float) -> bytes:
        """Return the line to send so that the robot knows that somebody is there, b"" while it need not be sent.

        Called while a drive is under way. Every request counts as a sign of life, and so does each key on its way.
        """
        due_s = self.keep_alive_due_s
        if due_s is None or now_s < due_s or self._alone.is_walking:
            return b""
        return self.start(KEEP_ALIVE, {}, now_s).data

    @property
    def keep_alive_due_s(self) -> float | None:
        """When `keep_alive` has a line to send next: -inf before anything was sent, `None` without keep-alive."""
        if not self.dialect.keep_alive_s or KEEP_ALIVE not in self.dialect.commands:
            return None
        return float("-inf") if self._last_sent_s is None else self._last_sent_s + self.dialect.keep_alive_s

    # The host's end: block messages

    @property
    def open_block(self) -> str:
        """The block message that has begun and not ended, "" while there is none."""
        return self._hearing.blocks.open_block

    def due_blocks(self, now_s: float) -> list[Received]:
        """Return the end of a block message that has been silent for too long, if there is one."""
        return [*self._hearing.blocks.due(now_s)]

    def end_block(self, reason: str) -> list[Received]:
        """End a block message that is still open, for a reason such as a closed port."""
        return [*self._hearing.blocks.cut(reason)]

    # The robot's end

    def expects_answer(self, action: str) -> bool:
        """Tell whether a request of this action is answered."""
        return action in self.dialect.commands and self.dialect.commands[action].replied

    def reply(self, tag: int | None, verdict: Verdict, answer: str = "", action: str = "") -> bytes:
        """Return the answer to the request `tag`, and keep it for the case that the request comes again.

        Without numbers `action` is what was asked: it may have answers of its own. A console's prompt comes with it.
        """
        return self._robot().reply(tag, verdict, answer, action)

    def said_unasked(self) -> bytes:
        """Return what a console sends by itself: echoes, its prompt, a line for what it did not understand.

        To be taken after every `receive`, and sent before the answers to what was received.
        """
        console = self._robot().console
        return console.taken() if console is not None else b""

    def booted(self, banner: str) -> bytes:
        """Return the line of boot text, and the prompt after it; all else begins anew."""
        self._framer.forget()
        return self._robot().booted(banner)

    def telemetry(self, message: str, values: Mapping[str, Value]) -> bytes:
        """Return a line of telemetry; `values` hold every field but the line's number and what may be left out."""
        return self._robot().telemetry(message, values)

    def event(self, event: str, values: Mapping[str, Value]) -> bytes:
        """Return a line that tells of `event` (its canonical name); a `detail` may be left out."""
        return self._robot().event(event, values)

    def row(self, block: str, message: str, values: Mapping[str, Value]) -> bytes:
        """Return one row of a block message; `values` as of telemetry, or of an event with `event` and `detail`."""
        return self._robot().row(block, message, values)

    def block(self, name: str, rows: Sequence[bytes]) -> list[bytes]:
        """Return the lines of a block message: its header, `rows` as made by `row`, its end."""
        return self._robot().block(name, rows)

    # Inside

    def _only_at(self, end: End) -> None:
        if self.end is not end:
            raise InternalError(f"a link was used as the {end.value}'s end and is the {self.end.value}'s")

    def _robot(self) -> RobotEnd:
        self._only_at(End.ROBOT)
        if self._robot_end is None:
            raise InternalError("the robot's end of a link was not made")
        return self._robot_end

    def _obey(self, robot: RobotEnd, data: bytes, found: list[Received]) -> None:
        if self._by_key:
            # Every key is a line. The byte that ends lines stands for an empty one, its companion for nothing.
            end = b"\r" if self.dialect.framing.ending == b"\r" else b"\n"
            for key in (bytes([byte]) for byte in data):
                if key == end or key not in b"\r\n":
                    robot.take(key.removesuffix(end), found)
            return
        for line in self._framer.feed(data):
            if isinstance(line, Overlong):
                found.append(self._tally.noise(NoiseReason.OVERLONG, line.raw))
            else:
                robot.take(line, found)

    def _begin(self, spec: CommandSpec, values: Mapping[str, Value], now_s: float, *, numbered: bool) -> Pending:
        """Begin a request that carries a number, or one that is not answered."""
        tag = self._requests.next_tag() if numbered else None
        line = self._line_of(spec.action, values if tag is None else {TAG: tag, **values})
        due_s = now_s + spec.deadline_s
        pending = Pending(
            tag=tag, action=spec.action, data=line, due_s=due_s, deadline_s=spec.deadline_s, tries=spec.tries
        )
        if spec.replied and tag is not None:
            self._requests.wait_for(tag, pending)
        return self._led(Resend(pending=pending)).pending

    def _led(self, item: T) -> T:
        """Put the keys that lead to its menu before a request that is to be sent."""
        if self._console is None or isinstance(item, Expired):
            return item
        pending = item.pending
        keys = self._alone.way_to(self.dialect.commands[pending.action].menu)
        self._console.sent(self._bare(pending.data))
        return replace(item, pending=replace(pending, data=keys + pending.data))

    def _line_of(self, action: str, values: Mapping[str, Value]) -> bytes:
        """Return the line of a request; a key of a console that takes keys goes without its ending."""
        line = self._commands.encode(action, values)
        return self._bare(line) if self._by_key else line

    def _bare(self, line: bytes) -> bytes:
        return line.removesuffix(self.dialect.framing.ending)
