"""What a measurement is computed from: the drives of a case as decoded series, and the answers given.

The engine (or a replay) cuts a trace into these; measurements never see bytes, ports or files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hil.measure.model import CellPose, Course, PathElement, Robot
from hil.measure.trace import Json

Floats = NDArray[np.float64]
DARK = ".dark"  # ends the names of channels with the level that a wall sensor reads without its own light


@dataclass(frozen=True, slots=True, kw_only=True)
class HostTime:
    """What the host's time of a line is worth where the robot tells no time of its own.

    It is good to `u_s` (one standard uncertainty), by what `adapter` names. `is_real` is false where a virtual robot
    drives faster than the host's clock: the order of lines is then right, and their times count lines only, which are
    `line_s` apart where the robot prints by itself (0: it does not).
    """

    is_real: bool = True
    u_s: float = 0.016 / 12**0.5
    adapter: str = "latency timer of a USB serial bridge"
    line_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Rows of one telemetry message: `values[channel]` has the shape of `host_s`; units of the vocabulary.

    `time` (robot clock, unwrapped, s) is among the channels where the robot has a clock. Counters are unwrapped. A
    channel is nan in the rows that did not carry it.
    """

    host_s: Floats
    values: Mapping[str, Floats]

    def __len__(self) -> int:
        return int(self.host_s.size)


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened: canonical name, robot time [s] (nan without a clock), host time [s], detail."""

    name: str
    time_s: float
    host_s: float
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """One executed `drive` step: what was asked, where it began, and everything received while it went on.

    `samples` maps telemetry message names to rows. `conditions` are what the suite said of the set-up while it was
    driven (`board_mm`: thickness of the board on the front wall's face; `distance_mm`: of a board in the jig, infinite
    without one; `duty.left`, `duty.right`: shares asked for), and `labels` what it said in words (`surface`, `sensor`,
    `lamps`, `emitter`, `provocation`, `wheel`). `known` holds levels that the robot tells too
    seldom to be in every drive, as it told them last before this one, or first of all after it. `lost` counts missing
    sequence numbers, `bad` the lines that did not pass the check. `by_person` says that it was driven for the person's
    readings, by the case's other sequence.
    """

    name: str
    case: str
    repeat: int
    path: tuple[PathElement, ...]
    front: str  # "wall" or "counts"
    speed_mm_s: float
    start: CellPose
    samples: Mapping[str, Samples]
    events: tuple[Event, ...]
    conditions: Mapping[str, float] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)
    known: Mapping[str, float] = field(default_factory=dict)
    lost: int = 0
    bad: int = 0
    by_person: bool = False

    def channel(self, name: str) -> tuple[Floats, Floats] | None:
        """Return (time, values) of a channel, time being the robot's clock or else the host's; None if absent.

        Rows that did not carry it are left out.
        """
        for rows in self.samples.values():
            if name not in rows.values or not len(rows):
                continue
            time_s, values = rows.values.get("time", rows.host_s), rows.values[name]
            carried = ~np.isnan(values)
            if np.all(carried):
                return time_s, values
            if np.any(carried):
                return time_s[carried], values[carried]
        return None

    def level(self, name: str) -> float | None:
        """Return a channel that hardly changes: its median in this drive, or else what is known of it from outside."""
        told = self.channel(name)
        return self.known.get(name) if told is None else float(np.median(told[1]))

    @property
    def has_clock(self) -> bool:
        """Whether its rows tell the robot's own time."""
        return any("time" in rows.values for rows in self.samples.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a person observed: `value` in `unit`, with the instrument's standard uncertainty `u`.

    `name` is the step's `as`. `drive` is the name of the drive it belongs to (the latest before it), `repeat` counts
    from 0 and `index` is the number of that drive among the evidence's drives (-1: none yet). `placed` says that the
    robot was placed anew between that drive and the answer, so that it tells where the next drive begins only.
    """

    name: str
    value: float
    unit: str
    u: float
    case: str
    repeat: int
    index: int
    source: str  # "operator", "answers file", "virtual person"
    placed: bool = False
    how: Mapping[str, Json] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """All that measurements may use.

    `notes` say what the records did not carry, `unseen` are the names of readings that the person could not take.
    """

    robot: Robot
    course: Course
    drives: tuple[Drive, ...]
    answers: tuple[Answer, ...] = ()
    host_time: HostTime = HostTime()
    notes: tuple[str, ...] = ()
    unseen: tuple[str, ...] = ()

    def named(self, *names: str) -> tuple[Drive, ...]:
        """Return the drives with one of these names, in the order driven (all of them without a name)."""
        return tuple(drive for drive in self.drives if not names or drive.name in names)
