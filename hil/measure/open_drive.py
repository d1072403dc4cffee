"""One part of a case while a trace is read: what was received in it, and the drive that comes of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from hil.measure.drive_marks import drive_of
from hil.measure.evidence import Drive, Event, Floats, Samples
from hil.measure.program_line import LEAST_STEP_S, ProgramLine, period_s
from hil.measure.taken_rows import Recordings, sample_s
from hil.measure.trace import Mark
from hil.measure.unwrapping import unwrapped_where_carried


@dataclass(slots=True)
class OpenDrive:
    """A drive while its records are read."""

    mark: Mark
    placed: bool
    lost_before: int
    bad_before: int
    known: Mapping[str, float]
    heard_before: tuple[tuple[ProgramLine, float | None], ...] = ()  # what each line's clock showed
    heard: tuple[float, float] | None = None  # the clock's first and last reading meanwhile
    line: ProgramLine | None = None
    rows: dict[str, list[dict[str, float]]] = field(default_factory=dict)
    host_s: dict[str, list[float]] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    is_over: bool = False  # what is reported from here on is not of it
    recordings: Recordings = field(default_factory=Recordings)

    def add(self, message: str, row: dict[str, float], host_s: float) -> None:
        """Take in a row of a message that came at the host's time `host_s` [s]."""
        self.rows.setdefault(message, []).append(row)
        self.host_s.setdefault(message, []).append(host_s)

    def finished(self, *, host_is_real: bool) -> Drive:
        """Return the drive; `host_is_real` is false where the host's times are no times of the robot's."""
        samples = {
            message: self._samples(message, rows, np.array(self.host_s[message]), host_is_real=host_is_real)
            for message, rows in self.rows.items()
        }
        events = tuple(self.events)
        if not host_is_real:
            events = tuple(dated_alike(event, self.host_s, samples) for event in events)
        return drive_of(self.mark, samples, events, is_placed=self.placed)

    def _samples(self, message: str, rows: list[dict[str, float]], host_s: Floats, *, host_is_real: bool) -> Samples:
        names = dict.fromkeys(name for row in rows for name in row)
        columns = {name: np.array([row.get(name, math.nan) for row in rows]) for name in names}
        line = self.line
        clock = line.dialect.clock_field if line is not None else ""
        if clock in columns and clock != "time":
            columns["time"] = columns[clock]
        if "time" not in columns and not host_is_real and line is not None:
            apart_s = sample_s(line.dialect, message) or period_s(line.dialect, message) or LEAST_STEP_S
            host_s = host_s[:1] + np.arange(host_s.size) * apart_s
        time_s = columns.get("time", host_s)
        for name, values in columns.items():
            modulus = line.moduli.get((message, name), 0.0) if line is not None else 0.0
            columns[name] = unwrapped_where_carried(values, time_s, modulus)
        return Samples(host_s=host_s, values=columns)


def number_of(mark: Mark) -> tuple[str, int]:
    """Return the case of a part and its number there, -1 where it has none."""
    number = mark.fields.get("part", -1)
    return str(mark.fields.get("case", "")), number if isinstance(number, int) else -1


def dated_alike(event: Event, host_s: Mapping[str, list[float]], samples: Mapping[str, Samples]) -> Event:
    """Return an event among the rows it came among, where those were not left at the host's times."""
    if not samples:
        return event
    message = max(samples, key=lambda name: len(samples[name]))
    return replace(event, host_s=float(np.interp(event.host_s, host_s[message], samples[message].host_s)))
