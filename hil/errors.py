"""Every error of the tool, in one tree; each says who must act.

    HilError
    ├── UsageError          the user at the command line               exit 2
    │   ├── FileMistakes    the author of a file, all mistakes at once exit 2
    │   └── WireError       a protocol cannot carry what was asked     exit 2
    ├── BenchError          port, wiring, file system, operator        exit 3
    │   ├── PortUnavailable the port cannot be opened
    │   │   └── PortBusy    because another program has it
    │   ├── PortLost        the port was open and went away
    │   ├── PortSilent      open, but nothing (or nothing readable) comes
    │   ├── NoReply         a request was not answered in time
    │   ├── RobotRefused    the robot answered "no" to a request
    │   ├── MoveUnfinished  a move was accepted and never came to its end
    │   └── OperatorAbsent  an answer is needed and nobody can give it
    ├── Interrupted         Ctrl-C or a termination signal             exit 130
    └── InternalError       us: a state that should be impossible      exit 3

An error reads as one sentence: what is wrong, where, what was expected, what to do. A broken bench is never
reported as a failed robot: only `hil.judge` can say *failed*.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class HilError(Exception):
    """Base of all errors meant for a person; `exit_status` is what the command line returns."""

    exit_status = 3

    def __init__(self, what: str, *, where: str = "", expected: str = "", todo: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.expected = expected
        self.todo = todo

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.expected:
            text += f"; expected {self.expected}"
        if self.todo:
            text += f". {self.todo}"
        return text if text.endswith((".", "!", "?")) else text + "."


class UsageError(HilError):
    """The command line asks for something that cannot be done as written."""

    exit_status = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """One mistake in a file: where it stands, what was found and what was expected.

    `line` and `column` count from 1; `path` is the place inside the file, such as `cases[1].assert.turn_error`.
    """

    file: str
    line: int
    column: int
    path: str
    found: str
    expected: str
    near_miss: str = ""

    def __str__(self) -> str:
        text = f"{self.file}:{self.line}:{self.column}: {self.path}: found {self.found}, expected {self.expected}"
        return f"{text} (did you mean {self.near_miss}?)" if self.near_miss else text


class FileMistakes(UsageError):
    """A file, or several, with every mistake found in them."""

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        count = len(self.mistakes)
        super().__init__(f"{count} mistake{'s' if count != 1 else ''} in the files given")

    def __str__(self) -> str:
        return "\n".join([*map(str, self.mistakes), f"{self.what}."])


class WireError(UsageError, ValueError):
    """A protocol contradicts itself, or cannot carry the value that a file asks it to send."""


class BenchError(HilError):
    """The bench failed, not the robot: port, cable, file system, operator or tool."""


class PortUnavailable(BenchError):
    """The port cannot be opened."""


class PortBusy(PortUnavailable):
    """The port cannot be opened because another program has it, or had it a moment ago.

    `holders` are those that the system tells of, as `name (process N)`; empty where it tells of none.
    """

    def __init__(self, what: str, *, holders: Sequence[str] = (), where: str, expected: str, todo: str) -> None:
        super().__init__(what, where=where, expected=expected, todo=todo)
        self.holders = tuple(holders)


class PortLost(BenchError):
    """The port was open and went away.

    `cause` is the system's own words, `uptime_s` how long the port had been open.
    """

    def __init__(self, port: str, *, cause: str, uptime_s: float) -> None:
        super().__init__(
            f"the port went away after {uptime_s:.1f} s ({cause})",
            where=port,
            todo="Check the cable and the robot's supply, then run again",
        )
        self.port = port
        self.cause = cause
        self.uptime_s = uptime_s


class PortSilent(BenchError):
    """The port is open, but nothing readable comes from it."""


class NoReply(BenchError):
    """A request was sent as often as the protocol allows and was not answered in time."""


class RobotRefused(BenchError):
    """The robot answered a request with a refusal."""


class MoveUnfinished(BenchError):
    """The robot accepted a move and did not report its end in time."""


class OperatorAbsent(BenchError):
    """A step needs a person's answer and no person, answers file or virtual person can give it."""


class Interrupted(HilError):
    """The run was interrupted by the user or by a signal."""

    exit_status = 130


class InternalError(HilError):
    """A state that should be impossible; please report it."""
