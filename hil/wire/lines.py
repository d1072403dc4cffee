"""Cutting a stream of bytes into lines.

Rules of the file:
  - The lines found depend on the bytes alone, never on how they were cut into chunks.
  - No more than one unfinished line is kept, and of it no more than `max_length` and one byte: an endless line is
    one `Overlong`, told as soon as it is certain, and everything up to the next ending is dropped.
  - Where the ending is carriage return and line feed, or line feed alone, both are taken. Where it is a carriage
    return alone, a line feed after it is dropped. Empty lines are nothing and are not reported.
  - What stands in a line is not looked at; that is the codec's part.

Endings other than these three are refused.
"""

from __future__ import annotations

from dataclasses import dataclass

from hil.errors import WireError
from hil.wire.dialect import LineFraming

ENDINGS = (b"\r\n", b"\n", b"\r")


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlong:
    """A line longer than allowed; `raw` is its beginning, as long as a line may be."""

    raw: bytes


class LineFramer:
    """Bytes in, lines out (without their endings); see the module for the rules."""

    def __init__(self, framing: LineFraming, *, keeps_empty: bool = False) -> None:
        """With `keeps_empty` empty lines are reported too: a console answers them with its prompt."""
        if framing.ending not in ENDINGS:
            raise WireError(f"lines cannot end with {framing.ending!r}", expected="crlf, lf or cr")
        if framing.max_length < 1:
            raise WireError(f"lines cannot be {framing.max_length} bytes long", expected="1 or more")
        self._longest = framing.max_length
        self._split_at = b"\r" if framing.ending == b"\r" else b"\n"
        self._kept = b""  # the unfinished line; never longer than `_longest` + 1
        self._skipping = False  # inside an overlong line that was already reported
        self._keeps_empty = keeps_empty

    @property
    def unfinished(self) -> bytes:
        """The unfinished line."""
        return self._kept

    @property
    def kept_bytes(self) -> int:
        """How many bytes of an unfinished line are held."""
        return len(self._kept)

    def feed(self, data: bytes) -> list[bytes | Overlong]:
        """Take `data` in and return the lines that are now complete, in order."""
        if self._skipping:
            end = data.find(self._split_at)
            if end < 0:
                return []
            data = data[end + 1 :]
            self._skipping = False
        *complete, rest = (self._kept + data).split(self._split_at)
        found: list[bytes | Overlong] = []
        for piece in complete:
            line = self._without_ending(piece)
            if len(line) > self._longest:
                found.append(Overlong(raw=line[: self._longest]))
            elif line or self._keeps_empty:
                found.append(line)
        # A trailing carriage return may still turn out to be half of the ending, so it does not count yet.
        unfinished = self._without_ending(rest)
        if len(unfinished) > self._longest:
            found.append(Overlong(raw=unfinished[: self._longest]))
            self._skipping, rest = True, b""
        self._kept = rest
        return found

    def forget(self) -> None:
        """Drop the unfinished line, as after a port was opened anew."""
        self._kept = b""
        self._skipping = False

    def _without_ending(self, piece: bytes) -> bytes:
        return piece.removeprefix(b"\n") if self._split_at == b"\r" else piece.removesuffix(b"\r")
