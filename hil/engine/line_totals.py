"""What a robot's line has carried over all its openings: names in the trace, lines, the robot's own time."""

from __future__ import annotations

from hil.engine.session import RobotSession
from hil.quantities import counted
from hil.results import LineCounts
from hil.wire.dialect import Dialect

_MOST_ROWS = 8  # of a table of ports in a report; a port that came back more often is told in one row


class LineTotals:
    """Adds up the sessions of a line."""

    def __init__(self) -> None:
        self._sessions: list[RobotSession] = []
        self.speech: dict[str, tuple[Dialect, str]] = {}
        self.is_partial = False  # the robot drove without a cable, which is not in its time

    def name_for(self, url: str, dialect: Dialect, program: str) -> tuple[str, bool]:
        """Return the trace's name of a port, and whether it is new: another program on one port is another name."""
        name = url
        if name in self.speech and self.speech[name][1] != program:
            name = f"{url} ({program})"
        is_new = name not in self.speech
        self.speech[name] = (dialect, program)
        return name, is_new

    def add(self, session: RobotSession) -> None:
        """Count a session from now on."""
        self._sessions.append(session)

    @property
    def known_robot_s(self) -> float | None:
        """The robot's own time, None where it is not known or not all of it."""
        return None if self.is_partial else self.robot_s or None

    @property
    def robot_s(self) -> float:
        """The robot's own time as far as it was reported, all openings together."""
        return sum(session.robot_s for session in self._sessions)

    @property
    def clock_jumps(self) -> int:
        """How often the robot's clock jumped."""
        return sum(session.clock_jumps for session in self._sessions)

    @property
    def unsaid_ends(self) -> int:
        """How many drives ended without the line that says so, though there is one."""
        return sum(session.unsaid_ends for session in self._sessions)

    @property
    def lines(self) -> tuple[LineCounts, ...]:
        """The lines of every port, or of every program where one port came back under many names."""
        by_port: dict[str, list[RobotSession]] = {}
        for session in self._sessions:
            by_port.setdefault(session.port, []).append(session)
        if len(by_port) <= _MOST_ROWS:
            return tuple(_counted(port, sessions) for port, sessions in by_port.items())
        by_program: dict[str, list[RobotSession]] = {}
        for session in self._sessions:
            by_program.setdefault(self.speech[session.port][1], []).append(session)
        return tuple(
            _counted(f"{sessions[0].port} and its {counted(len(sessions) - 1, 'return')}", sessions)
            for sessions in by_program.values()
        )


def _counted(port: str, sessions: list[RobotSession]) -> LineCounts:
    counters = [session.link.counters for session in sessions]
    return LineCounts(
        port=port,
        good=sum(one.good for one in counters),
        bad=sum(one.bad_total for one in counters),
        lost=sum(one.lost for one in counters),
    )
