"""The host's ear: a line of the robot in, what it says out.

A line is looked at in this order: out of a console's manners (`hil.wire.console`); the end or a row of the open block
message; a message; what follows an echo that had no line ending; boot text. What is none of these is noise, and a
line of the open block that was spoilt.
"""

from __future__ import annotations

import re
from typing import cast

from hil.wire.alone import Alone
from hil.wire.blocks import BlockReader
from hil.wire.codec import Envelope, NoiseReason
from hil.wire.compiled import (
    ANSWER,
    COUNT,
    DETAIL,
    EVENT,
    NO_DETAIL,
    TAG,
    Edge,
    banner_pattern,
    numbering_of,
    reports_of,
    rows_of,
    sequence_scaling,
)
from hil.wire.console import HostConsole
from hil.wire.dialect import Dialect, MessageSpec, Role, Verdict
from hil.wire.fields import Value
from hil.wire.lines import Overlong
from hil.wire.received import Booted, Happened, Received, Replied, Stale, Telemetry
from hil.wire.requests import Pending, Requests
from hil.wire.tally import Tally


class Hearing:
    """What a host makes of lines; `requests` and `alone` hold what waits for answers."""

    def __init__(
        self,
        dialect: Dialect,
        envelope: Envelope,
        *,
        tally: Tally,
        console: HostConsole | None,
        requests: Requests,
        alone: Alone,
    ) -> None:
        self.blocks = BlockReader()
        self.numbering = numbering_of(dialect)
        self._tally = tally
        self._console = console
        self._requests = requests
        self._alone = alone
        self._longest = dialect.framing.max_length
        self._messages = {message.name: message for message in dialect.messages}
        self._reports = reports_of(dialect, envelope)
        self._rows = rows_of(dialect, envelope)
        self._block_specs = {block.name: block for block in dialect.blocks}
        self._boot: re.Pattern[bytes] | None = banner_pattern(dialect.boot.banner)
        self._boot_text = banner_pattern(dialect.banner)
        self._sequence_field, self._clock_field = dialect.sequence_field, dialect.clock_field
        self._sequence_scale, self._sequence_offset = sequence_scaling(dialect)

    def take(self, line: bytes, now_s: float | None, found: list[Received]) -> None:
        """Take a line (without its ending) and append what it says to `found`."""
        if self._console is not None:
            line = self._console.stripped(line)
            if not line:
                self._tally.skipped += 1
                return
            if len(line) > self._longest:
                self.take_overlong(Overlong(raw=line[: self._longest]), now_s, found)
                return
        if self.blocks.open_block and self._take_row(line, now_s, found):
            return
        decoded = self._reports.decode(line)
        if isinstance(decoded, NoiseReason):
            self._take_other(decoded, line, now_s, found)
        else:
            self._take_message(decoded[0], decoded[1], now_s, found)

    def take_overlong(self, line: Overlong, now_s: float | None, found: list[Received]) -> None:
        """Take a line that is longer than any may be."""
        found.append(self._tally.noise(NoiseReason.OVERLONG, line.raw))
        found += self.blocks.spoilt_row(now_s)

    def _take_message(
        self, name: str | Edge, values: dict[str, Value], now_s: float | None, found: list[Received]
    ) -> None:
        self._tally.good += 1
        if isinstance(name, Edge):
            count = values.get(COUNT)
            spec = self._block_specs[name.block]
            found += self.blocks.begin(spec, count if isinstance(count, int) else None, now_s)
            return
        message = self._messages[name]
        if message.role is Role.REPLY:
            found.append(self._take_reply(message, values))
            return
        if self.numbering is not None and self._sequence_field in values:
            self._follow(values)
        if message.role is Role.TELEMETRY:
            found.append(Telemetry(message=name, values=values))
        else:
            found.append(_happened(name, values))

    def _take_row(self, line: bytes, now_s: float | None, found: list[Received]) -> bool:
        """Take a line that stands in the open block; tell whether it was one."""
        block = self.blocks.open_block
        decoded = self._rows[block].decode(line)
        if isinstance(decoded, NoiseReason):
            return False
        self._tally.good += 1
        name, values, _ = decoded
        if isinstance(name, Edge):
            found += self.blocks.end()
            return True
        if EVENT in values:
            found.append(_happened(name, values, block))
        else:
            found.append(Telemetry(message=name, values=values, block=block))
        found += self.blocks.row(now_s)
        return True

    def _take_other(self, reason: NoiseReason, line: bytes, now_s: float | None, found: list[Received]) -> None:
        rest = self._console.behind_echo(line) if self._console is not None else b""
        if rest:
            if self.blocks.open_block and self._take_row(rest, now_s, found):
                return
            decoded = self._reports.decode(rest)
            if not isinstance(decoded, NoiseReason):
                self._take_message(decoded[0], decoded[1], now_s, found)
                return
        if self._boot is not None and self._boot.fullmatch(line):
            self._take_boot(line, found)
        elif self._boot_text is not None and self._boot_text.fullmatch(line):
            self._tally.skipped += 1
        else:
            found.append(self._tally.noise(reason, line))
            found += self.blocks.spoilt_row(now_s)

    def _take_boot(self, line: bytes, found: list[Received]) -> None:
        """Begin anew, as the robot did: numbers, menus, blocks and requests without a number."""
        self._tally.skipped += 1
        if self.numbering is not None:
            self.numbering.restart()
        if self._console is not None:
            self._console.restarted()
        self._alone.lost()
        found += self.blocks.cut("the robot started anew")
        found.append(Booted(banner=line.decode("ascii", "backslashreplace")))

    def _take_reply(self, spec: MessageSpec, values: dict[str, Value]) -> Received:
        tag = int(cast(int, values.pop(TAG))) if TAG in values else None
        answer = str(values.pop(ANSWER, ""))
        verdict = spec.verdict or Verdict.ACCEPTED
        request = self._alone.answered(spec.name) if tag is None else self._requests.answered(tag)
        if isinstance(request, Pending):
            return Replied(tag=tag, action=request.action, verdict=verdict, answer=answer, values=values)
        self._tally.stale += 1
        action, reason = request
        return Stale(tag=tag, action=action, reason=reason, verdict=verdict, answer=answer)

    def _follow(self, values: dict[str, Value]) -> None:
        if self.numbering is None:
            return
        scaled = cast(float, values[self._sequence_field])
        number = round((scaled - self._sequence_offset) / self._sequence_scale)
        clock = values.get(self._clock_field)
        self.numbering.follow(number, None if isinstance(clock, str | tuple) else clock)


def _happened(name: str, values: dict[str, Value], block: str = "") -> Happened:
    detail = str(values.pop(DETAIL, ""))
    event = str(values.pop(EVENT, name))
    return Happened(event=event, values=values, detail="" if detail == NO_DETAIL else detail, block=block)
