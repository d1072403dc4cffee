"""A port that is watched for a live display: opened, asked for values, read, and found again when it goes away.

Nothing is sent that turns a wheel: who is there, values, the encoders' levels, and at the end that none are wanted any
more. A port that goes away is looked for, and what comes of it goes on where it was; the display says so meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import Self

from hil.engine.ear import Ear
from hil.engine.operator import nothing_to_do
from hil.engine.taking import sampling_s
from hil.engine.watch_page import Page, State
from hil.engine.watch_subjects import Subject
from hil.errors import BenchError, PortLost, PortUnavailable, WireError
from hil.measure.board_log import rows_of
from hil.measure.unwrapping import RobotClock
from hil.plan.reporting import stream_period_s
from hil.timing import Clock
from hil.transports.finding import LOOK_EVERY_S, Identity, identity_of, look_for
from hil.transports.serial_url import open_port
from hil.transports.transport import Transport
from hil.wire.dialect import Dialect
from hil.wire.received import Noise, Telemetry

_LOOK_S = 0.02
_OLD_S = 1.0  # values that are older are said to be old
_FOREIGN = 3  # lines on end that are not understood: one or two may be what was cut at the port's opening
_STREAM_S = 0.02  # between two lines: a person sees no more, and the levels need room on the line


@dataclass(slots=True)
class Watcher:
    """Keeps a subject fed from a port. Used as a context. Raises errors of the port at opening only.

    `samples` asks for the encoders' levels, where the protocol can. `where` asks a virtual robot for its port,
    `meanwhile` is called at every look at the port.
    """

    port: str
    dialect: Dialect
    clock: Clock
    subject: Subject
    samples: bool = False
    where: Callable[[], str] | None = None
    meanwhile: Callable[[], None] = nothing_to_do
    notes: list[str] = field(default_factory=list)
    _ear: Ear | None = None
    _transport: Transport | None = None
    _identity: Identity | None = None
    _robot_clock: RobotClock | None = None
    _latest_s: float | None = None
    _lost_since_s: float | None = None
    _looked_s: float = 0.0
    _held: Page | None = None
    _foreign_s: float | None = None  # when a line last came that no message of the protocol is like
    _foreign_count: int = 0

    def __enter__(self) -> Self:
        """Open the port and ask for values."""
        self._identity = replace(identity_of(self.port), where=self.where)
        self._open(self.port)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Ask for no more values and close the port; a port that is gone needs neither."""
        if self._ear is not None:
            try:
                self._ask_all(is_end=True)
            except (BenchError, WireError) as trouble:
                self.notes.append(f"the robot could not be told to stop sending ({trouble.what})")
        self._let_go()

    def now_s(self) -> float:
        """Return the host's time [s]."""
        return self.clock.monotonic_ns() / 1e9

    def listen(self, for_s: float) -> None:
        """Take in what comes within `for_s`; looks for a port that has gone."""
        end_s = self.now_s() + for_s
        while True:
            self.meanwhile()
            left_s = end_s - self.now_s()
            if self._ear is None:
                self._look(max(0.0, left_s))
            else:
                self._pump(max(0.0, min(_LOOK_S, left_s)))
            if self.now_s() >= end_s:
                return

    def hold(self) -> None:
        """Keep the page as it is, or let it go on."""
        self._held = None if self._held is not None else self._page()

    def page(self) -> Page:
        """Return the page of the moment, or the one that is held."""
        if self._held is not None:
            # What is held is of a moment ago; that the port has gone since is of now.
            notes = ("the port has gone since",) if self._lost_since_s is not None else ()
            return replace(self._held, is_held=True, notes=(*notes, *self._held.notes))
        return self._page()

    def _page(self) -> Page:
        page, now_s = self.subject.page(), self.now_s()
        age_s = None if self._latest_s is None else now_s - self._latest_s
        if self._lost_since_s is not None:
            gone_s = now_s - self._lost_since_s
            verdict = f"the port went away {gone_s:.0f} s ago; looking for it. See the cable."
            return replace(page, state=State.BAD, verdict=verdict, age_s=age_s, is_old=True)
        messages = self._ear.listening.picture(now_s).messages if self._ear else ()
        rate_hz = max((message.rate_hz for message in messages), default=0.0)
        if age_s is not None and age_s > max(_OLD_S, 3 / rate_hz if rate_hz else 0.0):
            verdict = f"nothing has come for {age_s:.1f} s: is the robot on?"
            page = replace(page, state=State.BAD, verdict=verdict, is_old=True)
        if self._is_foreign(now_s):
            verdict = (
                f"lines come that the protocol {self.dialect.name} does not know: see the robot's program, "
                "its protocol file and the port's speed."
            )
            page = replace(page, state=State.BAD, verdict=verdict, is_old=True)
        return replace(page, age_s=age_s, rate_hz=rate_hz, notes=(*self.notes, *page.notes))

    # Inside

    def _is_foreign(self, now_s: float) -> bool:
        """Tell whether lines come, and for a while none of them has been understood."""
        if self._foreign_s is None or now_s - self._foreign_s > _OLD_S:
            return False
        return self._foreign_count >= _FOREIGN and (self._latest_s is None or now_s - self._latest_s > _OLD_S)

    def _open(self, url: str) -> None:
        self._transport = open_port(url, self.dialect.port, self.clock)
        self._ear = Ear(self._transport, self.dialect, self.clock)
        self._robot_clock = RobotClock(modulus=_clock_modulus_s(self.dialect))
        self._lost_since_s = None
        try:
            self._ask_all()
        except PortLost:
            self._lose()

    def _ask_all(self, *, is_end: bool = False) -> None:
        ear = self._ear
        if ear is None:
            return
        stream_s = max(_STREAM_S, stream_period_s(self.dialect))
        for action, period_s in (("stream", stream_s), ("sample", sampling_s(self.dialect))):
            wanted = action == "stream" or self.samples
            if not wanted or action not in self.dialect.commands:
                continue
            if ear.ask(action, {"period": 0.0 if is_end else period_s}) is None and not is_end:
                note = f"the robot did not say yes to '{action}'"
                if note not in self.notes:
                    self.notes.append(note)

    def _pump(self, timeout_s: float) -> None:
        ear = self._ear
        assert ear is not None  # noqa: S101  (only called while there is one)
        try:
            received = ear.pump(timeout_s)
        except PortLost:
            self._lose()
            return
        for item in received:
            if isinstance(item, Telemetry) and not item.block:
                self._latest_s, self._foreign_count = ear.now_s(), 0
                for values, time_s in self._rows(item, ear.now_s()):
                    self.subject.take(values, time_s)
            elif isinstance(item, Noise):
                self._foreign_s = ear.now_s()
                self._foreign_count += 1

    def _rows(self, item: Telemetry, host_s: float) -> Iterator[tuple[Mapping[str, float], float]]:
        """Yield the rows of a message with their times, by the robot's clock where it has one."""
        told = item.values.get(self.dialect.clock_field)
        clock = self._robot_clock
        time_s = clock.follow(float(told), host_s) if clock and isinstance(told, int | float) else host_s
        spec = next((one for one in self.dialect.messages if one.name == item.message), None)
        step_s = spec.sample_s if spec else 0.0
        rows = list(rows_of(item.values, self.dialect.clock_field, time_s))
        for number, row in enumerate(rows):
            yield row, time_s - (len(rows) - 1 - number) * step_s

    def _lose(self) -> None:
        self._let_go()
        self._lost_since_s = self.now_s()

    def _let_go(self) -> None:
        if self._transport is not None:
            self._transport.close()
        self._transport = self._ear = None

    def _look(self, left_s: float) -> None:
        """Look for the port that went away, seven times a second at most."""
        wait_s = self._looked_s + LOOK_EVERY_S - self.now_s()
        if wait_s > 0:
            self.clock.sleep(min(wait_s, left_s) if left_s > 0 else 0.0)
            return
        self._looked_s = self.now_s()
        if self._identity is None or not (found := look_for(self._identity)):
            return
        lost_since_s = self._lost_since_s
        try:
            self._open(found)
        except PortUnavailable:
            self._lost_since_s = lost_since_s


def _clock_modulus_s(dialect: Dialect) -> float:
    fields = (spec for message in dialect.messages for spec in message.fields)
    return next((s.modulus * abs(s.scale) for s in fields if s.name == dialect.clock_field), 0.0)
