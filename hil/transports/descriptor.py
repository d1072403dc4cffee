"""A port that is a file descriptor: a serial device, a TCP socket, either end of a pseudo-terminal.

The reader blocks in `select` on the port and on a pipe that wakes it, and reads what is there: no time-outs that
poll, no reads that wait for a count, no reads byte by byte (which top out at half of a fast line).
"""

from __future__ import annotations

import os
import select
from collections.abc import Callable

from hil.timing import Clock
from hil.transports.transport import READ_BYTES, Transport


class DescriptorTransport(Transport):
    """A port over a non-blocking descriptor; `shut` closes whatever owns the descriptor."""

    def __init__(
        self, name: str, clock: Clock, descriptor: int, *, write_timeout_s: float, shut: Callable[[], None]
    ) -> None:
        super().__init__(name, clock)
        self._descriptor = descriptor
        self._write_timeout_s = write_timeout_s
        self._shut_owner = shut
        os.set_blocking(descriptor, False)
        self._wake_end, self._wake_start = os.pipe()
        self._start()

    def _receive(self) -> bytes:
        # The wake-up byte is never taken out of the pipe: once woken, the reader no longer blocks, takes what
        # still waits, and then sees only the pipe.
        ready, _, _ = select.select([self._descriptor, self._wake_end], [], [])
        if self._descriptor not in ready:
            return b""
        try:
            data = os.read(self._descriptor, READ_BYTES)
        except BlockingIOError:  # somebody else's read, or a spurious wake-up
            return b""
        if not data:
            raise OSError("the far end is closed, the device is unplugged, or another program reads the same port")
        return data

    def _send(self, data: bytes) -> None:
        rest = memoryview(data)
        while rest:
            _, ready, _ = select.select([], [self._descriptor], [], self._write_timeout_s)
            if not ready:
                raise TimeoutError(
                    f"nothing was taken for {self._write_timeout_s:g} s with {len(rest)} of {len(data)} bytes unsent"
                )
            try:
                rest = rest[os.write(self._descriptor, rest) :]
            except BlockingIOError:
                continue

    def _wake(self) -> None:
        os.write(self._wake_start, b"x")

    def _shut(self) -> None:
        try:
            self._shut_owner()
        finally:
            os.close(self._wake_start)
            os.close(self._wake_end)
