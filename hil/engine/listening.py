"""Listening to a port through a protocol: what each message says and how often it comes, what was lost, what was bad.

Bytes and times go in, a picture of the moment comes out; nothing is sent and nothing is read here. Whatever comes, what
is kept stays bounded.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field

from hil.engine.clock_skew import ClockSkew, Skew
from hil.engine.heard import Heard
from hil.quantities import counted
from hil.wire.codec import NoiseReason
from hil.wire.dialect import Dialect
from hil.wire.fields import Value
from hil.wire.link import End, Link
from hil.wire.received import (
    BlockBegun,
    BlockEnded,
    Booted,
    Counters,
    Happened,
    Noise,
    Received,
    Stale,
    Telemetry,
)

# A rate is taken over at most so long, and over at most so many lines of a message.
RATE_WINDOW_S = 5.0
_RATE_LINES = 2048
_LAST_NEWS = 200  # events not yet fetched; a robot that has more of them in a second is broken
_EXAMPLE_BYTES = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Latest:
    """One kind of message: how many came, how often of late [1/s], and the values of the last one."""

    name: str
    count: int
    rate_hz: float
    age_s: float
    values: Mapping[str, Value]


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """What a port has said until a moment. `examples` hold the beginning of one bad line for each reason."""

    elapsed_s: float
    total_bytes: int
    silent_s: float
    messages: tuple[Latest, ...]
    counters: Counters
    examples: Mapping[NoiseReason, bytes]
    skew: Skew | None


@dataclass(slots=True)
class _Followed:
    count: int = 0
    times_s: deque[float] = field(default_factory=lambda: deque(maxlen=_RATE_LINES))
    values: Mapping[str, Value] = field(default_factory=dict)

    def rate_hz(self, now_s: float) -> float:
        """Return the rate over the window; of one line no rate can be told."""
        recent = [t for t in self.times_s if t >= now_s - RATE_WINDOW_S]
        span_s = now_s - recent[0] if recent else 0.0
        return (len(recent) - 1) / span_s if len(recent) > 1 and span_s > 0 else 0.0


class Listening:
    """Everything heard from one port in `dialect` since `begun_s`, the host's time [s].

    A robot may remember the numbers of the requests before; beginning at another each time keeps ours new to it.
    """

    def __init__(self, dialect: Dialect, begun_s: float) -> None:
        self.dialect = dialect
        self.heard = Heard(begun_s)
        self.link = Link(dialect, End.HOST, first_tag=int(begun_s * 1000) % dialect.tag_modulus)
        self._followed: dict[str, _Followed] = {}
        self._examples: dict[NoiseReason, bytes] = {}
        self._news: deque[str] = deque(maxlen=_LAST_NEWS)
        self._skew = ClockSkew(_clock_modulus_s(dialect)) if dialect.clock_field else None

    def take(self, t_s: float, data: bytes) -> list[Received]:
        """Take in bytes with the time they came, and return what they mean."""
        self.heard.take(t_s, data)
        received = self.link.receive(data)
        for item in received:
            self._take(t_s, item)
        return received

    def look(self, now_s: float) -> list[Received]:
        """Return what silence means: the end of a block message that nothing follows."""
        received = self.link.due_blocks(now_s)
        for item in received:
            self._take(now_s, item)
        return received

    def news(self) -> list[str]:
        """Return what happened since the last call, a line each: events, answers nobody waits for, blocks, restarts."""
        found = list(self._news)
        self._news.clear()
        return found

    def picture(self, now_s: float) -> Picture:
        """Return what is known now."""
        return Picture(
            elapsed_s=now_s - self.heard.begun_s,
            total_bytes=self.heard.total,
            silent_s=self.heard.silent_s(now_s),
            messages=tuple(
                Latest(
                    name=name,
                    count=one.count,
                    rate_hz=one.rate_hz(now_s),
                    age_s=now_s - one.times_s[-1],
                    values=one.values,
                )
                for name, one in self._followed.items()
            ),
            counters=self.link.counters,
            examples=dict(self._examples),
            skew=self._skew.maybe_skew if self._skew else None,
        )

    def _take(self, t_s: float, item: Received) -> None:
        match item:
            case Telemetry():
                self._follow(item.message if not item.block else f"{item.block}: {item.message}", t_s, item.values)
                if not item.block:
                    self._follow_clock(t_s, item.values)
            case Happened():
                if not item.block:
                    self._follow_clock(t_s, item.values)
                self._tell("event", item.event, item.detail)
            case Stale():
                self._tell("answer", item.action or "to nothing asked", item.verdict.value, item.answer)
            case BlockBegun():
                self._tell(
                    "block", item.block, "" if item.count is None else f"of {counted(item.count, 'row')}", "begins"
                )
            case BlockEnded():
                self._tell("block", item.block, f"ends after {counted(item.rows, 'row')}", item.reason)
            case Booted():
                self._tell("started", item.banner)
            case Noise():
                self._examples.setdefault(item.reason, item.raw[:_EXAMPLE_BYTES])
            case _:
                return

    def _tell(self, *words: str) -> None:
        self._news.append("  ".join(word for word in words if word))

    def _follow(self, name: str, t_s: float, values: Mapping[str, Value]) -> None:
        one = self._followed.setdefault(name, _Followed())
        one.count += 1
        one.times_s.append(t_s)
        one.values = {**one.values, **values}

    def _follow_clock(self, t_s: float, values: Mapping[str, Value]) -> None:
        reading = values.get(self.dialect.clock_field)
        if self._skew is not None and isinstance(reading, int | float):
            self._skew.take(t_s, float(reading))


def _clock_modulus_s(dialect: Dialect) -> float:
    fields = (spec for message in dialect.messages for spec in message.fields)
    return next((s.modulus * abs(s.scale) for s in fields if s.name == dialect.clock_field), 0.0)
