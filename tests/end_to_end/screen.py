"""A terminal that a test looks at: tmux in a window of known size, its picture as text, keys pressed by the test."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Self

import pytest

_PATIENCE_S = 20.0
_LOOK_S = 0.05
_PROMPT = "ready$"
_SHELL = f"PS1='{_PROMPT} ' bash --norc --noprofile -i"


def needs_tmux() -> str:
    """Return the path of tmux; a test that must look at a terminal is skipped without it."""
    found = shutil.which("tmux")
    if found is None:
        pytest.skip("tmux is not installed (Debian package tmux)")
    return found


class Screen:
    """A command in a window of tmux. Waits are for what is to be seen, with a deadline, and for nothing else."""

    def __init__(
        self, folder: Path, *arguments: str, width: int = 80, height: int = 24, in_shell: bool = False
    ) -> None:  # fmt: skip
        self._tmux = [needs_tmux(), "-S", str(folder / "tmux.socket"), "-f", "/dev/null"]
        self._status = folder / "status"
        words = " ".join(f"'{word}'" for word in (sys.executable, "-P", "-m", "hil.cli.main", *arguments))
        # What it said at its end, and how it ended, stay to be read after the window has been cleared.
        command = f"{words} 2>{folder / 'said'}; echo $? >{self._status}; sleep 60"
        environment = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "", "LINES": ""}
        subprocess.run(
            [*self._tmux, "new-session", "-d", "-x", str(width), "-y", str(height), _SHELL if in_shell else command],
            check=True, env={key: value for key, value in environment.items() if value}, cwd=folder,
        )  # fmt: skip
        self.said = folder / "said"
        if in_shell:  # with job control: the command is typed, and can be stopped and taken up again
            self.see(_PROMPT)
            self.press(f"{words} 2>{folder / 'said'}", "Enter")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        subprocess.run([*self._tmux, "kill-server"], check=False, capture_output=True)

    def picture(self) -> str:
        """Return what is on the screen now."""
        shown = subprocess.run([*self._tmux, "capture-pane", "-p"], check=True, capture_output=True, text=True)
        return shown.stdout

    def press(self, *keys: str) -> None:
        """Press keys by their names in tmux."""
        subprocess.run([*self._tmux, "send-keys", *keys], check=True)

    def take_up(self, word: str = "fg") -> None:
        """Take up the command that is stopped in the shell, and keep its status."""
        self.press(f"{word}; echo $? >{self._status}", "Enter")

    def resize(self, width: int, height: int) -> None:
        """Make the window another size."""
        subprocess.run([*self._tmux, "resize-window", "-x", str(width), "-y", str(height)], check=True)

    def see(self, *words: str) -> str:
        """Wait until all these words are on the screen, and return the picture; fail with the last one otherwise."""
        end = time.monotonic() + _PATIENCE_S
        picture = self.picture()
        while not all(word in picture for word in words):
            if time.monotonic() > end:
                pytest.fail(f"did not see {words!r} within {_PATIENCE_S:.0f} s; the screen was\n{picture}")
            time.sleep(_LOOK_S)
            picture = self.picture()
        return picture

    def status(self) -> int:
        """Wait until the command has ended, and return its exit status."""
        end = time.monotonic() + _PATIENCE_S
        while not (self._status.exists() and self._status.read_text().strip()):
            if time.monotonic() > end:
                pytest.fail(f"the command did not end; the screen was\n{self.picture()}")
            time.sleep(_LOOK_S)
        return int(self._status.read_text())
