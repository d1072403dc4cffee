"""A trace played as a robot: what came in is given out again, in its order, when the host has done what it did then.

A tape stands at one place of its trace. Bytes that came in are given to the port they came from; at something that the
host did (a request, an opening, the begin or end of a drive, an answer of the person) it waits until the host does the
same again. So bytes that answer a request never come before it, and those of a drive never outside of it. Requests that
were sent again and signs of life are not waited for, since they follow the host's time.

The tape has its own time: that of the trace, moved to begin now. Nothing is waited for in earnest unless it is played
in real time. Requests are compared with those of the trace: a robot that was asked something else has no answer.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from hil.errors import HilError, PortLost, PortUnavailable
from hil.measure.trace import AnswerGiven, Chunk, Direction, Mark, MarkKind, TraceRecord
from hil.store.trace import TraceReader
from hil.timing import SystemClock
from hil.transports.transport import Stamped
from hil.wire.dialect import Dialect
from hil.wire.link import KEEP_ALIVE, TAG, End, Link
from hil.wire.received import Commanded

# Steps whose begin and end the tape waits for: around them a robot says other things than elsewhere.
_STEPS = frozenset({"case", "drive", "collect", "load", "place"})
_TOLD = ("suite", "pose", "start", "path")  # fields of their marks that say which one it is
_PORT = "port"
_OPENED = ("opened", "back")
_CLOSED = "closed"
_LOST = "lost"
_LOOK_S = 0.02  # of the tape's time, between two looks of the host
_LONGEST_S = 6 * 3600.0  # that a person was away for one thing
_SHOWN = 60  # characters of a request in a sentence


class TapeClock:
    """The time of a tape: it goes on when something is waited for, at once, or as fast as the wall's (`is_paced`)."""

    def __init__(self, *, is_paced: bool) -> None:
        self._real = SystemClock()
        self._is_paced = is_paced
        self._now_ns = self._real.monotonic_ns()

    def monotonic_ns(self) -> int:
        """Return the tape's time [ns]."""
        return self._real.monotonic_ns() if self._is_paced else self._now_ns

    def now(self) -> datetime:
        """Return the date."""
        return self._real.now()

    def sleep(self, duration_s: float) -> None:
        """Let so much time pass."""
        self.skip_to(self.monotonic_ns() + math.ceil(max(0.0, duration_s) * 1e9))

    def skip_to(self, t_ns: int) -> None:
        """Let time pass until `t_ns`, where that is still to come."""
        if self._is_paced:
            self._real.sleep((t_ns - self._real.monotonic_ns()) / 1e9)
        else:
            self._now_ns = max(self._now_ns, t_ns)


class _Sorting:
    """Tells requests from signs of life and from requests that are sent again."""

    def __init__(self, dialect: Dialect) -> None:
        commands = dialect.commands
        self._alive = Link(dialect, End.HOST).start(KEEP_ALIVE, {}, 0.0).data if KEEP_ALIVE in commands else b""
        # Without a number in it the same request twice is two requests; such a one is never sent again.
        self._is_numbered = any("{" + TAG + "}" in command.template for command in commands.values())
        self._last = b""

    def is_request(self, data: bytes) -> bool:
        """Tell whether this, which is sent next, is a new request."""
        if data == self._alive or (self._is_numbered and data == self._last):
            return False
        self._last = data
        return True


@dataclass(slots=True)
class Opening:
    """One opening of a port in a trace: its name there, its protocol, and the tag of its first request (None: none)."""

    port: str
    protocol: str
    first_tag: int | None = None


