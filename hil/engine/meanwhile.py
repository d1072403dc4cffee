"""Something computed while the port is still read: what comes meanwhile is recorded, and none of it waits to be lost.

A judgement takes up to some seconds. A robot that reports goes on reporting, and a run that is killed in that time may
lose no more than in any other.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

LISTEN_EVERY_S = 0.02


def listening(listen: Callable[[], None], work: Callable[[], T]) -> T:
    """Return what `work` returns, or raise what it raises; `listen` is called often until it has.

    The work runs in a thread of its own and must not touch what `listen` changes. Whatever interrupts the listening,
    such as Ctrl-C, does not wait for the work.
    """
    done: queue.SimpleQueue[tuple[T | None, BaseException | None]] = queue.SimpleQueue()

    def carry_out() -> None:
        try:
            done.put((work(), None))
        except BaseException as error:  # it is the caller's, whatever it is
            done.put((None, error))

    threading.Thread(target=carry_out, name="work beside the port", daemon=True).start()
    while True:
        try:
            result, error = done.get(timeout=LISTEN_EVERY_S)
        except queue.Empty:
            listen()
            continue
        if error is not None:
            raise error
        return result  # type: ignore[return-value]
