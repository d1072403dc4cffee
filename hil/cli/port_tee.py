"""A witness between a robot and its host: a pseudo-terminal that passes everything on and remembers what and when.

It knows nothing of hil's recording, so that what hil says of a port can be held against what crossed it. A byte to the
host counts as having crossed when the system takes it for the host; one from the host when it is read.
"""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from contextlib import suppress
from dataclasses import dataclass, field

_AT_ONCE = 4096
_LOOK_S = 0.05


@dataclass(slots=True)
class Crossed:
    """What crossed in one direction: pieces with the monotonic time at which each had crossed [ns]."""

    times_ns: list[int] = field(default_factory=list)
    pieces: list[bytes] = field(default_factory=list)

    def add(self, data: bytes, t_ns: int) -> None:
        """Note a piece that crossed at a time, or a little later."""
        self.pieces.append(data)
        self.times_ns.append(t_ns)

    @property
    def data(self) -> bytes:
        """All of it."""
        return b"".join(self.pieces)

    def time_of(self, place: int) -> int | None:
        """Return when the byte at a place crossed, None where there is none."""
        for t_ns, piece in zip(self.times_ns, self.pieces, strict=False):
            if place < len(piece):
                return t_ns
            place -= len(piece)
        return None

    def place_at(self, t_ns: int) -> int:
        """Return how many bytes had crossed at a time."""
        return sum(len(piece) for t, piece in zip(self.times_ns, self.pieces, strict=False) if t <= t_ns)


class PortTee:
    """A pseudo-terminal (`path`, for the host) joined to a robot's port. Used as a context."""

    def __init__(self, robot_port: str) -> None:
        self._robot = os.open(robot_port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._robot)
        self._near, self._host_side = os.openpty()
        tty.setraw(self._host_side)
        os.set_blocking(self._near, False)
        self.path = os.ttyname(self._host_side)
        self.to_host, self.from_host = Crossed(), Crossed()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._carry, name="port tee", daemon=True)
        self._thread.start()

    def _carry(self) -> None:
        while not self._over.is_set():
            readable, _, _ = select.select([self._robot, self._near], [], [], _LOOK_S)
            try:
                if self._robot in readable:
                    self._pass(self._robot, self._near, self.to_host)
                if self._near in readable:
                    t_ns = time.monotonic_ns()
                    data = os.read(self._near, _AT_ONCE)
                    self.from_host.add(data, t_ns)
                    os.write(self._robot, data)
            except BlockingIOError:
                continue
            except OSError:
                return

    def _pass(self, source: int, target: int, crossed: Crossed) -> None:
        data = os.read(source, _AT_ONCE)
        while data and not self._over.is_set():
            # A host that has not opened its side, or takes nothing, holds the robot up as a real line would not:
            # after a moment the rest is dropped, and has not crossed.
            if not select.select([], [target], [], _LOOK_S)[1]:
                return
            with suppress(BlockingIOError):
                t_ns = time.monotonic_ns()  # before, so that an age is never told too small
                sent = os.write(target, data)
                crossed.add(data[:sent], t_ns)
                data = data[sent:]

    def close(self) -> None:
        """Stop passing on, and close. May be called again."""
        if self._over.is_set():
            return
        self._over.set()
        self._thread.join(5)
        for descriptor in (self._robot, self._near, self._host_side):
            os.close(descriptor)

    def __enter__(self) -> PortTee:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
