"""`hil watch` in a real terminal, looked at through tmux: sizes, keys, Ctrl-C, ports that go away and are slow."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hil.errors import PortLost
from hil.timing import SystemClock
from hil.transports import open_pseudo_terminal
from hil.transports.transport import Transport

from .screen import Screen

Line = Callable[[int], bytes]


class Printer:
    """A small robot that prints: one line every `period_s` on a pseudo-terminal behind a link."""

    def __init__(self, link: Path, line: Line, period_s: float) -> None:
        self.link, self._line, self._period_s = link, line, period_s
        self._ended = threading.Event()
        self._device: Transport | None = None
        self.plug_in()

    def plug_in(self) -> None:
        self._ended = threading.Event()
        self._device, path = open_pseudo_terminal(SystemClock())
        fresh = self.link.with_suffix(".new")
        fresh.symlink_to(path)
        os.replace(fresh, self.link)
        self._thread = threading.Thread(target=self._print, args=(self._device, self._ended))
        self._thread.start()

    def _print(self, device: Transport, ended: threading.Event) -> None:
        count = 0
        try:
            while not ended.wait(self._period_s):
                device.write(self._line(count))
                count += 1
        except PortLost:
            return

    def unplug(self) -> None:
        self._ended.set()
        self._thread.join()
        if self._device is not None:
            self._device.close()
        self.link.unlink(missing_ok=True)


@pytest.fixture
def printer(tmp_path: Path) -> Iterator[Callable[[Line, float], Printer]]:
    made: list[Printer] = []

    def make(line: Line, period_s: float) -> Printer:
        made.append(Printer(tmp_path / "robot", line, period_s))
        return made[-1]

    yield make
    for one in made:
        one.unplug()


def prints(count: int) -> bytes:
    return b"see %d 12 640 went %d -7\r\n" % (300 + count % 3, count)


def watched(printer: Printer, *more: str) -> tuple[str, ...]:
    return ("watch", "walls", "--robot", "virtual-prints", "--program", "run", "--port", str(printer.link), *more)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40)])
def test_the_picture_fits_its_window_and_its_number_can_be_read_from_afar(
    tmp_path: Path, printer: Callable[[Line, float], Printer], width: int, height: int
) -> None:
    with Screen(tmp_path, *watched(printer(prints, 0.04)), width=width, height=height) as screen:
        picture = screen.see("left", "count", "h hold", "lines/s")
        rows = picture.rstrip("\n").split("\n")
        assert len(rows) <= height
        assert all(len(row) <= width for row in rows)
        blocks = [row for row in rows if "█" in row and "[" not in row]
        assert len(blocks) >= (10 if width == 120 else 5)  # twice as tall where there is room
        assert any("right" in row and "12 count" in row for row in rows)
        screen.press("d")
        assert screen.status() == 0


def test_a_window_made_smaller_and_larger_is_drawn_anew_and_keeps_its_verdict(
    tmp_path: Path, printer: Callable[[Line, float], Printer]
) -> None:
    with Screen(tmp_path, *watched(printer(prints, 0.04)), width=120, height=40) as screen:
        screen.see("front", "all readings are in range")
        screen.resize(40, 8)
        small = screen.see("OK  all readings are in range", "h hold")
        assert max(map(len, small.split("\n"))) <= 40
        screen.resize(100, 30)
        screen.see("front", "[", "OK  all readings are in range")


def test_keys_hold_reset_and_go_on(tmp_path: Path, printer: Callable[[Line, float], Printer]) -> None:
    near = threading.Event()
    near.set()

    def stepping(count: int) -> bytes:
        return b"see %d 12 640 went %d -7\r\n" % (900 if near.is_set() else 300, count)

    with Screen(tmp_path, *watched(printer(stepping, 0.04))) as screen:
        screen.see("900 count")
        near.clear()
        screen.see("300 count", "300..900")
        screen.press("r")
        screen.see("300..300")
        screen.press("n")
        screen.see(">right")
        screen.press("h")
        screen.see("HELD")
        screen.press("h", "Up", "x")  # keys that mean nothing do nothing
        picture = screen.see("lines/s")
        assert "Traceback" not in picture
        screen.press("C-c")
        assert screen.status() == 0
        assert "right" in screen.see("good:", "count")  # the last numbers stay to be read


def test_a_port_that_goes_away_is_said_and_taken_up_again_when_it_is_back(
    tmp_path: Path, printer: Callable[[Line, float], Printer]
) -> None:
    robot = printer(prints, 0.04)
    with Screen(tmp_path, *watched(robot)) as screen:
        screen.see("all readings are in range")
        robot.unplug()
        screen.see("!!", "the port went away", "looking for it")
        robot.plug_in()
        screen.see("OK  all readings are in range")
        screen.press("C-c")
        assert screen.status() == 0


def test_a_slow_port_says_how_old_its_values_are(tmp_path: Path, printer: Callable[[Line, float], Printer]) -> None:
    talks = threading.Event()
    talks.set()
    robot = printer(lambda count: prints(count) if talks.is_set() else b"", 0.2)
    with Screen(tmp_path, *watched(robot)) as screen:
        screen.see("all readings are in range", "5 lines/s")
        talks.clear()
        screen.see("!!", "nothing has come for")
        screen.press("C-c")
        assert screen.status() == 0


def test_lines_are_said_for_a_dumb_terminal_and_only_when_something_changes(
    tmp_path: Path, printer: Callable[[Line, float], Printer]
) -> None:
    with Screen(tmp_path, *watched(printer(prints, 0.04), "--plain", "--for", "3"), width=200) as screen:
        assert screen.status() == 0
        lines = [line for line in screen.picture().split("\n") if line.strip()]
    assert 1 < len(lines) <= 4  # the first, the last, and no more for readings that stay
    assert all(line.startswith("good: all readings are in range; a wall is seen by left, front.") for line in lines)
    assert "left 30" in lines[0]


def test_a_port_that_goes_while_the_picture_is_held_is_said(
    tmp_path: Path, printer: Callable[[Line, float], Printer]
) -> None:
    robot = printer(prints, 0.04)
    with Screen(tmp_path, *watched(robot)) as screen:
        screen.see("all readings are in range")
        screen.press("h")
        screen.see("HELD")
        robot.unplug()
        screen.see("HELD", "the port has gone since")
        robot.plug_in()
        screen.press("h")
        screen.see("OK  all readings are in range", "lines/s")
        screen.press("d")
        assert screen.status() == 0


def test_lines_of_another_protocol_are_not_taken_for_silence(
    tmp_path: Path, printer: Callable[[Line, float], Printer]
) -> None:
    with Screen(tmp_path, *watched(printer(lambda count: b"L=%d R=12 ?\r\n" % count, 0.04))) as screen:
        screen.see("!!", "lines come that the protocol plain-prints does not know")
        screen.press("C-c")
        assert screen.status() == 0


def test_a_stopped_display_gives_the_terminal_back_and_goes_on_with_its_keys(
    tmp_path: Path, printer: Callable[[Line, float], Printer]
) -> None:
    with Screen(tmp_path, *watched(printer(prints, 0.04)), in_shell=True) as screen:
        screen.see("all readings are in range", "lines/s")
        screen.press("C-z")
        stopped = screen.see("Stopped", "ready$")
        assert "lines/s" not in stopped  # the picture has been taken away
        screen.press("echo it can be typed here", "Enter")
        screen.see("\nit can be typed here")
        screen.take_up()
        screen.see("OK  all readings are in range", "lines/s")
        screen.press("n")
        screen.see(">right")
        screen.press("d")
        assert screen.status() == 0
        assert "lines/s" not in screen.picture()


def test_a_display_that_is_told_to_end_leaves_a_terminal_that_can_be_used(
    tmp_path: Path, printer: Callable[[Line, float], Printer]
) -> None:
    with Screen(tmp_path, *watched(printer(prints, 0.04)), in_shell=True) as screen:
        screen.see("all readings are in range", "lines/s")
        screen.press("C-z")
        screen.see("Stopped", "ready$")
        # In the background it may not touch the terminal; -f waits for its end (bash), not for its going on.
        screen.take_up("kill -TERM %1; wait -f %1")
        assert screen.status() == 0
        picture = screen.see("good:", "count")
        assert "lines/s" not in picture
        assert "Traceback" not in screen.said.read_text()
