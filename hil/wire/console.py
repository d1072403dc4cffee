"""The manners of a port made for people: echo, prompts, menus, colours.

The host's side takes all that away from what comes, and finds its way through the menus; the robot's side puts it in.
Neither knows what a message means, and neither raises on what came from the wire.
"""

from __future__ import annotations

import re
from collections import deque

from hil.wire.dialect import ConsoleSpec

# ECMA-48: control sequences, operating-system commands up to their end, and the escapes of two characters.
_ESCAPES = re.compile(rb"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07\x1b]*(?:\x07|\x1b\\)|[ -/]+[0-~]|[0-Z\\^-~])")
_GREEN, _BOLD, _PLAIN = b"\x1b[32m", b"\x1b[1m", b"\x1b[0m"

# Echoes that are still to come. A host waits for its answers, so that few are under way; signs of life come on top.
MOST_ECHOES = 32
MAIN = ""


class HostConsole:
    """What a host knows of a console: which echoes are due, and in which menu it is (None: not known yet)."""

    def __init__(self, spec: ConsoleSpec) -> None:
        self._spec = spec
        self._echoes: deque[bytes] = deque(maxlen=MOST_ECHOES)
        prompts = {spec.prompt: MAIN} if spec.prompt else {}
        for name, menu in spec.menus.items():
            if menu.prompt:
                # One prompt for several menus does not tell which of them it is.
                prompts[menu.prompt] = name if menu.prompt not in prompts else MAIN
        self._tells = len(prompts) == len(spec.menus) + 1
        self._prompts = sorted(((text.encode(), name) for text, name in prompts.items()), key=lambda one: -len(one[0]))
        self.menu: str | None = None if self._tells and spec.menus else MAIN
        self.prompts_seen = 0

    @property
    def has_prompt(self) -> bool:
        """Whether the console says that it waits for input."""
        return bool(self._prompts)

    def sent(self, line: bytes) -> None:
        """Note that `line` (without its ending) was sent and will come back."""
        if self._spec.echo and line:
            self._echoes.append(line)

    def stripped(self, line: bytes) -> bytes:
        """Return a line without escapes and prompts; b"" where it was an echo or nothing else was in it."""
        bare = self._without_prompts(_ESCAPES.sub(b"", line) if self._spec.colours else line)
        if bare in self._echoes:
            while self._echoes.popleft() != bare:
                continue
            return b""
        return bare

    def look_at_unfinished(self, kept: bytes) -> None:
        """See whether an unfinished line is a prompt that waits for input."""
        bare = _ESCAPES.sub(b"", kept) if self._spec.colours else kept
        if bare and not self._echoes and not self._without_prompts(bare):
            self.prompts_seen += 1

    def heard_answer(self) -> None:
        """Forget the echoes that were due: an answer came, or they were lost."""
        self._echoes.clear()

    def restarted(self) -> None:
        """Begin anew, as the robot did."""
        self._echoes.clear()
        self.menu = MAIN

    def next_key(self, wanted: str) -> bytes | None:
        """Return the key that leads nearer to a menu, and note where it leads; None where the console is in it."""
        if self.menu is None:
            self.menu = MAIN  # no prompt has come to a bare line ending; if this is wrong the robot will say so
        if self.menu == wanted:
            return None
        if self.menu != MAIN:
            key, self.menu = self._spec.menus[self.menu].leave, MAIN
        else:
            key, self.menu = self._spec.menus[wanted].enter, wanted
        return key.encode()

    def _without_prompts(self, line: bytes) -> bytes:
        # A prompt that comes before the echo of what was sent last tells where the console was, not where it is.
        found = True
        while found and line:
            found = False
            for prompt, name in self._prompts:
                # A terminal may have swallowed the blank that a prompt ends with when nothing follows it.
                if line.startswith(prompt) or line == prompt.rstrip():
                    line = line[len(prompt) :]
                    found = True
                    if self._tells and not self._echoes:
                        self.menu = name
                    break
        return line


class RobotConsole:
    """The same, as a firmware does it. `pending` collects what it sends by itself: echoes, and prompts after them."""

    def __init__(self, spec: ConsoleSpec, ending: bytes) -> None:
        self._spec = spec
        self._ending = ending
        self.menu = MAIN
        self._pending = bytearray()

    @property
    def prompt(self) -> bytes:
        """The prompt of the menu it is in."""
        menu = self._spec.menus.get(self.menu)
        text = ((menu.prompt if menu else "") or self._spec.prompt).encode()
        return _BOLD + text + _PLAIN if text and self._spec.colours else text

    def coloured(self, line: bytes) -> bytes:
        """Return a whole line with its text in colour."""
        if not self._spec.colours or not line.endswith(self._ending):
            return line
        return _GREEN + line.removesuffix(self._ending) + _PLAIN + self._ending

    def typed(self, line: bytes) -> bool:
        """Echo a line, and follow it where it is a key of the menus; tell whether it was one."""
        if self._spec.echo:
            self._pending += line + self._ending
        text = line.decode("ascii", "replace")
        if self.menu == MAIN:
            entered = next((name for name, menu in self._spec.menus.items() if menu.enter == text), None)
            if entered is not None:
                self.menu = entered
            moved = entered is not None
        else:
            moved = text == self._spec.menus[self.menu].leave
            if moved:
                self.menu = MAIN
        if moved or not line:
            self._pending += self.prompt
        return moved or not line

    def ask_again(self) -> None:
        """Send the prompt: something was done that is not answered."""
        self._pending += self.prompt

    def taken(self) -> bytes:
        """Return what it has to send, and forget it."""
        data = bytes(self._pending)
        self._pending.clear()
        return data
