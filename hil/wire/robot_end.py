"""The robot's end of a link: requests in, and answers, telemetry, events, blocks and a console's manners out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import cast

from hil.errors import WireError
from hil.wire.answers import Answers
from hil.wire.codec import Envelope, NoiseReason
from hil.wire.compiled import (
    ANSWER,
    COUNT,
    EVENT,
    TAG,
    Edge,
    commands_by_menu,
    detail_for,
    field_of,
    reports_of,
    rows_of,
    sequence_scaling,
)
from hil.wire.console import RobotConsole
from hil.wire.dialect import Dialect, MessageSpec, Role, Verdict
from hil.wire.fields import Value
from hil.wire.received import Commanded, Received
from hil.wire.tally import Tally

# What a console answers to a line that it has no request for, here or in this menu.
NOT_UNDERSTOOD = "unknown"


class RobotEnd:
    """What a robot makes of lines, and the lines it sends."""

    def __init__(self, dialect: Dialect, envelope: Envelope, tally: Tally) -> None:
        self._dialect = dialect
        self._tally = tally
        self._messages = {message.name: message for message in dialect.messages}
        self._blocks = {block.name: block for block in dialect.blocks}
        self._reports = reports_of(dialect, envelope)
        self._rows = rows_of(dialect, envelope)
        self._commands = commands_by_menu(dialect, envelope)
        self._answers = Answers()
        self._sequence_scale, self._sequence_offset = sequence_scaling(dialect)
        self._next_number = 0
        self.console = RobotConsole(dialect.console, dialect.framing.ending) if dialect.console else None

    # In

    def take(self, line: bytes, found: list[Received]) -> None:
        """Take a line (without its ending) and append what it asks for to `found`."""
        console = self.console
        if console is not None and console.typed(line):
            return
        decoded = self._commands[console.menu if console else ""].decode(line)
        if isinstance(decoded, NoiseReason):
            found.append(self._tally.noise(decoded, line))
            if console is not None:
                console.say(console.coloured(self._not_understood()) + console.prompt)
            return
        self._tally.good += 1
        action, values, body = decoded
        if TAG not in values:
            if console is not None and not self._dialect.commands[action].replied:
                console.say(console.prompt)
            found.append(Commanded(action=action, tag=None, values=values))
            return
        tag = int(cast(int, values.pop(TAG)))
        again = self._answers.seen(tag, action, body)
        found.append(Commanded(action=action, tag=tag, values=values, repeated=again is not None, again=again or b""))

    def _not_understood(self) -> bytes:
        spec = self._reply_message(Verdict.REFUSED, None, "")
        if spec is None:
            return b""
        try:
            return self._answer(spec, None, NOT_UNDERSTOOD)
        except WireError:
            return b""  # a refusal that needs more than a word cannot be given by the console alone

    # Out

    def reply(self, tag: int | None, verdict: Verdict, answer: str, action: str) -> bytes:
        """Return the answer to a request, with a console's prompt behind it."""
        spec = self._reply_message(verdict, tag, action)
        if spec is None:
            raise WireError(f"the protocol {self._dialect.name!r} has no reply that says {verdict.value}")
        data = self._answer(spec, tag, answer)
        if self.console is not None:
            data = self.console.coloured(data) + self.console.prompt
        if tag is not None:
            self._answers.given(tag, data)
        return data

    def booted(self, banner: str) -> bytes:
        """Return the line of boot text with a console's prompt behind it; all else begins anew."""
        self._answers = Answers()
        self._next_number = 0
        data = banner.encode("ascii", "replace") + self._dialect.framing.ending
        if self.console is None:
            return data
        self.console.restarted()
        return self.console.coloured(data) + self.console.prompt

    def telemetry(self, message: str, values: Mapping[str, Value]) -> bytes:
        """Return a line of telemetry."""
        if message not in self._messages or self._messages[message].role is Role.ROW:
            raise WireError(f"the protocol {self._dialect.name!r} has no message {message!r}")
        return self._report(message, values)

    def event(self, event: str, values: Mapping[str, Value]) -> bytes:
        """Return a line that tells of an event."""
        spec = self._event_message(event)
        all_values = detail_for(spec, values)
        if EVENT in self._reports.names(spec.name):
            all_values[EVENT] = event
        return self._report(spec.name, all_values)

    def row(self, block: str, message: str, values: Mapping[str, Value]) -> bytes:
        """Return a row of a block message."""
        if block not in self._blocks or message not in self._blocks[block].rows:
            raise WireError(f"the protocol {self._dialect.name!r} has no row {message!r} of a block {block!r}")
        return self._rows[block].encode(message, detail_for(self._messages[message], values))

    def block(self, name: str, rows: Sequence[bytes]) -> list[bytes]:
        """Return the lines of a block message."""
        spec = self._blocks.get(name)
        if spec is None:
            raise WireError(f"the protocol {self._dialect.name!r} has no block message for {name!r}")
        header = Edge(name)
        counted = COUNT in self._reports.names(header)
        first = self._reports.encode(header, {COUNT: len(rows)} if counted else {})
        last = [self._rows[name].encode(Edge(name, is_end=True), {})] if spec.end else []
        return [first, *rows, *last]

    # Inside

    def _reply_message(self, verdict: Verdict, tag: int | None, action: str) -> MessageSpec | None:
        """Return the reply of that verdict that the request names, or else the first one there is."""
        command = self._dialect.commands.get(action)
        own: Iterable[str] = command.answers if command is not None else ()
        candidates = [*(self._messages[name] for name in own if name in self._messages), *self._messages.values()]
        for spec in candidates:
            if spec.role is Role.REPLY and spec.verdict is verdict:
                has_tag = TAG in self._reports.names(spec.name)
                if has_tag is (tag is not None):
                    return spec
        return None

    def _answer(self, spec: MessageSpec, tag: int | None, answer: str) -> bytes:
        values: dict[str, Value] = {ANSWER: answer} if tag is None else {TAG: tag, ANSWER: answer}
        return self._report(
            spec.name, {name: values[name] for name in self._reports.names(spec.name) if name in values}
        )

    def _report(self, message: str, values: Mapping[str, Value]) -> bytes:
        sequence = self._dialect.sequence_field
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
        raise WireError(f"the protocol {self._dialect.name!r} cannot tell of the event {event!r}")
