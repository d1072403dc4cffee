"""What a robot file says, as plain values: the robot as measured, and how it is talked to, driven and stopped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

from hil.measure.model import Robot, Supply
from hil.spec.record_values import Validity

__all__ = [
    "Choice", "Drives", "MazeLogic", "Program", "RobotFile", "Setting", "SettingsText", "StopBy", "StopPath", "Supply",
]  # fmt: skip


class Drives(Enum):
    """How a robot is made to drive a path."""

    COMMAND = "command"  # the protocol's `drive`
    GOAL = "goal"  # the protocol's `goal`: the robot's maze logic drives to a cell
    OPERATOR = "operator"  # a person presses the button


class StopBy(Enum):
    """How a robot is stopped."""

    COMMAND = "command"  # the protocol's `stop`
    DEAD_MAN = "dead man"  # it stops by itself when it hears nothing
    OPERATOR = "operator"  # a person at the switch


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A choice made by changing a setting: what is chosen ("none", "wall", …) → the setting's value."""

    setting: str
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class MazeLogic:
    """How a robot that is given goal cells drives.

    It turns about to `about` ("left" or "right"). `tracking` and `front` say how the walls it steers by and what ends
    its straights are chosen; None where its firmware decides (`own_tracking`, `own_front`).
    """

    about: str = "left"
    own_tracking: str = "both"
    own_front: str = "wall"
    tracking: Choice | None = None
    front: Choice | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """One firmware image: its protocol's name, its port ("" where the command line must name it), how it is driven.

    `can` are the jobs it is good for ("driving", "sensing"); a case asks for a program by its name or by a job.
    `load` tells the person how it is loaded ("": it cannot be changed), `load_s` how long to wait for its first line.
    Without `cable` it drives with the port unplugged. `maze_logic` is of programs driven by goal.
    """

    name: str
    protocol: str
    port: str = ""
    drives_by: Drives = Drives.COMMAND
    can: tuple[str, ...] = ("driving", "sensing")
    load: str = ""
    load_s: float = 30.0
    cable: bool = True
    maze_logic: MazeLogic = field(default_factory=MazeLogic)


@dataclass(frozen=True, slots=True, kw_only=True)
class StopPath:
    """How the robot is stopped; `dead_man_s` is after how long without a byte it stops by itself (0: it does not)."""

    by: StopBy
    dead_man_s: float = 0.0


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
class SettingsText:
    """How settings are written for a firmware that cannot be told them over the port.

    `name` is the file's name, such as walls.h. `line` is written for every number and may hold {name}, {NAME} (in
    capitals, as a C word), {value}, {unit} and {meaning}; `first` and `last` stand around them and may hold {robot},
    {surface}, {date} and {record}.
    """

    name: str
    line: str = "#define {NAME} {value}  /* {unit} {meaning} */"
    first: str = ""
    last: str = ""


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
    settings_text: SettingsText | None = None
    validity: Validity = field(default_factory=Validity)  # how long the robot's records hold
    file: Path
    digest: str  # sha-256 of the file

    def program_for(self, wanted: str, loaded: str = "") -> Program | None:
        """Return the program of that name, or one that can do that job: the loaded one where it can, else the first."""
        if wanted in self.programs:
            return self.programs[wanted]
        able = [one for one in self.programs.values() if wanted in one.can]
        return next((one for one in able if one.name == loaded), able[0] if able else None)
