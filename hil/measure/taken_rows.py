"""Rows whose times lie before the line that told them: samples of a line, periods of a loop, recordings on board.

A line that carries several samples is of the time of the last; the others lie so many sampling times before it. A line
of loop periods ends at its time, and each tick ends where the next period begins. A recording is sent after it was
made, as a block message, whose rows belong to the part of the case in which they arrive. Their clock is the one that
the robot tells in its other lines, read backward from what that showed last.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from hil.measure.board_log import rows_of
from hil.measure.unwrapping import RobotClock
from hil.wire.dialect import Dialect
from hil.wire.fields import Value

EDGES, TICKS = "edges", "ticks"
RECORDINGS = (EDGES, TICKS)
_PERIODS = "loop.periods"
_AHEAD_S = 1.0  # a row may be so much younger than the line heard last


def sample_s(dialect: Dialect, message: str) -> float:
    """Return the time between the values of a message's repeated field, 0 where they are all of one time."""
    return next((spec.sample_s for spec in dialect.messages if spec.name == message), 0.0)


def dated_rows(
    dialect: Dialect, message: str, values: Mapping[str, Value], time_s: float, host_s: float
) -> Iterator[tuple[dict[str, float], float]]:
    """Yield the rows of a message with the host's time of each [s]; the clock's field is the robot's [s].

    `time_s` (robot's clock, unwrapped; nan without one) and `host_s` are those of the message.
    """
    rows = list(rows_of(values, dialect.clock_field, time_s))
    before_s = _before(values, len(rows), sample_s(dialect, message))
    for row, passed_s in zip(rows, before_s, strict=True):
        if dialect.clock_field in row:
            row[dialect.clock_field] -= passed_s
        yield row, host_s - passed_s


def _before(values: Mapping[str, Value], rows: int, apart_s: float) -> list[float]:
    """Return how long before the end of its message each row was taken [s]."""
    if apart_s:
        return [(rows - 1 - at) * apart_s for at in range(rows)]
    periods = values.get(_PERIODS)
    if not isinstance(periods, tuple) or len(periods) != rows:
        return [0.0] * rows
    before, passed_s = [0.0] * rows, 0.0
    for at in range(rows - 1, 0, -1):
        passed_s += float(periods[at])
        before[at - 1] = passed_s
    return before


@dataclass(slots=True)
class _Taken:
    """The rows of one recording."""

    rows: dict[str, list[dict[str, float]]] = field(default_factory=dict)
    host_s: dict[str, list[float]] = field(default_factory=dict)
    reason: str = ""

    @property
    def count(self) -> int:
        return sum(len(rows) for rows in self.rows.values())


class Recordings:
    """The recordings that arrive while one part of a case is open. Of one that is sent twice the longer is kept."""

    def __init__(self) -> None:
        self._coming: dict[str, _Taken] = {}
        self._kept: dict[str, _Taken] = {}

    def begin(self, block: str) -> None:
        """Take note that a recording begins to arrive."""
        self._coming[block] = _Taken()

    def add(
        self, dialect: Dialect, block: str, message: str, values: Mapping[str, Value], clock: RobotClock, host_s: float
    ) -> None:
        """Take in one line of it."""
        taken = self._coming.setdefault(block, _Taken())
        raw = values.get(dialect.clock_field)
        time_s = past_time_s(clock, float(raw)) if isinstance(raw, int | float) else math.nan
        for row, at_s in dated_rows(dialect, message, values, time_s, host_s):
            taken.rows.setdefault(message, []).append(row)
            taken.host_s.setdefault(message, []).append(at_s)

    def end(self, block: str, reason: str) -> None:
        """Take note that it is over; `reason` says why it is not whole."""
        taken = self._coming.pop(block, _Taken())
        taken.reason = reason
        kept = self._kept.get(block)
        if kept is None or taken.count > kept.count or (not reason and taken.count == kept.count):
            self._kept[block] = taken

    def give_to(self, rows: dict[str, list[dict[str, float]]], host_s: dict[str, list[float]]) -> list[str]:
        """Put what was taken beside a part's own rows, and return what is to be said of it."""
        for block in list(self._coming):
            self.end(block, "its end never came")
        for taken in self._kept.values():
            for message, own in taken.rows.items():
                rows.setdefault(message, []).extend(own)
                host_s.setdefault(message, []).extend(taken.host_s[message])
        return [f"{block}: {taken.reason}" for block, taken in self._kept.items() if taken.reason]


def past_time_s(clock: RobotClock, raw: float) -> float:
    """Return the unwrapped time [s] of a clock reading that was taken before what `clock` showed last."""
    if clock.last_raw is None:
        return raw
    ago = clock.last_raw - raw
    if clock.modulus > 0:
        ago = (ago + _AHEAD_S) % clock.modulus - _AHEAD_S
    return clock.time_s - ago
