"""A trace as tables: what each message said, row by row, with the clocks and with where in the run it was said.

Numbers are as they came, in the units of the vocabulary, and nothing is left out: also what was said between drives.
Counters wrap as the firmware's do; only the robot's clock is unwrapped (`time_s`), over all ports of a program. Rows of
a log that was kept on board have the robot's time as it stands in them.
`host_s` counts from the beginning of the trace.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum

from hil.measure.series import Speech
from hil.measure.trace import AnswerGiven, Chunk, Direction, Mark, MarkKind, TraceRecord
from hil.measure.unwrapping import RobotClock
from hil.vocabulary import CHANNELS
from hil.wire.dialect import Dialect, FieldType, MessageSpec, Role
from hil.wire.link import End, Link
from hil.wire.received import Happened, Telemetry

Cell = float | int | str | bool | None


class Held(Enum):
    """What a column holds."""

    NUMBER = "number"
    WHOLE = "whole number"
    TEXT = "text"


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column: `unit` is "" where it has none."""

    name: str
    held: Held = Held.NUMBER
    unit: str = ""
    meaning: str = ""

    @property
    def heading(self) -> str:
        """Name and unit as a heading."""
        return f"{self.name} [{self.unit}]" if self.unit else self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table's name and columns."""

    name: str
    columns: tuple[Column, ...]


_WHERE = (
    Column(name="port", held=Held.TEXT, meaning="port of the trace"),
    Column(name="program", held=Held.TEXT, meaning="program of the robot"),
    Column(name="case", held=Held.TEXT, meaning="case that was being run"),
    Column(name="drive", held=Held.TEXT, meaning="drive that went on, empty between drives"),
    Column(name="repeat", held=Held.WHOLE, meaning="repeat of the case, from 0"),
)
_CLOCKS = (
    Column(name="host_s", unit="s", meaning="the host's clock, from the beginning of the trace"),
    Column(name="time_s", unit="s", meaning="the robot's clock, unwrapped"),
)
EVENTS = Table(
    name="events",
    columns=(
        *_CLOCKS,
        Column(name="source", held=Held.TEXT, meaning="robot, or bench"),
        Column(name="kind", held=Held.TEXT, meaning="event; or step and begin, end or note"),
        Column(name="name", held=Held.TEXT, meaning="event, or the step's name"),
        Column(name="detail", held=Held.TEXT, meaning="what the robot added, or the mark's fields as JSON"),
        *_WHERE,
    ),
)
ANSWERS = Table(
    name="answers",
    columns=(
        _CLOCKS[0],
        Column(name="name", held=Held.TEXT, meaning="name of the step that asked"),
        Column(name="value", meaning="in the unit beside it"),
        Column(name="unit", held=Held.TEXT),
        Column(name="u", meaning="standard uncertainty, in the same unit"),
        Column(name="case", held=Held.TEXT),
        Column(name="repeat", held=Held.WHOLE, meaning="from 0"),
        Column(name="source", held=Held.TEXT, meaning="who answered"),
        Column(name="said", held=Held.TEXT, meaning="in the answerer's words"),
        Column(name="corrects", held=Held.TEXT, meaning="yes where it takes the place of the answer before"),
        Column(name="how", held=Held.TEXT, meaning="with what it was read, as JSON"),
    ),
)


def message_table(message: MessageSpec, name: str, channels: frozenset[str] = frozenset()) -> Table:
    """Return the table of a message's values, or of those of the named channels."""
    columns = []
    for spec in message.fields:
        if channels and spec.name not in channels:
            continue
        channel = CHANNELS.get(spec.name)
        is_text = spec.type in (FieldType.WORD, FieldType.TEXT) or bool(spec.repeated_by)
        columns.append(
            Column(
                name=spec.name,
                held=Held.TEXT if is_text else Held.NUMBER,
                unit=channel.unit if channel else "",
                meaning=channel.meaning if channel else "",
            )
        )
    return Table(name=name, columns=(*_CLOCKS, *_WHERE, *columns))


