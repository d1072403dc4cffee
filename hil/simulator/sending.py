"""Blocks on their way to the host: header, rows, end, as fast as the wire takes them and no faster."""

from __future__ import annotations

from collections import deque
from functools import partial

from hil.simulator.firmware.maze import MazeLogic
from hil.simulator.firmware.settings import Refusal
from hil.simulator.logbook import LOG, MAP, Logbook, MapRows, Row
from hil.simulator.recorder import EDGES, TICKS, Recorder
from hil.simulator.uart import Uart
from hil.wire.dialect import Dialect
from hil.wire.link import Link

KEPT = (LOG, MAP, EDGES, TICKS)
_BACKLOG_BYTES = 128  # on the wire, below which a block goes on


class BlockSender:
    """Sends one block at a time of what `logbook`, the maze logic and `recorder` hold."""

    def __init__(self, dialect: Dialect, link: Link, logbook: Logbook, maze: MazeLogic, recorder: Recorder) -> None:
        self._names = [spec.name for spec in dialect.blocks]
        self._link, self._logbook, self._maze, self._recorder = link, logbook, maze, recorder
        self._map = MapRows(dialect)
        self._lines: deque[Row] = deque()
        self._name = ""

    @property
    def is_sending(self) -> bool:
        """Whether some of a block is still to be sent."""
        return bool(self._lines)

    def refuse_unknown(self, what: str) -> None:
        """Raise `Refusal` for a block that there is not."""
        if what not in KEPT or what not in self._names:
            raise Refusal("unknown-request")

    def begin(self, what: str) -> None:
        """Begin to send a block."""
        if what == LOG:
            rows = self._logbook.rows(self._link)
        elif what == MAP:
            rows = self._map.rows(self._link, self._maze)
        else:
            rows = self._recorder.rows(what, self._link)
        around = self._link.block(what, [b""] * len(rows))
        first, last = around[:1], around[1 + len(rows) :]
        self._lines.extend([*(partial(bytes, line) for line in first), *rows, *(partial(bytes, line) for line in last)])
        self._name = what

    def go_on(self, uart: Uart, now_s: float) -> None:
        """Send as many lines as the wire takes now."""
        while self._lines and uart.outgoing.backlog_bytes(now_s) < _BACKLOG_BYTES:
            uart.send(self._lines.popleft()(), now_s)
        if not self._lines and self._name == LOG:
            self._logbook.sent()

    def break_off(self) -> None:
        """Send no more of it."""
        self._lines.clear()
