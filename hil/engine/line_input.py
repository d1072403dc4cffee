"""Lines typed by a person, waited for without holding up the ports.

Reads a descriptor directly, and never more of it than has come, so that lines typed ahead are kept and none is lost
to a buffer that nobody looks at. While nothing comes, `idle` is called every `LOOK_S`.
"""

from __future__ import annotations

import os
import select
from collections.abc import Callable

LOOK_S = 0.02  # a port that is read so often loses nothing, and Ctrl-C is met well within a tenth of a second
_CHUNK = 4096
LONGEST_LINE = 4096  # of an answer; what is longer is no answer, and is cut


class LineInput:
    """Lines of a terminal, a pipe or a pseudo-terminal."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._unread = b""
        self._has_ended = False

    def read(self, idle: Callable[[], None]) -> str:
        """Return the next line with its ending, "" at the end of the input; `idle` is called while it is waited for."""
        while b"\n" not in self._unread and not self._has_ended:
            idle()
            if not select.select([self._descriptor], [], [], LOOK_S)[0]:
                continue
            try:
                data = os.read(self._descriptor, _CHUNK)
            except OSError:  # a terminal whose other end has gone
                data = b""
            self._has_ended = not data
            self._unread = (self._unread + data)[-LONGEST_LINE * 16 :]
        line, ending, rest = self._unread.partition(b"\n")
        self._unread = rest
        return (line[:LONGEST_LINE] + ending).decode("utf-8", "replace")