class TraceTables:
    """Turns the records of a trace into rows of tables; `speech` is by port of the trace."""

    def __init__(self, speech: Mapping[str, Speech], started_ns: int, channels: Iterable[str] = ()) -> None:
        """With `channels` the messages' tables have those columns only, and messages without any of them none."""
        self._speech = speech
        self._started_ns = started_ns
        self._lines: dict[str, _Line] = {}
        self._case = self._drive = ""
        self._repeat = 0
        self._of_message: dict[tuple[str, str], Table] = {}
        wanted = frozenset(channels)
        dialects = {one.dialect.name: one.dialect for one in speech.values()}
        for dialect in dialects.values():
            for message in dialect.messages:
                known = {spec.name for spec in message.fields}
                if message.role in (Role.TELEMETRY, Role.ROW) and (not wanted or wanted & known):
                    name = message.name if len(dialects) == 1 else f"{dialect.name}-{message.name}"
                    self._of_message[dialect.name, message.name] = message_table(message, name, wanted)

    @property
    def tables(self) -> tuple[Table, ...]:
        """All tables that rows may come for."""
        return (*self._of_message.values(), EVENTS, ANSWERS)

    def rows(self, records: Iterable[TraceRecord]) -> Iterator[tuple[Table, dict[str, Cell]]]:
        """Yield every row with its table, in the order of the trace; a row may lack columns."""
        for record in records:
            host_s = (record.t_ns - self._started_ns) / 1e9
            if isinstance(record, Chunk):
                if record.direction is Direction.IN and record.port in self._speech:
                    yield from self._said(record, host_s)
            elif isinstance(record, Mark):
                yield EVENTS, self._marked(record, host_s)
            else:
                yield ANSWERS, _answered(record, host_s)

    def _said(self, chunk: Chunk, host_s: float) -> Iterator[tuple[Table, dict[str, Cell]]]:
        speech = self._speech[chunk.port]
        key = speech.program or chunk.port
        line = self._lines.get(key) or self._lines.setdefault(key, _Line(speech.dialect))
        for item in line.link.receive(chunk.data):
            if not isinstance(item, Telemetry | Happened):
                continue
            clocks = {"host_s": host_s, "time_s": line.time_s(item.values, host_s, is_live=not item.block)}
            where = {**self._where(), "port": chunk.port, "program": speech.program}
            if isinstance(item, Happened):
                said = {"source": "robot", "kind": "event", "name": item.event, "detail": item.detail}
                yield EVENTS, {**clocks, **said, **where}
            elif (table := self._of_message.get((speech.dialect.name, item.message))) is not None:
                values = {name: _cell(value) for name, value in item.values.items()}
                yield table, {**values, **clocks, **where}

    def _marked(self, mark: Mark, host_s: float) -> dict[str, Cell]:
        if mark.step == "port" and mark.fields.get("what") in ("closed", "lost"):
            key = str(mark.fields.get("program", "")) or mark.name
            if key in self._lines:
                self._lines[key].link.forget_line()
        if mark.step == "case" and mark.kind is not MarkKind.NOTE:
            self._case = mark.name if mark.kind is MarkKind.BEGIN else ""
        if mark.step == "drive" and mark.kind is not MarkKind.NOTE:
            self._drive = mark.name if mark.kind is MarkKind.BEGIN else ""
            repeat = mark.fields.get("repeat")
            self._repeat = int(repeat) if isinstance(repeat, int | float) else self._repeat
        return {
            "host_s": host_s,
            "source": "bench",
            "kind": f"{mark.step} {mark.kind.value}".strip(),
            "name": mark.name,
            "detail": json.dumps(mark.fields, ensure_ascii=False) if mark.fields else "",
            **self._where(),
        }

    def _where(self) -> dict[str, Cell]:
        return {"case": self._case, "drive": self._drive, "repeat": self._repeat}


class _Line:
    """The line to one program over all its ports: its link, and the robot's clock on it."""

    def __init__(self, dialect: Dialect) -> None:
        specs = [spec for message in dialect.messages for spec in message.fields]
        moduli = [spec.modulus * abs(spec.scale) for spec in specs if spec.name == dialect.clock_field]
        self._clock_field = dialect.clock_field
        self._clock = RobotClock(modulus=max(moduli, default=0.0))
        self._restarts = 0
        self.link = Link(dialect, End.HOST)

    def time_s(self, values: Mapping[str, object], host_s: float, *, is_live: bool) -> float | None:
        """Return the robot's time of a message, None where it tells none; what was kept on board moves no clock."""
        if self.link.counters.restarts != self._restarts:
            self._restarts = self.link.counters.restarts
            self._clock.restarted(host_s)
        raw = values.get(self._clock_field)
        if not isinstance(raw, int | float) or not math.isfinite(raw):
            return None
        return self._clock.follow(float(raw), host_s) if is_live else float(raw)


def _answered(answer: AnswerGiven, host_s: float) -> dict[str, Cell]:
    return {
        "host_s": host_s,
        "name": answer.name,
        "value": float(answer.value),
        "unit": answer.unit,
        "u": float(answer.u),
        "case": answer.case,
        "repeat": answer.repeat,
        "source": answer.source,
        "said": answer.said,
        "corrects": "yes" if answer.corrects else "",
        "how": json.dumps(answer.how, ensure_ascii=False) if answer.how else "",
    }


def _cell(value: object) -> Cell:
    if isinstance(value, tuple):
        return ";".join(str(_cell(part)) for part in value)
    return value if isinstance(value, float | int | str) else str(value)
