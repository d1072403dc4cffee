"""From the records of a trace to evidence: what measurements may use of one case.

Bytes are decoded by a host's link of the robot's dialect, port by port, in the order they came; noise costs the lines
it hit and nothing else. What wraps is unwrapped here: the robot's clock over the whole trace, the counters drive by
drive. A counter takes each step the shorter way, except across a gap in the lines, where the speed before the gap says
about how far it must have gone. A drive is what lies between its begin mark and its end mark; one that was cut off is
kept with what came of it, since it is for the methods to say that it does not carry their measurement.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from hil.errors import InternalError
from hil.measure.evidence import Answer, Drive, Event, Evidence, Floats, Samples
from hil.measure.model import CellPose, Course, ElementKind, Heading, PathElement, Robot
from hil.measure.trace import AnswerGiven, Chunk, Direction, Mark, MarkKind, TraceRecord
from hil.wire.dialect import Dialect, Role
from hil.wire.link import End, Link
from hil.wire.received import Happened, Telemetry

_DRIVE = "drive"
_PLACE = "place"
_GAP = 2.5  # a step longer than so many usual periods is a gap in the lines
_RATE_ROWS = 8  # rows before a gap from which the speed across it is taken


def evidence_from(
    records: Iterable[TraceRecord], dialect: Dialect, robot: Robot, course: Course, case: str = ""
) -> Evidence:
    """Return the drives and answers of `case` (of all cases where it is "") found in `records`."""
    reading = _Reading(dialect)
    for record in records:
        if isinstance(record, Chunk):
            if record.direction == Direction.IN:
                reading.take_bytes(record)
        elif isinstance(record, Mark):
            reading.take_mark(record)
        else:
            reading.take_answer(record)
    drives = [(index, drive) for index, drive in enumerate(reading.finished()) if case in ("", drive.case)]
    place = {index: number for number, (index, _) in enumerate(drives)}
    answers = [
        replace(answer, index=place.get(answer.index, -1)) for answer in reading.answers if case in ("", answer.case)
    ]
    return Evidence(robot=robot, course=course, drives=tuple(drive for _, drive in drives), answers=tuple(answers))


def unwrapped(values: Floats, time_s: Floats, modulus: float) -> Floats:
    """Return a counter without its wraps at `modulus` (in the counter's unit), beginning at its first value.

    Each step goes the shorter way round, and across a gap in `time_s` the way nearest to the speed before the gap.
    """
    if modulus <= 0 or values.size < 2:
        return values
    steps = np.diff(values)
    steps -= modulus * np.round(steps / modulus)
    periods = np.diff(time_s)
    usual = float(np.median(periods))
    gaps = np.nonzero(periods > _GAP * usual)[0] if usual > 0 else np.array([], dtype=np.int64)
    for gap in map(int, gaps):
        first = max(0, gap - _RATE_ROWS)
        before_s = float(time_s[gap] - time_s[first])
        if before_s > 0:
            expected = float(np.sum(steps[first:gap])) / before_s * periods[gap]
            steps[gap] += modulus * np.round((expected - steps[gap]) / modulus)
    return np.concatenate((values[:1], values[0] + np.cumsum(steps)))


@dataclass(slots=True)
class _Clock:
    """Follows the robot's clock over its wraps, by the host's time where the robot was silent for long.

    The robot's clock may run faster than the host's (a virtual robot), so the host's is a lower bound of what passed
    and is asked only when more than half a modulus of it has gone by.
    """

    modulus: float
    last_raw: float | None = None
    time_s: float = 0.0
    host_s: float = 0.0

    def follow(self, raw: float, host_s: float) -> float:
        if self.last_raw is None:
            self.time_s = raw
        else:
            step = raw - self.last_raw
            if self.modulus > 0:
                step -= self.modulus * round(step / self.modulus)
                passed_s = host_s - self.host_s
                if passed_s > self.modulus / 2:
                    step += self.modulus * round((passed_s - step) / self.modulus)
            self.time_s += step
        self.last_raw, self.host_s = raw, host_s
        return self.time_s

    def restarted(self, host_s: float) -> None:
        """Go on from where the clock was, by the host's time, when the robot began anew."""
        if self.last_raw is not None:
            self.time_s += max(0.0, host_s - self.host_s)
            self.last_raw = 0.0
            self.host_s = host_s


@dataclass(slots=True)
class _Port:
    """One port's link and clock."""

    link: Link
    clock: _Clock
    restarts: int = 0


@dataclass(slots=True)
class _OpenDrive:
    """A drive while its records are read."""

    mark: Mark
    placed: bool
    lost_before: int
    bad_before: int
    rows: dict[str, list[dict[str, float]]] = field(default_factory=dict)
    host_s: dict[str, list[float]] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)


