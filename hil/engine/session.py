"""One robot's port, its link and its recording: requests, drives, waits, and the stop.

Single-threaded with deadlines: every wait is a loop over `pump`, which reads one chunk, records it, feeds the link
and looks at what is due. A lost port, a silent one and a robot that never finishes each end in one clear error; so
does a robot that sends nothing readable. The session computes nothing: it only counts what it must wait for.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from hil.engine.odometer import Odometer
from hil.engine.recorder import Recorder
from hil.engine.unanswered import PRINTABLE, Heard, is_tagged, unanswered
from hil.errors import HilError, MoveUnfinished, PortSilent, RobotRefused
from hil.measure.trace import Direction
from hil.timing import Clock
from hil.transports.transport import Transport
from hil.wire.counting import OUT_OF_ORDER_S
from hil.wire.dialect import Dialect, Verdict
from hil.wire.fields import Value
from hil.wire.link import End, Link
from hil.wire.received import BlockEnded, Happened, Noise, Received, Replied, Stale, Telemetry
from hil.wire.requests import Expired, Resend

_TICK_S = 0.02  # the longest single wait; short enough that Ctrl-C stops the robot within 100 ms
_QUIET_S = 2.0  # a robot that streams and says nothing for so long has gone, whatever the port says
_SLOWEST = 3.0  # a drive may take so many times its predicted time, by the robot's clock
_GRACE_S = 5.0  # and so much more, for starting, settling and a slow battery
_HOST_SLOWEST = 4.0  # by the host's clock, where the robot's shows nothing: the same with a reserve for a slow host
_LONGEST_STEP_S = 5.0  # between two lines of a robot that reports; more is a clock that jumped
_STANDS_S = 1.5  # wheels that have not counted for so long, after the predicted time, stand
_REPLY_MEMORY = 64  # replies nobody asked for are dropped from here on
_STOP_PATIENCE_S = 0.6  # how long the stop path waits for its answers before it says that none came
_TAIL_BYTES = 2048  # of what came last, kept to see which protocol it is
_BLOCK_MEMORY = 16  # ends of block messages kept until somebody asks
_MOST_WAITING = 256  # chunks taken in at once by a look at the port: a robot that never pauses must not hold us
_QUIET_AFTER_S = 0.05  # and twice the round trip: how long no answer may come before an unnumbered request is sent
_DRAIN_LIMIT_S = 1.0  # a robot that answers on and on is asked all the same


@dataclass(slots=True)
class _Watch:
    """What a wait has seen since it began."""

    events: deque[Happened] = field(default_factory=lambda: deque(maxlen=1000))
    last_good_s: float = 0.0
    last_bytes_s: float = 0.0


class RobotSession:
    """The host's end of one robot. Raises only errors of `hil.errors`."""

    def __init__(
        self, transport: Transport, dialect: Dialect, recorder: Recorder, clock: Clock, *, port: str = ""
    ) -> None:
        """Take over an open port; `port` is its name in the trace, where that is not its address."""
        self.port = port or transport.name
        self.dialect = dialect
        self._transport = transport
        self._clock = clock
        self._recorder = recorder
        # Another first number for each session, so that a robot still up does not take requests for repetitions.
        first = transport.first_tag
        if first is None:
            first = (clock.monotonic_ns() // 1_000_000) % dialect.tag_modulus
        self.link = Link(dialect, End.HOST, first_tag=first)
        self._replies: deque[Replied] = deque(maxlen=_REPLY_MEMORY)
        self._expired: set[int | None] = set()
        self._watch = _Watch()
        self._bytes = 0
        self._unprintable = 0
        self._is_driving = False
        self._clock_s: float | None = None
        self.robot_s = 0.0  # the robot's own time since the first reading
        self.values: dict[str, float] = {}  # the latest value of every channel
        self.event_counts: Counter[str] = Counter()
        self.odometer = Odometer(dialect)
        self.clock_jumps = 0  # of the robot's clock, by more than it can have run between two lines
        self.is_streaming = dialect.prints_unasked  # or telemetry was asked for: silence in a drive means trouble
        self.blocks: deque[BlockEnded] = deque(maxlen=_BLOCK_MEMORY)  # the block messages that are over
        self.tail = b""  # the bytes that came last
        self.round_trip_s = 0.0  # as measured; 0 where it was not
        self._stale = 0
        self._owes_answer = False  # a request without a number was given up, and its answer may still come
        self.unsaid_ends = 0  # drives whose end was seen on the wheels, since the line that tells it was lost
        self._missing_before = 0
        self._last_counts: tuple[float, ...] = ()
        self._still_since_s = 0.0

    # Requests

    def ask(self, action: str, values: Mapping[str, Value] | None = None) -> str:
        """Send a request and return the answer's text.

        Raises `NoReply` (or `PortSilent` where nothing readable has ever come) after the protocol's tries, and
        `RobotRefused` with the robot's own word.
        """
        command = self.dialect.commands.get(action)
        if command is not None and command.replied and not is_tagged(self.dialect, action):
            self._drain()
        stale_before = self._stale
        pending = self.link.start(action, values or {}, self._now_s())
        self._send(pending.data)
        if command is None or not command.replied:
            return ""
        while True:
            self.pump(_TICK_S)
            for reply in self._replies:
                if reply.tag == pending.tag and reply.action == action:
                    self._replies.remove(reply)
                    return self._accepted(action, reply)
            if pending.tag in self._expired:
                self._expired.discard(pending.tag)
                self._owes_answer = pending.tag is None
                heard = replace(self.heard, stale=self._stale - stale_before)
                raise unanswered(
                    self.port, self.dialect, action, heard, tries=pending.tries, deadline_s=pending.deadline_s
                )

    def _accepted(self, action: str, reply: Replied) -> str:
        if reply.verdict is Verdict.REFUSED:
            raise RobotRefused(
                f"the robot refused '{action}': {readable(reply.answer) or 'no reason given'}",
                where=self.port,
                todo="Look up the reason in the firmware's description, and see that the robot stands and is charged",
            )
        return reply.answer

    def _drain(self) -> None:
        """Take in what waits, so that no answer of before is taken for that of the next request.

        Where one is still owed, it is waited for until none has come for twice the round trip.
        """
        self.listen()
        if self._owes_answer:
            begun_s = quiet_since_s = self._now_s()
            quiet_s = max(_QUIET_AFTER_S, 2 * self.round_trip_s)
            while (now_s := self._now_s()) - quiet_since_s < quiet_s and now_s - begun_s < _DRAIN_LIMIT_S:
                if any(isinstance(item, Replied | Stale) for item in self.pump(_TICK_S)):
                    quiet_since_s = self._now_s()
            self._owes_answer = False
            self.link.settle()
        self._replies.clear()

    @property
    def heard(self) -> Heard:
        """What has come since the port was opened."""
        return Heard(total_bytes=self._bytes, unprintable=self._unprintable, counters=self.link.counters)

    def listen(self) -> None:
        """Take in what has come, without waiting."""
        for _ in range(_MOST_WAITING):
            if not self._read(0.0):
                break
        self._look_at_requests()

    # Drives

    def drive(self, action: str, values: Mapping[str, Value], predicted_s: float, tick: Callable[[], None]) -> None:
        """Send a drive (`drive` or `goal`) and wait for its end; `tick` is called often, for progress.

        The end is the event `idle`; where the protocol has no events, wheels that have come to rest.

        Raises `MoveUnfinished` where the robot stops by itself or never ends, `PortLost`, `PortSilent`, `RobotRefused`.
        """
        self._watch.events.clear()
        self._missing_before = self._lines_missing()
        begun_s, begun_robot_s = self._now_s(), self._own_s()
        self.ask(action, values)
        self._is_driving = True
        try:
            self._watch.last_good_s = self._now_s()
            while not self._drive_is_over(begun_robot_s, predicted_s):
                self.pump(_TICK_S)
                tick()
                self._look_for_trouble(begun_s, begun_robot_s, predicted_s)
        finally:
            self._is_driving = False

    def _drive_is_over(self, begun_robot_s: float, predicted_s: float) -> bool:
        is_late = self._own_s() - begun_robot_s > predicted_s
        if is_late and self._stands() and (not self.dialect.has_events or self._lines_missing() > self._missing_before):
            self.unsaid_ends += self.dialect.has_events
            return True
        for event in self._watch.events:
            if event.event == "fault":
                raise MoveUnfinished(
                    f"the robot stopped by itself in the middle of a drive ({readable(event.detail) or 'no reason'})",
                    where=self.port,
                    todo="See what stands at that place of the course, then start the case again",
                )
        return any(event.event == "idle" for event in self._watch.events)

    def _lines_missing(self) -> int:
        """How many lines never came or came broken: without any, the line that ends a drive was not lost either."""
        counters = self.link.counters
        return counters.lost + counters.bad_total

    def _stands(self) -> bool:
        """Tell whether the wheels have not counted for a while: what is left where the line that says so was lost."""
        counts = tuple(self.values.get(f"encoder.{side}", math.nan) for side in ("left", "right"))
        if counts != self._last_counts or any(map(math.isnan, counts)):
            self._last_counts, self._still_since_s = counts, self._own_s()
        return self._own_s() - self._still_since_s > _STANDS_S

    def _look_for_trouble(self, begun_s: float, begun_robot_s: float, predicted_s: float) -> None:
        now_s = self._now_s()
        robot_took_s, host_took_s = self._own_s() - begun_robot_s, now_s - begun_s
        if robot_took_s > predicted_s * _SLOWEST + _GRACE_S or host_took_s > predicted_s * _HOST_SLOWEST + 2 * _GRACE_S:
            took_s = max(robot_took_s, min(host_took_s, predicted_s * _HOST_SLOWEST + 2 * _GRACE_S))
            raise MoveUnfinished(
                f"the drive was accepted and had not ended after {took_s:.0f} s",
                where=self.port,
                expected=f"its end after about {predicted_s:.0f} s",
                todo="The robot was told to stop. See whether a wheel is blocked or an event line was lost",
            )
        if self.is_streaming and now_s - self._watch.last_good_s > _QUIET_S:
            heard = now_s - self._watch.last_bytes_s <= _QUIET_S
            raise PortSilent(
                f"in the middle of a drive nothing {'readable ' if heard else ''}came for {_QUIET_S:.0f} s",
                where=self.port,
                expected="telemetry at the period asked for",
                todo="Check the cable and the supply; a robot that resets while driving has a weak battery",
            )

    def wait_for_event(self, name: str, timeout_s: float) -> bool:
        """Wait until an event has come (since the last drive began); tell whether it did."""
        end_s = self._now_s() + timeout_s
        while not any(event.event == name for event in self._watch.events):
            if self._now_s() >= end_s:
                return False
            self.pump(_TICK_S)
        return True

    def wait_until(self, condition: Callable[[Mapping[str, float]], bool], timeout_s: float) -> bool:
        """Wait until the latest channel values meet a condition; tell whether they did."""
        end_s = self._now_s() + timeout_s
        while not condition(self.values):
            if self._now_s() >= end_s:
                return False
            self.pump(_TICK_S)
        return True

    def pause(self, duration_s: float) -> None:
        """Listen for so long by the host's clock."""
        end_s = self._now_s() + duration_s
        while (left_s := end_s - self._now_s()) > 0:
            self.pump(min(_TICK_S, left_s))

    @contextmanager
    def kept_moving(self) -> Iterator[None]:
        """Keep the robot alive while its wheels turn without a drive that ends by itself."""
        self._watch.events.clear()
        self._is_driving = True
        try:
            yield
        finally:
            self._is_driving = False

    def pass_time(self, duration_s: float) -> None:
        """Let the wheels turn for so long by the robot's clock; raises where it stops by itself or falls silent.

        A robot that reports nothing meanwhile tells by its event `idle` that the time it was given is over.
        """
        self._watch.last_good_s = begun_s = self._now_s()
        # The clock of a robot that reports nothing stands still for us.
        own_s = self._own_s if self.is_streaming else self._now_s
        until_s = own_s() + duration_s
        while own_s() < until_s:
            self.pump(min(_TICK_S, max(0.001, until_s - own_s())))
            for event in self._watch.events if own_s() < until_s else ():
                if event.event == "idle" and not self.is_streaming and not event.detail:
                    return
                if event.event in ("fault", "idle"):
                    raise MoveUnfinished(
                        f"the wheels stopped by themselves ({readable(event.detail) or 'no reason'})",
                        where=self.port,
                        todo="See whether a wheel is caught and the battery is charged, then start the case again",
                    )
            self._look_for_trouble(begun_s, until_s - duration_s, duration_s)

    # The stop

    def stop(self) -> str:
        """Tell the robot to stop; return "" when it said yes, else a sentence. Never raises.

        Works on a lost port too: the write then fails at once and the robot's dead-man is what is left.
        """
        try:
            if "stop" not in self.dialect.commands:
                return "the protocol has no stop command; somebody must stand at the switch"
            end_s = self._now_s() + _STOP_PATIENCE_S
            self._expired.discard(None)
            self._replies.clear()
            pending = self.link.start("stop", {}, self._now_s())
            self._send(pending.data)
            while self._now_s() < end_s and pending.tag not in self._expired:
                self.pump(_TICK_S)
                if any(reply.tag == pending.tag and reply.action == "stop" for reply in self._replies):
                    return ""
        except HilError as error:
            return f"the robot could not be told to stop: {error.what}; its own dead-man has to"
        return "the robot did not answer the stop; see that it stands"

    # Inside

    def _own_s(self) -> float:
        """Return the robot's time, or the host's where the robot tells none."""
        return self.robot_s if self.dialect.clock_field else self._now_s()

    def _now_s(self) -> float:
        return self._clock.monotonic_ns() / 1e9

    def _send(self, data: bytes) -> None:
        self._recorder.chunk(self.port, Direction.OUT, data)
        self._transport.write(data)

    def pump(self, timeout_s: float) -> list[Received]:
        """Read at most one chunk, take in what it says and return it, send what is due."""
        came = self._read(timeout_s)
        self._look_at_requests()
        return came or []

    def _read(self, timeout_s: float) -> list[Received] | None:
        stamped = self._transport.read(timeout_s)
        if stamped is None:
            return None
        self._recorder.chunk(self.port, Direction.IN, stamped.data, stamped.t_ns)
        self._bytes += len(stamped.data)
        if self.link.counters.good == 0:
            self._unprintable += sum(byte not in PRINTABLE for byte in stamped.data)
            self.tail = (self.tail + stamped.data)[-_TAIL_BYTES:]
        self._watch.last_bytes_s = self._now_s()
        came = self.link.receive(stamped.data)
        for item in came:
            self._take(item)
        return came

    def _look_at_requests(self) -> None:
        now_s = self._now_s()
        for due in self.link.due(now_s):
            if isinstance(due, Resend):
                self._send(due.data)
            elif isinstance(due, Expired):
                self._expired.add(due.pending.tag)
        for ended in self.link.due_blocks(now_s):
            self._take(ended)
        if self._is_driving and (alive := self.link.keep_alive(now_s)):
            self._send(alive)
        self._recorder.commit_due()

    def _take(self, item: Received) -> None:
        if isinstance(item, Noise):
            return
        self._watch.last_good_s = self._now_s()
        if isinstance(item, Telemetry | Happened) and item.block:
            return  # a row tells of a moment that is over
        if isinstance(item, Telemetry):
            self._follow_clock(item.values)
            self.odometer.follow(item.values)
            self.values.update(
                {name: float(value) for name, value in item.values.items() if not isinstance(value, str | tuple)}
            )
        elif isinstance(item, Happened):
            self._follow_clock(item.values)
            self.event_counts[item.event] += 1
            self._watch.events.append(item)
        elif isinstance(item, Replied):
            self._replies.append(item)
        elif isinstance(item, Stale):
            self._stale += 1
        elif isinstance(item, BlockEnded):
            self.blocks.append(item)
            self._clock_s = None  # nothing was reported while it lasted

    def _follow_clock(self, values: Mapping[str, Value]) -> None:
        """Add up the robot's own time; a wrap or a restart counts as nothing, a line out of order not at all."""
        reading = values.get(self.dialect.clock_field)
        if isinstance(reading, str | tuple) or reading is None or not math.isfinite(reading):
            return
        if self._clock_s is not None and self._clock_s - OUT_OF_ORDER_S < reading < self._clock_s:
            return
        if self._clock_s is not None and reading > self._clock_s:
            step_s = reading - self._clock_s
            if self.is_streaming and step_s > _LONGEST_STEP_S:
                self.clock_jumps += 1  # no time that passed: a drive is not late by it
            else:
                self.robot_s += step_s
        self._clock_s = float(reading)


def readable(text: str) -> str:
    """Return a robot's words fit for a terminal: printable characters only, and not too many."""
    return "".join(character if character.isprintable() else "·" for character in text)[:80]
