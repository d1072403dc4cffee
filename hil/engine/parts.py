"""The parts of a case in which the robot goes no way: begun and ended in the trace like drives, with an empty path.

A part carries what it is of: labels (words) and conditions (numbers). Its number in the case tells it from others of
its name, so that one that was taken again can be set aside: the trace keeps it, and no measurement uses it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from hil.engine.recorder import Recorder
from hil.measure.model import CellPose
from hil.measure.series import LIVE_ENDED, SET_ASIDE
from hil.measure.trace import Json


class Parts:
    """Begins and ends the parts of one case."""

    def __init__(self, recorder: Recorder, case: str) -> None:
        self._recorder = recorder
        self._case = case
        self._number = -1
        self.repeat = 0
        self.by_person = False
        self.surface = ""  # of the round
        self.lamps = ""  # "on" or "off", once they were switched
        self.resistor_ohm: float | None = None  # clipped across the battery
        self.board_mm = 0.0
        # What stands before the robot in the jig, of what was read last: a part that comes after it is of that too.
        self.jig_labels: Mapping[str, str] = {}
        self.jig_conditions: Mapping[str, float] = {}

    def left_jig(self) -> None:
        """Take note that the robot was moved, so that no board stands before it any more."""
        self.jig_labels, self.jig_conditions = {}, {}

    @contextmanager
    def part(
        self,
        name: str,
        pose: CellPose,
        *,
        labels: Mapping[str, str] | None = None,
        conditions: Mapping[str, float] | None = None,
    ) -> Iterator[int]:
        """Mark the begin of a part and, however it is left, its end; yields its number in the case."""
        self._number += 1
        own = {"surface": self.surface, "lamps": self.lamps, **self.jig_labels, **(labels or {})}
        told = {"board_mm": self.board_mm, **self.jig_conditions, **(conditions or {})}
        if self.resistor_ohm is not None:
            told["resistor_ohm"] = self.resistor_ohm
        fields: dict[str, Json] = {
            "case": self._case,
            "repeat": self.repeat,
            "by_person": self.by_person,
            "part": self._number,
            "path": [],
            "front": "counts",
            "speed_mm_s": 0.0,
            "start": [pose.x, pose.y, int(pose.heading)],
            "labels": {key: word for key, word in own.items() if word},
            "conditions": {key: number_as_json(value) for key, value in told.items()},
        }
        number = self._number
        self._recorder.begin("drive", name, fields)
        try:
            yield number
        finally:
            self._recorder.end("drive", name)

    def live_ended(self, name: str) -> None:
        """Mark that what the robot reports from here on is not of the part that is open; recordings still are."""
        self._recorder.note(LIVE_ENDED, name, {"case": self._case})

    def set_aside(self, name: str, number: int, why: str) -> None:
        """Mark that a part was taken again and no longer counts."""
        self._recorder.note(SET_ASIDE, name, {"case": self._case, "part": number, "why": why})


def number_as_json(value: float) -> Json:
    """Return a number as the trace can hold it: an infinite one as a word."""
    return value if math.isfinite(value) else str(value)