class _Reading:
    """What is known while the records go by."""

    def __init__(self, dialect: Dialect) -> None:
        self._dialect = dialect
        self._moduli = {
            (message.name, spec.name): spec.modulus * abs(spec.scale)
            for message in dialect.messages
            if message.role is Role.TELEMETRY
            for spec in message.fields
            if spec.modulus and spec.name not in (dialect.clock_field, dialect.sequence_field)
        }
        self._ports: dict[str, _Port] = {}
        self._open: _OpenDrive | None = None
        self._placed = False
        self._drives: list[Drive] = []
        self.answers: list[Answer] = []

    def take_bytes(self, chunk: Chunk) -> None:
        port = self._ports.get(chunk.port) or self._ports.setdefault(chunk.port, self._new_port())
        host_s = chunk.t_ns / 1e9
        for item in port.link.receive(chunk.data):
            if not isinstance(item, Telemetry | Happened):
                continue
            restarts = port.link.counters.restarts
            if restarts != port.restarts:
                port.restarts = restarts
                port.clock.restarted(host_s)
            raw = item.values.get(self._dialect.clock_field)
            time_s = port.clock.follow(float(raw), host_s) if isinstance(raw, int | float) else float("nan")
            if self._open is None:
                continue
            if isinstance(item, Happened):
                self._open.events.append(Event(name=item.event, time_s=time_s, host_s=host_s, detail=item.detail))
            else:
                self._add_row(self._open, item, time_s, host_s)

    def take_mark(self, mark: Mark) -> None:
        if mark.step == _PLACE:
            self._placed = True
        if mark.step != _DRIVE or mark.kind == MarkKind.NOTE:
            return
        self._close()
        if mark.kind == MarkKind.BEGIN:
            lost, bad = self._losses()
            self._open = _OpenDrive(mark=mark, placed=self._placed, lost_before=lost, bad_before=bad)
            self._placed = False

    def take_answer(self, given: AnswerGiven) -> None:
        count = len(self._drives) + (self._open is not None)
        self.answers.append(
            Answer(
                name=given.name,
                value=given.value,
                unit=given.unit,
                u=given.u,
                case=given.case,
                repeat=given.repeat,
                index=count - 1,
                source=given.source,
                placed=self._placed,
            )
        )

    def finished(self) -> tuple[Drive, ...]:
        self._close()
        return tuple(self._drives)

    def _new_port(self) -> _Port:
        moduli = [
            spec.modulus * abs(spec.scale)
            for message in self._dialect.messages
            for spec in message.fields
            if spec.name == self._dialect.clock_field
        ]
        return _Port(link=Link(self._dialect, End.HOST), clock=_Clock(modulus=max(moduli, default=0.0)))

    def _losses(self) -> tuple[int, int]:
        counters = [port.link.counters for port in self._ports.values()]
        return sum(one.lost for one in counters), sum(one.bad_total for one in counters)

    def _add_row(self, drive: _OpenDrive, item: Telemetry, time_s: float, host_s: float) -> None:
        row = {name: float(value) for name, value in item.values.items() if isinstance(value, int | float)}
        if self._dialect.clock_field in row:
            row[self._dialect.clock_field] = time_s
        drive.rows.setdefault(item.message, []).append(row)
        drive.host_s.setdefault(item.message, []).append(host_s)

    def _close(self) -> None:
        if self._open is None:
            return
        opened, self._open = self._open, None
        lost, bad = self._losses()
        samples = {
            message: self._samples(message, rows, np.array(opened.host_s[message]))
            for message, rows in opened.rows.items()
        }
        self._drives.append(_drive_of(opened, samples, lost - opened.lost_before, bad - opened.bad_before))

    def _samples(self, message: str, rows: list[dict[str, float]], host_s: Floats) -> Samples:
        columns = {name: np.array([row[name] for row in rows]) for name in rows[0]}
        if self._dialect.clock_field in columns and self._dialect.clock_field != "time":
            columns["time"] = columns[self._dialect.clock_field]
        time_s = columns.get("time", host_s)
        for name, values in columns.items():
            columns[name] = unwrapped(values, time_s, self._moduli.get((message, name), 0.0))
        return Samples(host_s=host_s, values=columns)


def _drive_of(opened: _OpenDrive, samples: Mapping[str, Samples], lost: int, bad: int) -> Drive:
    fields: Mapping[str, Any] = opened.mark.fields
    try:
        conditions = {str(name): float(value) for name, value in dict(fields.get("conditions", {})).items()}
        if opened.placed:
            conditions["placed"] = 1.0
        return Drive(
            name=opened.mark.name,
            case=str(fields.get("case", "")),
            repeat=int(fields.get("repeat", 0)),
            path=tuple(_element(item) for item in fields["path"]),
            front=str(fields.get("front", "counts")),
            speed_mm_s=float(fields["speed_mm_s"]),
            start=_pose(fields["start"]),
            samples=samples,
            events=tuple(opened.events),
            conditions=conditions,
            lost=lost,
            bad=bad,
        )
    except (KeyError, ValueError, TypeError) as error:
        raise InternalError(
            f"the begin mark of drive {opened.mark.name!r} in the trace is not complete ({error!r})",
            expected="path, start and speed_mm_s as the engine writes them",
        ) from error


def _element(item: Any) -> PathElement:
    word, cells, tracking = item
    return PathElement(kind=ElementKind(word), cells=int(cells), tracking=str(tracking))


def _pose(item: Any) -> CellPose:
    x, y, heading = item
    facing = Heading[heading.upper()] if isinstance(heading, str) else Heading(int(heading))
    return CellPose(x=int(x), y=int(y), heading=facing)