class Tape:
    """One trace being played. Used from one thread."""

    def __init__(self, trace: Path, dialects: Iterable[Dialect] = (), *, is_paced: bool = False) -> None:
        """Read through the trace once for its openings and requests.

        Without dialects nothing is waited for, which serves a listener, who sends nothing.
        """
        self.name = f"trace:{trace.parent}"
        self.clock = TapeClock(is_paced=is_paced)
        self._dialects = {dialect.name: dialect for dialect in dialects}
        self._reader = TraceReader(trace)
        self._protocols = {entry.name: entry.protocol for entry in self._reader.ports}
        self.openings: list[Opening] = []
        self._requests: list[bytes] = []
        self._has_port_marks = False
        self._shift_ns = self.clock.monotonic_ns() - self._scan()
        self._recorded, self._heard = self._sortings(), self._sortings()
        self._records: Iterator[TraceRecord] = iter(self._reader)
        self._next: TraceRecord | None = None
        self._event = ""  # what the host did at the tape's place
        self._now_open: dict[str, int] = {}  # the opening of each port of the trace, at the tape's place
        self._begun = 0  # openings that the tape has come to
        self._passed: Counter[str] = Counter()
        self._done: Counter[str] = Counter()  # by the host that it is played to
        self._given: dict[int, deque[Stamped | HilError]] = {}  # what waits at each open port
        self._opened = 0
        self._wind()

    def close(self) -> None:
        """Close the trace."""
        self._reader.close()

    # What the host does

    def open(self) -> int:
        """Open the next port of the trace and return its number; raise `PortUnavailable` after the last."""
        if self._opened >= len(self.openings):
            raise PortUnavailable(
                f"the trace holds no {self._opened + 1}. opening of a port",
                where=self.name,
                expected="the suites, robot and programs of the run that was recorded",
            )
        number, self._opened = self._opened, self._opened + 1
        self._given[number] = deque()
        self._done["open"] += 1
        return number

    def shut(self, number: int) -> list[Stamped | HilError]:
        """Take note that the host closes a port; return what came from it until then."""
        self._advance(self._given.get(number))
        self._done["shut"] += 1
        return list(self._given.pop(number, ()))

    def sent(self, number: int, data: bytes) -> str:
        """Take note of what the host sends; return "" or a sentence that says why the trace cannot answer it."""
        sorting = self._heard.get(self.openings[number].protocol)
        if sorting is None or not sorting.is_request(data):
            return ""
        count = self._done["request"]
        if count >= len(self._requests):
            return f"the trace ends before {_shown(data)} was asked"
        if data != self._requests[count]:
            return f"in the trace {_shown(self._requests[count])} was asked here, and not {_shown(data)}"
        self._done["request"] += 1
        return ""

    def saw(self, record: TraceRecord) -> None:
        """Take note of a mark or an answer that the host has recorded."""
        event = event_of(record)
        if event not in ("", "open", "shut"):
            self._done[event] += 1

    # What the robot does

    def read(self, number: int, timeout_s: float) -> Stamped | HilError | None:
        """Return the next that an open port gives, None where it gives nothing within so many seconds."""
        waiting = self._given[number]
        self._advance(waiting, at_most=0 if waiting else 1)
        first = waiting[0] if waiting else None
        if first is None or (
            isinstance(first, Stamped) and first.t_ns > self.clock.monotonic_ns() + round(timeout_s * 1e9)
        ):
            self.clock.sleep(timeout_s)
            return None
        if isinstance(first, Stamped):
            self.clock.skip_to(first.t_ns)
        return waiting.popleft()

    @property
    def is_waiting(self) -> bool:
        """Whether everything was given out that comes before the host's next doing."""
        self._advance(None, at_most=0)
        return not any(self._given.values()) and not _is_in(self._next)

    def catch_up(self, listen: Callable[[], None]) -> None:
        """Let the host take in, by `listen`, all that comes before its next doing, and the time pass until then."""
        waited_s = 0.0
        while not self.is_waiting and waited_s < _LONGEST_S:
            listen()
            self.clock.sleep(_LOOK_S)
            waited_s += _LOOK_S
        if self._next is not None and not _is_in(self._next):
            self.clock.skip_to(self._next.t_ns + self._shift_ns)

    @property
    def has_ended(self) -> bool:
        """Whether nothing is left to be given out or done."""
        return self._next is None and not any(self._given.values())

    @property
    def waits_for(self) -> str:
        """What the tape waits for, in words; "" at its end."""
        record = self._next
        if record is None:
            return ""
        if isinstance(record, Mark):
            return f"the {record.kind.value} of {record.step} {record.name}".rstrip()
        return (
            f"an answer to '{record.name}'" if isinstance(record, AnswerGiven) else f"the request {_shown(record.data)}"
        )

    # Inside

    def _sortings(self) -> dict[str, _Sorting]:
        return {name: _Sorting(dialect) for name, dialect in self._dialects.items()}

    def _wind(self) -> None:
        """Go on by one record."""
        record = self._next = next(self._records, None)
        self._event = "" if record is None or not self._dialects else event_of(record)
        if isinstance(record, Chunk) and record.direction is Direction.OUT:
            sorting = self._recorded.get(self._protocols[record.port])
            self._event = "request" if sorting is not None and sorting.is_request(record.data) else ""
        if record is None and not self._reader.is_complete:
            for port in list(self._now_open):
                self._lose(port, "the recording ends here")

    def _advance(self, wanted: deque[Stamped | HilError] | None, at_most: int = 1 << 30) -> None:
        """Go on until the host has to do something, or `at_most` items more have come for the port that waits."""
        while (record := self._next) is not None:
            if isinstance(record, Chunk) and record.direction is Direction.IN:
                queue = self._given.get(self._number_of(record.port))
                if queue is not None and at_most <= 0:
                    return
                if queue is not None:
                    queue.append(Stamped(t_ns=record.t_ns + self._shift_ns, data=record.data))
                at_most -= queue is not None and queue is wanted
            elif self._event and self._done[self._event] <= self._passed[self._event]:
                return
            else:
                self._pass(record)
            self._wind()

    def _pass(self, record: TraceRecord) -> None:
        """Go past what the host did; the time between that and what follows is kept from here on."""
        if self._event:
            self._passed[self._event] += 1
            self._shift_ns = self.clock.monotonic_ns() - record.t_ns
        if isinstance(record, Mark) and record.step == _PORT:
            what = record.fields.get("what")
            if what in _OPENED:
                self._now_open[record.name] = self._begun
                self._begun += 1
            elif what == _LOST:
                self._passed["shut"] += 1  # the host closes what it lost
                self._lose(record.name, str(record.fields.get("cause", "it was lost in the trace")))

    def _lose(self, port: str, cause: str) -> None:
        if (queue := self._given.get(self._number_of(port))) is not None:
            queue.append(PortLost(self.name, cause=cause, uptime_s=0.0))

    def _number_of(self, port: str) -> int:
        if self._has_port_marks:
            return self._now_open.get(port, -1)
        return next((number for number, one in enumerate(self.openings) if one.port == port), -1)

    def _scan(self) -> int:
        """Read through the trace for its openings and requests; return its first moment."""
        sortings, now, first_ns = self._sortings(), dict[str, Opening](), None
        for record in self._reader:
            first_ns = record.t_ns if first_ns is None else first_ns
            if isinstance(record, Mark) and record.step == _PORT and record.fields.get("what") in _OPENED:
                self._has_port_marks = True
                now[record.name] = self._begins(record.name)
            elif isinstance(record, Chunk):
                if record.port not in now and not self._has_port_marks:
                    now[record.port] = self._begins(record.port)
                sorting = sortings.get(self._protocols[record.port])
                if record.direction is Direction.OUT and sorting is not None and sorting.is_request(record.data):
                    self._requests.append(record.data)
                    self._tag(now.get(record.port), record.data)
        return first_ns or 0

    def _begins(self, port: str) -> Opening:
        opening = Opening(port=port, protocol=self._protocols.get(port, ""))
        self.openings.append(opening)
        return opening

    def _tag(self, opening: Opening | None, data: bytes) -> None:
        """Note the number of an opening's first request."""
        if opening is None or opening.first_tag is not None:
            return
        found = Link(self._dialects[opening.protocol], End.ROBOT).receive(data)
        opening.first_tag = next((item.tag for item in found if isinstance(item, Commanded)), None)


def _is_in(record: TraceRecord | None) -> bool:
    return isinstance(record, Chunk) and record.direction is Direction.IN


def event_of(record: TraceRecord) -> str:
    """Return what kind of doing of the host a mark or an answer stands for, "" where it is none to wait for."""
    if isinstance(record, AnswerGiven):
        return "answer"
    if not isinstance(record, Mark):
        return ""
    if record.step == _PORT:
        what = record.fields.get("what")
        return "open" if what in _OPENED else "shut" if what == _CLOSED else ""
    if record.step in _STEPS and record.kind is not MarkKind.NOTE:
        # By suite, case, place, name and path, so that the bytes of one drive are never given to another.
        told = _TOLD if record.kind is MarkKind.BEGIN else ()
        what = "".join(f" {record.fields[name]}" for name in told if name in record.fields)
        return f"{record.kind.value} {record.step} {record.name}{what}".rstrip()
    return ""


def _shown(data: bytes) -> str:
    text = data.decode("ascii", "backslashreplace").strip()
    kept = "".join(character if character.isprintable() else "·" for character in text)
    return f"'{kept[:_SHOWN]}{'…' if len(kept) > _SHOWN else ''}'"
