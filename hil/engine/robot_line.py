"""The line to a robot: its port as it is opened, let go, lost and found again, with a session for every opening.

Rules of this file:

- A port that goes away while nothing drives is waited for, and the run goes on where it was: the robot is told to
  stop, asked who it is, and asked for telemetry again, as far as its protocol has words for it. Only what may be done
  twice is done again. In the middle of a drive the loss is an error of that drive, told by whoever drives.
- While a person is waited for nobody blocks: `listen` takes in what has come, notes a loss, and looks for the port.
- Every opening, closing, loss and return stands in the trace, with the length of the gap. Under a new name a port is
  a new entry of the trace's table; the program says that it is the same line.
- Without a cable there is no session. Whoever needs one is told so, or, where the cable was taken off only because the
  program drives without, has it plugged in again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TypeVar

from hil.engine.line_setting import Cable, LineSetting, Reach
from hil.engine.line_totals import LineTotals
from hil.engine.session import RobotSession
from hil.errors import BenchError, HilError, InternalError, PortLost, PortUnavailable
from hil.measure.trace import Json, PortEntry
from hil.spec.robot_values import Program
from hil.transports.finding import LOOK_EVERY_S, Identity, identity_of, look_for, open_again
from hil.transports.serial_url import open_port
from hil.transports.transport import Transport
from hil.wire.dialect import Dialect
from hil.wire.fields import Value

# Asking these twice does no harm, so that they are asked again when the port has come back.
REPEATABLE = frozenset({"identify", "get", "set", "stream", "save", "stop"})
_MOST_RETURNS = 100  # of the port within one step: a contact that is this loose carries no run
_LISTEN_S = 0.02

T = TypeVar("T")


class RobotLine:
    """The line to one robot. Raises only errors of `hil.errors`."""

    def __init__(self, reaches: Mapping[str, Reach], setting: LineSetting) -> None:
        self._reaches = reaches
        self._set = setting
        self._reach: Reach | None = None
        self._identity: Identity | None = None
        self._transport: Transport | None = None
        self._session: RobotSession | None = None
        self._last: RobotSession | None = None  # kept when its port has gone, for what it can still say
        self._loss: PortLost | None = None
        self._since_ns = self._looked_ns = setting.clock.monotonic_ns()
        self.cable = Cable.LET_GO
        self.totals = LineTotals()
        self.returns = 0  # how often a lost port came back
        self.gone_s = 0.0  # how long it was away, all times together

    # What is open

    @property
    def program(self) -> Program | None:
        """The program that is loaded, None before the first."""
        return self._reach.program if self._reach else None

    @property
    def dialect(self) -> Dialect:
        """The protocol of the loaded program."""
        if self._reach is None:
            raise InternalError("no port was opened yet")
        return self._reach.dialect

    @property
    def firmware(self) -> str:
        """What the loaded program answered to `identify`, "" where it says nothing."""
        return self._set.greeting.names.get(self._loaded.name, "") if self._reach else ""

    def dialect_of(self, program: Program) -> Dialect:
        """Return the protocol of a program, loaded or not."""
        return self._reaches[program.name].dialect

    @property
    def speech(self) -> Mapping[str, tuple[Dialect, str]]:
        """Protocol and program of every port of the trace so far, by its name there."""
        return self.totals.speech

    @property
    def session(self) -> RobotSession:
        """The session of the open port; waits where the port went away, and raises where there is none."""
        if self.cable is Cable.LOST:
            self._await_return()
        if self._session is not None:
            return self._session
        if self.cable is Cable.GONE and self._loss is not None:
            raise self._loss.with_traceback(None)
        raise BenchError(
            "the robot hangs on no cable, and this needs its port",
            where=self._name_of_robot(),
            expected="a step 'retether' before it",
            todo="Add it to the suite, or leave out what asks the robot while it is unplugged",
        )

    @property
    def open_session(self) -> RobotSession | None:
        """The session of the open port, or None; waits for nothing."""
        return self._session

    # Opening and letting go

    def open(self, program: Program) -> None:
        """Open the port of a program for the first time; raises `PortUnavailable`."""
        self._reach = self._reaches[program.name]
        url = self._set.where() if self._set.where is not None else self._reach.url
        transport = open_port(url, self._reach.dialect.port, self._set.clock)
        self._identity = self._identified(url)
        self._opened(transport, "opened")

    def greet(self, *, within_s: float = 0.0) -> None:
        """Have the robot say who it is and send what it reports; `within_s` is how long its program may take to start.

        Raises where it is not the robot, or not the protocol, that was expected.
        """
        self.at_rest(lambda session: self._set.greeting.begin(session, self._loaded, within_s=within_s))

    def load(self, program: Program) -> None:
        """Have another program loaded, and open its port."""
        recorder, before = self._set.recorder, self._loaded.name
        if self.cable is Cable.LEFT_OFF:
            self.retether()
        recorder.begin("load", program.name, {"before": before, "protocol": program.protocol})
        self._set.greeting.end(self._session)
        self._close(Cable.LET_GO)
        self._set.operator.load(program)
        was, self._reach = self._loaded, self._reaches[program.name]
        if self._set.where is None and self._reach.url != self._reaches[was.name].url:
            self._identity = Identity(url=self._reach.url)
        transport = open_again(self._known, self.dialect.port, self._set.clock, program.load_s)
        self._identity = self._identified(transport.name)
        self._opened(transport, "opened")
        self.greet(within_s=program.load_s)
        recorder.end("load", program.name)

    def untether(self, say: str = "", *, by_itself: bool = False) -> None:
        """Let go of the port and have the cable unplugged; `by_itself`: not by a step, only for a drive."""
        if self.cable in (Cable.UNPLUGGED, Cable.LEFT_OFF):
            self.cable = self.cable if by_itself else Cable.UNPLUGGED
            return
        self._set.greeting.end(self.session)
        self._close(Cable.LEFT_OFF if by_itself else Cable.UNPLUGGED)
        self.totals.is_partial = True
        self._set.operator.untether(say)

    def retether(self, say: str = "", timeout_s: float = 120.0) -> None:
        """Have the cable plugged in, find the port by what it is, and open it; does nothing where it is open."""
        if self._session is not None:
            return
        self._set.operator.retether(say)
        self._opened(open_again(self._known, self.dialect.port, self._set.clock, timeout_s), "back")
        self.at_rest(lambda session: self._set.greeting.again(session, self._loaded))

    @property
    def is_untethered(self) -> bool:
        """Whether the cable is unplugged."""
        return self.cable in (Cable.UNPLUGGED, Cable.LEFT_OFF)

    def plug_in(self) -> None:
        """Have the cable plugged in again where it was taken off only for a drive."""
        if self.cable is Cable.LEFT_OFF:
            self.retether()

    def close(self) -> None:
        """Close the port at the end of the run."""
        if self._transport is not None:
            self._transport.close()

    # What is done with it

    def at_rest(self, work: Callable[[RobotSession], T]) -> T:
        """Do something that may be done twice, again and again until the port stays; nothing may drive meanwhile."""
        for _ in range(_MOST_RETURNS):
            session = self.session
            try:
                return work(session)
            except PortLost as loss:
                self.lost(loss)
        raise self._loss or InternalError("a port was lost without a loss")

    def ask(self, action: str, values: Mapping[str, Value] | None = None) -> str:
        """Send a request at rest and return the answer; sent again after a loss only where that does no harm."""
        self.plug_in()
        if action in REPEATABLE:
            return self.at_rest(lambda session: session.ask(action, values))
        return self.session.ask(action, values)

    def pause(self, duration_s: float) -> None:
        """Listen for so long by the host's clock; without a cable, wait."""
        end_s = self._now_s() + duration_s
        while (left_s := end_s - self._now_s()) > 0:
            if self.is_untethered:
                self._set.clock.sleep(min(_LISTEN_S, left_s))
            else:
                self.at_rest(lambda session: session.pause(max(0.0, end_s - self._now_s())))

    def listen(self) -> None:
        """Take in what has come, without waiting; note a loss, and look for a lost port. For waits for a person."""
        if self._session is not None:
            try:
                self._session.listen()
            except PortLost as loss:
                self.lost(loss)
        elif self.cable is Cable.LOST:
            self._look()

    def stop(self, *, urgent: bool) -> str:
        """Stop the robot by its stop path; return "" where it said yes, else a sentence. Never raises.

        `urgent`: it may be driving. At a quiet end nobody is sent to the switch.
        """
        operator = self._set.operator
        if self._reach is None:
            return ""
        if self.is_untethered or self.cable is Cable.LET_GO:
            if urgent and self.is_untethered:
                return f"it drove without a cable, and the {operator.source} was asked to switch it off{self._off()}"
            return ""
        session = self._session or self._last
        if session is not None and "stop" in self.dialect.commands:
            told = session.stop()
            return f"{told}{self._off()}" if told and urgent and self._session is None else told
        off = self._off() if urgent else ""
        return f"the protocol has no stop command; somebody must stand at the switch (here the {operator.source}){off}"

    def switch_off(self) -> None:
        """Have the person at the switch stop the robot."""
        self._off()

    def quieten(self) -> None:
        """Have the robot report no more, where its port is open."""
        self._set.greeting.end(self._session)

    @property
    def notes(self) -> tuple[str, ...]:
        """What was found out about the robot when its ports were opened, for the report."""
        return tuple(self._set.greeting.notes)

    def _off(self) -> str:
        try:
            self._set.operator.switch_off()
        except HilError as error:
            return f", which failed: {error.what}"
        return ""

    # Losing and finding

    def lost(self, loss: PortLost) -> None:
        """Take note that the port went away."""
        if self._session is None:
            return
        self._loss = loss
        name = self._session.port
        self._close(Cable.LOST, "lost", {"cause": loss.cause})
        if not self._known.can_be_found:
            self._give_up()
            return
        self._set.say(f"The port {name} went away ({loss.cause}); waiting for {self._known.text} to come back.")

    def await_return(self) -> bool:
        """Wait for a lost port; tell whether it is open again."""
        try:
            if self.cable is Cable.LOST:
                self._await_return()
        except PortLost:
            return False
        return self._session is not None

    def _await_return(self) -> None:
        """Wait for a lost port until it is open again and the robot answers; raises `PortLost` where it never is."""
        end_s = self._now_s() + self._set.return_s
        while self.cable is Cable.LOST:
            try:
                left_s = max(0.0, end_s - self._now_s())
                self._came_back(open_again(self._known, self.dialect.port, self._set.clock, left_s))
            except PortUnavailable:
                self._give_up()
        if self._session is None and self._loss is not None:
            raise self._loss.with_traceback(None)

    def _look(self) -> None:
        """Look once for a lost port, seldom enough; open it where it is there."""
        now_ns = self._set.clock.monotonic_ns()
        if now_ns - self._looked_ns < LOOK_EVERY_S * 1e9:
            return
        self._looked_ns = now_ns
        if look_for(self._known):
            try:
                self._came_back(open_again(self._known, self.dialect.port, self._set.clock, 0.0))
            except PortUnavailable:
                return  # it is held by somebody for a moment; looked at again the next time

    def _came_back(self, transport: Transport) -> None:
        self.returns += 1
        self.gone_s += self._gap_s()
        self._opened(transport, "back")
        self._set.say(f"The port is back as {transport.name}.")
        session = self._session
        if session is None:
            return
        try:
            self._set.greeting.again(session, self._loaded)
        except PortLost as loss:
            self.lost(loss)

    def _give_up(self) -> None:
        was = self._loss
        if was is None:
            raise InternalError("a port is given up that was never lost")
        waited = f"; it did not come back within {self._set.return_s:g} s" if self._known.can_be_found else ""
        self._loss = PortLost(was.port, cause=f"{was.cause}{waited}", uptime_s=was.uptime_s)
        self.cable = Cable.GONE
        self._note("gone for good", was.port, {"gap_s": self._gap_s()})

    # Inside

    @property
    def _loaded(self) -> Program:
        if self._reach is None:
            raise InternalError("no program is loaded yet")
        return self._reach.program

    @property
    def _known(self) -> Identity:
        if self._identity is None:
            raise InternalError("no port was opened yet")
        return self._identity

    def _name_of_robot(self) -> str:
        return f"program {self._loaded.name}" if self._reach else "the robot"

    def _now_s(self) -> float:
        return self._set.clock.monotonic_ns() / 1e9

    def _gap_s(self) -> float:
        return (self._set.clock.monotonic_ns() - self._since_ns) / 1e9

    def _identified(self, url: str) -> Identity:
        if self._set.where is not None:
            return Identity(url=url, virtual=self._set.virtual_name, where=self._set.where)
        return identity_of(url)

    def _opened(self, transport: Transport, what: str) -> None:
        """Begin a session on an open port, and note it."""
        gap: dict[str, Json] = {"gap_s": self._gap_s()} if what == "back" else {}
        name, is_new = self.totals.name_for(_real(transport.name), self.dialect, self._loaded.name)
        if is_new:
            self._set.recorder.port(
                PortEntry(
                    name=name,
                    url=transport.name,
                    protocol=self.dialect.name,
                    digest=self.dialect.digest,
                    virtual=self._set.is_virtual,
                    program=self._loaded.name,
                )
            )
        self._transport = transport
        self._session = self._last = RobotSession(
            transport, self.dialect, self._set.recorder, self._set.clock, port=name
        )
        self.totals.add(self._session)
        self.cable = Cable.PLUGGED
        self._note(what, name, gap)

    def _close(self, cable: Cable, what: str = "closed", more: Mapping[str, Json] | None = None) -> None:
        """Close the port and say why in the trace; what had come until then is taken in first."""
        session, self._session = self._session, None
        self.cable = cable
        self._since_ns = self._set.clock.monotonic_ns()
        if self._transport is not None:
            self._transport.close()
        if session is not None:
            try:
                session.listen()
            except HilError as error:  # the port's end stands behind the last byte
                more = {"end": error.what, **(more or {})}
            self._note(what, session.port, more or {})

    def _note(self, what: str, name: str, more: Mapping[str, Json]) -> None:
        fields: dict[str, Json] = {"what": what, "program": self._loaded.name, "identity": self._known.text}
        self._set.recorder.note("port", name, {**fields, **more})


def _real(url: str) -> str:
    """Return the name behind a link: a link stays the same, and what it leads to is the port."""
    if "://" in url:
        return url
    try:
        return str(Path(url).resolve()) if Path(url).is_symlink() else url
    except OSError:
        return url
