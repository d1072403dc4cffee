"""What every port is to the rest of the tool: stamped bytes in, bytes out, one way of going away.

`Transport` owns what must be the same for every kind of port: the queue, the reader thread, the deadline of a
read, the lock, the order in which things end. A kind of port adds four small hooks and nothing else.

Rules of this file:

- One thread per port, which moves stamped bytes and nothing else. Its errors travel in the same queue, behind the
  bytes that came before them, so that nothing received is ever lost to an error and no error dies in a thread.
- Whatever a port raises when it goes away (`LOSS`: four kinds, depending on system and moment) becomes one
  `PortLost`. The port is closed first and the loss told afterwards, so that a device that comes back finds its
  old name free.
- A time-out of `read` is a value (`None`), never an exception; bytes are never lost to it.
- A write waits for progress at most `write_timeout_s`. A write that is not taken counts as a loss: part of it may
  have been sent, and a robot that cannot be told to stop is no longer under control.
- The queue is bounded (`QUEUE_BOUND`). When it is full the reader stops reading and the system's own buffers
  push back; `held_back` counts how often, so that it is never silent.

One consumer: `read` is called from one thread. `write` and `close` may be called from any.
"""

from __future__ import annotations

import queue
import termios
import threading
from abc import ABC, abstractmethod
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Self

import serial

from hil.errors import HilError, InternalError, PortLost
from hil.timing import Clock

# What is raised when a port goes away: by pyserial, by the system, by the terminal calls, and, when a port is
# closed under a blocked reader, by the arithmetic on a file descriptor that has become None.
LOSS = (serial.SerialException, OSError, termios.error, TypeError)

# A queued chunk counts its bytes plus about what the objects around it cost, so that the bound is one of memory:
# 16 MiB are some ten minutes of a robot that reports 125 lines a second, longer than any consumer is away.
QUEUE_BOUND = 16 * 1024 * 1024
CHUNK_OVERHEAD = 128

# One read takes at most this much: the system hands over about 4 KiB at a time, sockets more.
READ_BYTES = 65536

# After a failed write the reader takes what already waits, in at most so many reads: a peer that never stops
# talking must not keep a failed port alive.
LAST_READS = 64

# How long `close` waits for the reader thread; the slowest close known (a telnet peer) takes below a second.
CLOSE_LIMIT_S = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamped:
    """Bytes as they came, with the host's monotonic time [ns] just after the system handed them over."""

    t_ns: int
    data: bytes


