"""What a robot's line is set up with: how each program is reached, whom it works with, how the robot hangs on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from hil.engine.greeting import Greeting
from hil.engine.operator import Operator
from hil.engine.recorder import Recorder
from hil.spec.robot_values import Program
from hil.timing import Clock
from hil.wire.dialect import Dialect

RETURN_S = 15.0  # how long a port that went away is waited for (serial.md B 23: services hold a new port about ten)


class Cable(Enum):
    """How the robot hangs on its line."""

    PLUGGED = "plugged in"
    LOST = "lost"
    GONE = "gone for good"
    LET_GO = "let go"  # while a program is loaded
    UNPLUGGED = "unplugged"  # by a step
    LEFT_OFF = "left off"  # because the program drives without


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """How a program is reached: its protocol, and the address of its port ("" where a virtual robot tells it)."""

    program: Program
    dialect: Dialect
    url: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSetting:
    """What a line works with. `where` asks a virtual robot for its port; `say` tells the person at the terminal."""

    recorder: Recorder
    operator: Operator
    clock: Clock
    greeting: Greeting
    say: Callable[[str], None]
    is_virtual: bool = False
    virtual_name: str = ""
    where: Callable[[], str] | None = None
    return_s: float = RETURN_S
