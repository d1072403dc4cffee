"""Single keys from a terminal, without waiting for the end of a line, and the terminal given back as it was."""

from __future__ import annotations

import os
import re
import select
import sys
from contextlib import suppress
from types import TracebackType
from typing import Any, Self

# What arrows, function keys and Alt send: ESC, then "[" or "O" with its parameters and a last letter, or one character
# (ECMA-48, 5.4: control sequences).
_ESCAPED = re.compile(r"\x1b(?:[\[O][0-?]*[ -/]*[@-~]?|.)?")
_MOST = 64  # bytes of keys taken at once; a key held down gives some thirty a second


class Keys:
    """Reads keys while it is entered; where standard input is no terminal there are none. Ctrl-C stays Ctrl-C."""

    def __init__(self) -> None:
        self._fd = -1
        self._before: list[Any] = []

    def __enter__(self) -> Self:
        """Take the terminal out of its line mode."""
        if sys.stdin is not None and sys.stdin.isatty():
            self._fd = sys.stdin.fileno()
            self.take()
        return self

    def take(self) -> None:
        """Take the terminal as it is now out of its line mode."""
        import termios
        import tty

        if self._fd >= 0:
            self._before = termios.tcgetattr(self._fd)
            tty.setcbreak(self._fd)

    def give_back(self) -> None:
        """Give the terminal back as it was, and drop what was typed ahead for this display."""
        import termios

        if self._fd >= 0:
            # A terminal that has gone needs nothing back. One that a shell has taken meanwhile is the shell's to set,
            # and whoever sets it from the background is stopped for it (POSIX, general terminal interface).
            with suppress(termios.error, OSError):
                if os.tcgetpgrp(self._fd) == os.getpgrp():
                    termios.tcsetattr(self._fd, termios.TCSAFLUSH, self._before)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Give the terminal back."""
        self.give_back()
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
        return _ESCAPED.sub("", text).lower()
