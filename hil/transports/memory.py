"""Two ports joined in memory: what is written to one is read from the other, at once and without threads."""

from __future__ import annotations

import queue

from hil.errors import HilError
from hil.timing import Clock
from hil.transports.transport import Stamped, Transport

# The same as the default of a protocol file.
WRITE_TIMEOUT_S = 0.5


class MemoryTransport(Transport):
    """One end of a pair; made by `memory_pair`."""

    def __init__(self, name: str, clock: Clock, *, one_thread: bool) -> None:
        super().__init__(name, clock)
        self._one_thread = one_thread
        self._peer: MemoryTransport | None = None

    def join(self, peer: MemoryTransport) -> None:
        """Make `peer` the other end."""
        self._peer = peer

    def close(self) -> None:
        """Close this end; the other end loses its port."""
        super().close()
        if self._peer is not None:
            self._peer._end(self._peer._loss("the other end was closed"))

    def _receive(self) -> bytes:
        return b""  # there is no reader thread: the writer delivers

    def _send(self, data: bytes) -> None:
        if self._peer is None or self._peer._ending is not None:
            raise BrokenPipeError("the other end was closed")
        if data:
            self._peer._keep(bytes(data), room_timeout_s=WRITE_TIMEOUT_S)

    def _wake(self) -> None:
        """Nothing blocks."""

    def _shut(self) -> None:
        """Nothing is open."""

    def _next(self, timeout_s: float) -> Stamped | HilError:
        if not self._one_thread:
            return super()._next(timeout_s)
        try:
            return self._items.get_nowait()
        except queue.Empty:
            self._clock.sleep(timeout_s)
            return self._items.get_nowait()


def memory_pair(clock: Clock, *, one_thread: bool = False) -> tuple[Transport, Transport]:
    """Return the two ends of a pair.

    With `one_thread` both ends belong to the same thread, so that nothing can arrive while a read waits: the wait
    is then spent on `clock`, which a fake clock does at once.
    """
    near = MemoryTransport("memory (near end)", clock, one_thread=one_thread)
    far = MemoryTransport("memory (far end)", clock, one_thread=one_thread)
    near.join(far)
    far.join(near)
    return near, far
