"""The manners of a port made for people: echo, prompts, menus, colours.

The host's side takes all that away from what comes, and finds its way through the menus; the robot's side puts it in.
Neither knows what a message means, and neither raises on what came from the wire.
"""

from __future__ import annotations

import re
from collections import deque

from hil.errors import WireError
from hil.wire.dialect import ConsoleSpec

# ECMA-48: control sequences, operating-system commands up to their end, and the escapes of two characters.
_ESCAPES = re.compile(rb"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07\x1b]*(?:\x07|\x1b\\)|[ -/]+[0-~]|[0-Z\\^-~])")
_GREEN, _BOLD, _PLAIN = b"\x1b[32m", b"\x1b[1m", b"\x1b[0m"

# Lines whose echo or prompt is still to come. A host waits for its answers, so that few are under way; signs of life
# come on top.
MOST_UNDER_WAY = 32
# Echoes and prompts that a robot has not been asked for yet: some hundred lines.
MOST_UNSAID_BYTES = 8192
# What prompts and escapes may add to the longest line.
MOST_TRIMMINGS = 96
MAIN = ""


class HostConsole:
    """What a host knows of a console: which echoes are due, and in which menu it is (None: not known yet).

    A prompt that comes before the echo of what was sent last tells where the console was, not where it is, and is
    left out of account. Without an echo, each line that was sent is taken to bring one prompt.
    """

    def __init__(self, spec: ConsoleSpec) -> None:
        self._spec = spec
        self._echoes: deque[bytes] = deque(maxlen=MOST_UNDER_WAY)
        self._sent = 0
        self._prompts_due = 0
        prompts = {spec.prompt: MAIN} if spec.prompt else {}
        for name, menu in spec.menus.items():
            if menu.prompt:
                # One prompt for several menus does not tell which of them it is.
                prompts[menu.prompt] = name if menu.prompt not in prompts else MAIN
        _refuse_prompts_that_begin_alike(list(prompts))
        self._tells = len(prompts) == len(spec.menus) + 1
        self._prompts = [(text.encode("ascii"), name) for text, name in prompts.items()]
        self._seen_in_line = 0  # prompts of the unfinished line that have been noted
        self.menu: str | None = None if self._tells and spec.menus else MAIN
        self.prompts_seen = 0

    @property
    def has_prompt(self) -> bool:
        """Whether the console says that it waits for input."""
        return bool(self._prompts)

    # What is sent

    def sent(self, line: bytes) -> int:
        """Note that `line` (without its ending) was sent and will come back; return the mark for `passed`."""
        if self._spec.echo and line:
            self._echoes.append(line)
            self._sent += 1
        elif not self._spec.echo and self._prompts:
            self._prompts_due = min(self._prompts_due + 1, MOST_UNDER_WAY)
        return self._sent

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
        return key.encode("ascii")

    # What comes

    def stripped(self, line: bytes) -> bytes:
        """Return a line without escapes and prompts; b"" where it was an echo or nothing else was in it."""
        bare = self._behind_prompts(self._plain(line), whole=True)
        if bare in self._echoes:
            while self._echoes.popleft() != bare:
                continue
            return b""
        return bare

    def behind_echo(self, line: bytes) -> bytes:
        """Return what follows the echo that is due next, where it had no line ending; b"" where it does not."""
        for echo in self._echoes:
            if line.startswith(echo):
                return line[len(echo) :]
        return b""

    def look_at_unfinished(self, kept: bytes) -> None:
        """See whether an unfinished line begins with a prompt, which waits for input."""
        self._behind_prompts(self._plain(kept), whole=False)

    def forget_line(self) -> None:
        """Begin a new line: the unfinished one was dropped."""
        self._seen_in_line = 0

    def passed(self, mark: int) -> None:
        """Forget the echoes due of what was sent up to `mark`: its answer is there, so that they were lost."""
        while self._echoes and self._sent - len(self._echoes) < mark:
            self._echoes.popleft()

    def resync(self) -> None:
        """Wait for nothing more of what was sent: it was lost, or its time is over."""
        self._echoes.clear()
        self._prompts_due = 0

    def restarted(self) -> None:
        """Begin anew, as the robot did."""
        self.resync()
        self.menu = MAIN

    def _plain(self, line: bytes) -> bytes:
        return _ESCAPES.sub(b"", line) if self._spec.colours else line

    def _behind_prompts(self, line: bytes, *, whole: bool) -> bytes:
        """Return what follows the prompts that a line begins with; note those that were not noted before."""
        count = 0
        while (found := self._prompt_at(line, whole=whole)) is not None:
            prompt, name = found
            line = line[len(prompt) :]
            count += 1
            if count > self._seen_in_line:
                self._note(name)
        self._seen_in_line = 0 if whole else count
        return line

    def _prompt_at(self, line: bytes, *, whole: bool) -> tuple[bytes, str] | None:
        """Return the prompt that a line begins with, and its menu."""
        for prompt, name in self._prompts:
            # A terminal may have swallowed the blank that a prompt ends with when nothing follows it.
            if line.startswith(prompt) or (whole and line and line == prompt.rstrip()):
                return prompt, name
        return None

    def _note(self, name: str) -> None:
        self._prompts_due = max(self._prompts_due - 1, 0)
        if self._echoes or self._prompts_due:
            return
        self.prompts_seen += 1
        if self._tells:
            self.menu = name


def _refuse_prompts_that_begin_alike(prompts: list[str]) -> None:
    for one in prompts:
        for other in prompts:
            if one != other and other.startswith(one):
                raise WireError(
                    f"the prompt {other!r} begins like the prompt {one!r}",
                    where="console",
                    expected="prompts that are told apart while they come",
                )


class RobotConsole:
    """The same, as a firmware does it; it collects what it sends by itself: echoes, and prompts after them."""

    def __init__(self, spec: ConsoleSpec, ending: bytes) -> None:
        self._spec = spec
        self._ending = ending
        self.menu = MAIN
        self._unsaid = bytearray()

    @property
    def prompt(self) -> bytes:
        """The prompt of the menu it is in."""
        menu = self._spec.menus.get(self.menu)
        text = ((menu.prompt if menu else "") or self._spec.prompt).encode("ascii")
        return _BOLD + text + _PLAIN if text and self._spec.colours else text

    def coloured(self, line: bytes) -> bytes:
        """Return a whole line with its text in colour."""
        if not self._spec.colours or not line.endswith(self._ending):
            return line
        return _GREEN + line.removesuffix(self._ending) + _PLAIN + self._ending

    def typed(self, line: bytes) -> bool:
        """Echo a line, and follow it where it is a key of the menus; tell whether it was one, or nothing."""
        if self._spec.echo:
            self.say(line + self._ending)
        text = line.decode("ascii", "replace")
        if self.menu == MAIN:
            entered = next((name for name, menu in self._spec.menus.items() if menu.enter == text), None)
        else:
            entered = MAIN if text == self._spec.menus[self.menu].leave else None
        if entered is not None:
            self.menu = entered
        if entered is not None or not line:
            self.say(self.prompt)
        return entered is not None or not line

    def say(self, data: bytes) -> None:
        """Have something sent that nobody asked for."""
        # A firmware whose output is not taken drops it.
        if len(self._unsaid) + len(data) <= MOST_UNSAID_BYTES:
            self._unsaid += data

    def restarted(self) -> None:
        """Begin anew in the main menu."""
        self.menu = MAIN
        self._unsaid.clear()

    def taken(self) -> bytes:
        """Return what it has to send, and forget it."""
        data = bytes(self._unsaid)
        self._unsaid.clear()
        return data
