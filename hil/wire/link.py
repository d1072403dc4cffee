"""One end of a link: bytes in, events out; requests, answers and telemetry in, bytes out.

The same class plays both ends, the host's and the robot's; golden lines beside the protocol file keep the pair
honest. A link does no I/O and knows no time: the caller reads and writes the port and says what time it is. It
never raises on what comes from the wire; it raises `WireError` for values that the dialect cannot carry and
`InternalError` where a method is called at the wrong end.

It refuses dialects in which an answer cannot be told from another's: requests that are answered carry `{tag}`, and so
does every reply, or else none does, and then one request waits at a time (`hil.wire.alone`).
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from typing import cast

from hil.errors import InternalError, WireError
from hil.wire.alone import Alone
from hil.wire.answers import Answers
from hil.wire.blocks import BlockReader
from hil.wire.codec import Codec, Envelope, NoiseReason
from hil.wire.compiled import (
    COUNT,
    HEADER,
    banner_pattern,
    blocks_by_name,
    command_template,
    commands_by_menu,
    field_of,
    numbering_of,
    refuse_untold_answers,
    reports_of,
    rows_of,
    sequence_scaling,
)
from hil.wire.compiled import TAG as TAG
from hil.wire.console import HostConsole, RobotConsole
from hil.wire.dialect import Dialect, FieldType, MessageSpec, Role, Verdict
from hil.wire.fields import Value
from hil.wire.lines import LineFramer, Overlong
from hil.wire.received import Booted, Commanded, Counters, Happened, Noise, Received, Replied, Stale, Telemetry
from hil.wire.requests import Expired, Pending, Requests, Resend

ANSWER = "answer"
EVENT = "event"
DETAIL = "detail"
KEEP_ALIVE = "alive"
# An event whose detail is one word still needs that word when there is nothing to tell.
NO_DETAIL = "-"


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
        self.dialect = dialect
        self.end = end
        envelope = Envelope(dialect.framing, dialect.check)
        self._messages = {message.name: message for message in dialect.messages}
        self._reports = reports_of(dialect, envelope)
        self._rows = rows_of(dialect, envelope)
        self._commands = Codec(envelope, {name: command_template(c, dialect) for name, c in dialect.commands.items()})
        self._menus = commands_by_menu(dialect, envelope)
        console, ending = dialect.console, dialect.framing.ending
        self._host_console = HostConsole(console) if console and end is End.HOST else None
        self._robot_console = RobotConsole(console, ending) if console and end is End.ROBOT else None
        self._by_key = bool(console and console.key_by_key)
        self._framer = LineFramer(dialect.framing, keeps_empty=self._robot_console is not None)
        self._banners = tuple(map(banner_pattern, (dialect.boot.banner, dialect.banner)))
        self._blocks = blocks_by_name(dialect)
        self._block = BlockReader()
        self._alone = Alone(self._host_console, b"" if self._by_key else ending)
        self._requests = Requests(dialect.tag_modulus, first_tag)
        self._answers = Answers()
        self._numbering = numbering_of(dialect)
        self._sequence_scale, self._sequence_offset = sequence_scaling(dialect)
        self._next_number = 0
        self._last_sent_s: float | None = None
        self._good = self._stale = self._skipped = 0
        self._bad = dict.fromkeys(NoiseReason, 0)

    # Both ends

    def receive(self, data: bytes, now_s: float | None = None) -> list[Received]:
        """Take in bytes from the port and return what they mean, in order.

        `now_s` is when they came; without it a block message is not ended by silence.
        """
        found: list[Received] = []
        if self._robot_console is not None and self._by_key:
            data = b"".join(bytes([byte]) + self.dialect.framing.ending for byte in data if byte not in b"\r\n")
        for line in self._framer.feed(data):
            if isinstance(line, Overlong):
                found.append(self._noise(NoiseReason.OVERLONG, line.raw))
            elif self.end is End.HOST:
                found += self._take_line(line, now_s)
            else:
                found += self._take_command(line)
        if self._host_console is not None:
            self._host_console.look_at_unfinished(self._framer.unfinished)
        return found

    def forget_line(self) -> None:
        """Drop the unfinished line, as when the port was closed; an open block message is cut short by that."""
        self._framer.forget()

    def end_block(self, reason: str) -> list[Received]:
        """End a block message that is still open, for a reason such as a closed port."""
        return [*self._block.cut(reason)]

    @property
    def counters(self) -> Counters:
        """What has passed so far."""
        return Counters(
            good=self._good,
            bad=dict(self._bad),
            lost=self._numbering.lost if self._numbering else 0,
            restarts=self._numbering.restarts if self._numbering else 0,
            stale=self._stale,
            skipped=self._skipped,
        )

    @property
    def kept_bytes(self) -> int:
        """How many bytes of an unfinished line are held."""
        return self._framer.kept_bytes

    # The host's end

    def start(self, action: str, values: Mapping[str, Value], now_s: float) -> Pending:
        """Make the request `action`; the caller sends `data` of what is returned.

        Raise `WireError` where the dialect has no such action, or its message cannot carry `values`.
        """
        self._only_at(End.HOST)
        spec = self.dialect.commands.get(action)
        if spec is None:
            raise WireError(
                f"the protocol {self.dialect.name!r} has no command for {action!r}",
                expected=f"one of {', '.join(self.dialect.commands)}",
            )
        if spec.replied and TAG not in self._commands.names(action):
            self._last_sent_s = now_s
            return self._alone.begin(spec, self._line_of(action, values), now_s)
        tag = self._requests.next_tag() if TAG in self._commands.names(action) else None
        data = self._line_of(action, values if tag is None else {TAG: tag, **values})
        due_s = now_s + spec.deadline_s
        pending = Pending(tag=tag, action=action, data=data, due_s=due_s, deadline_s=spec.deadline_s, tries=spec.tries)
        if spec.replied and tag is not None:
            self._requests.wait_for(tag, pending)
        self._last_sent_s = now_s
        return pending

    def due(self, now_s: float) -> list[Resend | Expired]:
        """Return the requests to send again and those to give up; call it whenever `next_due_s` has come."""
        self._only_at(End.HOST)
        found = self._requests.due(now_s) + self._alone.due(now_s)
        if any(isinstance(item, Resend) for item in found):
            self._last_sent_s = now_s
        return found

    def due_blocks(self, now_s: float) -> list[Received]:
        """Return the end of a block message that has been silent for too long, if there is one."""
        return [*self._block.due(now_s)]

    @property
    def open_block(self) -> str:
        """The block message that has begun and not ended, "" while there is none."""
        return self._block.open_block

    @property
    def next_due_s(self) -> float | None:
        """When a request or a block is to be looked at next, `None` while nothing waits."""
        times = (self._requests.next_due_s, self._alone.next_due_s, self._block.next_due_s)
        return min((time for time in times if time is not None), default=None)

    @property
    def waiting(self) -> tuple[Pending, ...]:
        """The requests that wait for their answers, the oldest first."""
        alone = self._alone.waiting
        return self._requests.waiting + (() if alone is None else (alone,))

    def keep_alive(self, now_s: float) -> bytes:
        """Return the line to send so that the robot knows that somebody is there, b"" while it need not be sent.

        Called while a drive is under way. Every request counts as a sign of life.
        """
        due_s = self.keep_alive_due_s
        if due_s is None or now_s < due_s:
            return b""
        return self.start(KEEP_ALIVE, {}, now_s).data

    @property
    def keep_alive_due_s(self) -> float | None:
        """When `keep_alive` has a line to send next: -inf before anything was sent, `None` without keep-alive."""
        if not self.dialect.keep_alive_s or KEEP_ALIVE not in self.dialect.commands:
            return None
        return float("-inf") if self._last_sent_s is None else self._last_sent_s + self.dialect.keep_alive_s

    # The robot's end

    def expects_answer(self, action: str) -> bool:
        """Tell whether a request of this action is answered."""
        return action in self.dialect.commands and self.dialect.commands[action].replied

    def reply(self, tag: int | None, verdict: Verdict, answer: str = "", action: str = "") -> bytes:
        """Return the answer to the request `tag`, and keep it for the case that the request comes again.

        Without numbers `action` is what was asked: it may have answers of its own. A console's prompt comes with it.
        """
        self._only_at(End.ROBOT)
        spec = self._reply_message(verdict, action)
        names = self._reports.names(spec.name)
        values: dict[str, Value] = {ANSWER: answer} if tag is None else {TAG: tag, ANSWER: answer}
        data = self._report(spec.name, {name: values[name] for name in names if name in values})
        if self._robot_console is not None:
            data = self._robot_console.coloured(data) + self._robot_console.prompt
        if tag is not None:
            self._answers.given(tag, data)
        return data

    def _reply_message(self, verdict: Verdict, action: str) -> MessageSpec:
        command = self.dialect.commands.get(action)
        own = [self._messages[name] for name in command.answers if name in self._messages] if command else []
        every = [message for message in self._messages.values() if message.role is Role.REPLY]
        for spec in (*own, *every):
            if spec.verdict is verdict:
                return spec
        raise WireError(f"the protocol {self.dialect.name!r} has no reply that says {verdict.value}")

    def said_unasked(self) -> bytes:
        """Return what a console sends by itself: echoes, and its prompt where nothing else answers."""
        return self._robot_console.taken() if self._robot_console is not None else b""

    def booted(self, banner: str) -> bytes:
        """Return the line of boot text, and the prompt after it; all else begins anew."""
        self._only_at(End.ROBOT)
        self._framer.forget()
        data = banner.encode() + self.dialect.framing.ending
        if self._robot_console is None:
            return data
        self._robot_console.menu = ""
        self._robot_console.taken()
        return data + self._robot_console.prompt

    def block(self, name: str, rows: list[bytes]) -> list[bytes]:
        """Return the lines of a block message: its header, `rows` as made by `row`, its end."""
        self._only_at(End.ROBOT)
        spec = self._blocks.get(name)
        if spec is None:
            raise WireError(f"the protocol {self.dialect.name!r} has no block message for {name!r}")
        counted = COUNT in self._reports.names((name, HEADER))
        header = self._reports.encode((name, HEADER), {COUNT: len(rows)} if counted else {})
        return [header, *rows, *([self._reports.encode((name, "end"), {})] if spec.end else [])]

    def row(self, block: str, message: str, values: Mapping[str, Value]) -> bytes:
        """Return one row of a block message; `values` as of telemetry, or of an event with `event` and `detail`."""
        self._only_at(End.ROBOT)
        codec, names = self._rows[block], self._rows[block].names(message)
        spec, all_values = self._messages[message], dict(values)
        if DETAIL in names and not all_values.get(DETAIL):
            self._fill_detail(spec, all_values)
        return codec.encode(message, all_values)

    def telemetry(self, message: str, values: Mapping[str, Value]) -> bytes:
        """Return a line of telemetry; `values` hold every field but the line's number."""
        self._only_at(End.ROBOT)
        if message not in self._messages:
            raise WireError(f"the protocol {self.dialect.name!r} has no message {message!r}")
        return self._report(message, values)

    def event(self, event: str, values: Mapping[str, Value]) -> bytes:
        """Return a line that tells of `event` (its canonical name); a `detail` may be left out."""
        self._only_at(End.ROBOT)
        spec = self._event_message(event)
        names = self._reports.names(spec.name)
        all_values = dict(values)
        if EVENT in names:
            all_values[EVENT] = event
        if DETAIL in names and not all_values.get(DETAIL):
            self._fill_detail(spec, all_values)
        return self._report(spec.name, all_values)

    @staticmethod
    def _fill_detail(spec: MessageSpec, values: dict[str, Value]) -> None:
        """Put in what stands for no detail, or leave it out where it may be."""
        values.pop(DETAIL, None)
        field = field_of(spec, DETAIL)
        if not field.optional:
            values[DETAIL] = NO_DETAIL if field.type is FieldType.WORD else ""

    # Inside

    def _only_at(self, end: End) -> None:
        if self.end is not end:
            raise InternalError(f"a link was used as the {end.value}'s end and is the {self.end.value}'s")

    def _noise(self, reason: NoiseReason, raw: bytes) -> Noise:
        self._bad[reason] += 1
        return Noise(reason=reason, raw=raw)

    def _line_of(self, action: str, values: Mapping[str, Value]) -> bytes:
        """Return the line of a request; a key of a console that takes keys goes without its ending."""
        line = self._commands.encode(action, values)
        bare = line.removesuffix(self.dialect.framing.ending)
        if self._host_console is not None and not self._will_walk(action):
            self._host_console.sent(bare)
        return bare if self._by_key else line

    def _will_walk(self, action: str) -> bool:
        """Whether keys go before a request, which is then not what is sent now."""
        spec = self.dialect.commands[action]
        return self._host_console is not None and spec.replied and self._host_console.menu != spec.menu

    def _take_line(self, line: bytes, now_s: float | None) -> list[Received]:
        """Take a line at the host's end: out of the console's manners, into a block's row or a message."""
        if self._host_console is not None:
            line = self._host_console.stripped(line)
            if not line:
                self._skipped += 1
                return []
        block = self._block.open_block
        if block:
            decoded = self._rows[block].decode(line)
            if not isinstance(decoded, NoiseReason):
                self._good += 1
                return [self._told(decoded[0], decoded[1], block), *self._block.row(now_s)]
        return self._take_report(line, now_s)

    def _take_report(self, line: bytes, now_s: float | None) -> list[Received]:
        decoded = self._reports.decode(line)
        if isinstance(decoded, NoiseReason):
            told = self._take_boot_text(line)
            return [self._noise(decoded, line), *self._block.spoilt_row(now_s)] if told is None else told
        self._good += 1
        name, values, _ = decoded
        if isinstance(name, tuple):
            return self._take_edge(name, values, now_s)
        spec = self._messages[name]
        if spec.role is Role.REPLY:
            return [self._take_reply(spec, values)]
        if self._numbering is not None and self.dialect.sequence_field in values:
            self._follow(values)
        return [self._told(name, values)]

    def _told(self, name: str, values: dict[str, Value], block: str = "") -> Received:
        """Return what a message of values or of an event says."""
        spec = self._messages[name]
        if spec.role is Role.TELEMETRY or (spec.role is Role.ROW and EVENT not in values):
            return Telemetry(message=name, values=values, block=block)
        detail = str(values.pop(DETAIL, ""))
        event = str(values.pop(EVENT, name))
        return Happened(event=event, values=values, detail="" if detail == NO_DETAIL else detail, block=block)

    def _take_edge(self, key: tuple[str, str], values: dict[str, Value], now_s: float | None) -> list[Received]:
        block, edge = key
        if edge == HEADER:
            count = values.get(COUNT)
            return [*self._block.begin(self._blocks[block], count if isinstance(count, int) else None, now_s)]
        return [*self._block.end(block)]

    def _take_boot_text(self, line: bytes) -> list[Received] | None:
        """Return what a line of boot text says, `None` where it is none."""
        boot, skipped = self._banners
        if boot is not None and boot.fullmatch(line):
            self._skipped += 1
            if self._host_console is not None:
                self._host_console.restarted()
            return [*self._block.cut("the robot started anew"), Booted(banner=line.decode("ascii", "backslashreplace"))]
        if skipped is not None and skipped.fullmatch(line):
            self._skipped += 1
            return []
        return None

    def _follow(self, values: Mapping[str, Value]) -> None:
        if self._numbering is None:
            return
        scaled = cast(float, values[self.dialect.sequence_field])
        number = round((scaled - self._sequence_offset) / self._sequence_scale)
        clock = values.get(self.dialect.clock_field)
        self._numbering.follow(number, None if isinstance(clock, str | tuple) else clock)

    def _take_reply(self, spec: MessageSpec, values: dict[str, Value]) -> Received:
        has_tag = TAG in values
        tag = int(cast(int, values.pop(TAG))) if has_tag else None
        answer = str(values.pop(ANSWER, ""))
        verdict = spec.verdict or Verdict.ACCEPTED
        request = self._alone.answered(spec.name) if tag is None else self._requests.answered(tag)
        if isinstance(request, Pending):
            return Replied(tag=tag, action=request.action, verdict=verdict, answer=answer, values=values)
        self._stale += 1
        action, reason = request
        return Stale(tag=tag, action=action, reason=reason, verdict=verdict, answer=answer)

    def _take_command(self, line: bytes) -> list[Received]:
        console = self._robot_console
        if console is not None and console.typed(line):
            return []
        decoded = self._menus[console.menu if console else ""].decode(line)
        if isinstance(decoded, NoiseReason):
            return [self._noise(decoded, line)]
        self._good += 1
        action, values, body = decoded
        if TAG not in values:
            if console is not None and not self.expects_answer(action):
                console.ask_again()
            return [Commanded(action=action, tag=None, values=values)]
        tag = int(cast(int, values.pop(TAG)))
        again = self._answers.seen(tag, action, body)
        return [Commanded(action=action, tag=tag, values=values, repeated=again is not None, again=again or b"")]

    def _report(self, message: str, values: Mapping[str, Value]) -> bytes:
        sequence = self.dialect.sequence_field
        if sequence not in self._reports.names(message):
            return self._reports.encode(message, values)
        number = self._next_number * self._sequence_scale + self._sequence_offset
        data = self._reports.encode(message, {**values, sequence: number})
        # Only a line that was made takes a number: a refused one must not look lost at the other end.
        self._next_number += 1
        return data

    def _event_message(self, event: str) -> MessageSpec:
        for spec in self._messages.values():
            if spec.role is not Role.EVENT:
                continue
            if EVENT not in self._reports.names(spec.name):
                if spec.name == event:
                    return spec
                continue
            choices = field_of(spec, EVENT).choices
            if not choices or event in choices.values():
                return spec
        raise WireError(f"the protocol {self.dialect.name!r} cannot tell of the event {event!r}")
