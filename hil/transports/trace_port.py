"""Ports of a trace: `trace:RUN`, RUN being the folder of a run or the trace.sqlite in it.

A program that carries out a run on a trace makes the tape first (`playing`); every opening of that address is then
the next opening of a port in the trace, in step with what the program does. Opened without that, as for listening, the
address plays the trace's first port by itself: bytes come with the spacing they had, beginning now, and at once, or
with `?pace=real` in real time.
"""

from __future__ import annotations

import queue
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from hil.errors import HilError, PortLost, PortUnavailable, UsageError
from hil.timing import Clock
from hil.transports.tape import Tape
from hil.transports.transport import Stamped, Transport
from hil.wire.dialect import Dialect

SCHEME = "trace:"
_PACE = "?pace=real"
_TRACE = "trace.sqlite"

# So long (of the tape's time) a port may be read while its trace waits for the host: longer than any step's deadline.
_PATIENCE_S = 600.0

_playing: dict[str, Tape] = {}


def is_trace(url: str) -> bool:
    """Whether an address names a trace."""
    return url.startswith(SCHEME)


def lasting_trace(url: str) -> str:
    """Return the address of a trace with its path from the root, so that it means the same in every folder."""
    return SCHEME + str(Path(url.removeprefix(SCHEME)).absolute())


def trace_file(url: str) -> Path:
    """Return the trace that an address names; raise `UsageError` where it names none."""
    path = Path(url.removeprefix(SCHEME).removesuffix(_PACE))
    trace = path / _TRACE if path.is_dir() else path
    if not trace.is_file() or "?" in trace.name:
        raise UsageError(
            "this names no run",
            where=url,
            expected=f"trace:RUN, RUN being a run's folder or its {_TRACE}, with {_PACE} behind it where wanted",
        )
    return trace


@contextmanager
def playing(url: str, dialects: Iterable[Dialect]) -> Iterator[Tape]:
    """Play a trace to this program for as long as the context lasts; `dialects` are those of the trace's ports."""
    tape = Tape(trace_file(url), dialects, is_paced=url.endswith(_PACE))
    _playing[url] = tape
    try:
        yield tape
    finally:
        del _playing[url]
        tape.close()


def open_trace_port(url: str, clock: Clock) -> Transport:
    """Open the next port of the trace; raise `PortUnavailable` where there is none."""
    tape = _playing.get(url)
    if tape is not None:
        return TracePort(url, clock, tape)
    try:
        alone = Tape(trace_file(url), is_paced=url.endswith(_PACE))
    except UsageError as error:
        raise PortUnavailable(error.what, where=error.where, expected=error.expected) from None
    return TracePort(url, clock, alone, owns_tape=True)


class TracePort(Transport):
    """One opening of a port of a trace."""

    def __init__(self, name: str, clock: Clock, tape: Tape, *, owns_tape: bool = False) -> None:
        super().__init__(name, clock)
        self._tape = tape
        self._owns_tape = owns_tape
        self._number = tape.open()
        self._rest: deque[Stamped | HilError] = deque()
        self._waited_s = 0.0
        self.first_tag = tape.openings[self._number].first_tag

    def _receive(self) -> bytes:
        return b""  # there is no reader thread: the tape gives

    def _send(self, data: bytes) -> None:
        if trouble := self._tape.sent(self._number, data):
            raise OSError(trouble)

    def _wake(self) -> None:
        """Nothing blocks."""

    def _shut(self) -> None:
        self._rest.extend(self._tape.shut(self._number))
        if self._owns_tape:
            self._tape.close()

    def _next(self, timeout_s: float) -> Stamped | HilError:
        if self._rest:
            return self._rest.popleft()
        if self._shut_done:
            return self._items.get_nowait()
        item = self._tape.read(self._number, timeout_s)
        if item is not None:
            self._waited_s = 0.0
            return item
        self._waited_s += timeout_s
        if self._waited_s > _PATIENCE_S or (self._owns_tape and self._tape.has_ended):
            waits_for = self._tape.waits_for
            cause = f"the trace waits for {waits_for}" if waits_for else "the trace ends here"
            return PortLost(self.name, cause=cause, uptime_s=self._waited_s)
        raise queue.Empty
