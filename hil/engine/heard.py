"""What came from a port, seen as bytes alone: how many, how printable, how its lines end, and what stands last.

Nothing is decoded here, so this says something also of a port that speaks another protocol, or none. All that is kept
is bounded, whatever comes.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

# How far back the share of unprintable bytes looks. Boot messages at another speed last less than that.
WINDOW_S = 1.0
# Bytes kept of the unfinished line: more is no prompt and no message to a person.
TAIL_BYTES = 200
# Bytes kept of what came first and last, for a second look at them with other protocols.
KEPT_BYTES = 65536
_MOST_CHUNKS = 4096  # within the window; a port that sends more chunks a second is looked at over less than a window

_PRINTABLE = bytes([9, 10, 13, 27, *range(0x20, 0x7F)])  # the escape begins the colours of a console


@dataclass(frozen=True, slots=True, kw_only=True)
class Endings:
    """How often each way of ending a line came."""

    crlf: int = 0
    lf: int = 0
    cr: int = 0

    @property
    def total(self) -> int:
        """How many lines ended."""
        return self.crlf + self.lf + self.cr


class Heard:
    """The bytes of one port since `begun_s`; times are the host's [s]."""

    def __init__(self, begun_s: float) -> None:
        self.begun_s = begun_s
        self.last_s: float | None = None
        self.total = 0
        self.unprintable = 0
        self.tail = b""  # what stands behind the last ending
        self.kept = bytearray()  # the latest bytes
        self._crlf = self._lf = self._cr = 0
        self._after_cr = False
        self._window: deque[tuple[float, int, int]] = deque(maxlen=_MOST_CHUNKS)

    def take(self, t_s: float, data: bytes) -> None:
        """Take in bytes with the time they came."""
        odd = len(data.translate(None, _PRINTABLE))
        self.total += len(data)
        self.unprintable += odd
        self.last_s = t_s
        self._window.append((t_s, len(data), odd))
        self._count_endings(data)
        self.tail = (self.tail + data).replace(b"\r", b"\n").rpartition(b"\n")[2][-TAIL_BYTES:]
        self.kept += data
        del self.kept[:-KEPT_BYTES]

    def _count_endings(self, data: bytes) -> None:
        # A line feed at the beginning of a chunk may belong to the carriage return that ended the one before.
        joined = (b"\r" if self._after_cr else b"") + data
        crlf = joined.count(b"\r\n")
        self._crlf += crlf
        self._lf += joined.count(b"\n") - crlf
        self._cr += joined.count(b"\r") - crlf
        self._after_cr = joined.endswith(b"\r")
        self._cr -= self._after_cr  # it is counted with what follows it

    @property
    def endings(self) -> Endings:
        """The endings counted so far; a carriage return that came last counts as one of its own."""
        return Endings(crlf=self._crlf, lf=self._lf, cr=self._cr + (1 if self._after_cr else 0))

    def unprintable_share(self, now_s: float) -> float:
        """Return the share of bytes of the last `WINDOW_S` seconds that are no text, 0 where none came."""
        while self._window and self._window[0][0] < now_s - WINDOW_S:
            self._window.popleft()
        count = sum(length for _, length, _ in self._window)
        return sum(odd for _, _, odd in self._window) / count if count else 0.0

    def silent_s(self, now_s: float) -> float:
        """Return for how long nothing has come [s]."""
        return now_s - (self.begun_s if self.last_s is None else self.last_s)