class Transport(ABC):
    """An open port. Subclasses call `_start` at the end of their constructor if they have a reader thread."""

    def __init__(self, name: str, clock: Clock) -> None:
        self.name = name
        # The number that the first request must carry, where the port knows it: that of a trace, so that answers fit.
        self.first_tag: int | None = None
        self._clock = clock
        self._opened_ns = clock.monotonic_ns()
        self._items: queue.SimpleQueue[Stamped | HilError] = queue.SimpleQueue()
        self._port_lock = threading.Lock()  # held while the port itself is written to, woken or shut
        self._shut_done = False
        self._closing = False
        self._ending: HilError | None = None  # why it ended or is about to; set once, under the lock
        self._told: HilError | None = None  # the same, once the consumer has met it in the queue
        self._thread: threading.Thread | None = None
        # Each of these two has one writer, so that neither needs a lock.
        self._queued = 0
        self._taken = 0
        self._waiting_for_room = False
        self._room = threading.Event()
        self.held_back = 0

    # The hooks: all that a kind of port has to say.

    @abstractmethod
    def _receive(self) -> bytes:
        """Block until bytes are there and return them; return b"" when woken; raise one of `LOSS` when gone."""

    @abstractmethod
    def _send(self, data: bytes) -> None:
        """Send all of `data`, or raise one of `LOSS`; never block longer than the write time-out without progress."""

    @abstractmethod
    def _wake(self) -> None:
        """Make a blocked `_receive` return soon."""

    @abstractmethod
    def _shut(self) -> None:
        """Close the port itself. Called once."""

    # What the rest of the tool uses.

    def read(self, timeout_s: float) -> Stamped | None:
        """Return the next chunk, or None when none came within `timeout_s` seconds.

        Raises `PortLost` once everything received before the loss has been returned, and on every call after
        that; also after `close`.
        """
        if self._told is not None:
            raise self._told.with_traceback(None)
        try:
            item = self._next(max(0.0, timeout_s))
        except queue.Empty:
            return None
        if isinstance(item, HilError):
            self._told = item
            raise item
        self._taken += len(item.data) + CHUNK_OVERHEAD
        if self._waiting_for_room:
            self._room.set()
        return item

    def write(self, data: bytes) -> None:
        """Send all of `data`. Raises `PortLost` when the port has gone, is closed, or takes nothing in time."""
        with self._port_lock:
            if self._ending is None:
                try:
                    self._send(data)
                except LOSS as error:
                    self._ending = self._loss(said_by(error))
                    self._room.set()
                    self._wake()
            ending = self._ending
        if ending is not None:
            raise ending.with_traceback(None)

    def close(self) -> None:
        """Close the port; what was received and not yet read stays readable. May be called again."""
        with self._port_lock:
            self._closing = True
            if self._ending is None:
                self._ending = self._loss("closed by this program")
            if not self._shut_done:
                self._wake()
        self._room.set()
        if self._thread is None:
            self._end()
        elif self._thread is not threading.current_thread():
            self._thread.join(CLOSE_LIMIT_S)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    # The machinery.

    def _start(self) -> None:
        """Start the reader thread."""
        self._thread = threading.Thread(target=self._carry, name=f"reader of {self.name}", daemon=True)
        self._thread.start()

    def _carry(self) -> None:
        """Move bytes until the end, then close the port, then say why (the body of the reader thread)."""
        ending: HilError | None = None
        last_reads = LAST_READS
        try:
            while not self._closing and last_reads:
                data = self._receive()
                if data:
                    self._keep(data)
                elif self._ending is not None:
                    break
                if self._ending is not None:
                    last_reads -= 1
        except LOSS as error:
            ending = self._loss(said_by(error))
        except Exception as error:  # a fault of ours must reach the consumer and not die here
            ending = InternalError(f"the reader stopped by {error!r}", where=self.name, todo="Please report it")
        self._end(ending)

    def _keep(self, data: bytes, room_timeout_s: float | None = None) -> None:
        """Stamp and queue bytes; when the queue is full, wait for room first (or for the end)."""
        stamped = Stamped(t_ns=self._clock.monotonic_ns(), data=data)
        if self._queued - self._taken > QUEUE_BOUND:
            self._wait_for_room(room_timeout_s)
        self._queued += len(data) + CHUNK_OVERHEAD
        self._items.put(stamped)

    def _wait_for_room(self, timeout_s: float | None) -> None:
        self.held_back += 1
        # The order matters: the flag goes up before the second look, and the consumer looks at the flag after
        # it has taken something, so that one of the two always sees the other.
        self._room.clear()
        self._waiting_for_room = True
        if self._queued - self._taken > QUEUE_BOUND and self._ending is None and not self._room.wait(timeout_s):
            raise TimeoutError(f"the reader took nothing for {timeout_s} s")
        self._waiting_for_room = False

    def _end(self, ending: HilError | None = None) -> None:
        """Close the port and then put the reason behind everything received. Only the first call does anything."""
        with self._port_lock:
            if self._shut_done:
                return
            if self._ending is None:
                self._ending = ending or self._loss("the reader stopped")
            self._shut_done = True
            with suppress(*LOSS):  # a port that has gone may refuse to be closed; nothing is left to do about it
                self._shut()
            told = self._ending
        self._items.put(told)

    def _next(self, timeout_s: float) -> Stamped | HilError:
        """Return the next item, or raise `queue.Empty` when the deadline has passed."""
        return self._items.get(timeout=timeout_s) if timeout_s else self._items.get_nowait()

    def _loss(self, cause: str) -> PortLost:
        uptime_s = (self._clock.monotonic_ns() - self._opened_ns) / 1e9
        return PortLost(self.name, cause=cause, uptime_s=uptime_s)


def said_by(error: BaseException) -> str:
    """Return the system's own words for an error, without its number and without a full stop."""
    words = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return words.strip().rstrip(".") or type(error).__name__
