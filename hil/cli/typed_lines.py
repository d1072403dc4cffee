"""Lines out of what is typed or piped in, whatever its pieces: no bytes are refused, and no line grows without bound.

Of a line that is too long, its beginning stands for it, one character longer than may be obeyed, so that whoever reads
it sees that it is too long and does not carry out half of it.
"""

from __future__ import annotations

from hil.cli.simulated_person import LONGEST_LINE

_MOST_BYTES = 4 * LONGEST_LINE + 4  # UTF-8 takes four for a character at most


class TypedLines:
    """Gives back whole lines of what it receives, decoded; bytes that are no UTF-8 are shown as escapes."""

    def __init__(self) -> None:
        self._unread = b""

    def receive(self, data: bytes) -> list[str]:
        """Take bytes and return the lines that are whole by now."""
        *lines, unread = (self._unread + data).split(b"\n")
        self._unread = unread[:_MOST_BYTES]
        return [_decoded(line) for line in lines]

    def end(self) -> list[str]:
        """Return what came after the last line, if anything did: the input has ended."""
        lines = [_decoded(self._unread)] if self._unread else []
        self._unread = b""
        return lines


def _decoded(line: bytes) -> str:
    return line[:_MOST_BYTES].decode("utf-8", "backslashreplace")[: LONGEST_LINE + 1]
