"""The memory on board: every drive is logged while it goes on, however it was started, and sent as a block when asked.

A log is kept where the protocol has a block message "log" with rows that this robot can fill: sample rows every 8 ms
from the first tick of a drive to its rest, and event rows as events happen, with the times they are told with
elsewhere. A drive begins with a row of its first move or turn and ends with one of `idle`. When the memory for samples
is full the rest of the drives have event rows only. Once the whole block was sent the next drive begins a new log;
until then it can be sent again, as where the host missed some of it. The log survives that the cable comes and goes,
and nothing else: a power cycle and another program lose it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from hil.errors import UsageError
from hil.simulator.channels import Filled, Filling
from hil.simulator.firmware.maze import MazeLogic
from hil.wire.dialect import Dialect, MessageSpec, Role
from hil.wire.fields import Value
from hil.wire.link import Link

SAMPLE_TICKS = 8
ROOM_SAMPLES = 32768  # of 16 bytes each: a flash memory of half a megabyte, four minutes of driving
ROOM_EVENTS = 4096
LOG, MAP = "log", "map"
_CELL = ("cell.x", "cell.y", "cell.walls")

Row = Callable[[], bytes]


def _rows_of(dialect: Dialect, block: str) -> tuple[MessageSpec, ...]:
    names = {name for spec in dialect.blocks if spec.name == block for name in spec.rows}
    return tuple(spec for spec in dialect.messages if spec.role is Role.ROW and spec.name in names)


class Logbook:
    """The log of one program."""

    def __init__(self, dialect: Dialect, filling: Filling) -> None:
        rows = _rows_of(dialect, LOG)
        self._samples: list[tuple[str, Filled]] = [
            (spec.name, filling.fill(spec)) for spec in rows if all(field.name != "event" for field in spec.fields)
        ]
        self._events = filling.events(Role.ROW, tuple(spec.name for spec in rows))
        self._kept: list[tuple[str, Mapping[str, Value]]] = []
        self._was_sent = False
        self._room_samples, self._room_events = ROOM_SAMPLES, ROOM_EVENTS

    def begin_drive(self) -> None:
        """Begin a new log where the one before was sent."""
        if self._was_sent:
            self.clear()

    def sent(self) -> None:
        """Take note that the whole block was sent."""
        self._was_sent = True

    @property
    def keeps_samples(self) -> bool:
        """Whether there is something to keep samples in, and room for it."""
        return bool(self._samples) and self._room_samples > 0

    def sample(self) -> None:
        """Keep a row of every kind of sample."""
        for name, filled in self._samples:
            if self._room_samples > 0:
                self._room_samples -= 1
                self._kept.append((name, {channel: get() for channel, get in filled}))

    def event(self, event: str, time_s: float, detail: str) -> None:
        """Keep an event, where the log has rows for it."""
        told = self._events.get(event)
        if told is None or self._room_events <= 0:
            return
        self._room_events -= 1
        message, filled = told
        values: dict[str, Value] = {name: time_s if name == "time" else get() for name, get in filled}
        self._kept.append((message, {**values, "event": event, "detail": detail}))

    def rows(self, link: Link) -> list[Row]:
        """Return the rows kept, each written as the protocol has it when its turn comes.

        Written all at once, a full log would keep whoever asked for it waiting for its answer.
        """
        return [partial(link.row, LOG, message, values) for message, values in self._kept]

    def clear(self) -> None:
        """Forget all rows."""
        self._kept.clear()
        self._was_sent = False
        self._room_samples, self._room_events = ROOM_SAMPLES, ROOM_EVENTS


class MapRows:
    """The block message "map": rows from north to south, and in each of them cells from west to east.

    A row of a field of walls that repeats stands for a row of cells, any other for a single cell.
    """

    def __init__(self, dialect: Dialect) -> None:
        self._rows = _rows_of(dialect, MAP)
        for spec in self._rows:
            unknown = [field.name for field in spec.fields if field.name not in _CELL]
            if unknown:
                raise UsageError(
                    f"the message {spec.name!r} asks for {', '.join(unknown)}, which no map has",
                    where=f"protocol {dialect.name!r}",
                    expected=f"of {', '.join(_CELL)}",
                )

    def rows(self, link: Link, maze: MazeLogic) -> list[Row]:
        """Return the rows of the map that the firmware knows."""
        found: list[Row] = []
        for spec in self._rows:
            repeats = any(field.name == "cell.walls" and field.repeated_by for field in spec.fields)
            names = [field.name for field in spec.fields]
            for y in reversed(range(maze.course.rows)):
                walls = tuple(maze.walls(x, y) for x in range(maze.course.columns))
                cells: list[dict[str, Value]] = (
                    [{"cell.x": 0, "cell.y": y, "cell.walls": walls}]
                    if repeats
                    else [{"cell.x": x, "cell.y": y, "cell.walls": one} for x, one in enumerate(walls)]
                )
                found += [partial(link.row, MAP, spec.name, {name: cell[name] for name in names}) for cell in cells]
        return found
