"""The host's requests that wait for an answer: numbers, deadlines, tries, and answers that come too late.

A number (tag) is not used again before all others were, nor while a request that carries it still waits. An answer
whose number does not wait is stale, whatever it says. Time is given by the caller; nothing here reads a clock.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, replace

from hil.errors import WireError
from hil.wire.received import StaleReason

# A bench waits for one answer at a time, and for a stop beside it; more than this is a mistake of ours.
MOST_PENDING = 16
# How many finished requests are remembered to say what a stale answer once belonged to.
REMEMBERED = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Pending:
    """A request that was handed out for sending. `tag` is `None` where no answer is wanted.

    `data` is the line to send, `sent` how often it was handed out, `due_s` when it is sent again or given up.
    """

    tag: int | None
    action: str
    data: bytes
    sent: int = 1
    due_s: float
    deadline_s: float
    tries: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Resend:
    """A request was not answered in time and is to be sent again."""

    pending: Pending

    @property
    def data(self) -> bytes:
        """The line to send."""
        return self.pending.data


@dataclass(frozen=True, slots=True, kw_only=True)
class Expired:
    """A request was sent as often as allowed and is given up."""

    pending: Pending


class Requests:
    """The table of waiting requests."""

    def __init__(self, tag_modulus: int, first_tag: int) -> None:
        self._modulus = tag_modulus
        self._next = first_tag % tag_modulus
        self._waiting: dict[int, Pending] = {}
        self._finished: OrderedDict[int, tuple[str, StaleReason]] = OrderedDict()

    def next_tag(self) -> int:
        """Return a free number and go on to the next; raise `WireError` where too many requests wait."""
        if len(self._waiting) >= min(MOST_PENDING, self._modulus - 1):
            raise WireError(
                f"{len(self._waiting)} requests wait for their answers already",
                todo="Wait for an answer, or for the deadline of one, before asking again",
            )
        while self._next in self._waiting:
            self._next = (self._next + 1) % self._modulus
        tag = self._next
        self._next = (tag + 1) % self._modulus
        return tag

    def wait_for(self, tag: int, pending: Pending) -> None:
        """Put a request into the table."""
        self._waiting[tag] = pending

    def answered(self, tag: int) -> Pending | tuple[str, StaleReason]:
        """Take an answer to `tag`: its request, or (action, reason) where it is stale."""
        pending = self._waiting.pop(tag, None)
        if pending is None:
            return self._finished.get(tag, ("", StaleReason.UNASKED))
        self._remember(tag, pending.action, StaleReason.ANSWERED)
        return pending

    def due(self, now_s: float) -> list[Resend | Expired]:
        """Return what has become of the requests whose deadline has come, the oldest first."""
        found: list[Resend | Expired] = []
        for tag, pending in list(self._waiting.items()):
            if now_s < pending.due_s:
                continue
            if pending.sent < pending.tries:
                again = replace(pending, sent=pending.sent + 1, due_s=now_s + pending.deadline_s)
                self._waiting[tag] = again
                found.append(Resend(pending=again))
            else:
                del self._waiting[tag]
                self._remember(tag, pending.action, StaleReason.EXPIRED)
                found.append(Expired(pending=pending))
        return found

    @property
    def next_due_s(self) -> float | None:
        """When `due` has something to say next, `None` while nothing waits."""
        return min((pending.due_s for pending in self._waiting.values()), default=None)

    @property
    def waiting(self) -> tuple[Pending, ...]:
        """The requests that wait, the oldest first."""
        return tuple(self._waiting.values())

    def _remember(self, tag: int, action: str, reason: StaleReason) -> None:
        self._finished[tag] = (action, reason)
        self._finished.move_to_end(tag)
        while len(self._finished) > REMEMBERED:
            self._finished.popitem(last=False)
