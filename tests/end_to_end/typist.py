"""A person at a real terminal: reads what is shown, answers what is asked, and is counted."""

from __future__ import annotations

import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Self

COMMAND = (sys.executable, "-P", "-m", "hil.cli.main")
# Numba compiles the simulator in the first seconds of a machine that has not run it before.
PATIENCE_S = 90.0

Answer = str | Callable[[], str]


class Typist:
    """Runs `hil` on a pseudo-terminal. `shown` is all that was shown; `answers` how often Enter was pressed."""

    def __init__(self, *words: str, folder: Path) -> None:
        self._own, theirs = os.openpty()
        environment = {**os.environ, "COLUMNS": "120", "LINES": "50", "TERM": "xterm"}
        self._process = subprocess.Popen(
            [*COMMAND, *words],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            cwd=folder,
            env=environment,
            start_new_session=True,
        )
        os.close(theirs)
        self.shown = ""
        self.answers = 0
        self._read_up_to = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait(10)
        os.close(self._own)

    def see(self, *patterns: str) -> int:
        """Read on until one of the patterns is shown; return which, or -1 where the program ended first."""
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:
            unread = self.shown[self._read_up_to :]
            found = [(match, index) for index, one in enumerate(patterns) if (match := re.search(one, unread))]
            if found:
                match, index = min(found, key=lambda pair: pair[0].start())
                self._read_up_to += match.end()
                return index
            if not self._read_more():
                return -1
        raise AssertionError(f"none of {patterns} was shown in {PATIENCE_S:g} s:\n{self.shown}")

    def _read_more(self) -> bool:
        if select.select([self._own], [], [], 0.2)[0]:
            try:
                data = os.read(self._own, 65536)
            except OSError:  # how Linux says that the other side is closed
                return False
            self.shown += data.decode("utf-8", "replace").replace("\r\n", "\n")
        return True

    def type(self, text: str) -> None:
        """Type a line."""
        self.answers += 1
        os.write(self._own, text.encode() + b"\n")

    def answer(self, questions: Sequence[tuple[str, Answer]]) -> int:
        """Answer whatever of `questions` (pattern and answer) is asked until the program ends; return its status."""
        while (which := self.see(*(pattern for pattern, _ in questions))) >= 0:
            answer = questions[which][1]
            self.type(answer if isinstance(answer, str) else answer())
        return self._process.wait(20)

    def interrupt(self) -> int:
        """Press Ctrl-C and return the status."""
        self._process.send_signal(signal.SIGINT)
        return self._process.wait(20)


class ServedRobot:
    """A virtual robot served by `hil simulate` in another window, with its person's part at the keyboard."""

    def __init__(self, *words: str, folder: Path) -> None:
        self._process = subprocess.Popen(
            [*COMMAND, "simulate", *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=folder,
        )
        self.port = self._line("port: ").split()[1]
        self._line("Ctrl-C ends it.")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.communicate(timeout=10)

    def do(self, line: str) -> str:
        """Type a line in that window and return what it says."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()
        return self._process.stdout.readline().strip()

    def _line(self, begin: str) -> str:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.startswith(begin):
                return line
        raise AssertionError(f"'{begin}' was never said")
