"""What is asked of a robot when its port has been opened: has it started, who is it, what does it report.

A port that opens says nothing yet of what is behind it. A board may start anew and must not be spoken to before it is
up; another robot may be on the cable, or another program in the robot. So the first lines are held against the
protocol that is expected, and the answer to `identify` against the robot file, and later against the first answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from hil.engine.recorder import Recorder
from hil.engine.session import RobotSession
from hil.engine.unanswered import silent, unreadable
from hil.errors import BenchError, HilError, NoReply, PortSilent
from hil.plan.reporting import stream_period_s
from hil.spec.robot_values import Program, RobotFile
from hil.timing import Clock
from hil.transports.booting import measure_round_trip, not_booted, wait_for_boot
from hil.wire.dialect import Dialect
from hil.wire.link import End, Link
from hil.wire.received import Booted, Noise

_LOOK_S = 0.05
_PERIODS = 3.0  # of a robot that prints unasked, after which a line must have come
_LEAST_WAIT_S = 1.0
_ASK_EVERY_S = 1.0  # of a program that is just starting and may not answer yet
_UP_AGAIN_S = 5.0  # how long a robot that came back may take until it answers: it may have started anew


@dataclass(slots=True)
class Greeting:
    """Begins sessions. `wants_telemetry`: the run takes numbers from the robot. `notes` are for the report."""

    robot_file: RobotFile
    dialects: Mapping[str, Dialect]  # by program
    recorder: Recorder
    clock: Clock
    wants_telemetry: bool
    notes: list[str] = field(default_factory=list)
    names: dict[str, str] = field(default_factory=dict)  # what each program answered to `identify`

    def begin(self, session: RobotSession, program: Program, *, within_s: float = 0.0) -> None:
        """Greet a program for the first time, or after it was loaded, when it may take `within_s` to start."""
        if within_s:
            self._wait_for_program(session, program, within_s)
        else:
            self._wait_for_board(session)
            if session.dialect.prints_unasked:
                self._hear(session, must=self.wants_telemetry)
        if "identify" in session.dialect.commands:
            self._identify(session, program)
            trip = measure_round_trip(lambda: session.ask("identify"), self._now_s)
            session.round_trip_s = trip.median_s
            self.recorder.note("round trip", session.port, {"median_s": trip.median_s, "longest_s": trip.longest_s})
            if not self.robot_file.virtual:
                self.notes.append(f"On {session.port} {trip.text_on(session.port)}.")
        self._stream(session)

    def again(self, session: RobotSession, program: Program) -> None:
        """Greet a robot whose port has come back: stop it first, then see who it is, then have it report again."""
        self._wait_for_board(session)
        if "identify" in session.dialect.commands:
            self._wait_for_answer(session)
        if "stop" in session.dialect.commands:
            told = session.stop()
            self.recorder.note("stop", "", {"trouble": told})
            if told:
                self.notes.append(f"When its port had come back, {told}.")
        if "identify" in session.dialect.commands:
            self._identify(session, program)
        self._stream(session)

    def end(self, session: RobotSession | None) -> None:
        """Have it report no more, before its port is let go; a link that is gone needs no undoing."""
        if session is None or not self._asks_for_telemetry(session):
            return
        try:
            session.ask("stream", {"period": 0.0})
        except HilError as error:
            self.notes.append(f"'stream' could not be undone: {error}")

    # Inside

    def _now_s(self) -> float:
        return self.clock.monotonic_ns() / 1e9

    def _asks_for_telemetry(self, session: RobotSession) -> bool:
        return self.wants_telemetry and "stream" in session.dialect.commands

    def _stream(self, session: RobotSession) -> None:
        if self._asks_for_telemetry(session):
            session.ask("stream", {"period": stream_period_s(session.dialect)})
            session.is_streaming = True

    def _wait_for_board(self, session: RobotSession) -> None:
        """Wait for a board that the opening of its port restarts."""
        boot = wait_for_boot(session.dialect.boot, session.pump, self._now_s)
        if not boot.seen:
            raise not_booted(session.port, session.dialect.boot, session.heard.total_bytes)
        if boot.banner:
            self.recorder.note("boot", session.port, {"banner": boot.banner, "took_s": boot.took_s})

    def _wait_for_answer(self, session: RobotSession) -> None:
        """Ask until there is an answer; the stop that comes first need not wait for it, and is sent each time."""
        end_s = self._now_s() + _UP_AGAIN_S
        while True:
            if "stop" in session.dialect.commands and not session.stop():
                return
            try:
                session.ask("identify")
            except (NoReply, PortSilent):
                if self._now_s() >= end_s:
                    raise
            else:
                return

    def _wait_for_program(self, session: RobotSession, program: Program, within_s: float) -> None:
        """Wait until a program that was just loaded shows that it is the one: its banner, a line, or an answer."""
        if not self._shows_itself(session.dialect):
            self.notes.append(f"Whether '{program.name}' is loaded was not seen: its protocol says nothing unasked.")
            return
        end_s, asked_s = self._now_s() + within_s, -1.0
        while (now_s := self._now_s()) < end_s:
            if any(not isinstance(item, Noise) for item in session.pump(min(_LOOK_S, end_s - now_s))):
                return
            if "identify" in session.dialect.commands and now_s - asked_s > _ASK_EVERY_S:
                asked_s = now_s
                try:
                    session.ask("identify")
                except BenchError:
                    continue  # it may not be up yet; the deadline decides
                return
        raise self._not_that(session, f"{within_s:g} s")

    def _hear(self, session: RobotSession, *, must: bool) -> None:
        """See that a robot that prints unasked does so, in lines of its protocol."""
        periods = [message.period_s for message in session.dialect.messages if message.period_s]
        wait_s = max(_LEAST_WAIT_S, _PERIODS * min(periods))
        end_s = self._now_s() + wait_s
        while (now_s := self._now_s()) < end_s:
            came = session.pump(min(_LOOK_S, end_s - now_s))
            if any(not isinstance(item, Noise | Booted) for item in came):
                return
        error = self._not_that(session, f"{wait_s:g} s")
        if must:
            raise error
        self.notes.append(f"Before the first drive {error.what}.")

    def _shows_itself(self, dialect: Dialect) -> bool:
        return dialect.prints_unasked or bool(dialect.boot.banner) or "identify" in dialect.commands

    def _not_that(self, session: RobotSession, within: str) -> HilError:
        dialect = session.dialect
        if not session.heard.total_bytes:
            return silent(session.port, dialect, within, f"lines of {dialect.name} at {dialect.port.baud} baud")
        return unreadable(session.port, dialect, session.heard, self._spoken(session))

    def _spoken(self, session: RobotSession) -> str:
        """Return which other protocol of the robot fits what came last, "" where none does."""
        for name, dialect in self.dialects.items():
            if dialect.name != session.dialect.name:
                link = Link(dialect, End.HOST)
                if any(not isinstance(item, Noise) for item in link.receive(session.tail)):
                    return f"{dialect.name}, the protocol of its program '{name}'"
        return ""

    def _identify(self, session: RobotSession, program: Program) -> None:
        said = session.ask("identify")
        known = self.names.get(program.name)
        self.recorder.note("identify", said)
        if known is None:
            self.names[program.name] = said
            self.notes.append(f"The robot identified itself as '{said}'.")
            self._check_identity(session, said)
        elif known != said:
            raise BenchError(
                f"the port came back and what answers is '{said}'",
                where=session.port,
                expected=f"the robot of before, '{known}'",
                todo="Plug in the robot that the run began with, and run again",
            )

    def _check_identity(self, session: RobotSession, said: str) -> None:
        """Say where a robot is not the one of the file; what is called virtual must say so itself."""
        robot = self.robot_file.robot
        if not robot.serial or robot.serial in said:
            return
        if self.robot_file.virtual:
            raise BenchError(
                f"the robot file says that the robot is virtual, and what answered is '{said}'",
                where=session.port,
                expected=f"the serial number {robot.serial} in its answer",
                todo="For a real robot write 'virtual: no' and its serial number into its robot file",
            )
        self.notes.insert(0, f"Another robot? Its answer does not hold the serial number {robot.serial}.")
