"""The log that a robot kept on board, parted into the drives that it tells of.

A log is the rows of one block message, in the robot's own time. An event `idle` ends a drive; a log without events is
parted where its clock leaps. What comes behind the last end is a drive that was cut off, and counts as one where any
row of it came.

A log may tell of more drives than had nobody listening: a robot that logs whenever it drives has those in it that were
heard over the cable. Its clock, as it was heard, tells which they are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from hil.measure.evidence import Event
from hil.wire.counting import Unwrapper
from hil.wire.fields import Value
from hil.wire.received import Happened, Telemetry

LOG = "log"
_END = "idle"
_SLACK_S = 1.0  # a drive begins on board up to so much before its first line is heard
_LEAP = 20.0  # a step of so many usual periods lies between two drives: no firmware pauses its log for so long


@dataclass(slots=True)
class LoggedDrive:
    """One drive of a log: rows and their times by message, and events; `begun` is the robot's clock at its first."""

    rows: dict[str, list[dict[str, float]]] = field(default_factory=dict)
    host_s: dict[str, list[float]] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    begun: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    item: Telemetry | Happened
    clock: float | None
    time_s: float
    host_s: float
    clock_field: str


class BoardLog:
    """Takes in the rows of a log as they come; `parts` tells the drives."""

    def __init__(self) -> None:
        self._entries: list[_Entry] = []
        self._clock: Unwrapper | None = None

    def begin(self, clock_modulus: float) -> None:
        """Forget everything: a log begins, whose clock wraps at `clock_modulus` (0: it does not)."""
        self._entries = []
        self._clock = Unwrapper(clock_modulus) if clock_modulus > 0 else None

    def add(self, item: Telemetry | Happened, clock: float | None, host_s: float, clock_field: str) -> None:
        """Take in a row with the robot's time on it, where it has one."""
        time_s = math.nan if clock is None else self._clock.follow(clock) if self._clock else clock
        self._entries.append(_Entry(item=item, clock=clock, time_s=time_s, host_s=host_s, clock_field=clock_field))

    def parts(self) -> list[LoggedDrive]:
        """Return the drives in the order they were driven."""
        has_events = any(isinstance(one.item, Happened) and one.item.event == _END for one in self._entries)
        leaps = set() if has_events else self._leaps()
        found, part = [], LoggedDrive()
        for at, entry in enumerate(self._entries):
            if at in leaps:
                found.append(part)
                part = LoggedDrive()
            part.begun = entry.clock if part.begun is None else part.begun
            if isinstance(entry.item, Happened):
                item = entry.item
                part.events.append(Event(name=item.event, time_s=entry.time_s, host_s=entry.host_s, detail=item.detail))
                if item.event == _END:
                    found.append(part)
                    part = LoggedDrive()
                continue
            for row in rows_of(entry.item.values, entry.clock_field, entry.time_s):
                part.rows.setdefault(entry.item.message, []).append(row)
                part.host_s.setdefault(entry.item.message, []).append(entry.host_s)
        return [*found, part] if part.rows else found

    def _leaps(self) -> set[int]:
        steps = np.diff([one.time_s for one in self._entries])
        steps = np.where(np.isfinite(steps), steps, 0.0)
        usual = float(np.median(steps[steps > 0])) if np.any(steps > 0) else math.inf
        return {int(at) + 1 for at in np.nonzero(steps > _LEAP * usual)[0]}


def unheard(
    parts: Sequence[LoggedDrive], heard_until: float | None, heard: Sequence[tuple[float, float]], modulus: float
) -> list[LoggedDrive]:
    """Return the drives of a log that nobody heard, by when they began on the robot's clock, which wraps at `modulus`.

    Left out are those that had begun when the robot was heard last before it was left alone (`heard_until`), and those
    that began while it was heard in later drives (`heard`, from and to).
    """

    def since(at: float, other: float) -> float:
        step = at - other
        return step - modulus * round(step / modulus) if modulus > 0 else step

    found = []
    for part in parts:
        begun = part.begun
        if begun is None or (heard_until is not None and since(begun, heard_until) <= 0):
            continue
        if not any(since(begun, first) >= -_SLACK_S and since(begun, last) <= 0 for first, last in heard):
            found.append(part)
    return found


def rows_of(values: Mapping[str, Value], clock_field: str, time_s: float) -> Iterator[dict[str, float]]:
    """Yield the rows of numbers of a message: one, or as many as its longest repeated field has values.

    Words are left out. The clock's field holds the robot's time, unwrapped [s].
    """
    numbers = {name: value for name, value in values.items() if not isinstance(value, str)}
    longest = max((len(value) for value in numbers.values() if isinstance(value, tuple)), default=1)
    for at in range(longest):
        row: dict[str, float] = {}
        for name, value in numbers.items():
            one = value if not isinstance(value, tuple) else value[at] if at < len(value) else math.nan
            if not isinstance(one, str):
                row[name] = float(one)
        if clock_field in row:
            row[clock_field] = time_s
        yield row
