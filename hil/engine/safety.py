"""The way to stop the robot, and what is said before it moves.

The stop path is the first thing pushed on a run's stack, so it is the last to be undone and runs on every way out: a
finished run, an error, Ctrl-C, a lost port. It never raises: what went wrong while stopping is returned as a sentence.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from types import FrameType

CAUTIONS = (
    "Hands, hair, sleeves and cables are clear of the wheels and of the course.",
    "On a table, the course's edge is closed so that the robot cannot fall.",
    "The battery is undamaged, above its lowest voltage, and was charged under supervision on a charger made for it.",
    "Nobody looks into the infrared emitters at close range.",
    "Somebody who can switch the robot off stands within reach of it until the run has ended.",
    "Local rules and the people responsible for the room come first.",
)


def cautions_of(suites: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return the general cautions and those of the suites, each once."""
    return tuple(dict.fromkeys([*CAUTIONS, *(caution for cautions in suites for caution in cautions)]))


@contextmanager
def no_interrupt() -> Iterator[None]:
    """Hold Ctrl-C back for as long as stopping takes; outside of the main thread there is none to hold."""
    with _handled((signal.SIGINT, signal.SIGTERM, signal.SIGHUP), signal.SIG_IGN):
        yield


@contextmanager
def ended_as_interrupted() -> Iterator[None]:
    """Let the end of the terminal or of the machine interrupt a run like Ctrl-C, so that the robot is stopped."""

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    with _handled((signal.SIGTERM, signal.SIGHUP), interrupt):
        yield


@contextmanager
def _handled(signals: Sequence[signal.Signals], handler: object) -> Iterator[None]:
    with ExitStack() as stack:
        for number in signals:
            try:
                before = signal.signal(number, handler)  # type: ignore[arg-type]
            except ValueError:
                break  # only the main thread may; another is never interrupted either
            stack.callback(signal.signal, number, before)
        yield
