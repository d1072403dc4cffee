"""The person's hands on the bench in a run that is played from a trace: boards, wheels and lamps of before.

A board stands where the trace says that it was set, and a doubt is kept or not as it was then. Both are notes and marks
of the trace, in the order in which they were made.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable

from hil.errors import OperatorAbsent
from hil.measure.trace import Mark, MarkKind, TraceRecord

_JIG = "jig"
_DOUBT = "doubt"


class ReplayedHands:
    """What was done with hands in a trace; `come_back` is called where something was done."""

    def __init__(self, records: Iterable[TraceRecord], come_back: Callable[[], None], trace: str) -> None:
        self._be_away = come_back
        self._trace = trace
        marks = [record for record in records if isinstance(record, Mark)]
        self._boards = deque(mark for mark in marks if mark.step == _JIG and mark.kind is MarkKind.END)
        self._doubts = deque(mark for mark in marks if mark.step == _DOUBT)

    def stand(self) -> None:
        """Count it as done."""
        self._be_away()

    def turn_wheel(self, wheel: str, turns: float) -> None:
        """Come back when the wheel of the trace had been turned."""
        self._be_away()

    def spin(self, left: float, right: float, duration_s: float) -> None:
        """Come back when the wheels of the trace stood."""
        self._be_away()

    def clip_resistor(self, ohm: float | None, battery_v: float) -> None:
        """Count it as done."""
        self._be_away()

    def set_lamps(self, *, are_on: bool) -> None:
        """Count it as done."""
        self._be_away()

    def set_jig(self, sensor: str, surface: str, distance_mm: float, angle_rad: float, remark: str) -> float:
        """Return the distance that was stated for the next board before this sensor."""
        self._be_away()
        mark = self._next(self._boards, sensor, f"board before {sensor}")
        stated = mark.fields.get("distance_mm")
        return float(stated) if isinstance(stated, int | float | str) else distance_mm

    def keeps(self, doubt: str) -> bool:
        """Return what was decided then; a doubt that nobody had is kept."""
        self._be_away()
        if self._doubts and self._doubts[0].fields.get("said") == doubt:
            return bool(self._doubts.popleft().fields.get("kept"))
        return True

    def _next(self, marks: deque[Mark], name: str, what: str) -> Mark:
        while marks:
            mark = marks.popleft()
            if mark.name == name:
                return mark
        raise OperatorAbsent(
            f"the trace holds no more {what}",
            where=self._trace,
            expected="the suites of the run that was recorded",
            todo="Judge the trace by another suite with hil replay --suite",
        )
