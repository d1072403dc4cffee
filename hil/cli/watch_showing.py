"""Shows a watched subject until somebody says done: as a picture or as lines, with keys, in a terminal left as it was.

Keys are looked at ten times a second, however seldom pictures are wanted. Ctrl-Z gives the terminal back before the
display stops, and takes it again when the display goes on; the end of the terminal or of the machine ends it like
Ctrl-C, so that no shell is left without a cursor.
"""

from __future__ import annotations

import os
import signal
import sys
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Self

import click

from hil.cli.keys import Keys

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hil.engine.watching import Watcher

_KEYS_S = 0.1  # between two looks at the keys
_LINES_S = 0.25  # between two lines, at least: no voice reads faster


def show(watcher: Watcher, rate_hz: float, for_s: float | None, *, is_plain: bool) -> None:
    """Show pages until a key, Ctrl-C or the time says done; the last page stays as a line."""
    from hil.cli.watch_lines import plain_line
    from hil.engine.safety import ended_as_interrupted

    try:
        with ended_as_interrupted(), Keys() as keys:
            if is_plain:
                _show_lines(watcher, keys, rate_hz, for_s)
            else:
                _show_screen(watcher, keys, rate_hz, for_s)
    except KeyboardInterrupt:
        click.echo("", err=True)
    click.echo(plain_line(watcher.page()))


class Suspension:
    """Keeps Ctrl-Z for the moment when the terminal can be given back; where there are no such signals, never."""

    def __init__(self) -> None:
        self.is_asked = False
        self._before: object = None

    def __enter__(self) -> Self:
        if hasattr(signal, "SIGTSTP"):
            self._before = signal.signal(signal.SIGTSTP, self._ask)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        if hasattr(signal, "SIGTSTP"):
            signal.signal(signal.SIGTSTP, self._before)  # type: ignore[arg-type]

    def _ask(self, number: int, frame: FrameType | None) -> None:
        self.is_asked = True

    def stop(self) -> None:
        """Stop this process as Ctrl-Z does; returns when it goes on."""
        self.is_asked = False
        signal.signal(signal.SIGTSTP, signal.SIG_DFL)
        os.kill(os.getpid(), signal.SIGTSTP)
        signal.signal(signal.SIGTSTP, self._ask)


def _moments(watcher: Watcher, keys: Keys, period_s: float, for_s: float | None) -> Iterator[bool]:
    """Yield at every look at the keys whether a page is due, until a key or the time says done."""
    begun_s = watcher.now_s()
    due_s = begun_s + period_s  # by then something may have come
    while for_s is None or watcher.now_s() - begun_s < for_s:
        pressed = keys.pressed()
        if not _obeyed(watcher, pressed):
            return
        now_s = watcher.now_s()
        is_due = bool(pressed) or now_s >= due_s
        if is_due:
            due_s = max(due_s, now_s - period_s / 2) + period_s  # late pictures are not made up for
        yield is_due
        watcher.listen(max(0.0, min(_KEYS_S, due_s - watcher.now_s())))


def _obeyed(watcher: Watcher, pressed: str) -> bool:
    """Do what the keys say; tell whether the display goes on."""
    for key in pressed:
        if key == "h":
            watcher.hold()
        elif key == "r":
            watcher.subject.reset()
        elif key == "n":
            watcher.subject.following()
        elif key in ("d", "q"):
            return False
    return True


def _show_screen(watcher: Watcher, keys: Keys, rate_hz: float, for_s: float | None) -> None:
    from rich.console import Console
    from rich.live import Live

    from hil.cli.watch_screen import draw_on

    console = Console()
    live = Live(draw_on(console, watcher.page()), console=console, screen=True, auto_refresh=False)
    with live, Suspension() as suspension:
        for is_due in _moments(watcher, keys, 1 / rate_hz, for_s):
            if suspension.is_asked:
                live.stop()
                keys.give_back()
                suspension.stop()
                keys.take()
                live.start()
            elif not is_due:
                continue
            live.update(draw_on(console, watcher.page()), refresh=True)


def _show_lines(watcher: Watcher, keys: Keys, rate_hz: float, for_s: float | None) -> None:
    from hil.cli.watch_lines import LineMode

    mode = LineMode()
    for is_due in _moments(watcher, keys, max(_LINES_S, 1 / rate_hz), for_s):
        line = mode.line(watcher.page(), watcher.now_s()) if is_due else ""
        if line:
            click.echo(line)
            sys.stdout.flush()
