"""The line that tells what goes on: one line of the terminal, however wide that is."""

from __future__ import annotations

import fcntl
import os
import struct
import termios
from collections.abc import Callable, Iterator

import pytest

from hil.engine.progress import Progress
from hil.timing import SystemClock

Shown = Callable[[str], str]


@pytest.fixture(params=[80, 60, 200])
def columns(request: pytest.FixtureRequest) -> int:
    return int(request.param)


@pytest.fixture
def drawn(columns: int) -> Iterator[Shown]:
    """What a terminal that wide is sent for a piece of work, begun and redrawn."""
    screen, terminal = os.openpty()
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    with open(terminal, "w", closefd=False) as output:

        def draw(what: str) -> str:
            progress = Progress(output, SystemClock(), 123.0, "robot and person will need about {}")
            progress.begin(what)
            progress.begin(what)
            shown = b""
            while shown.count(b"2 min 03 s") < 2:  # a terminal may hand over each write by itself
                shown += os.read(screen, 4096)
            return shown.decode()

        yield draw
    os.close(terminal)
    os.close(screen)


def test_what_is_redrawn_stays_on_its_line_and_keeps_the_time(drawn: Shown, columns: int) -> None:
    shown = drawn("straight-line: Straights without looking at the walls, repeat 1 of 6")
    lines = [line for line in shown.split("\r") if line]
    assert len(lines) == 2
    assert all(len(line) < columns for line in lines)
    assert all(line.rstrip().endswith("robot and person will need about 2 min 03 s") for line in lines)
    assert ("..." in lines[0]) is (columns < 200)
    assert "\n" not in shown
