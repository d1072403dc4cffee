"""Single keys from a terminal, without waiting for the end of a line, and the terminal given back as it was."""

from __future__ import annotations

import os
import select
import sys
from types import TracebackType
from typing import Any, Self

_MOST = 64  # bytes of keys taken at once; a key held down gives some thirty a second


class Keys:
    """Reads keys while it is entered; where standard input is no terminal there are none. Ctrl-C stays Ctrl-C."""

    def __init__(self) -> None:
        self._fd = -1
        self._before: list[Any] = []

    def __enter__(self) -> Self:
        """Take the terminal out of its line mode."""
        import termios
        import tty

        if sys.stdin is not None and sys.stdin.isatty():
            self._fd = sys.stdin.fileno()
            self._before = termios.tcgetattr(self._fd)
            tty.setcbreak(self._fd)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Give the terminal back, and drop what was typed ahead for this display."""
        import termios

        if self._fd >= 0:
            termios.tcsetattr(self._fd, termios.TCSAFLUSH, self._before)
            self._fd = -1

    def pressed(self) -> str:
        """Return the keys pressed since the last call, lower case; escape sequences of other keys are left out."""
        if self._fd < 0 or not select.select([self._fd], [], [], 0)[0]:
            return ""
        data = os.read(self._fd, _MOST)
        if not data:  # the terminal is gone
            self._fd = -1
            return "d"
        text = data.decode("ascii", "replace")
        return "" if text.startswith("\x1b") else text.lower()
