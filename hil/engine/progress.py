"""What is said while a run goes on: case, repeat, time left. One line, rewritten where the output is a terminal.

What is wider than the terminal would begin a line of its own at every rewriting; what goes on is shortened then, and
the time is kept.
"""

from __future__ import annotations

import os
from typing import TextIO

from hil.timing import Clock

_EVERY_S = 0.2  # often enough to look alive, seldom enough to cost nothing
_COLUMNS = 80  # of a terminal that does not tell
_CUT = "..."


class Progress:
    """Writes to `output` (standard error). `total_s` is the predicted time for the whole run.

    `foretold` says whose time that is, with `{}` where it stands.
    """

    def __init__(
        self, output: TextIO, clock: Clock, total_s: float, foretold: str = "the robot will drive about {}"
    ) -> None:
        self._output = output
        self._clock = clock
        self._total_s = max(total_s, 1e-9)
        self._foretold = foretold
        self._done_s = 0.0
        self._began_ns = clock.monotonic_ns()
        self._said_ns = 0
        self._what = ""
        self._is_terminal = output.isatty()
        self._width = 0

    def say(self, text: str) -> None:
        """Write a line that stays."""
        self.clear()
        self._output.write(text + "\n")
        self._output.flush()

    def begin(self, what: str) -> None:
        """Name what goes on now; on a dumb terminal this is the only line about it."""
        self._what = what
        if self._is_terminal:
            self._draw()
        else:
            self.say(f"{what}, {self._left()}")

    def done(self, predicted_s: float) -> None:
        """Count a piece of the prediction as done."""
        self._done_s += predicted_s

    def tick(self) -> None:
        """Redraw when it is time; called from every wait."""
        if self._is_terminal and self._clock.monotonic_ns() - self._said_ns > _EVERY_S * 1e9:
            self._draw()

    def clear(self) -> None:
        """Wipe the rewritten line."""
        if self._is_terminal and self._width:
            self._output.write("\r" + " " * self._width + "\r")
            self._output.flush()
            self._width = 0

    def _left(self) -> str:
        if self._done_s <= 0:
            return self._foretold.format(_minutes(self._total_s))
        elapsed_s = (self._clock.monotonic_ns() - self._began_ns) / 1e9
        left_s = elapsed_s * max(0.0, self._total_s - self._done_s) / self._done_s
        return f"about {_minutes(left_s)} left"

    def _draw(self) -> None:
        line = self._fitting(f"  {self._what}", f", {self._left()}")
        self._output.write("\r" + line.ljust(self._width))
        self._output.flush()
        self._width = len(line)
        self._said_ns = self._clock.monotonic_ns()

    def _fitting(self, what: str, left: str) -> str:
        """Return both in one line of the terminal, with its last column free."""
        room = self._columns() - 1 - len(left)
        return what + left if len(what) <= room else what[: max(0, room - len(_CUT))] + _CUT + left

    def _columns(self) -> int:
        try:
            return os.get_terminal_size(self._output.fileno()).columns or _COLUMNS
        except OSError:  # no terminal of the system's
            return _COLUMNS


def _minutes(duration_s: float) -> str:
    whole = round(duration_s)
    return f"{whole // 60} min {whole % 60:02d} s" if whole >= 60 else f"{whole} s"
