"""The host's one request without a number: it is sent alone, and the next answer of its kind is its own.

On a console it may first have to walk through menus: each key is sent when the prompt shows that the one before was
taken, or when `STEP_S` has passed without one. A request is sent once only, since a robot could not tell a second one
from a new one. A stop does not wait for others: it takes the place of the request that waits, whose answer is then
owed.
"""

from __future__ import annotations

from dataclasses import replace

from hil.errors import WireError
from hil.wire.console import HostConsole
from hil.wire.dialect import CommandSpec
from hil.wire.received import StaleReason
from hil.wire.requests import Expired, Pending, Resend

STEP_S = 0.4  # for a key to be echoed and a prompt to come: twenty times what a small firmware takes
MOST_STEPS = 8  # keys on the way to a menu; a console that needs more does not do what its file says
STOP = "stop"


class Alone:
    """At most one request that waits. `console` is None where the port has no menus."""

    def __init__(self, console: HostConsole | None, ending: bytes) -> None:
        self._console = console
        self._ending = ending
        self._spec: CommandSpec | None = None
        self._pending: Pending | None = None
        self._line = b""
        self._steps = 0  # sent on the way to the command's menu; 0 when the command itself has been sent
        self._step_due_s = 0.0
        self._prompts_before = 0
        self._owed: tuple[CommandSpec, ...] = ()
        self._late = ""  # the action that was given up last, for its late answer

    @property
    def waiting(self) -> Pending | None:
        """The request that waits."""
        return self._pending

    def begin(self, spec: CommandSpec, line: bytes, now_s: float) -> Pending:
        """Return what to send first for the request whose line (with its ending) is `line`."""
        if self._pending is not None:
            if spec.action != STOP:
                raise WireError(
                    f"'{self._pending.action}' waits for its answer, and answers carry no number",
                    where=f"request '{spec.action}'",
                    todo="Wait for the answer, or for its deadline, before asking again",
                )
            if not self._steps and self._spec is not None:
                self._owed = (self._spec,)
            self._late = self._pending.action
        self._spec, self._line, self._steps = spec, line, 0
        data = self._first(spec, now_s)
        self._pending = Pending(
            tag=None,
            action=spec.action,
            data=data,
            due_s=now_s + spec.deadline_s + (MOST_STEPS * STEP_S if self._steps else 0.0),
            deadline_s=spec.deadline_s,
            tries=1,
        )
        return self._pending

    def answered(self, message: str) -> Pending | tuple[str, StaleReason]:
        """Take a reply: the request it answers, or (action, reason) where it answers none."""
        if self._console is not None:
            self._console.heard_answer()
        if self._owed and _fits(self._owed[0], message):
            owed, self._owed = self._owed[0], ()
            return owed.action, StaleReason.EXPIRED
        if self._pending is None or self._spec is None or self._steps or not _fits(self._spec, message):
            return (self._late, StaleReason.EXPIRED) if self._late else ("", StaleReason.UNASKED)
        pending, self._pending, self._late = self._pending, None, ""
        return pending

    def due(self, now_s: float) -> list[Resend | Expired]:
        """Return the next key on the way, or that the request is given up."""
        if self._pending is None or self._spec is None:
            return []
        if self._steps and self._is_step_due(now_s):
            return [self._next_step(self._spec, now_s)]
        if now_s < self._pending.due_s:
            return []
        expired, self._pending = Expired(pending=self._pending), None
        self._late, self._steps = expired.pending.action, 0
        return [expired]

    @property
    def next_due_s(self) -> float | None:
        """When `due` has something to say, if nothing comes before."""
        if self._pending is None:
            return None
        return min(self._step_due_s, self._pending.due_s) if self._steps else self._pending.due_s

    def _first(self, spec: CommandSpec, now_s: float) -> bytes:
        console = self._console
        if console is None or console.menu == spec.menu:
            return self._line
        self._note_step(now_s)
        if console.menu is None:
            return self._ending  # a bare line ending brings the prompt, which tells where the console is
        return self._key(console, spec)

    def _key(self, console: HostConsole, spec: CommandSpec) -> bytes:
        key = console.next_key(spec.menu)
        if key is None:
            self._steps = 0
            return self._line
        console.sent(key)
        return key + self._ending

    def _note_step(self, now_s: float) -> None:
        self._steps += 1
        self._step_due_s = now_s + STEP_S
        self._prompts_before = self._console.prompts_seen if self._console else 0

    def _is_step_due(self, now_s: float) -> bool:
        console = self._console
        if console is None or not console.has_prompt or console.prompts_seen > self._prompts_before:
            return True
        if now_s >= self._step_due_s:
            console.heard_answer()  # echoes that have not come by now were lost
            return True
        return False

    def _next_step(self, spec: CommandSpec, now_s: float) -> Resend:
        assert self._console is not None and self._pending is not None  # noqa: S101, PT018  (steps are a console's)
        if self._steps >= MOST_STEPS:
            self._steps, data = 0, self._line
        else:
            data = self._key(self._console, spec)
        if self._steps:
            self._note_step(now_s)
        else:
            self._console.sent(self._line.removesuffix(self._ending))
            self._pending = replace(self._pending, due_s=now_s + spec.deadline_s)
        return Resend(pending=replace(self._pending, data=data))


def _fits(spec: CommandSpec, message: str) -> bool:
    return not spec.answers or message in spec.answers
