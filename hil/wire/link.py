"""One end of a link: bytes in, events out; requests, answers and telemetry in, bytes out.

The same class plays both ends, the host's and the robot's; golden lines beside the protocol file keep the pair
honest. A link does no I/O and knows no time: the caller reads and writes the port and says what time it is. It
never raises on what comes from the wire; it raises `WireError` for values that the dialect cannot carry and
`InternalError` where a method is called at the wrong end.

It refuses dialects in which an answer cannot be told from a late one: a request that is answered carries `{tag}`,
and so does every reply.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from enum import Enum
from typing import cast

from hil.errors import InternalError, WireError
from hil.wire.answers import Answers
from hil.wire.codec import Codec, Envelope, NoiseReason
from hil.wire.counting import Numbering
from hil.wire.dialect import CommandSpec, Dialect, FieldSpec, FieldType, MessageSpec, Role, Verdict
from hil.wire.fields import Value
from hil.wire.lines import LineFramer, Overlong
from hil.wire.received import Commanded, Counters, Happened, Noise, Received, Replied, Stale, Telemetry
from hil.wire.requests import Expired, Pending, Requests, Resend
from hil.wire.template import Template

TAG = "tag"
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
        _refuse_untold_answers(dialect)
        self.dialect = dialect
        self.end = end
        envelope = Envelope(dialect.framing, dialect.check)
        self._messages = {message.name: message for message in dialect.messages}
        self._reports = Codec(envelope, {m.name: Template(m.template, m.fields) for m in dialect.messages})
        self._commands = Codec(envelope, {name: _command_template(c, dialect) for name, c in dialect.commands.items()})
        self._framer = LineFramer(dialect.framing)
        self._banner = _compiled_banner(dialect.banner)
        self._requests = Requests(dialect.tag_modulus, first_tag)
        self._answers = Answers()
        self._numbering = _numbering(dialect)
        self._sequence_scale, self._sequence_offset = _scaling(dialect)
        self._next_number = 0
        self._last_sent_s: float | None = None
        self._good = self._stale = self._skipped = 0
        self._bad = dict.fromkeys(NoiseReason, 0)

    # Both ends

    def receive(self, data: bytes) -> list[Received]:
        """Take in bytes from the port and return what they mean, in order."""
        found: list[Received] = []
        take = self._take_report if self.end is End.HOST else self._take_command
        for line in self._framer.feed(data):
            if isinstance(line, Overlong):
                found.append(self._noise(NoiseReason.OVERLONG, line.raw))
                continue
            received = take(line)
            if received is not None:
                found.append(received)
        return found

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
        tag = self._requests.next_tag() if TAG in self._commands.names(action) else None
        data = self._commands.encode(action, values if tag is None else {TAG: tag, **values})
        due_s = now_s + spec.deadline_s
        pending = Pending(tag=tag, action=action, data=data, due_s=due_s, deadline_s=spec.deadline_s, tries=spec.tries)
        if spec.replied and tag is not None:
            self._requests.wait_for(tag, pending)
        self._last_sent_s = now_s
        return pending

    def due(self, now_s: float) -> list[Resend | Expired]:
        """Return the requests to send again and those to give up; call it whenever `next_due_s` has come."""
        self._only_at(End.HOST)
        found = self._requests.due(now_s)
        if any(isinstance(item, Resend) for item in found):
            self._last_sent_s = now_s
        return found

    @property
    def next_due_s(self) -> float | None:
        """When a request is to be looked at next, `None` while none waits."""
        return self._requests.next_due_s

    @property
    def waiting(self) -> tuple[Pending, ...]:
        """The requests that wait for their answers, the oldest first."""
        return self._requests.waiting

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

    def reply(self, tag: int, verdict: Verdict, answer: str = "") -> bytes:
        """Return the answer to the request `tag`, and keep it for the case that the request comes again."""
        self._only_at(End.ROBOT)
        spec = next((m for m in self._messages.values() if m.role is Role.REPLY and m.verdict is verdict), None)
        if spec is None:
            raise WireError(f"the protocol {self.dialect.name!r} has no reply that says {verdict.value}")
        values: dict[str, Value] = {TAG: tag, ANSWER: answer}
        data = self._report(
            spec.name, {name: values[name] for name in self._reports.names(spec.name) if name in values}
        )
        self._answers.given(tag, data)
        return data

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
            all_values[DETAIL] = NO_DETAIL if _field(spec, DETAIL).type is FieldType.WORD else ""
        return self._report(spec.name, all_values)

    # Inside

    def _only_at(self, end: End) -> None:
        if self.end is not end:
            raise InternalError(f"a link was used as the {end.value}'s end and is the {self.end.value}'s")

    def _noise(self, reason: NoiseReason, raw: bytes) -> Noise:
        self._bad[reason] += 1
        return Noise(reason=reason, raw=raw)

    def _take_report(self, line: bytes) -> Received | None:
        decoded = self._reports.decode(line)
        if isinstance(decoded, NoiseReason):
            if self._banner is not None and self._banner.fullmatch(line):
                self._skipped += 1
                return None
            return self._noise(decoded, line)
        self._good += 1
        name, values, _ = decoded
        spec = self._messages[name]
        if spec.role is Role.REPLY:
            return self._take_reply(spec, values)
        if self._numbering is not None and self.dialect.sequence_field in values:
            self._follow(values)
        if spec.role is Role.TELEMETRY:
            return Telemetry(message=name, values=values)
        detail = str(values.pop(DETAIL, ""))
        return Happened(event=str(values.pop(EVENT, name)), values=values, detail="" if detail == NO_DETAIL else detail)

    def _follow(self, values: Mapping[str, Value]) -> None:
        if self._numbering is None:
            return
        scaled = cast(float, values[self.dialect.sequence_field])
        number = round((scaled - self._sequence_offset) / self._sequence_scale)
        clock = values.get(self.dialect.clock_field)
        self._numbering.follow(number, None if isinstance(clock, str) else clock)

    def _take_reply(self, spec: MessageSpec, values: dict[str, Value]) -> Received:
        tag = int(values.pop(TAG))
        answer = str(values.pop(ANSWER, ""))
        verdict = spec.verdict or Verdict.ACCEPTED
        request = self._requests.answered(tag)
        if isinstance(request, Pending):
            return Replied(tag=tag, action=request.action, verdict=verdict, answer=answer, values=values)
        self._stale += 1
        action, reason = request
        return Stale(tag=tag, action=action, reason=reason, verdict=verdict, answer=answer)

    def _take_command(self, line: bytes) -> Received | None:
        decoded = self._commands.decode(line)
        if isinstance(decoded, NoiseReason):
            return self._noise(decoded, line)
        self._good += 1
        action, values, body = decoded
        if TAG not in values:
            return Commanded(action=action, tag=None, values=values)
        tag = int(values.pop(TAG))
        again = self._answers.seen(tag, action, body)
        return Commanded(action=action, tag=tag, values=values, repeated=again is not None, again=again or b"")

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
            choices = _field(spec, EVENT).choices
            if not choices or event in choices.values():
                return spec
        raise WireError(f"the protocol {self.dialect.name!r} cannot tell of the event {event!r}")


def _field(spec: MessageSpec, name: str) -> FieldSpec:
    return next(field for field in spec.fields if field.name == name)


def _command_template(command: CommandSpec, dialect: Dialect) -> Template:
    tag = FieldSpec(name=TAG, type=FieldType.UNSIGNED, modulus=dialect.tag_modulus)
    has_tag = "{" + TAG + "}" in command.template and all(field.name != TAG for field in command.fields)
    return Template(command.template, (tag, *command.fields) if has_tag else command.fields)


def _refuse_untold_answers(dialect: Dialect) -> None:
    replied = [command for command in dialect.commands.values() if command.replied]
    untold = [command.template for command in replied if "{" + TAG + "}" not in command.template]
    untold += [m.template for m in dialect.messages if m.role is Role.REPLY and "{" + TAG + "}" not in m.template]
    if untold:
        raise WireError(
            f"an answer to {untold[0]!r} could not be told from a late one",
            where=f"protocol {dialect.name!r}",
            expected="{tag} in every request that is answered and in every reply",
        )
    if replied and dialect.tag_modulus < 2:
        raise WireError(
            f"requests are numbered modulo {dialect.tag_modulus}",
            where=f"protocol {dialect.name!r}",
            expected="2 or more",
        )


def _compiled_banner(banner: str) -> re.Pattern[bytes] | None:
    if not banner:
        return None
    try:
        return re.compile(banner.encode())
    except re.error as error:
        raise WireError(f"the banner {banner!r} is not a regular expression ({error})") from None


def _first_field(dialect: Dialect, name: str) -> FieldSpec | None:
    if not name:
        return None
    return next((field for m in dialect.messages for field in m.fields if field.name == name), None)


def _numbering(dialect: Dialect) -> Numbering | None:
    sequence, clock = _first_field(dialect, dialect.sequence_field), _first_field(dialect, dialect.clock_field)
    if sequence is None or sequence.modulus < 4:  # with fewer numbers a gap cannot be told from a step back
        return None
    return Numbering(sequence.modulus, clock.modulus * abs(clock.scale) if clock else 0.0)


def _scaling(dialect: Dialect) -> tuple[float, float]:
    sequence = _first_field(dialect, dialect.sequence_field)
    return (sequence.scale, sequence.offset) if sequence else (1.0, 0.0)
