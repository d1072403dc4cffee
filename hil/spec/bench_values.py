"""The steps of a bench as compiled: wheels free on a stand, boards in a jig, lamps, and what is taken down meanwhile.

Lengths mm, times s, angles rad.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Taken(Enum):
    """What is taken down beside the telemetry while a step goes on; the words of the protocol's blocks and actions."""

    NOTHING = ""
    EDGES = "edges"  # every edge of the encoders: `record.edges`, `dump.edges`
    TICKS = "ticks"  # every period of the control loop: `record.ticks`, `dump.ticks`
    LEVELS = "levels"  # the encoders' outputs as sampled: `sample`


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """The operator puts the robot on a stand, wheels free."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spin:
    """The wheels, free on a stand, are turned by their motors at duties (shares of the supply, -1 to 1).

    What comes between `settle_s` after the beginning and the end can be measured like a drive.
    """

    left: float
    right: float
    duration_s: float
    name: str
    settle_s: float = 0.5
    takes: Taken = Taken.NOTHING
    provocation: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandTurn:
    """A person turns one wheel ("left" or "right") by hand, forward, for so many turns of the wheel."""

    wheel: str
    turns: float
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamps:
    """The operator switches the room's lamps on or off; what comes after is labelled so."""

    are_on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadResistor:
    """The operator clips a known resistor across the battery, or takes it off (None); what comes after is of it."""

    ohm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Jig:
    """A board of a surface is put before a sensor at known distances, one after the other, and read at each.

    `surface` "" stands for the surface of the round (a case repeated over surfaces). A distance of infinity takes the
    board away. `angle_rad` turns the board. Each distance gives a part that can be measured like a drive, called
    `name`, with the distance as the person set it.
    """

    sensors: tuple[str, ...]
    distances_mm: tuple[float, ...]
    name: str
    surface: str = ""
    angle_rad: float = 0.0
    duration_s: float = 0.5

    @property
    def boards(self) -> int:
        """How often a board is set, or taken away."""
        return len(self.sensors) * len(self.distances_mm)
