"""A person at a real pseudo-terminal of 80 columns: what is shown fits it, and the ports are read while it is typed."""

from __future__ import annotations

import fcntl
import math
import os
import select
import struct
import termios
from collections.abc import Iterator
from pathlib import Path

import pytest

from hil.engine.terminal_operator import TerminalOperator
from hil.errors import OperatorAbsent
from hil.measure.model import CellPose, Heading
from hil.spec.suite_values import Instrument, Observe, Observed
from hil.timing import SystemClock

HERE = CellPose(x=0, y=3, heading=Heading.NORTH)
LONGEST_WAIT_NS = 50_000_000
INSTRUMENTS = {
    Observed.ANGLE: Instrument.SQUARE,
    Observed.CONTACTS: Instrument.EYE,
    Observed.LIGHT: Instrument.EYE,
    Observed.LAP_TIME: Instrument.STOPWATCH,
    Observed.DISPLAY: Instrument.DISPLAY,
}


def step(what: Observed, instrument: Instrument | None = None) -> Observe:
    return Observe(
        what=what,
        name=what.value.replace(" ", "_"),
        prompt="",
        instrument=instrument or INSTRUMENTS.get(what, Instrument.RULER),
        u=0.5,
        resolution=0.5,
        apart_mm=60.0,
        over_mm=1260.0,
        mark="the strip of tape across the passage at the third post from the start",
        shown_in="V" if what is Observed.DISPLAY else "",
    )


class Typist:
    """Types at the far end of a terminal whenever a prompt waits; `shown` is what stands on its screen."""

    def __init__(self, screen: int) -> None:
        self._screen = screen
        self._lines: list[str] = []
        self.shown = ""
        self.looks = 0
        self.longest_ns = 0
        self._clock = SystemClock()
        self._looked_ns = 0

    def will_type(self, *lines: str) -> None:
        """Answer the next prompts with these lines."""
        self._lines += lines
        self._looked_ns = self._clock.monotonic_ns()

    def types_ahead(self, text: str) -> None:
        """Type before anything is asked."""
        os.write(self._screen, text.encode())

    def goes_away(self) -> None:
        """End the input as Ctrl-D does."""
        os.write(self._screen, b"\x04")

    def idle(self) -> None:
        """Look at the screen, as ports are looked at."""
        now_ns = self._clock.monotonic_ns()
        self.longest_ns = max(self.longest_ns, now_ns - self._looked_ns)
        self._looked_ns = now_ns
        self.looks += 1
        self.look()
        if self.shown.endswith((": ", "done. ")) and self._lines and self.looks % 3 == 0:
            os.write(self._screen, f"{self._lines.pop(0)}\n".encode())

    def look(self) -> None:
        """Take what is shown."""
        while select.select([self._screen], [], [], 0)[0]:
            self.shown += os.read(self._screen, 4096).decode()


@pytest.fixture
def at_terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[TerminalOperator, Typist]]:
    screen, terminal = os.openpty()
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    typist = Typist(screen)
    with open(terminal, closefd=False) as typed, open(terminal, "w", closefd=False) as shown:
        monkeypatch.setattr("sys.stdin", typed)
        person = TerminalOperator(output=shown)
        person.idle = typist.idle
        yield person, typist
    os.close(terminal)
    os.close(screen)


@pytest.mark.parametrize("what", list(Observed))
def test_every_reading_is_asked_for_in_lines_that_fit(
    at_terminal: tuple[TerminalOperator, Typist], what: Observed
) -> None:
    person, typist = at_terminal
    typist.will_type("?", "-")
    assert person.observe(step(what), HERE) is None
    typist.look()
    assert all(len(line) <= 80 and line.isascii() for line in typist.shown.splitlines())
    assert "could not be seen" in typist.shown


def test_answers_in_many_units_and_a_correction_are_taken_at_a_terminal(
    at_terminal: tuple[TerminalOperator, Typist],
) -> None:
    person, typist = at_terminal
    typist.will_type("1,5", "b", "0.15 in", "0.2 cm", "0.035 rad", "3 mm", "-2,5", "1:02.5 min")
    offset = person.observe(step(Observed.OFFSET), HERE)
    angle = person.observe(step(Observed.ANGLE), HERE)
    (correction,) = person.corrections()
    by_offsets = person.observe(step(Observed.ANGLE, Instrument.TWO_OFFSETS), HERE)
    lap = person.observe(step(Observed.LAP_TIME), HERE)
    assert offset is not None
    assert (offset.value, offset.said) == (1.5, "1,5")
    assert correction.reading is not None
    assert correction.reading.value == pytest.approx(0.15 * 25.4)  # the inch is 25.4 mm (international, 1959)
    assert angle is not None
    assert angle.value == pytest.approx(math.degrees(0.035))
    assert by_offsets is not None
    assert {name: part.value for name, part in by_offsets.parts.items()} == {"front": 3.0, "rear": -2.5}
    assert lap is not None
    assert lap.value == 62.5


def test_ports_are_read_at_least_every_twentieth_of_a_second_while_a_person_thinks(
    at_terminal: tuple[TerminalOperator, Typist],
) -> None:
    person, typist = at_terminal
    typist.will_type("two", "2")
    person.observe(step(Observed.OFFSET), HERE)
    assert typist.looks >= 6
    assert typist.longest_ns < LONGEST_WAIT_NS


def test_lines_typed_ahead_answer_the_prompts_that_come(at_terminal: tuple[TerminalOperator, Typist]) -> None:
    person, typist = at_terminal
    typist.types_ahead("\n1.5\n2.5\n")
    person.place(Path("corner.course.yaml"), "corner", HERE)
    found = [person.observe(step(what), HERE) for what in (Observed.OFFSET, Observed.ALONG)]
    assert [one.value for one in found if one is not None] == [1.5, 2.5]


def test_a_person_who_leaves_the_terminal_ends_the_run(at_terminal: tuple[TerminalOperator, Typist]) -> None:
    person, typist = at_terminal
    typist.goes_away()
    with pytest.raises(OperatorAbsent, match="the input has ended"):
        person.observe(step(Observed.OFFSET), HERE)
