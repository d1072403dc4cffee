"""The host's one request without a number: it is sent alone, and the next answer of its kind is its own.

On a console it may first have to walk through menus: each key is sent when the prompt shows that the one before was
taken, or when `STEP_S` has passed without one. A request is sent once only, since a robot could not tell a second one
from a new one. When it is given up its answer is owed: the next answer of its kind is taken for that late one, until
the caller says that the line has been quiet (`settle`), or an answer came that can only be to a later request.

A stop waits for nobody and walks at once: it takes the place of the request that waits, whose answer is then owed. A
stop itself owes nothing, since the answer to one stop is as good as that to another.
"""

from __future__ import annotations

from dataclasses import replace

from hil.errors import InternalError, WireError
from hil.wire.console import HostConsole
from hil.wire.dialect import CommandSpec
from hil.wire.received import StaleReason
from hil.wire.requests import Expired, Pending, Resend

STEP_S = 0.4  # for a key to be echoed and a prompt to come: twenty times what a small firmware takes
MOST_STEPS = 6  # on the way to a menu; two lead anywhere, and a console that needs more is not as its file says
MOST_OWED = 8  # answers to requests given up; nobody gives up so many without looking after the line
STOP = "stop"
_LONG_AGO = float("-inf")


class Alone:
    """At most one request that waits.

    `console` is None where the port has none; `ending` is what follows a request or a key, `nudge` what makes a console
    show its prompt.
    """

    def __init__(self, console: HostConsole | None, ending: bytes, nudge: bytes) -> None:
        self._console = console
        self._ending = ending
        self._nudge = nudge
        self._spec: CommandSpec | None = None
        self._pending: Pending | None = None
        self._line = b""
        self._mark = 0
        self._steps = 0  # sent on the way to the command's menu; 0 when the command itself has been sent
        self._step_due_s = 0.0
        self._prompts_before = 0
        self._owed: list[CommandSpec] = []

    @property
    def waiting(self) -> Pending | None:
        """The request that waits."""
        return self._pending

    @property
    def is_walking(self) -> bool:
        """Whether the request that waits is still on the way to its menu."""
        return self._pending is not None and self._steps > 0

    @property
    def is_unsettled(self) -> bool:
        """Whether the answer to a request that was given up may still come."""
        return bool(self._owed)

    def settle(self) -> None:
        """Wait for no late answer any more: the line has been quiet."""
        self._owed.clear()

    def begin(self, spec: CommandSpec, line: bytes, now_s: float) -> Pending:
        """Return what to send first for the request whose line (with its ending) is `line`."""
        is_stop = spec.action == STOP
        if self._pending is not None:
            if not is_stop:
                raise WireError(
                    f"'{self._pending.action}' waits for its answer, and answers carry no number",
                    where=f"request '{spec.action}'",
                    todo="Wait for the answer, or for its deadline, before asking again",
                )
            self._owe()
        self._spec, self._line, self._steps = spec, line, 0
        data = self.way_to(spec.menu) + self._sent(line) if is_stop else self._first(spec, now_s)
        walk_s = MOST_STEPS * STEP_S if self._steps else 0.0
        due_s = now_s + walk_s + spec.deadline_s
        self._pending = Pending(
            tag=None, action=spec.action, data=data, due_s=due_s, deadline_s=spec.deadline_s, tries=1
        )
        return self._pending

    def answered(self, message: str) -> Pending | tuple[str, StaleReason]:
        """Take a reply: the request it answers, or (action, reason) where it answers none."""
        for index, owed in enumerate(self._owed):
            if _fits(owed, message):
                del self._owed[: index + 1]
                return owed.action, StaleReason.EXPIRED
        if self._pending is None or self._spec is None or self._steps or not _fits(self._spec, message):
            return "", StaleReason.UNASKED
        # Answers come in the order of the requests, so that what was owed before will not come any more.
        self._owed.clear()
        if self._console is not None:
            self._console.passed(self._mark)
        pending, self._pending = self._pending, None
        return pending

    def lost(self) -> None:
        """Give up everything: the robot began anew and will answer nothing that was sent, which `due` says at once."""
        self._owed.clear()
        if self._pending is not None:
            self._pending = replace(self._pending, due_s=_LONG_AGO)
            self._steps, self._spec = 0, None

    def due(self, now_s: float) -> list[Resend | Expired]:
        """Return the next key on the way, or that the request is given up."""
        if self._pending is None:
            return []
        if self._steps and self._spec is not None:
            if not self._is_step_due(now_s):
                return []
            if self._steps < MOST_STEPS:
                return [self._next_step(self._spec, now_s)]
        elif now_s < self._pending.due_s:
            return []
        self._owe()
        expired, self._pending, self._steps = Expired(pending=self._pending), None, 0
        return [expired]

    @property
    def next_due_s(self) -> float | None:
        """When `due` has something to say, if nothing comes before."""
        if self._pending is None:
            return None
        if not self._steps:
            return self._pending.due_s
        return _LONG_AGO if self._has_prompted else self._step_due_s

    def way_to(self, menu: str) -> bytes:
        """Return all the keys that lead to a menu at once, for what cannot wait for prompts."""
        data = b""
        while self._console is not None and (key := self._console.next_key(menu)) is not None:
            self._console.sent(key)
            data += key + self._ending
        return data

    def _owe(self) -> None:
        if self._spec is None or self._steps or self._spec.action == STOP:
            return
        self._owed = [*self._owed, self._spec][-MOST_OWED:]

    def _first(self, spec: CommandSpec, now_s: float) -> bytes:
        console = self._console
        if console is None or console.menu == spec.menu:
            return self._sent(self._line)
        self._note_step(console, now_s)
        if console.menu is None:
            console.sent(b"")
            return self._nudge  # the prompt that it brings tells where the console is
        return self._key(console, spec)

    def _key(self, console: HostConsole, spec: CommandSpec) -> bytes:
        """Return the next key, or the line of the request where no key is needed any more."""
        key = console.next_key(spec.menu)
        if key is None:
            self._steps = 0
            return self._sent(self._line)
        console.sent(key)
        return key + self._ending

    def _sent(self, line: bytes) -> bytes:
        if self._console is not None:
            self._mark = self._console.sent(line.removesuffix(self._ending))
        return line

    def _note_step(self, console: HostConsole, now_s: float) -> None:
        self._steps += 1
        self._step_due_s = now_s + STEP_S
        self._prompts_before = console.prompts_seen

    @property
    def _has_prompted(self) -> bool:
        return self._console is not None and self._console.prompts_seen > self._prompts_before

    def _is_step_due(self, now_s: float) -> bool:
        if self._has_prompted:
            return True
        if now_s < self._step_due_s:
            return False
        if self._console is not None:
            self._console.resync()
        return True

    def _next_step(self, spec: CommandSpec, now_s: float) -> Resend:
        pending = self._pending
        if self._console is None or pending is None:
            raise InternalError("a request walks through menus without a console")
        self._note_step(self._console, now_s)
        data = self._key(self._console, spec)
        if not self._steps:
            pending = self._pending = replace(pending, due_s=now_s + spec.deadline_s)
        return Resend(pending=replace(pending, data=data))


def _fits(spec: CommandSpec, message: str) -> bool:
    return not spec.answers or message in spec.answers
