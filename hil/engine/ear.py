"""An open port that is listened to, and asked only what moves nothing: who it is, and to send its values.

Asking is a request of the protocol like any other, with its deadline and its tries; what comes meanwhile is not lost.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

from hil.engine.listening import Listening
from hil.timing import Clock
from hil.transports.booting import measure_round_trip, wait_for_boot
from hil.transports.transport import Transport
from hil.wire.dialect import Dialect, Verdict
from hil.wire.fields import Value
from hil.wire.received import Received, Replied
from hil.wire.requests import Resend

_LOOK_S = 0.05
_REPLIES = 16

# The actions that may be asked of a robot by somebody who only listens: none of them turns a wheel.
HARMLESS = ("identify", "stream", "sample", "get")


class Ear:
    """Listens to a port in a dialect. Errors of the port are the caller's."""

    def __init__(self, transport: Transport, dialect: Dialect, clock: Clock) -> None:
        self.port = transport.name
        self._transport = transport
        self._clock = clock
        self._latest_s = 0.0
        self.listening = Listening(dialect, self.now_s())
        self.raw: deque[tuple[float, bytes]] = deque(maxlen=1024)  # chunks that nobody has taken out yet
        self._replies: deque[Replied] = deque(maxlen=_REPLIES)

    def now_s(self) -> float:
        """Return the host's time [s]; that of the latest bytes, where a trace gives them faster than they came."""
        return max(self._clock.monotonic_ns() / 1e9, self._latest_s)

    def pump(self, timeout_s: float) -> list[Received]:
        """Read one chunk, at most `timeout_s` long, and return what it means."""
        stamped = self._transport.read(timeout_s)
        received: list[Received] = []
        if stamped is not None:
            t_s = self._latest_s = stamped.t_ns / 1e9
            self.raw.append((t_s, stamped.data))
            received += self.listening.take(t_s, stamped.data)
        received += self.listening.look(self.now_s())
        self._replies.extend(item for item in received if isinstance(item, Replied))
        return received

    def ask(self, action: str, values: Mapping[str, Value] | None = None) -> str | None:
        """Ask something harmless; return the answer's text, None where none came or it was a refusal."""
        if action not in HARMLESS:
            raise ValueError(f"{action} is not asked by somebody who only listens")
        link = self.listening.link
        pending = link.start(action, values or {}, self.now_s())
        self._replies.clear()
        self._transport.write(pending.data)
        if not self.listening.dialect.commands[action].replied:
            return ""
        while True:
            self.pump(_LOOK_S)
            for reply in self._replies:
                if reply.action == action:
                    return reply.answer if reply.verdict is Verdict.ACCEPTED else None
            for due in link.due(self.now_s()):
                if isinstance(due, Resend):
                    self._transport.write(due.data)
                elif due.pending.action == action:
                    return None


def first_questions(ear: Ear, period_s: float) -> list[str]:
    """Ask who is there, five times, which tells how long an answer takes, and for values; return what to say of it."""
    commands = ear.listening.dialect.commands
    said: list[str] = []
    if not wait_for_boot(ear.listening.dialect.boot, ear.pump, ear.now_s).seen:
        said.append("the board did not say that it has started; it is asked all the same")
    if "identify" in commands:
        answers: list[str | None] = []
        trip = measure_round_trip(lambda: answers.append(ear.ask("identify")), ear.now_s)
        if answers[-1] is None:
            said.append("asked who is there: no answer")
        else:
            said += [f"asked who is there: {answers[-1]}", trip.text_on(ear.port)]
    if "stream" in commands:
        answer = ear.ask("stream", {"period": period_s})
        came = ": no answer, or a refusal" if answer is None else ""
        said.append(f"asked for values every {1000 * period_s:g} ms{came}")
    return said or [f"{ear.listening.dialect.name} has no questions"]
