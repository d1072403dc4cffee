"""What a robot file says, as plain values: the robot as measured, and how it is talked to, driven and stopped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

from hil.measure.model import Robot


class Drives(Enum):
    """How a robot is made to drive a path."""

    COMMAND = "command"  # the protocol's `drive`
    OPERATOR = "operator"  # a person presses the button


class StopBy(Enum):
    """How a robot is stopped."""

    COMMAND = "command"  # the protocol's `stop`
    DEAD_MAN = "dead man"  # it stops by itself when it hears nothing
    OPERATOR = "operator"  # a person at the switch


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """One firmware image: its protocol's name, its port ("" where the command line must name it), how it is driven."""

    name: str
    protocol: str
    port: str = ""
    drives_by: Drives = Drives.COMMAND


@dataclass(frozen=True, slots=True, kw_only=True)
class StopPath:
    """How the robot is stopped; `dead_man_s` is after how long without a byte it stops by itself (0: it does not)."""

    by: StopBy
    dead_man_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """The battery; below `lowest_v` no run begins."""

    chemistry: str
    cells: int
    lowest_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """A setting of the firmware: its unit there, the range it accepts, and which physical quantity it trims."""

    name: str
    unit: str
    lowest: float
    highest: float
    trims: str = ""
    meaning: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RobotFile:
    """A robot file as compiled. `virtual` robots are run by the simulator and never on a port of the user's."""

    robot: Robot
    title: str
    virtual: bool
    programs: Mapping[str, Program]
    stop: StopPath
    supply: Supply | None
    settings: Mapping[str, Setting] = field(default_factory=dict)
    file: Path
    digest: str  # sha-256 of the file
